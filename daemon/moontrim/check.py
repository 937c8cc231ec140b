"""The pre-flight list: what an operator wants to know is right before a session. Each line says
what to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any, Literal

from moontrim.bandplan import load_band_plan
from moontrim.clock import Clock
from moontrim.errors import MoontrimError
from moontrim.path import Ephemeris, moon_from
from moontrim.path.report import path_report
from moontrim.settings import Settings
from moontrim.store import load_session
from moontrim.terminal import iso
from moontrim_drivers.contract import RigDriver, RigError
from moontrim_drivers.registry import load

Level = Literal["ok", "note", "wrong"]
COARSE_LOCATOR_HZ = 1e9  # from here up a 6-character locator costs hertz


@dataclass(frozen=True, slots=True)
class Finding:
    """level: ok, worth a note, or wrong. text: what was found and, unless ok, what to do."""

    level: Level
    what: str
    text: str

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


async def check(settings: Settings, ephemeris: Ephemeris, clock: Clock) -> list[Finding]:
    """Everything that can be said without touching a dial or a key."""
    findings = [
        Finding("ok", "config", f"{len(settings.bands)} band(s), radio {settings.radio.driver}")
    ]
    findings += _sites(settings)
    plan = load_band_plan(settings.data.band_plan_file)
    for band in settings.bands:
        if remark := plan.remark(band.tx_sked_hz or band.sked_hz):
            findings.append(Finding("note", band.name, remark))
        if band.goes_through_transverter and band.drive_ceiling is None:
            findings.append(
                Finding(
                    "note",
                    band.name,
                    "no drive_ceiling: nothing keeps the radio from overdriving the transverter",
                )
            )
    findings += _tables(settings, ephemeris, clock.utc_s())
    findings += await _radio(settings, clock)
    return findings


def _sites(settings: Settings) -> Iterator[Finding]:
    highest_hz = max(band.allowed_high_hz for band in settings.bands)
    places = {"home": settings.home}
    if settings.partner != "self":
        places["partner"] = settings.partner
    for name, place in places.items():
        if place.locator is not None and len(place.locator) < 8 and highest_hz > COARSE_LOCATOR_HZ:
            yield Finding(
                "note",
                name,
                f"locator {place.locator} is coarse for {highest_hz / 1e6:.0f} MHz; "
                "give 8 or more characters",
            )
        else:
            site = place.site()
            yield Finding(
                "ok",
                name,
                f"{site.latitude_deg:.5f}, {site.longitude_deg:.5f}, {site.height_m:.0f} m",
            )


def _tables(settings: Settings, ephemeris: Ephemeris, now_utc_s: float) -> Iterator[Finding]:
    session = load_session(settings.state_path(), settings)
    sked_hz = session.here(settings).sked_hz
    home, partner = settings.home.site(), session.partner_site(settings)
    try:
        report = path_report(ephemeris, home, partner, now_utc_s, sked_hz, settings.troposphere)
    except MoontrimError as error:
        yield Finding("wrong", "Earth rotation", str(error))
        return
    rotation = report["earth_rotation"]
    left_days = (ephemeris.last_utc_s - now_utc_s) / 86400.0
    text = (
        f"measured to {iso(ephemeris.table_last_measured_utc_s)[:10]}, predicted to "
        f"{iso(ephemeris.last_utc_s)[:10]}; today it may be wrong by "
        f"{rotation['uncertainty_hz']:.3f} Hz "
        f"at {sked_hz / 1e6:.0f} MHz"
    )
    if left_days < 30:
        yield Finding("note", "Earth rotation", text + "; upgrade the package astropy-iers-data")
    else:
        yield Finding("ok", "Earth rotation", text)
    moon = moon_from(ephemeris, home, now_utc_s)
    yield Finding(
        "ok",
        "Moon",
        f"azimuth {moon.azimuth_deg:.1f}, elevation {moon.elevation_deg:.1f} degrees at home",
    )


async def _radio(settings: Settings, clock: Clock) -> list[Finding]:
    radio = settings.radio
    driver: RigDriver = load(radio.driver)(radio.driver_options(), clock)
    try:
        async with clock.timeout(5.0 + radio.deadline_s):
            await driver.open()
            rig = await driver.read()
            details = await driver.details()
    except (RigError, TimeoutError) as error:
        reason = str(error) or "no answer in time"
        return [Finding("wrong", "radio", f"{reason}; is it on and is the address right?")]
    finally:
        await driver.close()
    dials = f"receive dial {rig.rx_dial_hz} Hz"
    if rig.tx_dial_hz is not None:
        dials += f", transmit dial {rig.tx_dial_hz} Hz"
    findings = [Finding("ok", "radio", f"{dials}, mode {details.mode or 'unknown'}")]
    capabilities = driver.capabilities
    if rig.transmitting:
        findings.append(Finding("wrong", "transmit", "the radio is transmitting right now"))
    elif not capabilities.reports_transmit:
        findings.append(
            Finding(
                "note",
                "transmit",
                "the radio cannot say whether it transmits; it may be retuned keyed",
            )
        )
    if not capabilities.split:
        findings.append(
            Finding(
                "note",
                "split",
                "one dial for both: right for receiving; only when keyed through moontrim does "
                "it transmit on frequency",
            )
        )
    for band in settings.bands:
        if band.while_transmitting == "step" and not capabilities.retunes_while_transmitting:
            findings.append(
                Finding(
                    "note",
                    band.name,
                    "while_transmitting is step, but this radio cannot: it will hold",
                )
            )
    return findings
