"""The steps of the dials in the journal against the radio's own, and a recording straightened by
them: the whole daemon on the simulated radio and a virtual clock."""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from moontrim.cli.main import main
from moontrim.errors import InputError
from moontrim.formats import iso_utc
from moontrim.journal.companion import Journal
from moontrim.journal.readonly import open_journal
from moontrim.journal.schema import NAME
from moontrim.keying.sequence import Phase
from moontrim.path import Ephemeris
from moontrim.report.dialcourse import recorded_dial
from moontrim.session.commands import Correct, NudgeSked
from moontrim.state.snapshot import Tracking
from support.journals import rows
from support.scenario_keying import KEYING, moon_high
from support.stage import Stage, play

RATE_HZ = 8000
TONE_HZ = 1000.0
LENGTH_S = 60.0


def recorded(
    folder: Path,
    ephemeris: Ephemeris,
    during: Callable[[Stage], object] = lambda stage: None,
    **habits: float,
) -> tuple[float, list[tuple[float, int, int | None]]]:
    """Records a minute; returns its beginning and the dials as the radio itself had them, each with
    the UTC instant from which it held."""
    changes: list[tuple[float, int, int | None]] = []
    begun: list[float] = []

    async def scene(s: Stage) -> None:
        offset_s = s.clock.utc_s() - s.clock.monotonic_s()

        def changed(at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
            changes.append((offset_s + at_s, rx_hz, tx_hz))

        s.radio.on_change = changed
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        changed(s.clock.monotonic_s(), s.radio.rx_dial_hz, s.radio.tx_dial_hz, False)
        journal = Journal(folder, s.daemon.settings, s.clock)
        running = asyncio.create_task(journal.run(s.daemon))
        await s.clock.sleep(5.0)
        begun.append(s.clock.utc_s())
        await s.clock.sleep(LENGTH_S / 2)
        during(s)
        await s.clock.sleep(LENGTH_S / 2 + 3.0)
        running.cancel()
        await asyncio.wait([running])

    play(folder, ephemeris, scene, **habits)
    return begun[0], changes


def dial_of(changes: list[tuple[float, int, int | None]], at_s: np.ndarray) -> np.ndarray:
    """The receive dial of the radio itself at instants of UTC."""
    held = np.searchsorted([change[0] for change in changes], at_s, "right") - 1
    return np.array([float(change[1]) for change in changes])[held]


def sound(
    ideal_s: np.ndarray,
    ideal_hz: np.ndarray,
    changes: list[tuple[float, int, int | None]],
    begun_utc_s: float,
) -> np.ndarray:
    """What a receiver hears of a carrier at TONE_HZ on the ideal dial."""
    fine_s = (np.arange(int(LENGTH_S * RATE_HZ) * 8) + 0.5) / (8.0 * RATE_HZ)
    audio_hz = (
        TONE_HZ + np.interp(fine_s, ideal_s, ideal_hz) - dial_of(changes, begun_utc_s + fine_s)
    )
    phase = np.concatenate(([0.0], np.cumsum(audio_hz / (8.0 * RATE_HZ))))[:-1:8]
    return np.asarray(0.3 * np.cos(2.0 * np.pi * (phase % 1.0)))


def loss_db(samples: np.ndarray) -> float:
    """Coherent power of the carrier over the minute at the best frequency within 2 Hz, relative to
    a carrier that stands still."""
    inside = samples[RATE_HZ:-RATE_HZ]
    at_s = np.arange(inside.size) / RATE_HZ
    window = np.hanning(inside.size)
    base = inside * window * np.exp(-2j * np.pi * TONE_HZ * at_s)
    slow = base[: base.size // 400 * 400].reshape(-1, 400).mean(axis=1)
    best = float(np.max(np.abs(np.fft.fft(slow, 1 << 16))[: 1 << 13]))
    best = max(best, float(np.max(np.abs(np.fft.fft(slow, 1 << 16))[-(1 << 13) :])))
    return 20.0 * math.log10(best * 400 / (0.15 * window.sum()))


@pytest.mark.parametrize(("latency_s", "effect_fraction"), [(0.03, 0.5), (0.08, 0.2)])
def test_every_step_has_its_true_instant(
    ephemeris: Ephemeris, tmp_path: Path, latency_s: float, effect_fraction: float
) -> None:
    """Of both dials, within a minute: each change of the radio is in the journal, with the instant
    at which it moved to a millisecond."""
    begun_utc_s, changes = recorded(
        tmp_path, ephemeris, latency_s=latency_s, effect_fraction=effect_fraction
    )
    end_utc_s = begun_utc_s + LENGTH_S
    for column, which in ((1, "rx"), (2, "tx")):
        true = [
            (now[0], now[column])
            for before, now in pairwise(changes)
            if now[column] != before[column] and begun_utc_s < now[0] < end_utc_s
        ]
        stored = rows(
            tmp_path,
            "SELECT moved_utc_s, dial_hz, planned_utc_s, sent_utc_s, confirmed_utc_s FROM steps "
            f"WHERE dial = '{which}' AND moved_utc_s > {begun_utc_s} "
            f"AND moved_utc_s < {end_utc_s} ORDER BY moved_utc_s",
        )
        assert [row[1] for row in stored] == [hz for _, hz in true]
        assert len(true) > 10, "the dial moves"
        for row, (moved_utc_s, _) in zip(stored, true, strict=True):
            assert row[0] == pytest.approx(moved_utc_s, abs=1e-3)
            assert row[3] <= row[0] <= row[4]
            assert abs(row[2] - row[0]) < 0.1, "asked and moved are near each other"


def test_a_recording_is_straightened_from_the_journal(
    ephemeris: Ephemeris, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the command, as a person runs it; in mid-recording the operator chooses another
    frequency."""
    begun_utc_s, changes = recorded(
        tmp_path, ephemeris, lambda s: s.daemon.inbox.post_command(NudgeSked("phone", 40.0))
    )
    conn = open_journal(tmp_path / NAME)
    dial = recorded_dial(conn, "rx", begun_utc_s, begun_utc_s + LENGTH_S)
    conn.close()
    assert dial.steps > 20 and dial.blurred == 0
    course = dial.course
    crooked = sound(course.ideal_s, course.ideal_hz, changes, begun_utc_s)
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    soundfile.write(source, crooked, RATE_HZ, subtype="PCM_24")
    arguments = ["--began", iso_utc(begun_utc_s), "--journal", str(tmp_path / NAME), "--json"]
    assert main(["straighten", str(source), str(target), *arguments]) == 0
    facts = json.loads(capsys.readouterr().out)
    straight, rate_hz = soundfile.read(target)
    assert rate_hz == RATE_HZ and straight.size == crooked.size
    assert loss_db(crooked) < -0.05
    assert abs(loss_db(straight)) < 0.02
    assert facts["phase_jumps_at_steps"] is False
    assert facts["steps"] == dial.steps and facts["rms_hz"] < 2.0
    conn = open_journal(tmp_path / NAME)
    try:
        with pytest.raises(InputError, match="rows of seconds are missing"):
            recorded_dial(conn, "rx", begun_utc_s + 30.0, begun_utc_s + 300.0)
        with pytest.raises(InputError, match="no session"):
            recorded_dial(conn, "rx", begun_utc_s - 1e6, begun_utc_s)
    finally:
        conn.close()


def test_a_dial_that_was_left_alone_is_straightened_as_well(
    ephemeris: Ephemeris, tmp_path: Path
) -> None:
    """While the correction is paused the ideal dial goes on, and the recording follows it."""
    begun_utc_s, changes = recorded(
        tmp_path, ephemeris, lambda s: s.daemon.inbox.post_command(Correct("phone", False))
    )
    conn = open_journal(tmp_path / NAME)
    dial = recorded_dial(conn, "rx", begun_utc_s, begun_utc_s + LENGTH_S)
    conn.close()
    at_s = np.arange(1.0, LENGTH_S - 1.0, 0.01)
    true_hz = dial_of(changes, begun_utc_s + at_s) - np.interp(
        at_s, dial.course.ideal_s, dial.course.ideal_hz
    )
    residual_hz = dial.course.residual().sampled_hz(at_s)
    assert np.mean(np.abs(residual_hz - true_hz) < 1e-3) > 0.99
    assert np.max(np.abs(true_hz)) > 1.0, "the dial stands still while the ideal moves on"


def test_every_edge_of_the_keying_has_its_instant(ephemeris: Ephemeris, tmp_path: Path) -> None:
    """Two overs: the journal has each state of the sequence at the instant at which the radio was
    keyed and unkeyed, to the 30 ms that its command takes."""
    true: list[tuple[float, bool]] = []

    async def scene(s: Stage) -> None:
        offset_s = s.clock.utc_s() - s.clock.monotonic_s()
        keyed = [False]

        def changed(at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
            if transmitting is not keyed[0]:
                keyed[0] = transmitting
                true.append((offset_s + at_s, transmitting))

        s.radio.on_change = changed
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        journal = Journal(tmp_path, s.daemon.settings, s.clock)
        running = asyncio.create_task(journal.run(s.daemon))
        for _ in range(2):
            await s.daemon.transmitting.request("phone")
            await s.clock.sleep(2.0)
            s.daemon.transmitting.release("phone")
            await s.clock.sleep(3.0)
        running.cancel()
        await asyncio.wait([running])

    play(
        tmp_path,
        ephemeris,
        scene,
        moon_high(ephemeris),
        band={"drive_ceiling": 0.2},
        tables={"keying": KEYING},
        latency_s=0.03,
    )
    names = dict(rows(tmp_path, "SELECT code, text FROM names WHERE kind = 'keying'"))
    edges = [
        (at_utc_s, names[code], by)
        for at_utc_s, code, by in rows(
            tmp_path, 'SELECT at_utc_s, keying, "by" FROM keying_edges ORDER BY at_utc_s'
        )
    ]
    keyed_at = [(at, by) for at, name, by in edges if name == Phase.KEYED]
    released_at = [at for at, name, _ in edges if name == Phase.RELEASED]
    assert [by for _, by in keyed_at] == ["phone", "phone"]
    assert [at for at, _ in keyed_at] == pytest.approx([at for at, on in true if on], abs=0.1)
    assert len(released_at) >= 2 and len(true) == 4
    assert all(any(off < at < off + 0.5 for at in released_at) for off, on in true if not on), (
        "released once the last relay is off"
    )
