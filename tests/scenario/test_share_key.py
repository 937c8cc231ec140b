"""Whoever had the key dropped under their hands must let go, also a program on the share."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris
from moontrim.share.protocol import OK
from moontrim.share.sharedradio import RigAccess, SharedRadio
from moontrim.state.snapshot import Tracking
from support.scenario_keying import KEYING, moon_high
from support.stage import Stage, play

TABLES = {"keying": KEYING | {"longest_over_s": 10}}
BAND = {"drive_ceiling": 0.2}


def test_a_program_that_keeps_asking_is_not_keyed_anew(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        radio = SharedRadio(s.daemon, s.daemon.transmitting, RigAccess(), s.clock)
        never = asyncio.Event()
        assert await radio.key("share 1", never) == OK
        await s.clock.sleep(12.0)
        assert not s.radio.transmitting, "the over has reached its limit"
        codes = []
        for _ in range(5):  # T 1, T 1, T 1: it has never sent T 0
            codes.append(await radio.key("share 1", never))
            await s.clock.sleep(1.0)
        assert OK not in codes and not s.radio.transmitting, codes
        radio.unkey("share 1")  # T 0
        assert await radio.key("share 1", never) == OK

    play(tmp_path, ephemeris, scene, moon_high(ephemeris), tables=TABLES, band=BAND)


def test_two_whose_key_was_dropped_must_both_let_go(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        keyer = s.daemon.transmitting.keyer
        for who in ("one", "two"):
            await keyer.request(who)
            await s.clock.sleep(12.0)
            assert not s.radio.transmitting, "the over has reached its limit"
        with pytest.raises(KeyingRefused, match="release PTT before keying again"):
            await keyer.request("one")

    play(tmp_path, ephemeris, scene, moon_high(ephemeris), tables=TABLES, band=BAND)
