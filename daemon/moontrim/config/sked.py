"""A sked: a named choice of band, frequency, partner and agreement. It is in the config as
`[[skeds]]`, or made by the operator and then kept in the state folder."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from moontrim.config.band import BandSettings
from moontrim.config.partner import NAME, SELF, PartnerSettings, place_of
from moontrim.config.table import Hertz, Table
from moontrim.errors import InputError
from moontrim.formats import grouped, invalid_hz
from moontrim.tuning.correction import EXPECTED_FOR_ECHO, Agreement, echo_problem


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
) -> InputError | None:
    """Returns why a sked cannot be chosen: an unknown band, a frequency at which its band does not
    allow transmitting or that no dial shows, an unknown partner, or an agreement that echoes do not
    have; None if it can."""
    band = next((one for one in bands if one.name == sked.band), None)
    if band is None:
        return InputError("band", sked.band, ", ".join(one.name for one in bands))
    try:
        own_echo = place_of(partners, sked.partner) is None
    except InputError as error:
        return error
    if own_echo and echo_problem(sked.agreement):
        return InputError("agreement", sked.agreement, EXPECTED_FOR_ECHO)
    key, hz, shift_hz = "sked_hz", sked.sked_hz, band.tx_shift_hz
    if sked.tx_sked_hz is not None:
        key, hz, shift_hz = "tx_sked_hz", sked.tx_sked_hz, 0
    low_hz, high_hz = band.tx_low_hz - shift_hz, band.tx_high_hz - shift_hz
    if not low_hz <= hz <= high_hz:
        return invalid_hz(key, hz, f"{grouped(low_hz)} to {grouped(high_hz)} Hz on {band.name}")
    if (dial_hz := band.band().dial_hz(sked.sked_hz)) <= 0:
        expected = f"a frequency with a dial above 0 Hz on {band.name}, not {grouped(dial_hz)} Hz"
        return invalid_hz("sked_hz", sked.sked_hz, expected)
    return None


def check_skeds(
    skeds: Sequence[Sked], bands: Sequence[BandSettings], partners: Sequence[PartnerSettings]
) -> None:
    """Checks the skeds of a config. Raises ValueError for a name used twice, and for a sked that
    cannot be chosen."""
    for index, sked in enumerate(skeds):
        if sked_named(skeds[:index], sked.name) is not None:
            raise ValueError(f"[[skeds]]: name {sked.name!r} used twice")
        if (problem := sked_problem(sked, bands, partners)) is not None:
            raise ValueError(f'[[skeds]] "{sked.name}": {problem}')
