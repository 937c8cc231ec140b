"""The radio: whether it answers, and whether its dials follow. On every band they are moved in
their smallest steps, read back each time, and restored. Never keys, and moves no dial of a radio
that transmits."""

from __future__ import annotations

import contextlib

from moontrim.clock.system import Clock
from moontrim.config.band import BandSettings
from moontrim.config.keying import KeyingSettings
from moontrim.config.keyingports import RadioOutput, SimulatedOutputSettings
from moontrim.config.settings import Settings
from moontrim.formats import grouped
from moontrim.guard.deadman import SILENCE_S
from moontrim.guard.unkeyguard import UNGUARDED
from moontrim.preflight.finding import Finding
from moontrim.rig.panel import mismatch, not_watched
from moontrim.tuning.steps import nearest
from moontrim_drivers.contract import (
    Capabilities,
    RigDetails,
    RigDriver,
    RigError,
    RigNotSuitable,
    RigRefused,
    RigState,
)
from moontrim_drivers.emergencyunkey import EmergencyUnkey
from moontrim_drivers.registry import load

OPEN_S = 5.0  # chosen: for connecting, besides the radio's own deadline
STEPS = 3  # enough to notice a radio that rounds to 2, 5 or 10 Hz
APART = 7  # steps between the two dials, so that a dial that moves the other one is noticed


async def radio_findings(settings: Settings, clock: Clock, *, move_dials: bool) -> list[Finding]:
    """Returns the lines for the radio. move_dials: as for `checklist.check`."""
    radio = settings.radio
    driver = load(radio.driver)(radio.driver_options(), clock)
    findings: list[Finding] = []
    try:
        async with clock.timeout(OPEN_S + radio.deadline_s):
            await driver.open()
            rig = await driver.read()
            details = await driver.details()
        findings.append(Finding("ok", "radio", f"{_dials(rig)}, mode {details.mode or 'unknown'}"))
        findings += _panel(details)
        findings += _abilities(settings, driver.capabilities, rig)
        cannot_key = await _can_be_unkeyed(settings, driver, rig, clock)
        findings += cannot_key or guard_findings(settings.keying, driver.emergency_unkey())
        if not move_dials:
            findings.append(Finding("note", "dials", "not moved (--hands-off)"))
        elif rig.transmitting:
            findings.append(Finding("note", "dials", "not moved: the radio is transmitting"))
        else:
            deadline_s = radio.deadline_s + driver.capabilities.driver_pauses_s
            try:
                for band in settings.bands:
                    findings.append(await _follows(driver, band, clock, deadline_s))
            finally:
                findings += await _restore(driver, rig, details, clock, OPEN_S + 2 * deadline_s)
        return findings
    except (RigError, TimeoutError) as error:
        reason = str(error) or "no reply in time"
        return [
            *findings,
            Finding(
                "fail",
                "radio",
                f"{reason}; check power, address, and that no other program is using it",
            ),
        ]
    finally:
        await driver.close()


def _dials(rig: RigState) -> str:
    text = f"receive dial {grouped(rig.rx_dial_hz)} Hz"
    if rig.tx_dial_hz is None:
        return text
    return f"{text}, transmit dial {grouped(rig.tx_dial_hz)} Hz"


def _panel(details: RigDetails) -> list[Finding]:
    """Returns the lines for what the front panel can do to the frequency unnoticed."""
    findings = []
    if panel := mismatch(details, None):
        findings.append(Finding("fail", "radio", panel))
    if names := not_watched(details):
        text = f"not reported by this radio, so not watched: {', '.join(names)}"
        findings.append(Finding("note", "radio", text))
    return findings


def _abilities(settings: Settings, capabilities: Capabilities, rig: RigState) -> list[Finding]:
    findings = []
    if rig.transmitting:
        findings.append(Finding("fail", "transmit", "the radio is transmitting right now"))
    elif not capabilities.reports_transmit:
        findings.append(
            Finding(
                "note",
                "transmit",
                "not reported by the radio; it may be retuned while transmitting",
            )
        )
    if not capabilities.split:
        findings.append(
            Finding(
                "note",
                "split",
                "one dial for both: correct for receive; correct for transmit only when keyed "
                "through moontrim",
            )
        )
    for band in settings.bands:
        if band.while_transmitting == "step" and not capabilities.retunes_while_transmitting:
            findings.append(
                Finding(
                    "note",
                    band.name,
                    'while_transmitting = "step", but this radio cannot: the dial is held',
                )
            )
        if band.drive_ceiling is not None and not capabilities.sets_power:
            findings.append(
                Finding(
                    "note",
                    band.name,
                    "drive not set by this driver; turn it below the ceiling by hand, otherwise "
                    "transmit is inhibited",
                )
            )
    return findings


async def _can_be_unkeyed(
    settings: Settings, driver: RigDriver, rig: RigState, clock: Clock
) -> list[Finding]:
    """Returns a line if the config keys by the radio and the radio, which receives, refuses the
    command to receive: then it has no command to transmit either."""
    keying = settings.keying
    if not keying.enabled or not isinstance(keying.outputs[-1], RadioOutput) or rig.transmitting:
        return []
    try:
        async with clock.timeout(settings.radio.deadline_s):
            await driver.set_transmit(False)
    except (RigRefused, RigNotSuitable) as error:
        text = f"radio cannot be keyed by command: {error}"
        return [Finding("fail", "transmit", text)]
    return []


def guard_findings(keying: KeyingSettings, how: EmergencyUnkey | None) -> list[Finding]:
    """Returns the lines about what unkeys the radio if moontrim hangs, and if nothing works any
    more but the radio. how: by the radio's own command; None: nothing does."""
    if not keying.enabled or isinstance(key := keying.outputs[-1], SimulatedOutputSettings):
        return []
    timer = Finding(
        "note",
        "time-out timer",
        "not readable; only the radio's own timer unkeys it if the computer or the cable fails: "
        f"set it slightly above longest_over_s, {keying.longest_over_s:g} s",
    )
    if isinstance(key, RadioOutput) and how is None:
        return [Finding("fail", "guard", UNGUARDED), timer]
    what = "unkeys the radio" if isinstance(key, RadioOutput) else f"releases {key.name}"
    return [Finding("ok", "guard", f"{what} {SILENCE_S:g} s after moontrim hangs or ends"), timer]


async def _restore(
    driver: RigDriver, rig: RigState, details: RigDetails, clock: Clock, within_s: float
) -> list[Finding]:
    """Puts dials and mode back, however the trial ended. Returns a line if that is not possible."""
    with contextlib.suppress(RigError, TimeoutError):
        async with clock.timeout(within_s):
            try:
                now = await driver.read()
            except RigError:  # lost in the middle of it
                await driver.open()
                now = await driver.read()
            if now.transmitting:
                text = f"left where they are: the radio is transmitting; before: {_dials(rig)}"
                return [Finding("fail", "dials", text)]
            await driver.set_dials(rig.rx_dial_hz, rig.tx_dial_hz)
            if details.mode is not None and (await driver.details()).mode != details.mode:
                await driver.set_mode(details.mode, details.passband_hz or 0)
    return []


async def _follows(
    driver: RigDriver, band: BandSettings, clock: Clock, deadline_s: float
) -> Finding:
    """Returns the line for a band: whether each dial takes the smallest step, by itself."""
    step_hz = max(band.dial_resolution_hz, driver.capabilities.dial_resolution_hz)
    rx_hz = nearest(band.band().dial_hz(band.sked_hz), step_hz)
    split = driver.capabilities.split
    tx_hz = None
    if split:
        tx_hz = nearest(band.tx_band().dial_hz(band.sked_hz + band.tx_shift_hz), step_hz)
        tx_hz += APART * step_hz
    began_s = clock.monotonic_s()
    sets = 0
    keyed = Finding("fail", band.name, "no dial moved: the radio has begun to transmit")
    async with clock.timeout(deadline_s):
        if (await driver.read()).transmitting:
            return keyed
    for step in range(STEPS + 1):
        wanted = RigState(rx_hz + step * step_hz, tx_hz, None)
        if step > STEPS // 2 and tx_hz is not None:  # first the receive dial, then the other
            wanted = RigState(rx_hz + STEPS // 2 * step_hz, tx_hz + step * step_hz, None)
        try:
            async with clock.timeout(deadline_s):
                rig = await driver.set_dials(wanted.rx_dial_hz, wanted.tx_dial_hz)
        except RigRefused as error:
            return Finding(
                "fail",
                band.name,
                f"{_dials(wanted)} rejected ({error}); check that the radio covers this band, "
                "and transverter_offset_hz",
            )
        if rig.transmitting:
            return keyed
        sets += 1
        if (rig.rx_dial_hz, rig.tx_dial_hz) != (wanted.rx_dial_hz, wanted.tx_dial_hz):
            return Finding(
                "fail",
                band.name,
                f"set to {_dials(wanted)}, reads back {_dials(rig)}; set dial_resolution_hz to "
                "the radio's step, and check dial lock and split",
            )
    took_ms = 1e3 * (clock.monotonic_s() - began_s) / sets
    dials = "both dials read back" if split else "the dial reads back"
    text = f"{dials} to {grouped(step_hz)} Hz, {took_ms:.0f} ms per update"
    return Finding("ok", band.name, text)
