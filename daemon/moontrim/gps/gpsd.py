"""gpsd's lines (gpsd_json(5), protocol 3) as values, and its socket as a stream of fixes.

The fields in use are checked strictly and all others ignored, because each release adds some."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import UTC, datetime

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from moontrim.clock.system import Clock
from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import Fix, GpsGarbledError, checked_position

LONGEST_LINE = 1 << 16  # gpsd's own limit is a fraction of that
CONNECT_S = 3.0  # chosen: gpsd usually runs on this machine or in its network
SILENCE_S = 15.0  # chosen: a receiver reports once a second
# `status` of a report, by gpsd's gps.h. Dead reckoning (5, 6), simulation (8) and values that later
# releases may add are not used as fixes.
FIXES = {
    0: "",
    1: "",
    2: "differential",
    3: "RTK",
    4: "float RTK",
    7: "surveyed",
    9: "PPS",
}


class TpvReport(BaseModel):
    """The fields in use of a line. mode: 2 or 3: the dimensions of the fix. altHAE: metres above
    the ellipsoid. eph: horizontal error in metres. time: ISO 8601."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", allow_inf_nan=False)

    kind: str = Field(alias="class")
    mode: int = 0
    status: int = 0
    time: str | None = None
    lat: float | None = None
    lon: float | None = None
    alt_hae: float | None = Field(None, alias="altHAE")
    eph: float | None = None


def parse_line(line: bytes, arrived_utc_s: float) -> Fix | None:
    """Returns the fix in one line; None if it holds none. Raises GpsGarbledError."""
    try:
        report = TpvReport.model_validate_json(line)
    except ValidationError as error:
        raise GpsGarbledError(f"gpsd: {error.errors(include_url=False)[0]['msg']}") from None
    if report.kind != "TPV" or report.mode not in (2, 3) or report.status not in FIXES:
        return None
    if report.lat is None or report.lon is None:
        return None
    position = checked_position(
        report.lat,
        report.lon,
        report.alt_hae if report.mode == 3 else None,
        report.eph,
        f"{report.mode}D {FIXES[report.status]}".strip(),
    )
    return None if position is None else Fix(position, _utc_s(report.time), arrived_utc_s)


def watch_command(device: str | None) -> bytes:
    """Returns the command that requests reports of one receiver, or of all (None)."""
    wanted = {"enable": True, "json": True} | ({"device": device} if device else {})
    return f"?WATCH={json.dumps(wanted)};\n".encode()


async def follow_gpsd(settings: GpsSettings, clock: Clock, deliver: Callable[[Fix], object]) -> str:
    """Connects and delivers fixes until the connection ends. Returns why it ended. Raises
    OSError."""
    where = f"gpsd at {settings.host}:{settings.port}"
    try:
        async with clock.timeout(CONNECT_S):
            reader, writer = await asyncio.open_connection(
                settings.host, settings.port, limit=LONGEST_LINE
            )
    except TimeoutError:
        return f"{where} not responding"
    except UnicodeError:
        return f"{settings.host!r} is not a host name"
    try:
        writer.write(watch_command(settings.device))
        while True:
            async with clock.timeout(SILENCE_S):
                fix = await _next_report(reader, clock)
            if fix is not None:
                deliver(fix)
    except TimeoutError:
        return f"{where} reports nothing; is a receiver attached?"
    except EOFError:
        return f"{where} ended the connection"
    finally:
        writer.transport.abort()


async def _next_report(reader: asyncio.StreamReader, clock: Clock) -> Fix | None:
    """Reads lines up to a valid one. Returns its fix, None if it holds none. Raises EOFError."""
    while True:
        try:
            line = await reader.readuntil(b"\n")
        except asyncio.LimitOverrunError as error:
            await reader.readexactly(max(1, error.consumed))
            continue
        try:
            return parse_line(line, clock.utc_s())
        except GpsGarbledError:
            continue


def _utc_s(text: str | None) -> float | None:
    """Returns POSIX seconds; None for what is no time, such as a leap second's 60."""
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
        return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None
