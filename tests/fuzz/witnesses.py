"""What GPS receivers and time daemons send: the numbers that transmitting depends on."""

from __future__ import annotations

import math
import re
import struct

from fuzz.target import Target, hold, pieces
from moontrim.config.gps import GpsSettings
from moontrim.gps.fix import Fix, GpsGarbledError
from moontrim.gps.gpsd import parse_line
from moontrim.gps.home import HomeKeeper
from moontrim.gps.nmea import FixAssembler
from moontrim.gps.timecheck import clock_ahead_s
from moontrim.path.site import HEIGHT_LIMITS_M, Site
from moontrim.timekeeping.chrony import (
    REPLY_BYTES,
    ChronyGarbledError,
    parse_tracking,
    reading_of,
)
from support.nmea_sentences import gga, gsa, rmc, sentence

NOW_UTC_S = 1_795_000_000.0
_GPS = GpsSettings(source="gpsd", use_for_home=True)


def _judge(fix: Fix) -> None:
    place = fix.position
    hold(abs(place.latitude_deg) <= 90.0 and abs(place.longitude_deg) <= 180.0, f"{place}")
    low_m, high_m = HEIGHT_LIMITS_M
    hold(place.height_m is None or low_m <= place.height_m <= high_m, f"{place}")
    hold(place.error_m is None or 0.0 < place.error_m < 1e7, f"{place}")
    hold(len(place.locator) == 10, f"{place.locator}")
    hold(fix.gps_utc_s is None or math.isfinite(fix.gps_utc_s), f"{fix}")
    between = clock_ahead_s(fix)
    hold(between is None or between[0] < between[1], f"{fix}")


class _Home:
    """The home position that results: always a valid place, and none before five fixes that
    agree."""

    def __init__(self) -> None:
        self.fixes = 0
        self._keeper = HomeKeeper(_GPS, self._moved)
        hold(self._keeper.doubt(), "home is trusted before any fix")

    def take(self, fix: Fix) -> None:
        _judge(fix)
        self.fixes += 1
        self._keeper.take(fix, transmitting=False)

    def _moved(self, site: Site) -> None:
        hold(self.fixes >= 5, "home moved by a fix or two")
        values = (site.latitude_deg, site.longitude_deg, site.height_m)
        hold(all(map(math.isfinite, values)), f"{site}")


_BODY = re.compile(rb"\$([^$*\r\n]*)\*..")


def nmea(data: bytes) -> None:
    """Sentences as they arrive; or, by one bit, with every checksum corrected first."""
    home = _Home()
    sentences = FixAssembler(home.take)
    if data and data[0] & 0x80:
        data = data[:1] + _BODY.sub(
            lambda match: (
                sentence(match[1].decode("latin-1")).rstrip() if match[1].isascii() else match[0]
            ),
            data[1:],
        )
    for piece in pieces(data):
        sentences.feed(piece, NOW_UTC_S)


_NIGHT = b"".join(gga(NOW_UTC_S + n, 48.2, 16.4) + rmc(NOW_UTC_S + n, 48.2, 16.4) for n in range(6))
_NMEA_SEEDS = (
    b"\x80" + gga(NOW_UTC_S, 48.2, 16.4) + gsa() + rmc(NOW_UTC_S, 48.2, 16.4),
    b"\x01" + rmc(NOW_UTC_S, -33.9, 151.2) + gga(NOW_UTC_S, -33.9, 151.2, quality=2),
    b"\x80" + gga(NOW_UTC_S, 0.0, 0.0, quality=0, geoid_m="") + rmc(NOW_UTC_S, 0, 0, status="V"),
    b"\x80" + gga(NOW_UTC_S, 90.0, -180.0, above_sea_m=-400.0, hdop=99.9),
    b"\x80" + _NIGHT,
)
_NMEA_TOKENS = (
    *(b"$GPGGA,", b"$GNRMC,", b"$PGGGA,", b"*00", b"\r\n", b",,", b",", b"nan", b"-", b"1e400"),
    *(b"235960.00", b"000000", b"290299", b"9999999999", b"inf", b"N", b"W", b"$", b"8", b"\xff"),
)


def gpsd(data: bytes) -> None:
    """Lines of gpsd; only GpsGarbledError is raised."""
    home = _Home()
    for line in data.splitlines():
        try:
            fix = parse_line(line, NOW_UTC_S)
        except GpsGarbledError:
            continue
        if fix is not None:
            home.take(fix)


_TPV = (
    b'{"class":"TPV","device":"/dev/ttyACM0","mode":3,"time":"2026-11-18T21:46:40.000Z",'
    b'"lat":48.2,"lon":16.4,"altHAE":320.5,"altMSL":274.0,"eph":4.1,"status":2}\n'
)
_GPSD_SEEDS = (
    b'{"class":"VERSION","release":"3.22","proto_major":3,"proto_minor":14}\n' + _TPV,
    _TPV * 6,
    b'{"class":"TPV","mode":1}\n{"class":"SKY","satellites":[{"PRN":1,"used":true}]}\n',
    b'{"class":"TPV","mode":2,"time":"0001-01-01T00:00:00+23:59","lat":-90,"lon":180,"eph":0}\n',
)
_GPSD_TOKENS = (
    *(
        b'"class":"TPV"',
        b'"mode":3',
        b'"lat":',
        b'"lon":',
        b'"time":"',
        b"null",
        b"NaN",
        b"[",
        b"{",
    ),
    *(b"Infinity", b"-Infinity", b"1e999", b'"\\ud800"', b"9999-12-31T23:59:60Z", b"+99:99", b"\n"),
    *(b"[" * 3000, b'"status":99', b"2026-11-18T21:46:40", b"-0.00001", b"true"),
)


def chrony(data: bytes) -> None:
    """One datagram. A bound is never negative, and never trusted without a source."""
    try:
        tracking = parse_tracking(data, 7)
    except ChronyGarbledError:
        return
    hold(len(data) >= REPLY_BYTES, "out of too little")
    for value in (tracking.bound_s, tracking.slow_s, tracking.updated_utc_s):
        hold(math.isfinite(value), f"{tracking}")
    reading = reading_of(tracking)
    hold(reading.bound_s >= 0.0, f"{reading}")
    if reading.synchronised:
        hold(tracking.leap in (0, 1, 2) and tracking.reference_id != 0, f"{tracking}")


def _reply(leap: int = 0, reference_id: int = 0xC0000201, status: int = 0) -> bytes:
    """From the layout of chronyd's candm.h, as in the tests of the parser."""
    header = struct.pack("!BBBBHHHHHHIII", 6, 2, 0, 0, 33, 5, status, 0, 0, 0, 7, 0, 0)
    body = struct.pack("!I16sHHHHIII", reference_id, bytes(16), 1, 0, 3, leap, 0, 1_795_000_000, 5)
    return header + body + struct.pack("!9I", *([0x04A3D70A] * 9))


_CHRONY_SEEDS = (_reply(), _reply(3), _reply(1, 0x7F7F0101), _reply(0, 0), _reply(status=4))
_CHRONY_TOKENS = (
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\xff",
    b"\x80\x00\x00\x00",
    bytes(4),
    bytes(104),
)

TARGETS = (
    Target("nmea", nmea, _NMEA_SEEDS, _NMEA_TOKENS),
    Target("gpsd", gpsd, _GPSD_SEEDS, _GPSD_TOKENS),
    Target("chrony", chrony, _CHRONY_SEEDS, _CHRONY_TOKENS),
)
