"""What the config says about the station, as it is kept with each session: what a report needs, and
nothing that opens a door. The driver's options are left out, since they name hosts and ports."""

from __future__ import annotations

import json
from dataclasses import asdict

from moontrim.config.settings import Settings
from moontrim.session.session import first_session


def station_json(settings: Settings) -> str:
    """A JSON object.

    home: a `moontrim.path.Site` by its fields, null while the GPS receiver has not told it.
    partner: another, or null for our own echo; that of the config, the partner of each context is
    its text. partner_text: how a context names it.
    driver: of the radio. troposphere: is it corrected? bands: the tables of the config, whole."""
    partner = None if settings.partner == "self" else settings.partner.site()
    return json.dumps(
        {
            "home": asdict(settings.home.site()) if settings.home_is_known else None,
            "partner": None if partner is None else asdict(partner),
            "partner_text": first_session(settings).partner_text(settings),
            "driver": settings.radio.driver,
            "when_turned": settings.radio.when_turned,
            "troposphere": settings.troposphere,
            "bands": [band.model_dump(mode="json") for band in settings.bands],
        }
    )
