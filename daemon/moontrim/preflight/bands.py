"""The bands: remarks of the band plan, and a transverter without a drive ceiling."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.config.bandplan import load_band_plan
from moontrim.config.settings import Settings
from moontrim.preflight.finding import Finding


def band_findings(settings: Settings) -> Iterator[Finding]:
    """Returns a line for each remark on a band."""
    plan = load_band_plan(settings.data.band_plan_file)
    for band in settings.bands:
        if remark := plan.remark(band.tx_sked_hz or band.sked_hz):
            yield Finding("note", band.name, remark)
        if band.goes_through_transverter and band.drive_ceiling is None:
            yield Finding(
                "note",
                band.name,
                "no drive_ceiling: nothing keeps the radio from overdriving the transverter",
            )
