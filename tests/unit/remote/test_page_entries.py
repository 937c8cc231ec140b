"""What a person types on the phone page, read by the page's own modules in node."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from moontrim.config.partner import place_of
from moontrim.remote import wire
from moontrim.remote.broker.passwords import new_password
from support.effort import missing

PAGE = Path(wire.__file__).parents[1] / "page"
RANGE = {"low_hz": 10_368_000_000, "high_hz": 10_370_000_000}
TWO_METRES = {"low_hz": 144_000_000, "high_hz": 146_000_000}


def called(module: str, function: str, calls: list[Any]) -> list[Any]:
    """Calls a function of a module of the page with each list of arguments."""
    node = shutil.which("node")
    if node is None:
        missing("node")
    script = (
        f"import {{ {function} }} from {json.dumps((PAGE / module).as_uri())};"
        f"console.log(JSON.stringify({json.dumps(calls)}.map((all) => {function}(...all))));"
    )
    run = subprocess.run(
        [node, "--experimental-default-type=module", "--input-type=module", "-e", script],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert run.returncode == 0, run.stderr
    result = json.loads(run.stdout)
    assert isinstance(result, list)
    return result


FREQUENCIES = {
    "10368.1": 10_368_100_000,
    "10368,1": 10_368_100_000,
    " 10 368.1 ": 10_368_100_000,
    "10368.1 MHz": 10_368_100_000,
    "10368.1m": 10_368_100_000,
    "10,3681 GHz": 10_368_100_000,
    "10.3681": 10_368_100_000,
    "10368100": 10_368_100_000,
    "10368100 khz": 10_368_100_000,
    "10368100K": 10_368_100_000,
    "10368100000": 10_368_100_000,
    "10.368.100.000": 10_368_100_000,
    "10,368,100,000 Hz": 10_368_100_000,
    "10.368.100,5 kHz": 10_368_100_500,
    "10'368'100'000": 10_368_100_000,
    "10368.": 10_368_000_000,
    "+15k": 10_368_115_000,
    "+ 1,5 kHz": 10_368_101_500,
    "-500": 10_368_099_500,
    "\u2212500 Hz": 10_368_099_500,
    "+0.001M": 10_368_101_000,
}


def test_frequencies() -> None:
    results = called(
        "entry.js", "typedFrequency", [[text, 10_368_100_000, RANGE] for text in FREQUENCIES]
    )
    assert dict(zip(FREQUENCIES, results, strict=True)) == {
        text: {"hz": hz} for text, hz in FREQUENCIES.items()
    }


def test_the_unit_that_fits_the_band() -> None:
    texts = ("144.12", "144120", "144120000", "144.120.000")
    results = called("entry.js", "typedFrequency", [[text, None, TWO_METRES] for text in texts])
    assert results == [{"hz": 144_120_000}] * 4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not a frequency"),
        ("ten", "not a frequency"),
        (".", "not a frequency"),
        ("1.2.3", "not a frequency"),
        ("10368.1 W", "not a frequency"),
        ("1e9", "not a frequency"),
        ("--5", "not a frequency"),
        ("0", "outside"),
        ("10500", "10\u202f500\u202f000\u202f000 Hz is outside 10\u202f368\u202f000\u202f000 Hz"),
        ("+3M", "is outside"),
    ],
)
def test_no_frequency(text: str, says: str) -> None:
    (result,) = called("entry.js", "typedFrequency", [[text, 10_368_100_000, RANGE]])
    assert result.keys() == {"problem"} and says in result["problem"]


def test_a_step_from_nothing() -> None:
    (result,) = called("entry.js", "typedFrequency", [["+15k", None, None]])
    assert "to step from" in result["problem"]


PLACES = {
    "jo62QM": "JO62qm",
    "JO 62 qm": "JO62qm",
    "KP20": "KP20",
    "kp20nf34": "KP20nf34",
    "52.5,13.4": "52.5,13.4",
    "52.5, 13.4, 100": "52.5,13.4,100",
    "52.5 13.4 100": "52.5,13.4,100",
    "52,5 13,4": "52.5,13.4",
    "52,5, 13,4, 100": "52.5,13.4,100",
    "52,5,13,4,100": "52.5,13.4,100",
    "52,5 N 13,4 W": "52.5,-13.4",
    "33.9°S, 151.2°E": "-33.9,151.2",
    "-33.9;151.2": "-33.9,151.2",
    "\u221233.9 151.2": "-33.9,151.2",
    "SOUTH station": "South Station",
    "Self": "self",
    "myself": "self",
}


def test_places() -> None:
    results = called("entry.js", "typedPlace", [[text, ["South Station"]] for text in PLACES])
    assert {text: one.get("place") for text, one in zip(PLACES, results, strict=True)} == PLACES


def test_the_daemon_reads_every_place_that_the_page_sends() -> None:
    for place in PLACES.values():
        if place != "South Station":
            place_of((), place)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not a place"),
        ("nowhere", "expected South Station, or a locator (JO62qm), or latitude"),
        ("JO62q", "not a place"),
        ("91,13", "the latitude comes first"),
        ("52,181", "the longitude is"),
        ("52,13,10000", "the height is"),
        ("52", "not a place"),
        ("1 2 3 4", "not a place"),
        ("-33.9S 151", "not a place"),
    ],
)
def test_no_place(text: str, says: str) -> None:
    (result,) = called("entry.js", "typedPlace", [[text, ["South Station"]]])
    assert result.keys() == {"problem"} and says in result["problem"]


def test_passwords_with_or_without_hyphens() -> None:
    made = new_password()
    plain = made.replace("-", "")
    typed = [made, plain, plain.upper(), made.replace("-", " "), f" {plain.capitalize()}"]
    for candidates in called("entry.js", "typedPasswords", [[text] for text in typed]):
        assert candidates[0] == made
    # that of another broker stays as it is, also where it looks like one of ours
    (other, alike) = called("entry.js", "typedPasswords", [["Secret-Pass 1"], [plain]])
    assert other == ["Secret-Pass 1"]
    assert alike == [made, plain]


def test_names_of_skeds() -> None:
    skeds = [{"name": "north", "made": False}, {"name": "Mine", "made": True}]
    calls = [[text, skeds] for text in (" New one ", "MINE", "North", "", "x" * 41)]
    new, mine, north, empty, long = called("entry.js", "typedSkedName", calls)
    assert new == {"name": "New one", "replaces": ""}
    assert mine == {"name": "MINE", "replaces": "Mine"}
    assert "is in the config" in north["problem"]
    assert "1 to 40" in empty["problem"] and "1 to 40" in long["problem"]


def test_what_is_not_known_is_not_shown_as_good() -> None:
    state = {"keying": {"state": "released"}, "tx_allowed": True, "transmitting": False}
    (may,) = called("transmitting.js", "mayTransmit", [[state]])
    assert may["may"] == "unknown"
