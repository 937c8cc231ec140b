"""Drivers by name.

Owns the table of our own drivers and the look-up of others that installed packages declare under
the entry-point group `moontrim.drivers`. Our own are known without installation, so that the source
tree runs as it is. Nothing is imported before it is asked for by name, and then only that one
module."""

from __future__ import annotations

from functools import cache
from importlib import metadata

from moontrim_drivers.contract import RigDriver

GROUP = "moontrim.drivers"

_BUILT_IN = {
    "asciicat": "moontrim_drivers.asciicat.driver:AsciicatDriver",
    "civ": "moontrim_drivers.civ.driver:CivDriver",
    "simulated": "moontrim_drivers.simulated.driver:SimulatedDriver",
    "socket": "moontrim_drivers.rigctld.driver:SocketDriver",
}


class DriverNotFoundError(ValueError):
    """No usable driver goes by that name. The text says why and lists the names there are."""


def names() -> tuple[str, ...]:
    """Every driver name there is, sorted. Imports no driver."""
    return tuple(sorted(_targets()))


def load(name: str) -> type[RigDriver]:
    """The driver class of that name; imports its module and no other driver.

    Raises DriverNotFoundError when the name is unknown, claimed by more than one module (another
    package cannot take over the name of one of ours), cannot be imported, or is not a RigDriver.
    """
    targets = _targets().get(name, ())
    if not targets:
        raise DriverNotFoundError(_text(name, "is not known"))
    if len(targets) > 1:
        raise DriverNotFoundError(_text(name, f"is claimed more than once: {', '.join(targets)}"))
    try:
        driver = metadata.EntryPoint(name, targets[0], GROUP).load()
    except Exception as error:  # whatever another package's module does when imported
        raise DriverNotFoundError(_text(name, f"cannot be loaded ({error!r})")) from error
    if not (isinstance(driver, type) and issubclass(driver, RigDriver)):
        raise DriverNotFoundError(_text(name, f"is no driver: {targets[0]} is not a RigDriver"))
    return driver


@cache
def _targets() -> dict[str, tuple[str, ...]]:
    """Name -> the different `module:class` that claim it. Looked up once: going through all
    installed packages takes milliseconds, and a config asks several times."""
    found: dict[str, tuple[str, ...]] = {name: (target,) for name, target in _BUILT_IN.items()}
    for entry in metadata.entry_points(group=GROUP):
        claimed = found.get(entry.name, ())
        if entry.value not in claimed:
            found[entry.name] = (*claimed, entry.value)
    return found


def _text(name: str, problem: str) -> str:
    return f"driver {name!r} {problem}; there are: {', '.join(names())}"
