"""Numbers in groups of three digits, in one style."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from moontrim.formats import count, grouped, invalid_hz, megahertz, signed_short, typeset

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("value", "decimals", "sign", "text"),
    [
        (10_368_100_000, 0, False, "10 368 100 000"),
        (999, 0, False, "999"),
        (1000, 0, False, "1 000"),
        (-1234.56, 1, False, "-1 234.6"),
        (16934.5, 1, True, "+16 934.5"),
        (0.0001, 4, False, "0.0001"),
        (-0.04, 1, False, "0.0"),
        (-0.04, 1, True, "+0.0"),
        (999_999.99, 1, False, "1 000 000.0"),
    ],
)
def test_grouped(value: float, decimals: int, sign: bool, text: str) -> None:
    assert grouped(value, decimals, sign=sign) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(50.0, "+50"), (-12.5, "-12.5"), (0.0, "+0"), (100, "+100"), (-1234.125, "-1 234.125")],
)
def test_signed_short(value: float, text: str) -> None:
    assert signed_short(value) == text


def test_megahertz() -> None:
    assert [megahertz(hz) for hz in (144e6, 10_368_100_000.0)] == ["144 MHz", "10 368.1 MHz"]


def test_an_invalid_frequency_is_named() -> None:
    error = invalid_hz("sked_hz", 10_449_100_500.0, "10 450 000 000 to 10 452 000 000 Hz")
    assert str(error) == (
        "sked_hz: invalid value 10 449 100 500 Hz; expected 10 450 000 000 to 10 452 000 000 Hz"
    )
    assert (error.value, str(invalid_hz("rx_trim_hz", -0.25, "0 Hz"))) == (
        10_449_100_500.0, "rx_trim_hz: invalid value -0.25 Hz; expected 0 Hz",
    )  # fmt: skip


def test_count() -> None:
    assert [count(n, "second") for n in (0, 1, 12_000)] == [
        "0 seconds", "1 second", "12 000 seconds",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("plain", "page"),
    [
        ("sked 10 368 100 000 Hz", "sked 10\u202f368\u202f100\u202f000 Hz"),
        ("trim -1 234.5 Hz, +50 Hz", "trim \u22121\u202f234.5 Hz, +50 Hz"),
        ("-5 Hz", "\u22125 Hz"),
        ("2026-11-30 at 12:05 144 MHz", "2026-11-30 at 12:05 144 MHz"),
        ("0.123 456 and 4711 815", "0.123 456 and 4711 815"),
        ("radio-1 is off", "radio-1 is off"),
    ],
)
def test_typeset(plain: str, page: str) -> None:
    assert typeset(plain) == page


def test_nothing_else_groups_digits() -> None:
    """No comma in a number that a person reads."""
    with_comma = re.compile(r"\{[^{}]*:[+z]*,[.\d}{]|replace\(\",\", \" \"\)")
    files = [
        path
        for folder in ("daemon", "drivers")
        for path in (ROOT / folder).rglob("*")
        if path.suffix in (".py", ".html") and path.name not in ("formats.py", "limits.py")
    ]
    assert len(files) > 300
    assert [str(path) for path in files if with_comma.search(path.read_text())] == []
