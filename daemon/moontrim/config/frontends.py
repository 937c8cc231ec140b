"""The `[[front_ends]]` of the config: what is connected to the radio's antenna socket, and how that
is proved.

A front end is a transverter with all behind it, or "direct": amplifier and antenna of the radio's
own bands. Power meant for one destroys another, so bands that share a front end are either all
behind a transverter or none of them is."""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import Field

from moontrim.config.band import DIRECT, BandSettings
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import AnyInput, Name
from moontrim.config.table import Table


class FrontEndSettings(Table):
    """A contact that proves which front end is connected; optional."""

    name: Name = Field(description="Name of the front end, as in front_end of the bands.")
    contact: AnyInput | None = Field(
        None,
        description="Input that is active while this front end is connected, such as a switch in "
        "its plug. Transmitting needs this one active and those of all other front ends inactive. "
        "Default: the operator's confirmation alone is needed.",
    )


def front_end_names(bands: Iterable[BandSettings]) -> tuple[str, ...]:
    """Returns the names of all front ends, in the order of the bands."""
    return tuple(dict.fromkeys(band.front_end_name for band in bands))


def check_front_ends(
    bands: tuple[BandSettings, ...],
    front_ends: tuple[FrontEndSettings, ...],
    keying: KeyingSettings,
) -> None:
    """Raises ValueError for front ends, outputs of bands or contacts that cannot be meant."""
    for name in front_end_names(bands):
        members = [band for band in bands if band.front_end_name == name]
        direct = [band.name for band in members if not band.has_transverter]
        behind = [band.name for band in members if band.has_transverter]
        if name == DIRECT and behind:
            raise ValueError(
                f'[[bands]] "{behind[0]}": front_end: invalid value {DIRECT!r} for a band with a '
                "transverter"
            )
        if direct and behind:
            raise ValueError(
                f'[[bands]] "{direct[0]}": front_end: {name!r} is also that of {behind[0]!r}, '
                "which has a transverter; expected another name"
            )
    _check_contacts(bands, front_ends, keying)
    outputs = [output.name for output in keying.outputs]
    for band in bands:
        for name in band.outputs or ():
            if name not in outputs:
                raise ValueError(
                    f'[[bands]] "{band.name}": outputs: invalid value {name!r}; expected names of '
                    f"[[keying.outputs]] ({', '.join(outputs) or 'none configured'})"
                )


def _check_contacts(
    bands: tuple[BandSettings, ...],
    front_ends: tuple[FrontEndSettings, ...],
    keying: KeyingSettings,
) -> None:
    known, lines = front_end_names(bands), [*keying.outputs, *keying.inputs]
    names = [front_end.name for front_end in front_ends]
    for front_end in front_ends:
        if front_end.name not in known:
            raise ValueError(
                f"[[front_ends]]: name: invalid value {front_end.name!r}; expected one of "
                f"{', '.join(known)}"
            )
        if names.count(front_end.name) > 1:
            raise ValueError(f"[[front_ends]]: name {front_end.name!r} used twice")
        if front_end.contact is None:
            continue
        for other in lines:
            if other.place == front_end.contact.place:
                raise ValueError(f"{other.name!r} and {front_end.contact.name!r} are the same line")
        lines.append(front_end.contact)
