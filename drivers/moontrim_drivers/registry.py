"""Drivers by name: the built-in ones and those of other installed packages.

Other packages declare theirs under the entry-point group `moontrim.drivers`. The built-in drivers
are in a table here, so that the source tree runs without being installed. A driver's module is
imported when it is loaded by name, and no other."""

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
    """There is no usable driver of that name. The text says why and lists the known names."""


def names() -> tuple[str, ...]:
    """Returns the names of all drivers, sorted. Imports none of them."""
    return tuple(sorted(_targets()))


def load(name: str) -> type[RigDriver]:
    """Returns the driver class of that name; imports its module and no other driver.

    Raises DriverNotFoundError when the name is unknown or declared by more than one module (another
    package cannot take over the name of a built-in driver), and when the driver cannot be imported
    or is not a RigDriver.
    """
    targets = _targets().get(name, ())
    if not targets:
        raise DriverNotFoundError(_text(name, "unknown"))
    if len(targets) > 1:
        raise DriverNotFoundError(_text(name, f"claimed more than once, by {', '.join(targets)}"))
    try:
        driver = metadata.EntryPoint(name, targets[0], GROUP).load()
    except Exception as error:  # importing another package's module may raise anything
        raise DriverNotFoundError(_text(name, f"cannot be loaded ({error!r})")) from error
    if not (isinstance(driver, type) and issubclass(driver, RigDriver)):
        raise DriverNotFoundError(_text(name, f"{targets[0]} is not a RigDriver"))
    return driver


@cache
def _targets() -> dict[str, tuple[str, ...]]:
    """Returns, for each driver name, the different `module:class` that declare it.

    Cached: going through all installed packages takes milliseconds, and reading a config needs it
    several times."""
    targets: dict[str, tuple[str, ...]] = {name: (target,) for name, target in _BUILT_IN.items()}
    for entry in metadata.entry_points(group=GROUP):
        declared = targets.get(entry.name, ())
        if entry.value not in declared:
            targets[entry.name] = (*declared, entry.value)
    return targets


def _text(name: str, problem: str) -> str:
    return f"driver {name!r}: {problem}; available: {', '.join(names())}"
