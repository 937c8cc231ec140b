"""A sked: a named choice of band, frequency, partner and agreement. In the config as `[[skeds]]`, or
made by the operator while the daemon runs and then kept in the state folder."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from moontrim.config.partner import SELF, PartnerSettings, place_of
from moontrim.config.table import Hertz, Matching, Table
from moontrim.errors import InputError
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


def check_skeds(
    skeds: Sequence[Sked], bands: set[str], partners: Sequence[PartnerSettings]
) -> None:
    """Checks the skeds of a config. Raises ValueError for a name used twice, an unknown band, an
    unknown partner, and an agreement that echoes do not have."""
    for index, sked in enumerate(skeds):
        if sked_named(skeds[:index], sked.name) is not None:
            raise ValueError(f"[[skeds]]: name {sked.name!r} used twice")
        place = f'[[skeds]] "{sked.name}"'
        if sked.band not in bands:
            expected = ", ".join(sorted(bands))
            raise ValueError(f"{place}: band: invalid value {sked.band!r}; expected {expected}")
        try:
            own_echo = place_of(partners, sked.partner) is None
        except InputError as error:
            raise ValueError(f"{place}: {error}") from None
        if own_echo and (problem := echo_problem(sked.agreement)):
            raise ValueError(f"{place}: agreement: {problem}")
