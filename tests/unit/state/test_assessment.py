"""The verdict "on frequency": every state with what leads to it, which of two wins, and the limits
just inside and just outside."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from moontrim.rig.view import LinkState, LinkView
from moontrim.state.assessment import Assessment, Hindrances, assess
from moontrim.state.snapshot import Tracking
from moontrim.tuning.band import Band
from moontrim.tuning.steps import Plan, Ramp
from moontrim_drivers.contract import RigState

T0 = 1_795_000_000.0
BAND = Band("2 m", 144_000_000, 146_000_000)
RX_HZ, TX_HZ = 144_100_000, 144_100_300  # where both dials ought to be at T0
READY = LinkView(LinkState.READY, "", RigState(RX_HZ, TX_HZ, False), split=True)
PLAN = Plan(
    start_utc_s=T0,
    end_utc_s=T0 + 1.0,
    rx=Ramp(T0, float(RX_HZ), 0.0),
    tx=Ramp(T0, float(TX_HZ), 0.0),
    split=True,
    one_dial="rx",
    grid_hz=1,
    steps=(),
    held={},
    steps_while_keyed=False,
)


def judged(
    plan: Plan | None = PLAN,
    link: LinkView = READY,
    hindrances: Hindrances = Hindrances(),  # noqa: B008 (a value)
    utc_s: float = T0,
) -> Assessment:
    return assess(utc_s, plan, (BAND, BAND), (144_100_000.0, 144_100_000.0), link, hindrances)


def link_in(state: LinkState) -> LinkView:
    return replace(READY, state=state, reason=f"the link is {state}")


def rig_at(rx_hz: int = RX_HZ, tx_hz: int | None = TX_HZ, *, keyed: bool = False) -> LinkView:
    return replace(READY, rig=RigState(rx_hz, tx_hz, keyed))


PAUSED, DIAL_IN_USE = Hindrances(paused=True), Hindrances(dial_in_use=True)
OTHER = Hindrances(other_program="another program moves this radio's dials")
NOT_FOLLOWED = Hindrances(not_followed="beyond the edge")
NO_DOPPLER = Hindrances(no_doppler="outside the tables")
MOON_LOW = Hindrances(moon="Moon at -3.0 degrees at home, minimum 0.0 degrees")
EXCHANGED = replace(READY, exchanged="A and B were exchanged on the radio; exchange them back")
EXCHANGED_KEYED = replace(EXCHANGED, rig=RigState(RX_HZ, TX_HZ, True))
HELD = PLAN._replace(held={"tx": "outside 144 to 146 MHz"})
STEPPING = PLAN._replace(steps_while_keyed=True)

# --- every state ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "tracking", "reason"),
    [
        ({}, Tracking.ON_FREQUENCY, ""),
        ({"link": rig_at(RX_HZ + 5)}, Tracking.OFF_FREQUENCY, "receive dial is +5.0 Hz off"),
        ({"link": rig_at(tx_hz=TX_HZ - 5)}, Tracking.OFF_FREQUENCY, "transmit dial is -5.0 Hz off"),
        ({"link": rig_at(keyed=True)}, Tracking.HELD_KEYED, "left alone while the radio transmits"),
        ({"hindrances": PAUSED}, Tracking.PAUSED, "correction is paused"),
        ({"hindrances": OTHER}, Tracking.OTHER_PROGRAM, "another program moves this radio's dials"),
        ({"hindrances": DIAL_IN_USE}, Tracking.DIAL_IN_USE, "tuned by hand"),
        ({"hindrances": NOT_FOLLOWED}, Tracking.OUTSIDE_BAND, "beyond the edge"),
        ({"link": EXCHANGED}, Tracking.OFF_FREQUENCY, "A and B were exchanged on the radio"),
        ({"link": EXCHANGED_KEYED}, Tracking.OFF_FREQUENCY, "A and B were exchanged"),
        ({"plan": HELD}, Tracking.OUTSIDE_BAND, "outside 144 to 146 MHz"),
        ({"hindrances": NO_DOPPLER}, Tracking.NO_DOPPLER, "outside the tables"),
        ({"plan": None}, Tracking.STARTING, "nothing planned yet"),
        ({"utc_s": T0 + 1.1}, Tracking.NO_DOPPLER, "no plan for the present second"),
        ({"utc_s": T0 - 1.1}, Tracking.NO_DOPPLER, "no plan for the present second"),
        ({"hindrances": MOON_LOW}, Tracking.MOON_TOO_LOW, "at -3.0 degrees at home, minimum 0.0"),
        ({"link": link_in(LinkState.CONNECTING)}, Tracking.STARTING, "the link is connecting"),
        ({"link": link_in(LinkState.NO_CONTACT)}, Tracking.NO_CONTACT, "the link is no contact"),
        (
            {"link": link_in(LinkState.NOT_SUITABLE)},
            Tracking.RADIO_NOT_SUITABLE,
            "the link is not suitable",
        ),
        (
            {"link": link_in(LinkState.REJECTS)},
            Tracking.RADIO_REJECTS,
            "the link is rejects commands",
        ),
        (
            {"link": link_in(LinkState.MISMATCH)},
            Tracking.READBACK_MISMATCH,
            "the link is readback mismatch",
        ),
    ],
)
def test_each_state_and_its_reason(change: dict[str, Any], tracking: Tracking, reason: str) -> None:
    verdict = judged(**change)
    assert verdict.tracking is tracking
    assert reason in verdict.reason and bool(reason) == bool(verdict.reason)


def test_the_table_above_has_every_state() -> None:
    (mark,) = test_each_state_and_its_reason.pytestmark  # type: ignore[attr-defined]
    assert {tracking for _, tracking, _ in mark.args[1]} == set(Tracking)


# --- of two reasons, the one further up wins ------------------------------------------------------

# From what keeps the radio from being reached at all down to what is only a number of hertz.
PRECEDENCE: list[tuple[Tracking, dict[str, Any]]] = [
    (Tracking.NO_CONTACT, {"link": {"state": LinkState.NO_CONTACT}}),
    (Tracking.NO_DOPPLER, {"hindrances": {"no_doppler": "x"}}),
    (Tracking.PAUSED, {"hindrances": {"paused": True}}),
    (Tracking.OTHER_PROGRAM, {"hindrances": {"other_program": "x"}}),
    (Tracking.OUTSIDE_BAND, {"hindrances": {"not_followed": "x"}}),
    (Tracking.DIAL_IN_USE, {"hindrances": {"dial_in_use": True}}),
    (Tracking.READBACK_MISMATCH, {"link": {"state": LinkState.MISMATCH}}),
    # While keyed the Moon comes first: held would be as good as on frequency for keying.
    (
        Tracking.MOON_TOO_LOW,
        {"hindrances": {"moon": "x"}, "link": {"rig": RigState(RX_HZ + 5, TX_HZ, True)}},
    ),
    (Tracking.HELD_KEYED, {"link": {"rig": RigState(RX_HZ + 5, TX_HZ, True)}}),
    (Tracking.OUTSIDE_BAND, {"plan": {"held": {"tx": "x"}}}),
    (Tracking.OFF_FREQUENCY, {"link": {"rig": RigState(RX_HZ + 5, TX_HZ, False)}}),
    (Tracking.MOON_TOO_LOW, {"hindrances": {"moon": "x"}}),
]


@pytest.mark.parametrize("upper", range(len(PRECEDENCE)))
def test_the_upper_of_two_reasons_wins(upper: int) -> None:
    tracking, first = PRECEDENCE[upper]
    for _, second in PRECEDENCE[upper + 1 :]:
        changes: dict[str, dict[str, Any]] = {"link": {}, "hindrances": {}, "plan": {}}
        if tracking is Tracking.HELD_KEYED and "moon" in second.get("hindrances", {}):
            continue  # above it, as the row before has it
        for one in (second, first):  # what both set is the upper one's
            for part, values in one.items():
                changes[part] |= values
        verdict = judged(
            PLAN._replace(**changes["plan"]),
            replace(READY, **changes["link"]),
            Hindrances(**changes["hindrances"]),
        )
        assert verdict.tracking is tracking, second


@pytest.mark.parametrize(
    "state", [LinkState.NO_CONTACT, LinkState.CONNECTING, LinkState.NOT_SUITABLE]
)
def test_a_radio_that_does_not_answer_is_said_before_anything_else(state: LinkState) -> None:
    everything = Hindrances(True, True, "x", "x")
    assert judged(None, link_in(state), everything).reason == f"the link is {state}"


def test_without_a_plan_a_paused_correction_is_said_to_be_paused() -> None:
    assert judged(None, hindrances=PAUSED).tracking is Tracking.PAUSED
    assert judged(None, rig_at(keyed=True)).tracking is Tracking.STARTING


# --- transmitting ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plan", "off_hz", "tracking"),
    [
        (PLAN, 0, Tracking.HELD_KEYED),
        (PLAN, 500, Tracking.HELD_KEYED),  # left alone, however far the Doppler has moved on
        (STEPPING, 0, Tracking.ON_FREQUENCY),
        (STEPPING, 5, Tracking.OFF_FREQUENCY),
        (STEPPING._replace(held={"tx": "x"}), 0, Tracking.OUTSIDE_BAND),
    ],
)
@pytest.mark.parametrize("moon", ["", "Moon at -1.0 degrees at the partner, below the horizon"])
def test_while_the_radio_transmits(plan: Plan, off_hz: int, tracking: Tracking, moon: str) -> None:
    """With the Moon too low nothing that keying takes for on frequency is left."""
    verdict = judged(plan, rig_at(tx_hz=TX_HZ + off_hz, keyed=True), Hindrances(moon=moon))
    good = tracking in (Tracking.ON_FREQUENCY, Tracking.HELD_KEYED)
    assert verdict.tracking is (Tracking.MOON_TOO_LOW if moon and good else tracking)


# --- a plan for another second --------------------------------------------------------------------


@pytest.mark.parametrize("keyed", [False, True])
@pytest.mark.parametrize(
    ("after_s", "fresh"),
    [(-1.01, False), (-0.3, True), (0.0, True), (1.0, True), (1.01, False), (math.nan, False)],
)
def test_a_plan_of_another_second_is_no_ground_for_green(
    after_s: float, fresh: bool, keyed: bool
) -> None:
    verdict = judged(link=rig_at(keyed=keyed), utc_s=T0 + after_s)
    good = Tracking.HELD_KEYED if keyed else Tracking.ON_FREQUENCY
    assert verdict.tracking is (good if fresh else Tracking.NO_DOPPLER)


# --- an ideal dial that jumps ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after_s", "dial_hz", "good"),
    [
        (-0.2, 0, True),
        (-0.2, 80, False),  # much too early
        (-0.05, 80, True),
        (0.05, 0, True),  # not taken yet, as late as any step may be
        (0.05, 80, True),
        (0.05, 40, False),  # neither here nor there
        (0.14, 0, True),
        (0.16, 0, False),  # 0.1 s and the duration of a set
        (0.16, 80, True),
    ],
)
def test_a_jump_of_the_ideal_is_taken_a_little_late_or_early(
    after_s: float, dial_hz: int, good: bool
) -> None:
    rx = Ramp(T0, float(RX_HZ), 0.0, (Ramp(T0 + 0.5, RX_HZ + 80.0, 0.0),))
    link = replace(rig_at(RX_HZ + dial_hz), set_latency_s=0.05)
    verdict = judged(PLAN._replace(rx=rx), link, utc_s=T0 + 0.5 + after_s)
    assert verdict.tracking is (Tracking.ON_FREQUENCY if good else Tracking.OFF_FREQUENCY)


# --- limits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["rx", "tx"])
@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize(
    ("grid_hz", "rate_hz_per_s", "latency_s", "limit_hz"),
    [
        (1, 0.0, 0.0, 0.6),  # half a step and rounding
        (10, 0.0, 0.0, 5.1),
        (1, 20.0, 0.0, 2.6),  # and 0.1 s of Doppler, for a step that is late
        (1, -20.0, 0.0, 2.6),
        (1, 20.0, 0.3, 8.6),  # and that of a set under way
        (25, -4.0, 0.15, 13.6),
    ],
)
def test_the_limit_of_a_residual(
    side: str, sense: int, grid_hz: int, rate_hz_per_s: float, latency_s: float, limit_hz: float
) -> None:
    """Dials are whole hertz, so the ideal is moved."""
    link = replace(READY, set_latency_s=latency_s)
    dial_hz = {"rx": RX_HZ, "tx": TX_HZ}[side]
    for within_hz, tracking in ((-0.01, Tracking.ON_FREQUENCY), (0.01, Tracking.OFF_FREQUENCY)):
        ramp = Ramp(T0, dial_hz - sense * (limit_hz + within_hz), rate_hz_per_s)
        verdict = judged(PLAN._replace(grid_hz=grid_hz, **{side: ramp}), link)
        assert verdict.tracking is tracking, verdict.reason


def test_the_ideal_is_that_of_the_instant() -> None:
    moving = PLAN._replace(rx=Ramp(T0, float(RX_HZ), 4.0))
    assert judged(moving, rig_at(RX_HZ), utc_s=T0).tracking is Tracking.ON_FREQUENCY
    assert judged(moving, rig_at(RX_HZ), utc_s=T0 + 0.9).tracking is Tracking.OFF_FREQUENCY
    assert judged(moving, rig_at(RX_HZ + 4), utc_s=T0 + 0.9).tracking is Tracking.ON_FREQUENCY


@pytest.mark.parametrize("side", ["rx", "tx"])
@pytest.mark.parametrize("ramp", [Ramp(T0, math.nan, 0.0), Ramp(T0, 144_100_000.0, math.nan)])
def test_a_frequency_that_is_not_a_number_is_never_on_frequency(side: str, ramp: Ramp) -> None:
    assert judged(PLAN._replace(**{side: ramp})).tracking is Tracking.OFF_FREQUENCY


# --- which dial is judged by which ramp -----------------------------------------------------------

ONE_RX = PLAN._replace(split=False, one_dial="rx")
ONE_TX = PLAN._replace(split=False, one_dial="tx", steps_while_keyed=True)


@pytest.mark.parametrize(
    ("plan", "rig", "rx_residual_hz", "tx_residual_hz", "tracking"),
    [
        (PLAN, RigState(RX_HZ, TX_HZ, False), 0.0, 0.0, Tracking.ON_FREQUENCY),
        (PLAN, RigState(RX_HZ + 2, TX_HZ, False), 2.0, 0.0, Tracking.OFF_FREQUENCY),
        (PLAN, RigState(RX_HZ, TX_HZ + 2, False), 0.0, 2.0, Tracking.OFF_FREQUENCY),
        (ONE_RX, RigState(RX_HZ, None, False), 0.0, None, Tracking.ON_FREQUENCY),
        (ONE_RX, RigState(TX_HZ, None, False), 300.0, None, Tracking.OFF_FREQUENCY),
        (ONE_TX, RigState(TX_HZ, None, True), None, 0.0, Tracking.ON_FREQUENCY),
        (ONE_TX, RigState(RX_HZ, None, True), None, -300.0, Tracking.OFF_FREQUENCY),
    ],
)
def test_residuals_with_two_dials_and_with_one(
    plan: Plan,
    rig: RigState,
    rx_residual_hz: float | None,
    tx_residual_hz: float | None,
    tracking: Tracking,
) -> None:
    verdict = judged(plan, replace(READY, rig=rig, split=plan.split))
    assert verdict.rx is not None and verdict.tx is not None
    assert (verdict.rx.residual_hz, verdict.tx.residual_hz) == (rx_residual_hz, tx_residual_hz)
    assert verdict.tracking is tracking


def test_a_dial_as_it_is_shown() -> None:
    """Through an inverse transverter: rates turn their sign, corrections are of the air."""
    band = Band("3 cm", 10_368_000_000, 10_370_000_000, 10_512_000_000, "minus")
    plan = PLAN._replace(rx=Ramp(T0, 143_899_000.0, 3.0), held={"tx": "held for a test"})
    link = replace(READY, rig=RigState(143_899_002, TX_HZ, False))
    verdict = assess(T0 + 0.5, plan, (band, BAND), (10_368_100_000.0, 144e6), link, Hindrances())
    assert verdict.rx is not None and verdict.tx is not None
    assert verdict.rx.ideal_dial_hz == 143_899_001.5
    assert verdict.rx.on_air_hz == 10_512_000_000 - 143_899_001.5
    assert verdict.rx.correction_hz == 998.5
    assert verdict.rx.rate_hz_per_s == -3.0
    assert (verdict.rx.dial_hz, verdict.rx.residual_hz) == (143_899_002, 0.5)
    assert (verdict.rx.held, verdict.tx.held) == ("", "held for a test")
