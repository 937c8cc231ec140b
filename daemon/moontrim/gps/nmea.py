"""NMEA 0183 from a receiver on a serial port as a stream of fixes.

Two sentences matter: GGA (position and height) and RMC (date). They are matched by the time of day
in both; which comes first differs between receivers. A sentence without a checksum, or with a wrong
one, is ignored."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any

from pynmeagps import GET, VALCKSUM, NMEAReader

from moontrim.clock.system import Clock
from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import Fix, GpsGarbledError, Position, checked_position
from moontrim_drivers.contract import RigError
from moontrim_drivers.serial.exchange import locate
from moontrim_drivers.serial.ports import LineSettings
from moontrim_drivers.serial.wire import SerialWire

SILENCE_S = 15.0  # chosen: a receiver reports once a second
LONGEST_SENTENCE = 1024  # the standard allows 82; receivers exceed it
# GGA's quality. Estimated (6), typed in by hand (7) and simulated (8) are not used as fixes.
QUALITIES = {1: "3D", 2: "3D differential", 3: "3D PPS", 4: "3D RTK", 5: "3D float RTK"}
RMC_MODES = ("A", "D", "F", "P", "R")  # of a measured position; older receivers send none
ERROR_M_PER_HDOP = 10.0  # about 95 %: twice the usual 5 m of range error (common practice)


@dataclass(frozen=True, slots=True)
class GgaSentence:
    """A GGA sentence. at: its time of day, UTC. position: None while there is no fix."""

    at: time
    position: Position | None


@dataclass(frozen=True, slots=True)
class RmcSentence:
    """A valid RMC sentence. at: its time of day, UTC. day: its date, UTC."""

    at: time
    day: date


def parse_sentence(line: bytes) -> GgaSentence | RmcSentence | None:
    """Returns a sentence; None for one of another kind or without content. Raises
    GpsGarbledError."""
    line = line.strip()
    if not (line[:1] == b"$" and line[-3:-2] == b"*"):
        raise GpsGarbledError("no sentence with a checksum")
    if line[3:6] not in (b"GGA", b"RMC"):
        return None
    try:
        parsed: Any = NMEAReader.parse(line, msgmode=GET, validate=VALCKSUM)
    except Exception as error:  # the library does not catch what its conversions raise
        raise GpsGarbledError(f"not NMEA: {error}") from None
    if parsed is None:
        raise GpsGarbledError("not NMEA")
    at = getattr(parsed, "time", None)
    if not isinstance(at, time):
        return None
    if parsed.msgID == "GGA":
        return GgaSentence(at, _position(parsed))
    day = getattr(parsed, "date", None)
    valid = getattr(parsed, "status", "") == "A" and getattr(parsed, "posMode", "A") in RMC_MODES
    return RmcSentence(at, day) if valid and isinstance(day, date) else None


def _position(gga: Any) -> Position | None:
    quality = QUALITIES.get(getattr(gga, "quality", 0))
    latitude_deg, longitude_deg = _number(gga, "lat"), _number(gga, "lon")
    if quality is None or latitude_deg is None or longitude_deg is None:
        return None
    above_sea_m, geoid_m, hdop = _number(gga, "alt"), _number(gga, "sep"), _number(gga, "HDOP")
    # Without the height of the geoid the height above the ellipsoid is not known.
    height_m = above_sea_m + geoid_m if above_sea_m is not None and geoid_m is not None else None
    return checked_position(
        latitude_deg,
        longitude_deg,
        height_m,
        hdop * ERROR_M_PER_HDOP if hdop is not None else None,
        quality if height_m is not None else quality.replace("3D", "2D"),
    )


def _number(sentence: Any, name: str) -> float | None:
    value = getattr(sentence, name, None)
    return float(value) if isinstance(value, int | float) else None


class FixAssembler:
    """Assembles fixes from bytes in pieces of any size."""

    def __init__(self, deliver: Callable[[Fix], object]) -> None:
        self.understood = 0  # sentences with a right checksum
        self._deliver = deliver
        self._rest = bytearray()
        self._at: time | None = None
        self._arrived_utc_s = 0.0  # of the first sentence of this time of day: the least late
        self._place: GgaSentence | None = None
        self._day: RmcSentence | None = None

    def feed(self, data: bytes, arrived_utc_s: float) -> None:
        """Takes more bytes and delivers the fixes that they complete. Garbage is skipped."""
        self._rest += data
        *lines, rest = self._rest.split(b"\n")
        self._rest = rest if len(rest) <= LONGEST_SENTENCE else bytearray()
        for line in lines:
            with contextlib.suppress(GpsGarbledError):
                sentence = parse_sentence(bytes(line))
                self.understood += 1
                if sentence is not None:
                    self._take(sentence, arrived_utc_s)

    def _take(self, sentence: GgaSentence | RmcSentence, arrived_utc_s: float) -> None:
        if sentence.at != self._at:
            self._deliver_fix()  # the previous second's fix never got its date
            self._at, self._arrived_utc_s = sentence.at, arrived_utc_s
            self._day = None
        if isinstance(sentence, GgaSentence):
            self._place = sentence
        else:
            self._day = sentence
        if self._day is not None:
            self._deliver_fix()

    def _deliver_fix(self) -> None:
        if self._place is None or self._place.position is None:
            self._place = None
            return
        utc_s = None
        if self._day is not None:
            utc_s = datetime.combine(self._day.day, self._day.at, UTC).timestamp()
        fix = Fix(self._place.position, utc_s, self._arrived_utc_s)
        self._place = None
        self._deliver(fix)


async def follow_nmea(settings: GpsSettings, clock: Clock, deliver: Callable[[Fix], object]) -> str:
    """Opens the port and delivers fixes until it is lost. Returns why it ended."""
    assert settings.device is not None
    sentences = FixAssembler(deliver)
    ended = asyncio.Event()
    why: list[str] = []

    def lost(error: RigError) -> None:
        why.append(str(error))
        ended.set()

    try:
        wire = SerialWire(
            locate(settings.device),
            LineSettings(settings.baud),
            lambda data: sentences.feed(data, clock.utc_s()),
            lost,
        )
    except RigError as error:
        return str(error)
    try:
        while not await clock.wait(ended, SILENCE_S):
            if not sentences.understood:
                return (
                    f"{settings.device}: no NMEA sentence in {SILENCE_S:.0f} s; "
                    f"is it {settings.baud} baud?"
                )
            sentences.understood = 0
        return f"GPS: {why[0]}"
    finally:
        wire.close()
