"""The Earth orientation table: its age, how far it reaches, what its age costs, how to renew it."""

from __future__ import annotations

from collections.abc import Iterator

from moontrim.config.settings import Settings
from moontrim.errorbudget.contribution import hertz
from moontrim.errorbudget.pathreport import ut1_sensitivity
from moontrim.errors import MoontrimError
from moontrim.formats import iso, megahertz
from moontrim.path import Ephemeris
from moontrim.preflight.finding import Finding
from moontrim.session.session import Session

DAY_S = 86400.0
SHORT_DAYS = 30.0  # chosen: less than a lunar month of predictions left is worth a note
OFFLINE_DAYS = 28.0  # chosen: the cost is also given for so long without a network
RENEW = (
    "renew it with `pip install --upgrade astropy-iers-data`, or put a finals2000A file beside the "
    "config and name it as earth_orientation_file in [data]"
)


def table_findings(
    settings: Settings, session: Session, ephemeris: Ephemeris, now_utc_s: float
) -> Iterator[Finding]:
    """Returns the line for the table."""
    sked_hz = session.band_choices(settings).sked_hz
    home, partner = settings.home.site(), session.partner_site(settings)
    try:
        ephemeris.require(now_utc_s)
        later_s = min(now_utc_s + OFFLINE_DAYS * DAY_S, ephemeris.last_utc_s)
        # Its effect changes over the day as the Earth turns the stations.
        hz_per_s = sked_hz * max(
            abs(
                ut1_sensitivity(ephemeris, home, partner, now_utc_s + 3600.0 * hour)[
                    "partner_to_home"
                ]
            )
            for hour in range(24)
        )
        today_hz, later_hz = (
            hz_per_s * ephemeris.earth_orientation(utc_s).uncertainty_s
            for utc_s in (now_utc_s, later_s)
        )
    except MoontrimError as error:
        yield Finding("fail", "Earth orientation", f"{error}; {RENEW}")
        return
    age_days = (now_utc_s - ephemeris.table_last_measured_utc_s) / DAY_S
    left_days = (ephemeris.last_utc_s - now_utc_s) / DAY_S
    text = (
        f"measured to {iso(ephemeris.table_last_measured_utc_s)[:10]} ({age_days:.0f} days ago), "
        f"predicted to {iso(ephemeris.last_utc_s)[:10]}; error at {megahertz(sked_hz)} "
        f"{hertz(today_hz)} now, {hertz(later_hz)} in {(later_s - now_utc_s) / DAY_S:.0f} days "
        "unless renewed"
    )
    if left_days < SHORT_DAYS:
        yield Finding("note", "Earth orientation", f"{text}; {RENEW}")
    else:
        yield Finding("ok", "Earth orientation", text)
