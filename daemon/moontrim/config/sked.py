"""A sked: a named choice of band, frequency, partner and agreement. It is in the config as
`[[skeds]]`, or made by the operator and then kept in the state folder."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from moontrim.config.band import BandSettings
from moontrim.config.partner import SELF, PartnerSettings, place_of
from moontrim.config.table import Hertz, Matching, Table
from moontrim.errors import InputError, shortened
from moontrim.formats import grouped
from moontrim.tuning.correction import Agreement, echo_problem

NAME = Matching(r"\S(.{0,38}\S)?", "1 to 40 characters without blanks at the ends")


class Sked(Table):
    """A named choice that one tap brings onto the dials."""

    name: Annotated[str, NAME] = Field(description="Name, by which it is chosen; in any case.")
    band: str = Field(description="Name of a band.")
    sked_hz: Hertz = Field(description="On-air frequency agreed with the partner.")
    tx_sked_hz: Hertz | None = Field(
        None, description="On-air transmit frequency where it differs; default: as the band has it."
    )
    partner: str = Field(
        SELF,
        description='Partner: the name of one of [[partners]], a locator, "lat,lon,height_m", or '
        '"self" for your own echoes.',
    )
    agreement: Agreement = Field("halves", description="Who corrects which part of the Doppler.")
    over_s: float | None = Field(
        None, gt=0, le=600, description="Duration of one over, for mid_over; default: the band's."
    )
    note: str = Field("", max_length=200, description="Shown with the sked.")


def sked_named(skeds: Sequence[Sked], name: str) -> Sked | None:
    """Returns the sked of that name, in any case; None if there is none."""
    folded = name.strip().casefold()
    return next((sked for sked in skeds if sked.name.casefold() == folded), None)


def sked_problem(
    sked: Sked, bands: Sequence[BandSettings], partners: Sequence[PartnerSettings]
) -> str:
    """Returns why a sked cannot be chosen: an unknown band, a frequency at which its band does not
    allow transmitting or that no dial shows, an unknown partner, or an agreement that echoes do not
    have; empty if it can."""
    band = next((one for one in bands if one.name == sked.band), None)
    if band is None:
        expected = ", ".join(one.name for one in bands)
        return f"band: invalid value {shortened(repr(sked.band))}; expected {expected}"
    try:
        own_echo = place_of(partners, sked.partner) is None
    except InputError as error:
        return str(error)
    if own_echo and (problem := echo_problem(sked.agreement)):
        return f"agreement: {problem}"
    if sked.tx_sked_hz is None:
        key, tx_hz = "sked_hz", sked.sked_hz + band.tx_shift_hz
    else:
        key, tx_hz = "tx_sked_hz", sked.tx_sked_hz
    if not band.tx_low_hz <= tx_hz <= band.tx_high_hz:
        return (
            f"{key}: {grouped(tx_hz)} Hz is outside tx_low_hz {grouped(band.tx_low_hz)} to "
            f"tx_high_hz {grouped(band.tx_high_hz)} of {band.name}"
        )
    if (dial_hz := band.band().dial_hz(sked.sked_hz)) <= 0:
        return f"sked_hz would need a dial of {grouped(dial_hz)} Hz on {band.name}"
    return ""


def check_skeds(
    skeds: Sequence[Sked], bands: Sequence[BandSettings], partners: Sequence[PartnerSettings]
) -> None:
    """Checks the skeds of a config. Raises ValueError for a name used twice, and for a sked that
    cannot be chosen."""
    for index, sked in enumerate(skeds):
        if sked_named(skeds[:index], sked.name) is not None:
            raise ValueError(f"[[skeds]]: name {sked.name!r} used twice")
        if problem := sked_problem(sked, bands, partners):
            raise ValueError(f'[[skeds]] "{sked.name}": {problem}')
