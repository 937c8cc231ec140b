"""The station as recorded with a session (`sessions.station_json`, see `journal.companion`): what
the report shows, and what is needed to solve path and dials once more.

The journal may come from another machine or version, so that everything may be missing or of
another kind; then that part of the report says so."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from moontrim.config.band import BandSettings
from moontrim.errors import InputError
from moontrim.path.site import Site, parse_site


@dataclass(frozen=True)
class Station:
    """A station as recorded. home: None if not known. partner: the config's, None for our own echo
    or if not known; partner_text: as contexts name it. partners, bands: by name, those that could
    be read."""

    home: Site | None = None
    partner: Site | None = None
    partner_text: str = ""
    driver: str = ""
    troposphere: bool = True
    partners: dict[str, Site] = field(default_factory=dict)
    bands: dict[str, BandSettings] = field(default_factory=dict)

    def partner_named(self, text: str) -> Site | None:
        """Returns the place that a context names; None for our own echo. A name, and the text of
        the config's partner, give the place in the config, which has a height; a locator alone has
        none. Raises InputError for what is no place."""
        if text == "self":
            return None
        if text in self.partners:
            return self.partners[text]
        if self.partner is not None and text == self.partner_text:
            return self.partner
        return parse_site(text, "partner")


def station_from(text: Any) -> Station:
    """Returns the station of a JSON text; an empty one if it cannot be read."""
    try:
        raw = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        raw = None
    raw = raw if isinstance(raw, dict) else {}
    bands, partners = raw.get("bands"), raw.get("partners")
    places = partners.items() if isinstance(partners, dict) else ()
    return Station(
        home=_site(raw.get("home")),
        partner=_site(raw.get("partner")),
        partner_text=str(raw.get("partner_text", "")),
        driver=str(raw.get("driver", "")),
        troposphere=raw.get("troposphere") is not False,
        partners={name: site for name, one in places if (site := _site(one)) is not None},
        bands={band.name: band for band in map(_band, bands) if band is not None}
        if isinstance(bands, list)
        else {},
    )


def _site(raw: Any) -> Site | None:
    """Returns a place by its exact coordinates; the locator they came from, if any, is only a name.
    None for what is no place."""
    if not isinstance(raw, dict):
        return None
    keys = ("latitude_deg", "longitude_deg", "height_m")
    numbers = [raw.get(key) for key in keys]
    if not all(isinstance(number, int | float) for number in numbers):
        return None
    locator = raw.get("locator")
    with contextlib.suppress(InputError):
        exact = parse_site(",".join(str(number) for number in numbers))
        return Site(
            exact.latitude_deg,
            exact.longitude_deg,
            exact.height_m,
            locator=locator if isinstance(locator, str) else None,
        )
    return None


def _band(raw: Any) -> BandSettings | None:
    """Returns a band, without keys that this version does not know; None for what is no band."""
    if not isinstance(raw, dict):
        return None
    known = {key: value for key, value in raw.items() if key in BandSettings.model_fields}
    try:
        return BandSettings.model_validate(known)
    except ValidationError:
        return None
