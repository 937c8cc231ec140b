"""The faults that can befall the station, by name. Beginning one returns the function that ends it;
faults end in another order than they began."""

from __future__ import annotations

import errno
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from moontrim_drivers.simulated.options import PASSBAND_HZ
from soak.station import Coil, Station

Undo = Callable[[], None]


@dataclass(frozen=True)
class Kind:
    """area: radio, relay, contact, clock, source (of time) or disk; a fault of the radio excuses
    more. turns: to the daemon the receive dial may look turned by hand."""

    area: str
    begin: Callable[[Station, random.Random], Undo]
    turns: bool = False


def _habit(**habits: Any) -> Callable[[Station, random.Random], Undo]:
    """Changes the radio's habits for a while."""

    def begin(station: Station, chance: random.Random) -> Undo:
        before = {name: getattr(station.radio.options, name) for name in habits}
        chosen = {
            name: chance.choice(value) if isinstance(value, list) else value
            for name, value in habits.items()
        }
        station.radio.change(**chosen)
        return lambda: station.radio.change(**before)

    return begin


def _nothing() -> None: ...


def _wire(name: str, values: list[Any]) -> Callable[[Station, random.Random], Undo]:
    def begin(station: Station, chance: random.Random) -> Undo:
        before = getattr(station.wire, name)
        setattr(station.wire, name, chance.choice(values))
        return lambda: setattr(station.wire, name, type(before)(0))

    return begin


def _closed(station: Station, chance: random.Random) -> Undo:
    station.radio.change(unreachable_s=chance.choice([0.0, 0.2, 3.0, 20.0]))
    station.radio.drop()
    return lambda: _plugged_in(station)


def _plugged_in(station: Station) -> None:
    station.radio.change(unreachable_s=0.0)
    station.radio.reachable()


def _power_cycle(station: Station, chance: random.Random) -> Undo:
    station.radio.change(unreachable_s=chance.choice([0.0, 1.0, 8.0]))
    station.radio.power_cycle()
    return lambda: _plugged_in(station)


def _foot_switch(station: Station, chance: random.Random) -> Undo:
    station.radio.key(True)
    return lambda: station.radio.key(False)


def _knob(station: Station, chance: random.Random) -> Undo:
    station.radio.turn(chance.choice([-777, -1, 1, 10, 12_345]), 0)
    return _nothing


def _transmit_knob(station: Station, chance: random.Random) -> Undo:
    station.radio.turn(0, chance.choice([-3000, -1, 1, 500, 5_000_000]))
    return _nothing


def _exchanged(station: Station, chance: random.Random) -> Undo:
    """A and B are exchanged on the panel, half of the time back again. With one dial that is a turn
    of it like any other."""
    if not station.radio.split:
        return _nothing
    station.radio.exchange_dials()
    return chance.choice([station.radio.exchange_dials, _nothing])


def _band_by_hand(station: Station, chance: random.Random) -> Undo:
    by_hz = chance.choice([-94_000_000, 3_000_000, 288_000_000])
    station.radio.turn(by_hz, by_hz)
    return lambda: station.radio.turn(-by_hz, -by_hz)


def _mode_by_hand(station: Station, chance: random.Random) -> Undo:
    before = station.radio.mode
    station.radio.mode = chance.choice(list(PASSBAND_HZ))

    def undo() -> None:
        station.radio.mode = before

    return undo


def _offset_by_hand(station: Station, chance: random.Random) -> Undo:
    """RIT, XIT or the shift of a repeater is switched on."""
    what, off, on = chance.choice(
        [("rit_hz", 0, [-200, 50]), ("xit_hz", 0, [-50, 999]), ("repeater_shift", False, [True])]
    )
    setattr(station.radio, what, chance.choice(on))
    return lambda: setattr(station.radio, what, off)


def _drive_by_hand(station: Station, chance: random.Random) -> Undo:
    """The drive is turned up by hand, and half of the time left there."""
    station.radio.power_fraction = chance.choice([0.15, 0.5, 1.0])

    def undo() -> None:
        station.radio.power_fraction = 0.05

    return chance.choice([undo, _nothing])


def _split_by_hand(station: Station, chance: random.Random) -> Undo:
    if not station.radio.split:
        return _nothing
    station.radio.press_split(False)
    return lambda: station.radio.press_split(station.radio.options.split)


def _stuck_key(station: Station, chance: random.Random) -> Undo:
    undo = _habit(stuck_transmit=True)(station, chance)
    station.key_coil.stuck_on = True

    def both() -> None:
        undo()
        station.key_coil.stuck_on = False

    return both


def _relay(name: str, value: Any = True) -> Callable[[Station, random.Random], Undo]:
    def begin(station: Station, chance: random.Random) -> Undo:
        coils: list[Coil] = station.coils or [station.key_coil]
        coil = chance.choice(coils)
        setattr(coil, name, chance.choice(value) if isinstance(value, list) else value)
        return lambda: setattr(coil, name, type(getattr(coil, name))(0))

    return begin


def _chatter(station: Station, chance: random.Random) -> Undo:
    station.contact_closed = True
    station.contact_broken = chance.random() < 0.3

    def undo() -> None:
        station.contact_closed = station.contact_broken = False

    return undo


def _step(smallest_s: float, largest_s: float) -> Callable[[Station, random.Random], Undo]:
    """Sets the clock wrong, by an error drawn on a logarithmic scale, and later right again."""

    def begin(station: Station, chance: random.Random) -> Undo:
        by_s = smallest_s * (largest_s / smallest_s) ** chance.random() * chance.choice([-1, 1])
        station.clock.step_utc(by_s)
        return lambda: station.clock.step_utc(-by_s)

    return begin


def _beyond_the_tables(station: Station, chance: random.Random) -> Undo:
    by_s = chance.choice([-3.0e9, 3.0e9])
    station.clock.step_utc(by_s)
    return lambda: station.clock.step_utc(-by_s)


def _stall(station: Station, chance: random.Random) -> Undo:
    station.clock.stall(chance.choice([0.2, 1.0, 2.5, 10.0, 120.0]))
    return _nothing


def _suspend(station: Station, chance: random.Random) -> Undo:
    """The machine sleeps: UTC runs on, the monotonic clock of Linux does not, and the connection is
    lost."""
    station.clock.suspend(chance.choice([3.0, 60.0, 1800.0]))
    station.radio.drop()
    return _nothing


def _source(name: str, value: Any = True) -> Callable[[Station, random.Random], Undo]:
    """A fault of the time source."""

    def begin(station: Station, chance: random.Random) -> Undo:
        source = station.time_source
        setattr(source, name, value)
        return lambda: setattr(source, name, type(value)(0))

    return begin


def _disk(error: int | None, slow_s: float = 0.0) -> Callable[[Station, random.Random], Undo]:
    def begin(station: Station, chance: random.Random) -> Undo:
        station.disk.error, station.disk.slow_s = error, slow_s

        def undo() -> None:
            station.disk.error, station.disk.slow_s = None, 0.0

        return undo

    return begin


KINDS: dict[str, Kind] = {
    "silence": Kind("radio", _habit(silent=True)),
    "late answers": Kind("radio", _habit(latency_s=[0.4, 1.4, 1.6, 4.0])),
    "refusals": Kind("radio", _habit(refuse_probability=[0.3, 1.0])),
    "garbled answers": Kind("radio", _wire("garble_probability", [0.2, 1.0])),
    "old answers": Kind("radio", _wire("stale_s", [0.3, 2.0, 20.0]), turns=True),
    "wrong answers": Kind("radio", _wire("wrong_by_hz", [-1000, 1, 50_000_000]), turns=True),
    "closed": Kind("radio", _closed),
    "power cycle": Kind("radio", _power_cycle),
    "stuck key": Kind("radio", _stuck_key),
    "coarse dial": Kind("radio", _habit(dial_resolution_hz=[10, 100]), turns=True),
    "foot switch": Kind("radio", _foot_switch),
    "knob": Kind("radio", _knob, turns=True),
    "A and B exchanged": Kind("radio", _exchanged),
    "transmit knob": Kind("radio", _transmit_knob),
    "band by hand": Kind("radio", _band_by_hand, turns=True),
    "mode by hand": Kind("radio", _mode_by_hand),
    "offset by hand": Kind("radio", _offset_by_hand),
    "drive by hand": Kind("radio", _drive_by_hand),
    "split by hand": Kind("radio", _split_by_hand),
    "drift": Kind("radio", _habit(drift_hz_per_hour=[-2000.0, 50.0, 2000.0]), turns=True),
    "relay does not switch on": Kind("relay", _relay("stuck_off")),
    "relay does not switch off": Kind("relay", _relay("stuck_on")),
    "relay slow": Kind("relay", _relay("slow_s", [0.1, 0.5, 2.0])),
    "relay unsure": Kind("relay", _relay("unsure")),
    "contact chatter": Kind("contact", _chatter),
    "small step": Kind("clock", _step(0.1, 10.0)),
    "large step": Kind("clock", _step(10.0, 1.0e6)),
    "beyond the tables": Kind("clock", _beyond_the_tables),
    "stall": Kind("clock", _stall),
    "suspend": Kind("clock", _suspend),
    "clock unsynchronised": Kind("source", _source("unsynchronised")),
    "clock bound too wide": Kind("source", _source("bound_s", 2.0)),
    "clock source gone": Kind("source", _source("gone")),
    "clock never compared": Kind("source", _source("idle")),
    "disk full": Kind("disk", _disk(errno.ENOSPC)),
    "disk read-only": Kind("disk", _disk(errno.EROFS)),
    "disk slow": Kind("disk", _disk(None, 3.0)),
}
# What befalls the process, not the station: see `world`.
ENDS = ("killed", "stopped")
FLOOD = "flood"
ALL = (*KINDS, *ENDS, FLOOD)
