"""A snapshot of a station at which all is well, for tests to change."""

from __future__ import annotations

from moontrim.keying.view import KeyingView
from moontrim.rig.view import LinkView
from moontrim.state.snapshot import Snapshot, Tracking

WELL = Snapshot(
    utc_s=1_795_000_000.0,
    tracking=Tracking.ON_FREQUENCY,
    reason="",
    band="10 GHz",
    sked_hz=10_368_100_000.0,
    agreement="halves",
    partner="KP20nf11aa",
    rx_trim_hz=0.0,
    tx_trim_hz=0.0,
    correcting=True,
    transmitting=False,
    moon=None,
    rx=None,
    tx=None,
    link=LinkView(),
    ticks=7,
    missed_seconds=0,
    faults=(),
    last_change=None,
    tx_allowed=True,
    keying=KeyingView(),
    outlook=None,
)
