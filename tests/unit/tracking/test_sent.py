"""What the radio has transmitted, from read-backs that come a little late."""

from __future__ import annotations

import pytest

from moontrim.rig.view import LinkState, LinkView
from moontrim.tracking.sent import KEPT_S, SentHistory
from moontrim.tuning.band import Band
from moontrim.tuning.echo import Sent
from moontrim.tuning.steps import Plan, Ramp, Step
from moontrim_drivers.contract import RigState

T0 = 1_795_000_000.0
BAND = Band("3 cm", 10_368_000_000, 10_370_000_000, 10_224_000_000)
OFFSET_HZ = 10_224_000_000.0
DIAL_HZ = 144_100_000


def read(tx_hz: int | None, keyed: bool | None = True, rx_hz: int = DIAL_HZ) -> LinkView:
    return LinkView(
        LinkState.READY, "", RigState(rx_hz, tx_hz, keyed), split=tx_hz is not None,
        set_latency_s=0.05,
    )  # fmt: skip


def plan_of(*steps: Step, start_utc_s: float = T0) -> Plan:
    flat = Ramp(start_utc_s, float(DIAL_HZ), 0.0)
    end_utc_s = start_utc_s + 1.0
    return Plan(start_utc_s, end_utc_s, flat, flat, True, "rx", 1, steps, {}, True)


@pytest.mark.parametrize(
    ("link", "sent"),
    [
        (read(DIAL_HZ + 7), OFFSET_HZ + DIAL_HZ + 7),
        (read(DIAL_HZ + 7, False), None),
        (read(DIAL_HZ + 7, None), OFFSET_HZ + DIAL_HZ + 7),  # its transmit dial is where it would
        (read(None), OFFSET_HZ + DIAL_HZ),  # one dial: where the receive dial is
        (read(None, False), None),
        (read(None, None), None),  # where it receives, as far as anybody knows
        (LinkView(), None),
    ],
)
def test_what_a_read_back_shows(link: LinkView, sent: float | None) -> None:
    history = SentHistory()
    history.observe(T0, link, BAND)
    assert [entry.on_air_hz for entry in history.entries()] == ([] if sent is None else [sent])


def test_only_changes_are_kept_and_only_of_the_last_seconds() -> None:
    history = SentHistory()
    for k in range(100):
        history.observe(T0 + k, read(DIAL_HZ + k // 2, k % 10 != 9), BAND)
    entries = history.entries()
    assert entries[0].from_utc_s <= T0 + 99.0 - KEPT_S < entries[1].from_utc_s
    assert entries[-1] == Sent(T0 + 99.0, None)
    history.observe(T0 + 99.5, read(DIAL_HZ, False), BAND)
    assert history.entries() == entries


@pytest.mark.parametrize(
    ("late_s", "counts_from_s"),
    [(0.02, 0.4), (0.2, 0.4), (-0.01, 0.4), (0.5, 0.9)],  # that one is not the planned step
)
def test_a_planned_step_counts_from_its_instant(late_s: float, counts_from_s: float) -> None:
    history = SentHistory()
    history.plan(plan_of(Step(T0, "tx", DIAL_HZ), Step(T0 + 0.4, "tx", DIAL_HZ + 1)))
    # The next second begins with what the last step of this one set.
    history.plan(plan_of(Step(T0 + 1.0, "tx", DIAL_HZ + 1), start_utc_s=T0 + 1.0))
    history.observe(T0 - 3.0, read(DIAL_HZ), BAND)
    history.observe(T0 + 0.4 + late_s, read(DIAL_HZ + 1), BAND)
    assert history.entries()[-1] == Sent(
        pytest.approx(T0 + counts_from_s, abs=1e-6), OFFSET_HZ + DIAL_HZ + 1
    )


def test_a_press_counts_from_when_it_was_read_back() -> None:
    history = SentHistory()
    history.plan(plan_of(Step(T0, "tx", DIAL_HZ)))
    history.observe(T0 + 0.2, read(DIAL_HZ), BAND)
    assert history.entries() == (Sent(T0 + 0.2, OFFSET_HZ + DIAL_HZ),)


def test_a_clock_set_back_begins_anew() -> None:
    history = SentHistory()
    history.observe(T0, read(DIAL_HZ), BAND)
    history.observe(T0 - 50.0, read(DIAL_HZ + 1), BAND)
    assert history.entries() == (Sent(T0 - 50.0, OFFSET_HZ + DIAL_HZ + 1),)
    history.forget()
    assert history.entries() == ()
