"""Arguments typed on the command line. Bytes that are not text arrive as the shell passes them
on."""

from __future__ import annotations

import math

from fuzz.target import Target, hold
from moontrim.cli.arguments import HIGHEST_HZ, LOWEST_HZ, frequency_hz, instant
from moontrim.errors import InputError
from moontrim.path.site import locator_of, parse_site


def _text(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


def place(data: bytes) -> None:
    try:
        site = parse_site(_text(data), "--home")
    except InputError as error:
        hold("\n" not in str(error), "more than one line")
        return
    hold(abs(site.latitude_deg) <= 90.0 and abs(site.longitude_deg) <= 180.0, f"{site}")
    hold(-500.0 <= site.height_m <= 9000.0, f"{site}")
    hold(all(map(math.isfinite, site.itrs_km())), f"{site}")
    if site.locator is not None:
        again = locator_of(site, len(site.locator))
        hold(again == site.locator, f"{site.locator} is {again}")


def when(data: bytes) -> None:
    try:
        utc_s = instant(_text(data), "--at")
    except InputError as error:
        hold("\n" not in str(error), "more than one line")
        return
    hold(math.isfinite(utc_s), f"{utc_s}")


def frequency(data: bytes) -> None:
    try:
        hz = frequency_hz(_text(data))
    except InputError as error:
        hold("\n" not in str(error), "more than one line")
        return
    hold(LOWEST_HZ <= hz <= HIGHEST_HZ, f"{hz}")


_TOKENS = (b",", b".", b"-", b"+", b" ", b"nan", b"inf", b"1e9", b"T", b"Z", b":", b"\n", b"\x00")

TARGETS = (
    Target(
        "place",
        place,
        (b"JN88", b"jn88dd", b"KP20NF11AA", b"RR99XX99XX99", b"48.2,16.4,320", b"-90,180,-500"),
        _TOKENS,
    ),
    Target(
        "instant",
        when,
        (
            b"2026-11-25T20:00:00Z",
            b"2026-11-25",
            b"0001-01-01T00:00:00+14:00",
            b"20261125T200000.5",
        ),
        _TOKENS,
    ),
    Target("frequency", frequency, (b"10368.1e6", b"144100000", b"1_296_100_000"), _TOKENS),
)
