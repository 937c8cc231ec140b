"""Is the radio on frequency? Compares a plan with what the radio says. Pure."""

from __future__ import annotations

from typing import NamedTuple

from moontrim.band import Band
from moontrim.linkview import ANSWERING, LinkState, LinkView
from moontrim.planner import Plan, Ramp, Which
from moontrim.state import DialView, Tracking

LATE_S = 0.1  # a step this late is still called on time
ROUNDING_HZ = 0.1

_OF_LINK = {
    LinkState.CONNECTING: Tracking.STARTING,
    LinkState.LOST: Tracking.RADIO_LOST,
    LinkState.UNFIT: Tracking.RADIO_UNFIT,
    LinkState.REFUSING: Tracking.RADIO_REFUSES,
    LinkState.DISAGREES: Tracking.RADIO_DISAGREES,
}


class Hindrances(NamedTuple):
    """What keeps the tracker itself from correcting; empty or false when nothing does."""

    paused: bool = False
    yielding: bool = False
    away: str = ""
    prediction: str = ""


class Assessment(NamedTuple):
    tracking: Tracking
    reason: str
    rx: DialView | None
    tx: DialView | None


def assess(
    utc_s: float,
    plan: Plan | None,
    bands: tuple[Band, Band],
    skeds_hz: tuple[float, float],
    link: LinkView,
    hindrances: Hindrances,
) -> Assessment:
    """Judge one instant. bands, skeds_hz: of the receive and of the transmit dial. The reason is
    empty when on frequency."""
    rx = tx = None
    if plan is not None:
        rx_dial_hz, tx_dial_hz = _dials(plan, link)
        rx = _dial_view(plan.rx, "rx", utc_s, plan, bands[0], skeds_hz[0], rx_dial_hz)
        tx = _dial_view(plan.tx, "tx", utc_s, plan, bands[1], skeds_hz[1], tx_dial_hz)
    tracking, reason = _judge(plan, link, hindrances, rx, tx)
    return Assessment(tracking, reason, rx, tx)


def _dials(plan: Plan, link: LinkView) -> tuple[int | None, int | None]:
    if link.rig is None:
        return None, None
    if plan.split:
        return link.rig.rx_dial_hz, link.rig.tx_dial_hz
    one_hz = link.rig.rx_dial_hz
    return (one_hz, None) if plan.one_dial == "rx" else (None, one_hz)


def _dial_view(
    ramp: Ramp,
    which: Which,
    utc_s: float,
    plan: Plan,
    band: Band,
    sked_hz: float,
    dial_hz: int | None,
) -> DialView:
    ideal_dial_hz = ramp.at(utc_s)
    on_air_hz = band.on_air_hz(ideal_dial_hz)
    return DialView(
        on_air_hz,
        on_air_hz - sked_hz,
        ramp.rate_hz_per_s / band.dial_per_on_air,
        ideal_dial_hz,
        dial_hz,
        None if dial_hz is None else dial_hz - ideal_dial_hz,
        plan.held.get(which, ""),
    )


def _judge(
    plan: Plan | None,
    link: LinkView,
    hindrances: Hindrances,
    rx: DialView | None,
    tx: DialView | None,
) -> tuple[Tracking, str]:
    if link.state not in ANSWERING:
        return _OF_LINK[link.state], link.reason
    if hindrances.prediction:
        return Tracking.NO_PREDICTION, hindrances.prediction
    if hindrances.paused:
        return Tracking.PAUSED, "correction is paused"
    if hindrances.away:
        return Tracking.OUTSIDE_BAND, hindrances.away
    if hindrances.yielding:
        return Tracking.YIELDING, "the dial was turned again and again; left alone for a while"
    if link.state is not LinkState.READY:
        return _OF_LINK[link.state], link.reason
    if plan is None or rx is None or tx is None:
        return Tracking.STARTING, "nothing planned yet"
    if link.rig is not None and link.rig.transmitting and not plan.steps_while_keyed:
        return Tracking.HELD_KEYED, "the dial is left alone while the radio transmits"
    for held in plan.held.values():
        return Tracking.OUTSIDE_BAND, held
    for name, dial in (("receive", rx), ("transmit", tx)):
        # While a set is under way the last read-back is older than the dial by as much as it takes.
        late_s = LATE_S + link.set_latency_s
        limit_hz = plan.grid_hz / 2 + late_s * abs(dial.rate_hz_per_s) + ROUNDING_HZ
        if dial.residual_hz is not None and abs(dial.residual_hz) > limit_hz:
            return Tracking.OFF_FREQUENCY, f"{name} dial is {dial.residual_hz:+.1f} Hz off"
    return Tracking.ON_FREQUENCY, ""
