"""The whole daemon for many simulated hours, under random misfortunes, with the rules of
`soak.invariants` held at every instant. The same seed gives the same run: a failure prints its seed
and the command that plays it again."""

from __future__ import annotations

import asyncio
import gc
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from moontrim.config.settings import Settings
from moontrim.keying.interlocks import Conditions, hindrances
from moontrim.keying.sequence import Sequence, Stage
from moontrim.path import Ephemeris
from moontrim.remote.published.feed import DEAD_AFTER_S, Feed
from moontrim.remote.published.messages import Post
from moontrim.remote.wire.mqtt import MqttConnection
from moontrim.session.session import Session
from moontrim.state.snapshot import Tracking
from moontrim.tuning.correction import OnAir, on_air
from soak.faults import ALL
from soak.plan import BANDS, QUIET, draw
from soak.play import Outcome, play
from soak.runner import RUN_S, run_many
from support.descriptors import open_descriptors
from support.effort import MOST, cases, effort
from support.politely import politely
from support.stage import Stage as Scene
from support.stage import play as play_stage

TAKE = Feed.take
# In parts, for as many workers as there are. In CI together 400 hours, at most 10,000.
PARTS = effort(1, 20, 20)
HOURS = effort(3.0, 20.0, 500.0)


@pytest.mark.timeout(3600 if MOST else 600)
@pytest.mark.parametrize("part", range(PARTS))
def test_many_hours(part: int) -> None:
    with politely():
        total = run_many(1 + part * round(HOURS * 3600 / RUN_S), HOURS)
    print("\n".join(total.lines()))
    assert not total.failed, "\n".join(total.lines())
    assert total.hours >= HOURS
    # Ticks in all of them: stalls and dead daemons cost some, idle hours none.
    assert total.counts["ticks"] > 0.95 * 3600 * HOURS
    assert total.counts["keyed only inside the allowed range"] > 0, "it never transmitted"


def test_every_misfortune_has_its_turn(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """In several of the runs of CI each."""
    runs = range(1, 501)
    plans = [draw(seed, str(tmp_path), RUN_S, ALL, ephemeris) for seed in runs]
    turns = Counter(kind for plan in plans for kind in plan.kinds)
    assert min(turns[kind] for kind in ALL if kind != "contact chatter") > len(runs) / 10
    assert sum(plan.contacts for plan in plans) > 0  # where alone they can chatter
    assert {plan.calm for plan in plans} == set(QUIET.calm)
    assert {plan.settings.bands[0].name for plan in plans} == set(BANDS)


def test_the_same_seed_gives_the_same_run(ephemeris: Ephemeris) -> None:
    once, again, other = (play(seed, 1200.0, ephemeris) for seed in (7, 7, 8))
    assert once.digest == again.digest and once.last == again.last
    assert once.digest != other.digest


# --- would it be noticed? -------------------------------------------------------------------------


def _run_until_noticed(ephemeris: Ephemeris, wanted: str, seeds: range) -> Outcome:
    mix = QUIET._replace(first_bands=("144 MHz", "1296 MHz", "10 GHz"), calm=(1.0,))
    for seed in seeds:
        outcome = play(seed, 1800.0, ephemeris, mix)
        if any(wanted in violation for violation in outcome.violations):
            return outcome
    raise AssertionError(f"nobody noticed in {len(seeds)} runs: {wanted}")


def _any_moon_will_do(*given: Any) -> tuple[str, ...]:
    return tuple(reason for reason in hindrances(*given) if "degrees elevation" not in reason)


def _any_clock_will_do(conditions: Conditions, *given: Any) -> tuple[str, ...]:
    return hindrances(replace(conditions, clock_doubt=""), *given)


def _any_front_end_will_do(session: Session, settings: Settings) -> Session:
    return session.model_copy(update={"front_end": session.present_front_end(settings)})


async def _always(*given: Any) -> bool:
    return True


def _three_hertz_off(*given: Any, **named: Any) -> OnAir:
    right = on_air(*given, **named)
    return right._replace(rx_hz=right.rx_hz + 3.0)


UP_OR_DOWN = {Tracking.ON_FREQUENCY, Tracking.MOON_TOO_LOW}
SOURCE = ("clock unsynchronised", "clock bound too wide")
FOOT = ("foot switch", "closed")
STEPS = ("small step", "large step")
DRIVE = ("drive by hand",)


async def _any_drive_will_do(*given: Any) -> None:
    pass


def _first_on_first_off(sequence: Sequence) -> list[int]:
    return [index for index, output in enumerate(sequence._outputs) if output.maybe_on][:1]


@pytest.mark.parametrize(
    "mutant",
    cases(
        (
            "moontrim.keying.keyer.hindrances",
            _any_moon_will_do,
            "the Moon is too low",
            ALL,
        ),
        (
            "moontrim.keying.keyer.hindrances",
            _any_clock_will_do,
            "unconfirmed clock",
            SOURCE,
        ),
        (
            "moontrim.keying.keyer.hindrances",
            _any_clock_will_do,
            "after the clock jumped",
            STEPS,
        ),
        (
            "moontrim.keying.keyer.hindrances",
            _any_clock_will_do,
            "the clock was stepped",
            STEPS,
        ),
        (
            "moontrim.keying.keyer.hindrances",
            _any_clock_will_do,
            "the clock is no good",
            SOURCE,
        ),
        (
            "moontrim.keying.outputs.Stage",
            lambda _, release_s, role: Stage(0.0, release_s, role),
            "settled",
            ALL,
        ),
        (
            "moontrim.rig.link.RigLink.hold_for_relays",
            lambda *given: None,
            "while relays move",
            ALL,
        ),
        (
            "moontrim.keying.keyer.Keyer.release",
            lambda *given: None,
            "nobody asks for it",
            ALL,
        ),
        (
            "moontrim.session.selection.on_air",
            _three_hertz_off,
            "beyond the limit",
            ALL,
        ),
        (
            "moontrim.rig.bandwatch.check_drive",
            _any_drive_will_do,
            "drive",
            DRIVE,
        ),
        (
            "moontrim.tuning.band.Band.allows",
            lambda band, hz: hz == hz,
            "was set to",
            ("disk slow",),
        ),
        (
            "moontrim.rig.dials.Dials._was_moved",
            lambda *given: False,
            "not back on frequency",
            ALL,
        ),
        (
            "moontrim.keying.sequence.Sequence._to_switch_off",
            _first_on_first_off,
            "moves under",
            ALL,
        ),
        (
            "moontrim.rig.dials.Dials.receiving",
            _always,
            "set under RF",
            FOOT,
        ),
        (
            "moontrim.session.session.Session.unconfirmed",
            _any_front_end_will_do,
            "RF of",
            ALL,
        ),
        (
            "moontrim.session.session.Session.front_end_confirmed",
            lambda *given: True,
            "drive raised",
            ALL,
        ),
        (
            "moontrim.session.saver.save_session",
            lambda *given: None,
            "it began with",
            ALL,
        ),
        quick=4,
    ),
)
def test_broken_it_is_noticed(
    ephemeris: Ephemeris,
    monkeypatch: pytest.MonkeyPatch,
    mutant: tuple[str, Any, str, tuple[str, ...]],
) -> None:
    """A soak that cannot fail would be worth nothing."""
    where, broken, noticed, kinds = mutant
    monkeypatch.setattr(where, broken)
    # Wild runs only, and where it takes a rare coincidence, nothing else that may happen.
    monkeypatch.setattr("soak.play.ALL", kinds)
    _run_until_noticed(ephemeris, noticed, range(1, 41))


async def _publish_without_waiting(connection: MqttConnection, client: Any) -> None:
    """Publishes what is due before it waits, as long as anything is due."""
    while True:
        connection._fresh.clear()
        wait_s = connection._feed.wait_s(connection._real.monotonic_s())
        if wait_s > 0.0:
            await connection._real.wait(connection._fresh, wait_s)
            continue
        for post in connection._feed.take(connection._real.monotonic_s()):
            await client.publish(post.topic)


def _take_and_stay_due(feed: Feed, at_s: float) -> list[Post]:
    """A snapshot that is too old to be published stays due."""
    if at_s - feed._snapshot_s > DEAD_AFTER_S:
        return []
    return TAKE(feed, at_s)


def test_a_loop_that_never_waits_is_noticed(
    ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(MqttConnection, "_publish", _publish_without_waiting)
    monkeypatch.setattr(Feed, "take", _take_and_stay_due)
    monkeypatch.setattr("soak.play.ALL", ("stall",))
    monkeypatch.setattr("soak.play.LAG_S", 1.0)
    _run_until_noticed(ephemeris, "the event loop did not turn", range(4, 164, 4))


def test_a_loop_that_waits_for_nothing_is_noticed(
    ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It lets others run, but time does not move on."""
    monkeypatch.setattr(Feed, "wait_s", lambda *given: 0.0)
    monkeypatch.setattr(Feed, "take", lambda *given: [])
    _run_until_noticed(ephemeris, "passes of the event loop", range(4, 8, 4))


@pytest.mark.long
@pytest.mark.timeout(400)
def test_a_day_without_a_missed_second(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """24 hours at 1296 MHz, the Moon up and down: every second is planned, and nothing grows once
    all that is kept for some hours is there."""
    seen: set[Tracking] = set()
    counts: list[int] = []  # of tasks
    blocks: list[int] = []  # of memory, as Python hands them out
    elevations: list[float] = []

    async def scene(s: Scene) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        before = open_descriptors()
        for _ in range(24):
            for _ in range(60):
                await s.clock.sleep(60.0)
                assert s.snapshot.tracking in UP_OR_DOWN, s.snapshot.reason
                for dial in (s.snapshot.rx, s.snapshot.tx):
                    assert dial is not None and abs(dial.residual_hz or 0.0) <= 0.7
                seen.add(s.snapshot.tracking)
            counts.append(len(asyncio.all_tasks()))
            assert open_descriptors() <= before
            s.transmit_dials.clear()  # the stage's own record
            gc.collect()
            blocks.append(sys.getallocatedblocks())
            assert s.snapshot.moon is not None
            elevations.append(s.snapshot.moon.elevation_deg)
        assert s.daemon.record.missed_seconds == 0
        assert s.daemon.record.ticks >= 86400

    band = {
        "name": "1296 MHz",
        "sked_hz": 1_296_100_000,
        "tx_low_hz": 1_296_000_000,
        "tx_high_hz": 1_297_000_000,
        "transverter_offset_hz": 0,
    }
    done = play_stage(tmp_path, ephemeris, scene, band=band, radio={"poll_s": 5.0})
    assert min(elevations) < 0.0 < max(elevations), "the Moon was up and down"
    assert seen == UP_OR_DOWN
    assert len(set(counts)) == 1, counts
    # A list that kept one thing a minute would be over that.
    assert median(blocks[16:]) - median(blocks[8:16]) < 300, blocks
    assert not done.daemon.record.faults
