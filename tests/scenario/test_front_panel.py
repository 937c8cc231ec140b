"""RIT, XIT, mode, split and repeater shift changed at the radio: not green, not keyable, named."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from moontrim.keying.ownership import KeyingRefused
from moontrim.path import Ephemeris
from moontrim.state.snapshot import Tracking
from support.scenario_keying import KEYING, moon_high
from support.stage import Stage, play

NOTICED_S = 7.0  # "every few seconds"
BAND = {"drive_ceiling": 0.2, "while_transmitting": "hold"}
CHANGES: list[tuple[str, Any, Any, str]] = [
    ("rit_hz", 120, 0, "RIT is on, [+]120 Hz"),
    ("xit_hz", -50, 0, "XIT is on, -50 Hz"),
    ("repeater_shift", True, False, "repeater shift"),
    ("mode", "LSB", "USB", "mode is LSB instead of USB"),
    ("mode", "CW", "PKTUSB", "mode is CW instead of USB"),
]


@pytest.fixture
def stage(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., Stage]:
    return partial(
        play, tmp_path, ephemeris, start_utc_s=moon_high(ephemeris), tables={"keying": KEYING}
    )


@pytest.mark.parametrize(("what", "value", "back", "reason"), CHANGES)
@pytest.mark.parametrize("ceiling", [0.2, None])
def test_changed_at_the_panel_it_is_neither_green_nor_keyed(
    stage: Any, what: str, value: Any, back: Any, reason: str, ceiling: float | None
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(10.0)
        setattr(s.radio, what, value)
        await s.clock.sleep(NOTICED_S)
        assert s.snapshot.tracking is Tracking.OFF_FREQUENCY
        with pytest.raises(KeyingRefused, match=reason):
            await s.daemon.transmitting.request("test")
        assert not s.radio.transmitting
        assert s.snapshot.link.interlock
        setattr(s.radio, what, back)
        await s.until(Tracking.ON_FREQUENCY, NOTICED_S)
        await s.daemon.transmitting.request("another")
        assert s.radio.transmitting

    band = {"drive_ceiling": ceiling}
    if ceiling is None:
        band |= {"transverter_offset_hz": 0}
    stage(scene, band=BAND | band)


@pytest.mark.parametrize(("what", "value", "back", "reason"), CHANGES)
def test_changed_just_before_it_is_not_keyed(
    stage: Any, what: str, value: Any, back: Any, reason: str
) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(10.0)
        keyed: list[bool] = []
        s.radio.on_change = lambda at_s, rx_hz, tx_hz, on: keyed.append(on)
        setattr(s.radio, what, value)
        with pytest.raises(KeyingRefused, match=reason):
            await s.daemon.transmitting.request("test")
        assert not any(keyed)

    stage(scene, band=BAND)


def test_a_mode_that_the_config_names_is_set_again(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.radio.mode = "LSB"
        await s.clock.sleep(2 * NOTICED_S)
        assert s.radio.mode == "USB"
        assert s.snapshot.tracking is Tracking.ON_FREQUENCY and not s.snapshot.link.interlock

    stage(scene, band=BAND | {"mode": "USB"})


@pytest.mark.parametrize(("what", "value", "back"), [case[:3] for case in CHANGES[:3]])
def test_offsets_are_switched_off_where_the_config_says_so(
    stage: Any, what: str, value: Any, back: Any
) -> None:
    """But not under RF, nor while relays move; and not right before the key, which is refused."""

    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.clock.sleep(10.0)
        setattr(s.radio, what, value)
        with pytest.raises(KeyingRefused, match=r"is on"):
            await s.daemon.transmitting.request("test")
        await s.clock.sleep(NOTICED_S)
        assert getattr(s.radio, what) == back
        assert s.snapshot.tracking is Tracking.ON_FREQUENCY and not s.snapshot.link.interlock
        s.radio.key(True)
        await s.clock.sleep(1.0)
        setattr(s.radio, what, value)
        await s.clock.sleep(3 * NOTICED_S)
        assert getattr(s.radio, what) == value
        assert s.snapshot.link.interlock
        s.radio.key(False)
        await s.clock.sleep(NOTICED_S)
        assert getattr(s.radio, what) == back

    stage(scene, band=BAND | {"clear_offsets": True})


def test_a_mode_that_a_program_sets_is_accepted(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await s.daemon.link.set_mode("CW", 0)
        await s.clock.sleep(2 * NOTICED_S)
        assert s.radio.mode == "CW"
        assert s.snapshot.tracking is Tracking.ON_FREQUENCY and not s.snapshot.link.interlock

    stage(scene, band=BAND | {"mode": "USB"})


def test_split_left_at_the_panel_is_set_again(stage: Any) -> None:
    async def scene(s: Stage) -> None:
        await s.until(Tracking.ON_FREQUENCY, 5.0)
        s.radio.press_split(False)
        await s.clock.sleep(2.0)
        assert s.radio.split
        await s.until(Tracking.ON_FREQUENCY, 2.0)

    stage(scene, band=BAND)
