"""The `[[partners]]` of the config, and the places that their names stand for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field, field_validator

from moontrim.config.equipment import EquipmentSettings
from moontrim.config.mistakes import Expected
from moontrim.config.site import SiteSettings
from moontrim.config.table import Matching
from moontrim.errors import InputError, shortened
from moontrim.path.site import parse_site

NAME = Matching(r"\S(.{0,38}\S)?", "1 to 40 characters without blanks at the ends")
SELF = "self"  # names our own echo
RESERVED_NAMES = (SELF, "home")


class PartnerSettings(SiteSettings):
    """A partner by name, with position and equipment."""

    name: Annotated[str, NAME] = Field(
        description="Name of the partner, which stands for the place wherever one is expected; in "
        "any case."
    )
    equipment: EquipmentSettings = Field(
        EquipmentSettings(), description="The partner's equipment and horizon."
    )

    @field_validator("name")
    @classmethod
    def _not_reserved(cls, name: str) -> str:
        if name.casefold() in RESERVED_NAMES:
            raise Expected(f"a name other than {' and '.join(RESERVED_NAMES)}")
        return name


def check_partners(partners: Sequence[PartnerSettings], chosen: SiteSettings | str) -> None:
    """Checks the partners of a config. Raises ValueError where two have the same name, in any case,
    and where none has the name that the config chooses."""
    names = [partner.name.casefold() for partner in partners]
    for partner in partners:
        if names.count(partner.name.casefold()) > 1:
            raise ValueError(f"[[partners]]: name {partner.name!r} used twice")
    if isinstance(chosen, str) and chosen != SELF and named(partners, chosen) is None:
        expected = ", ".join((SELF, *(partner.name for partner in partners)))
        raise ValueError(
            f"partner: invalid value {shortened(repr(chosen))}; expected {expected}, or a table "
            "[partner]"
        )


def named(partners: Sequence[PartnerSettings], name: str) -> PartnerSettings | None:
    """Returns the partner of that name, in any case; None if there is none."""
    folded = name.strip().casefold()
    return next((one for one in partners if one.name.casefold() == folded), None)


def place_of(partners: Sequence[PartnerSettings], text: str) -> SiteSettings | None:
    """Returns the place that a text stands for: `self` (None, our own echo), the name of a partner
    in any case, a locator or `lat,lon,height_m`. Raises InputError."""
    if text.strip().casefold() == SELF:
        return None
    if (partner := named(partners, text)) is not None:
        return partner
    try:
        site = parse_site(text, "partner")
    except InputError as error:
        names = ", ".join((SELF, *(partner.name for partner in partners)))
        raise InputError("partner", text, f"{names}, or {error.expected}") from None
    if site.locator:
        return SiteSettings(locator=site.locator)
    return SiteSettings(
        latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, height_m=site.height_m
    )
