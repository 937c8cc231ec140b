"""Sentences of NMEA 0183 as a receiver sends them, made from numbers."""

from __future__ import annotations

from datetime import UTC, datetime


def sentence(body: str) -> bytes:
    """Adds the checksum: all characters between $ and * combined by exclusive or."""
    checksum = 0
    for character in body.encode():
        checksum ^= character
    return f"${body}*{checksum:02X}\r\n".encode()


def angle(degrees: float, width: int, letters: str) -> str:
    """Returns degrees and decimal minutes, and the hemisphere."""
    whole, minutes = divmod(round(abs(degrees) * 60e6), 60_000_000)
    return f"{whole:0{width}d}{minutes / 1e6:09.6f},{letters[degrees < 0]}"


def gga(
    utc_s: float,
    latitude_deg: float,
    longitude_deg: float,
    *,
    above_sea_m: float = 545.4,
    geoid_m: float | str = 46.9,
    quality: int = 1,
    hdop: float = 0.9,
) -> bytes:
    place = f"{angle(latitude_deg, 2, 'NS')},{angle(longitude_deg, 3, 'EW')}"
    return sentence(
        f"GPGGA,{_at(utc_s):%H%M%S.00},{place},{quality},08,{hdop},{above_sea_m},M,{geoid_m},M,,"
    )


def rmc(
    utc_s: float, latitude_deg: float, longitude_deg: float, *, status: str = "A", mode: str = "A"
) -> bytes:
    place = f"{angle(latitude_deg, 2, 'NS')},{angle(longitude_deg, 3, 'EW')}"
    at = _at(utc_s)
    return sentence(f"GPRMC,{at:%H%M%S.00},{status},{place},0.0,,{at:%d%m%y},,,{mode}")


def gsa() -> bytes:
    """Returns a sentence with eight satellites and a fix in three dimensions."""
    return sentence("GPGSA,A,3,01,02,03,04,05,06,07,08,,,,,1.8,0.9,1.5")


def _at(utc_s: float) -> datetime:
    return datetime.fromtimestamp(utc_s, UTC)
