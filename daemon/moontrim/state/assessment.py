"""Judges whether the radio is on frequency, by comparing the plan with what it reports. Pure."""

from __future__ import annotations

from typing import NamedTuple

from moontrim.formats import grouped
from moontrim.rig.view import ANSWERING, LinkState, LinkView
from moontrim.state.snapshot import DialView, Tracking
from moontrim.tuning.band import Band
from moontrim.tuning.steps import Plan, Ramp
from moontrim_drivers.contract import RigState

LATE_S = 0.1  # chosen: a step this late is still on time
PLANNED_AHEAD_S = 1.0  # chosen: longer than a second is planned before it begins
ROUNDING_HZ = 0.1  # chosen: above the rounding of a ramp, below anything that matters

_OF_LINK = {
    LinkState.CONNECTING: Tracking.STARTING,
    LinkState.NO_CONTACT: Tracking.NO_CONTACT,
    LinkState.NOT_SUITABLE: Tracking.RADIO_NOT_SUITABLE,
    LinkState.REJECTS: Tracking.RADIO_REJECTS,
    LinkState.MISMATCH: Tracking.READBACK_MISMATCH,
}


class Hindrances(NamedTuple):
    """What keeps the tracker itself from correcting; empty or false: nothing.

    paused: by the operator. other_program: that another program moves the dials. dial_in_use: it
    was turned by hand again and again. not_followed: why the dial could not be followed to where it
    was turned. no_doppler: why it is not available. moon: why nothing can be worked with the Moon
    where it is; the correction goes on."""

    paused: bool = False
    other_program: str = ""
    dial_in_use: bool = False
    not_followed: str = ""
    no_doppler: str = ""
    moon: str = ""


class Assessment(NamedTuple):
    """The verdict. reason: empty when on frequency. rx, tx: None without a plan."""

    tracking: Tracking
    reason: str
    rx: DialView | None
    tx: DialView | None


def assess(
    utc_s: float,
    plan: Plan | None,
    bands: tuple[Band, Band],
    uncorrected_hz: tuple[float, float],
    link: LinkView,
    hindrances: Hindrances,
) -> Assessment:
    """Judges one instant. bands: of the receive and of the transmit dial. uncorrected_hz: what both
    would be on the air without a correction (see `session.selection`)."""
    rx = tx = None
    if plan is not None:
        dials_hz = _dials(plan, link.rig)
        held = plan.held.get("rx", ""), plan.held.get("tx", "")
        rx, tx = (
            _dial_view(utc_s, *of_dial)
            for of_dial in zip(
                (plan.rx, plan.tx), bands, uncorrected_hz, dials_hz, held, strict=True
            )
        )
    tracking, reason = _judge(utc_s, plan, link, hindrances, rx, tx)
    return Assessment(tracking, reason, rx, tx)


def _dials(plan: Plan, rig: RigState | None) -> tuple[int | None, int | None]:
    if rig is None:
        return None, None
    if plan.split:
        return rig.rx_dial_hz, rig.tx_dial_hz
    return (rig.rx_dial_hz, None) if plan.one_dial == "rx" else (None, rig.rx_dial_hz)


def _dial_view(
    utc_s: float, ramp: Ramp, band: Band, uncorrected_hz: float, dial_hz: int | None, held: str
) -> DialView:
    ideal_dial_hz = ramp.at(utc_s)
    on_air_hz = band.on_air_hz(ideal_dial_hz)
    return DialView(
        on_air_hz=on_air_hz,
        correction_hz=on_air_hz - uncorrected_hz,
        rate_hz_per_s=ramp.in_force(utc_s).rate_hz_per_s / band.dial_per_on_air,
        ideal_dial_hz=ideal_dial_hz,
        dial_hz=dial_hz,
        residual_hz=None if dial_hz is None else dial_hz - ideal_dial_hz,
        held=held,
    )


def _judge(
    utc_s: float,
    plan: Plan | None,
    link: LinkView,
    hindrances: Hindrances,
    rx: DialView | None,
    tx: DialView | None,
) -> tuple[Tracking, str]:
    ready = link.state is LinkState.READY
    if not ready and link.state not in ANSWERING:
        return _OF_LINK[link.state], link.reason
    if hindrances.no_doppler:
        return Tracking.NO_DOPPLER, hindrances.no_doppler
    if hindrances.paused:
        return Tracking.PAUSED, "correction is paused"
    if hindrances.other_program:
        return Tracking.OTHER_PROGRAM, hindrances.other_program
    if hindrances.not_followed:
        return Tracking.OUTSIDE_BAND, hindrances.not_followed
    if hindrances.dial_in_use:
        return Tracking.DIAL_IN_USE, "dial being tuned by hand; correction waits"
    if not ready:
        return _OF_LINK[link.state], link.reason
    if plan is None or rx is None or tx is None:
        return Tracking.STARTING, "nothing planned yet"
    if link.panel or link.exchanged:
        return Tracking.OFF_FREQUENCY, link.panel or link.exchanged
    # Written so that not-a-number is stale.
    if not plan.start_utc_s - PLANNED_AHEAD_S <= utc_s <= plan.end_utc_s:
        return Tracking.NO_DOPPLER, "no plan for the present second"
    if link.rig is not None and link.rig.transmitting and not plan.steps_while_keyed:
        if hindrances.moon:
            return Tracking.MOON_TOO_LOW, hindrances.moon
        return Tracking.HELD_KEYED, "the dial is left alone while the radio transmits"
    for held in plan.held.values():
        return Tracking.OUTSIDE_BAND, held
    # While a set is under way, the last reading is older than the dial by the duration of the set.
    late_s = LATE_S + link.set_latency_s
    for name, dial, ramp in (("receive", rx, plan.rx), ("transmit", tx, plan.tx)):
        limit_hz = plan.grid_hz / 2 + late_s * abs(dial.rate_hz_per_s) + ROUNDING_HZ
        # Written so that not-a-number is off frequency.
        if dial.residual_hz is not None and not (
            abs(dial.residual_hz) <= limit_hz or _just_jumped(utc_s, dial, ramp, late_s, limit_hz)
        ):
            off_hz = grouped(dial.residual_hz, 1, sign=True)
            return Tracking.OFF_FREQUENCY, f"{name} dial is {off_hz} Hz off"
    if hindrances.moon:
        return Tracking.MOON_TOO_LOW, hindrances.moon
    return Tracking.ON_FREQUENCY, ""


def _just_jumped(utc_s: float, dial: DialView, ramp: Ramp, late_s: float, limit_hz: float) -> bool:
    """Whether the ideal dial has just jumped, or is about to, and the dial is where it was, or will
    be: a step late or early, as with any other."""
    return dial.dial_hz is not None and any(
        -LATE_S <= utc_s - jump_utc_s <= late_s and abs(dial.dial_hz - at_hz) <= limit_hz
        for jump_utc_s, size_hz in ramp.jumps()
        for at_hz in (ramp.at(jump_utc_s), ramp.at(jump_utc_s) - size_hz)
    )
