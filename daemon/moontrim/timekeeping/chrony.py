"""chronyd's answer to "tracking", as a value. Pure: bytes in, values out, no socket.

Protocol version 6 of chronyd's monitoring, as its `candm.h` defines it: network byte order; 32-bit
floats of a 7-bit exponent and a 25-bit coefficient, both signed; the request padded to the length
of the reply."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from moontrim.errors import MoontrimError
from moontrim.timekeeping.reading import ClockReading, unsynchronised

VERSION, REQUEST, REPLY = 6, 1, 2
TRACKING_REQUEST, TRACKING_REPLY = 33, 5
LOCAL_MODE = 0x7F7F0101  # chronyc(1): not synchronised to any external source
LEAPS = ("", "a leap second will be added today", "a leap second will be left out today")
NOT_SYNCHRONISED = 3

_REQUEST = struct.Struct("!BBxxHHI8x")
_REPLY_HEADER = struct.Struct("!BBxxHHH6xI8x")
# reference ID, its address (16 + family + padding), stratum, leap; time in three parts; nine floats
_TRACKING = struct.Struct("!I20xHHIII9I")
REPLY_BYTES = _REPLY_HEADER.size + _TRACKING.size


class ChronyGarbledError(MoontrimError):
    """Bytes came that do not answer the request."""


@dataclass(frozen=True, slots=True)
class ChronyTracking:
    """The fields in use of the report.

    slow_s: how far the system clock is behind chronyd's estimate of the time, to which it is being
    slewed. updated_utc_s: when a source was last used, POSIX seconds."""

    reference_id: int
    stratum: int
    leap: int
    updated_utc_s: float
    slow_s: float
    root_delay_s: float
    root_dispersion_s: float

    @property
    def synchronised(self) -> bool:
        """Whether the clock follows a source outside this machine."""
        return self.leap < NOT_SYNCHRONISED and self.reference_id not in (0, LOCAL_MODE)

    @property
    def bound_s(self) -> float:
        """The largest error of the clock, if the sources are right (chronyc(1))."""
        return abs(self.slow_s) + self.root_dispersion_s + 0.5 * self.root_delay_s


def tracking_request(sequence: int) -> bytes:
    """Returns the request. sequence: 32 bits that the answer repeats."""
    request = _REQUEST.pack(VERSION, REQUEST, TRACKING_REQUEST, 0, sequence)
    return request.ljust(REPLY_BYTES, b"\0")


def parse_tracking(data: bytes, sequence: int) -> ChronyTracking:
    """Returns the report in an answer. Raises ChronyGarbledError."""
    if len(data) < REPLY_BYTES:
        raise ChronyGarbledError(f"{len(data)} bytes, where {REPLY_BYTES} are due")
    version, kind, command, reply, status, echoed = _REPLY_HEADER.unpack_from(data)
    if (version, kind, command, echoed) != (VERSION, REPLY, TRACKING_REQUEST, sequence):
        raise ChronyGarbledError("an answer to something else")
    if (reply, status) != (TRACKING_REPLY, 0):
        raise ChronyGarbledError(f"reply {reply} with status {status}")
    reference_id, stratum, leap, high, low, ns, *floats = _TRACKING.unpack_from(
        data, _REPLY_HEADER.size
    )
    values = [_float(bits) for bits in floats]
    tracking = ChronyTracking(
        reference_id=reference_id,
        stratum=stratum,
        leap=leap,
        updated_utc_s=_whole_seconds(high, low) + ns / 1e9,
        slow_s=values[0],
        root_delay_s=values[6],
        root_dispersion_s=values[7],
    )
    if tracking.root_delay_s < 0.0 or tracking.root_dispersion_s < 0.0:
        raise ChronyGarbledError("a negative distance")
    return tracking


def reading_of(tracking: ChronyTracking) -> ClockReading:
    """Returns the report as a reading of the clock."""
    if tracking.reference_id == LOCAL_MODE:
        return unsynchronised("chrony", "local reference only, no external source")
    if not tracking.synchronised:
        return unsynchronised("chrony", "no source selected yet")
    detail = f"stratum {tracking.stratum}"
    if leap := LEAPS[tracking.leap]:
        detail += f", {leap}"
    return ClockReading(
        "chrony",
        True,
        tracking.bound_s,
        -tracking.slow_s,
        detail,
        tracking.updated_utc_s,
    )


def _float(bits: int) -> float:
    exponent, coefficient = bits >> 25, bits & 0x1FFFFFF
    exponent -= 128 if exponent >= 64 else 0
    coefficient -= 1 << 25 if coefficient >= 1 << 24 else 0
    return math.ldexp(coefficient, exponent - 25)


def _whole_seconds(high: int, low: int) -> int:
    """Returns the seconds; the upper half is 0x7fffffff where the sender has no 64-bit time."""
    return low if high == 0x7FFFFFFF else (high << 32) + low
