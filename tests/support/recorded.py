"""Journals for tests of the report: a session of any length, made at once from the daemon's
prediction and a dial that moves in perfect steps, in the real tables."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from moontrim.config.settings import Settings
from moontrim.journal.companion import station_json
from moontrim.journal.file import codes_of
from moontrim.journal.opening import open_to_write
from moontrim.journal.schema import NAME, insert
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import embedded_settings
from moontrim.rig.view import LinkState, LinkView
from moontrim.session.current import CurrentSession
from moontrim.session.session import Session, first_session
from moontrim.state.snapshot import Tracking
from moontrim.tracking.planning import Planning
from moontrim.tuning.steps import nearest
from moontrim_drivers.contract import RigState

T0 = 1_795_014_720  # 2026-11-18T15:12:00Z: the Moon is up at both ends of the embedded scenario
AHEAD_S = 0.3


def never(_: int) -> bool:
    return False


@dataclass
class Made:
    """The session to make, second by second from its start. off_hz: how far the receive dial is
    from its perfect step."""

    seconds: int = 600
    settings: Settings = field(default_factory=embedded_settings)
    choices: list[tuple[int, Session]] = field(default_factory=list)
    missing: Callable[[int], bool] = never
    lost: Callable[[int], bool] = never
    keyed: Callable[[int], bool] = never
    off_hz: Callable[[int], int] = never
    commands: Iterable[tuple[int, str, str, str]] = ()
    faults: Iterable[tuple[float, float | None, str, str]] = ()
    budgets: Iterable[tuple[int, float, float, str, str]] = ()
    clock_bound_ms: float | None = 5.0
    ended: bool = True
    start_utc_s: int = T0


def make_journal(folder: Path, ephemeris: Ephemeris, *sessions: Made) -> Path:
    """Writes sessions with ids from 1 on; returns the file."""
    folder.mkdir(parents=True, exist_ok=True)
    conn = open_to_write(folder, 0.0, check=False)
    conn.execute("BEGIN")
    codes = codes_of(conn)
    context_id = 0
    for session_id, made in enumerate(sessions, start=1):
        start, end = made.start_utc_s, made.start_utc_s + made.seconds
        row = (session_id, start - 0.5, float(end) if made.ended else None, "0.0.0")
        conn.execute(insert("sessions", 5), (*row, station_json(made.settings)))
        choices = made.choices or [(0, first_session(made.settings))]
        for k, (from_s, session) in enumerate(choices):
            context_id += 1
            band_choices = session.band_choices(made.settings)
            conn.execute(
                insert("contexts", 13),
                (
                    context_id,
                    session_id,
                    start + from_s - AHEAD_S,
                    session.band,
                    band_choices.sked_hz,
                    session.tx_sked_hz(made.settings),
                    session.agreement,
                    session.partner_text(made.settings),
                    band_choices.rx_trim_hz,
                    band_choices.tx_trim_hz,
                    int(session.correcting),
                    session.sked,
                    session.band_settings(made.settings).over_s,
                ),
            )
            to_s = choices[k + 1][0] if k + 1 < len(choices) else made.seconds
            rows = _seconds(made, ephemeris, session, range(from_s, to_s), codes["tracking"])
            conn.executemany(
                insert("seconds_raw", 18),
                ((session_id, *row[:3], context_id, *row[3:]) for row in rows),
            )
        for at_s, *texts in made.commands:
            conn.execute(
                'INSERT INTO commands (session_id, at_utc_s, "by", what, outcome) '
                "VALUES (?, ?, ?, ?, ?)",
                (session_id, start + at_s, *texts),
            )
        for begin_s, finish_s, *texts in made.faults:
            conn.execute(
                "INSERT INTO faults (session_id, from_utc_s, to_utc_s, kind, text) "
                "VALUES (?, ?, ?, ?, ?)",
                (
                    session_id,
                    start + begin_s,
                    None if finish_s is None else start + finish_s,
                    *texts,
                ),
            )
        for at_s, rx_hz, tx_hz, *texts in made.budgets:
            conn.execute(
                insert("budgets", 7),
                (session_id, start + at_s, rx_hz, tx_hz, *texts, budget_json(rx_hz, tx_hz)),
            )
    conn.execute("COMMIT")
    conn.close()
    return folder / NAME


def budget_json(rx_hz: float, tx_hz: float) -> str:
    return json.dumps(
        {
            side: {
                "causes": [
                    {"name": "home's place", "sigma_hz": hz / 2, "max_hz": hz},
                    {"name": "reference", "sigma_hz": None, "max_hz": None},
                ]
            }
            for side, hz in (("rx", rx_hz), ("tx", tx_hz))
        }
    )


def _seconds(
    made: Made, ephemeris: Ephemeris, session: Session, span: range, tracking: dict[str, int]
) -> Iterable[tuple[Any, ...]]:
    current = CurrentSession(made.settings, session, lambda session: None)
    planning = Planning(current, ephemeris)
    band = session.band_settings(made.settings)
    uncorrected_rx_hz, uncorrected_tx_hz = planning.selection().uncorrected_hz
    step_hz = band.dial_resolution_hz
    for k in span:
        if made.missing(k):
            continue
        utc_s = made.start_utc_s + k
        at_utc_s = utc_s - AHEAD_S
        lost, keyed = made.lost(k), made.keyed(k)
        on_air = planning.ideal(at_utc_s)
        tx_hz = on_air.tx_hz
        if band.while_transmitting == "mid_over" and not keyed:
            tx_hz = planning.ideal(at_utc_s + band.over_s / 2).tx_hz
        rx_ideal_hz, tx_ideal_hz = band.band().dial_hz(on_air.rx_hz), band.tx_band().dial_hz(tx_hz)
        rig = RigState(nearest(rx_ideal_hz, step_hz), nearest(tx_ideal_hz, step_hz), keyed)
        link = LinkView(LinkState.READY, "", rig, split=True, steps_per_s=50.0)
        planning.observe(at_utc_s, link)
        rx_hz = on_air.rx_hz
        if planning.selection().own_echo:  # of what the rows before show
            plan = planning.plan(link, at_utc_s, at_utc_s + 1.0, about_to_transmit=False)
            rx_ideal_hz = plan.rx.at(at_utc_s)
            rx_hz = band.band().on_air_hz(rx_ideal_hz)
        moon = planning.moon(at_utc_s)
        state = (
            Tracking.NO_CONTACT
            if lost
            else Tracking.ON_FREQUENCY
            if session.correcting
            else Tracking.PAUSED
        )
        yield (
            utc_s,
            -300_000,
            tracking[state],
            round(rx_ideal_hz * 1e4),
            None if lost else nearest(rx_ideal_hz, step_hz) + made.off_hz(k),
            round((rx_hz - uncorrected_rx_hz) * 1e4),
            round(tx_ideal_hz * 1e4),
            None if lost else nearest(tx_ideal_hz, step_hz),
            round((tx_hz - uncorrected_tx_hz) * 1e4),
            round(moon.elevation_deg * 1e3),
            round(moon.azimuth_deg * 1e3),
            None if moon.partner_elevation_deg is None else round(moon.partner_elevation_deg * 1e3),
            None if lost else int(keyed),
            0,
            1,
            None if made.clock_bound_ms is None else round(made.clock_bound_ms * 1e3),
        )


def change(path: Path, statement: str, *values: Any) -> None:
    """Changes a journal behind the daemon's back."""
    conn = sqlite3.connect(path)
    conn.execute(statement, values)
    conn.commit()
    conn.close()
