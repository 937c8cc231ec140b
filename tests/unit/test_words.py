"""The words of `docs/words.md` are the only ones: no word that was replaced comes back, in anything
that a person or another program reads, and every quantity has one name."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.tree import ROOT

PRODUCT = [ROOT / "daemon", ROOT / "drivers"]
FILES = ["*.md", "docs/*.md", "tests/FAULTS.md", "config/*", "systemd/*"]
PAGES = ["daemon/**/*.html", "daemon/**/page/*.js", "daemon/**/page/*.css"]
# What was replaced, as a regular expression that ignores case, and by what.
REPLACED = {
    # quantities
    r"shift_hz|shift_rate|\b(receive|transmit|rx|tx) shift\b|\bshift hz\b": "correction, Doppler",
    r"how far off|off at most|in 95 of 100 cases|bound95": "frequency error (95 %), error_95_hz",
    r"drift hz/s": "rate; drift is what an oscillator does",
    r"snr_db_hz|db in 1 hz\b": "C/N0, cn0_db_hz, dB-Hz",
    r"\bair_db\b|\bby air\b|loss and noise of the air|lively ionosphere": "troposphere",
    r"earth[ _]rotation": "Earth orientation",
    r"\bfeed_loss|ground_noise|end of the feed\b(?! line)": "feedline_loss_db, spillover_k",
    r"(?<!un)accuracy_m\b|--accuracy|--clock-error": "uncertainty_m, --clock-bound",
    r"the clock here|by the clock": "local",
    r"\bour own echo|\bown echo\b(?!es)": "home to home; home, echoes; Myself (echoes)",
    r"\bleast_hz|\bmost_hz|largest_hz|on average": "min, max, mean",
    r"\b(sun_from_moon_deg|opened_by|closed_by|half_power_share)": "see docs/words.md",
    r"trim_[rt]x_hz|length_s\b": "rx_trim_hz, tx_trim_hz, duration_s",
    # states and reasons
    r"radio refuses|radio disagrees|radio unfit|no prediction": "see docs/words.md, States",
    r"(?<!with )radio lost\b|a hand on the dial": "no contact with radio; dial in use by hand",
    r"nobody (says|vouches|asked)|vouches for|on your word|your word for": "not confirmed",
    r"forbid transmitting|permit transmitting|transmit forbidden|transmit_permitted": "inhibit",
    r"must not transmit": "TX interlock",
    r"let go of since|the relays fell|key falls|everything falls": "released",
    r"someone else's word|at someone's word|nothing has been heard": "keyed by something else",
    r"transmitting cannot be told|nothing is known yet": "cannot be evaluated; no data yet",
    r"is not usable; allowed|nothing was given; allowed": "invalid value 'X'; expected Y",
    r"is not there; there is|may not be opened by|nothing listens at": "not found, no permission",
    r"who asked for what|what was agreed|what went wrong|how close the dials": "headings: nouns",
    r"what they do not show|how these numbers came about": "Limitations, Method",
    r"keep people \d|keep people \{": "keep the public at least ... from the antenna",
    # config, commands and page
    r"--picture\b|--habit\b|allowed_(low|high)_hz|when_turned|put_back\b": "see config/schema.json",
    r"^mind$|^type it$|who is this\?|keep it on this phone|this is no frequency": "Warnings, Enter",
    r"\bno such command\b|done again by surprise": "unknown command; ... are rejected",
    r"kitchen table|misfortune": "without a radio; fault",
}
TEST_NAME = r"`\w+::\w+`"  # free
# Names with a unit that are neither published nor configured.
PRIVATE = {"off_from_s", "trying_since_s"}
UNITS = "hz|hz_per_s|ms|s|km|m|deg|db|dbi|db_hz|k|ppb|ppm|w|mb|db_in_2500_hz"
KEY = re.compile(rf"[a-z][a-z0-9_]*_(?:{UNITS})")
BEFORE_KEY = re.compile(r"^(?:rx|tx|home|partner|moon)_")


def strings(file: Path) -> Iterator[tuple[int, str]]:
    """The string constants of a module but for docstrings, which developers read."""
    tree = ast.parse(file.read_text())
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        text = node.value if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and id(node) not in docstrings:
            yield node.lineno, text


def texts() -> Iterator[tuple[str, str]]:
    """Where, and the text."""
    for folder in PRODUCT:
        for file in sorted(folder.rglob("*.py")):
            for line, text in strings(file):
                yield f"{file.relative_to(ROOT)}:{line}", text
    for pattern in (*FILES, *PAGES):
        for file in sorted(ROOT.glob(pattern)):
            if "vendor" in file.parts or file.name == "CHANGELOG.md":  # which names what it was
                continue
            for line, text in enumerate(file.read_text().splitlines(), 1):
                yield f"{file.relative_to(ROOT)}:{line}", re.sub(TEST_NAME, "", text)


def replaced_words(text: str) -> list[str]:
    return [
        f"{match[0]!r}: use {instead}"
        for pattern, instead in REPLACED.items()
        if (match := re.search(pattern, text, re.IGNORECASE))
    ]


def test_no_replaced_word_comes_back() -> None:
    back = [f"{where}: {word}" for where, text in texts() for word in replaced_words(text)]
    assert back == [], "\n".join(back)


@pytest.mark.parametrize(
    "text",
    [
        "Receive shift",
        "tx_shift_hz",
        "How far off at most",
        "the radio lost power",
        "Earth rotation is predicted",
        "no prediction",
        "Forbid transmitting",
        "Who is this?",
        "Mind",
        '"allowed_low_hz": 1',
    ],
)
def test_it_would_be_noticed(text: str) -> None:
    assert replaced_words(text) != []


def keys() -> dict[str, str]:
    """Every key with a unit in JSON, CSV, MQTT, journal and config, and where it is."""
    found = {
        text: f"{file.relative_to(ROOT)}:{line}"
        for file in sorted((ROOT / "daemon").rglob("*.py"))
        for line, text in strings(file)
        if KEY.fullmatch(text)
    }
    for file in sorted((ROOT / "daemon/moontrim/state").glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            field = node.target if isinstance(node, ast.AnnAssign) else None
            if isinstance(field, ast.Name) and KEY.fullmatch(field.id):
                found[field.id] = f"{file.relative_to(ROOT)}:{field.lineno}"
    for name in properties(json.loads((ROOT / "config/schema.json").read_text())):
        if KEY.fullmatch(name):
            found[name] = "config/schema.json"
    return {key: where for key, where in found.items() if key not in PRIVATE}


def properties(schema: Any) -> Iterator[str]:
    if isinstance(schema, dict):
        yield from schema.get("properties", {})
        for value in schema.values():
            yield from properties(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from properties(value)


def glossary() -> set[str]:
    text = (ROOT / "docs/words.md").read_text()
    return {key for key in re.findall(r"`(\w+)`", text) if KEY.fullmatch(key)}


def test_every_key_is_in_the_glossary() -> None:
    known = glossary()
    unknown = [
        f"{where}: {key}"
        for key, where in keys().items()
        if key not in known and BEFORE_KEY.sub("", key) not in known
    ]
    assert unknown == [], "\n".join(unknown)


def test_nothing_in_the_glossary_is_of_the_past() -> None:
    used = set(keys())
    used |= {BEFORE_KEY.sub("", key) for key in used}
    assert glossary() - used == set()


def test_a_quantity_with_two_spellings_would_be_noticed() -> None:
    """The glossary lists one; the other is unknown."""
    known = glossary()
    for other in ("doppler_shift_hz", "hz_residual_hz", "spread_half_power_hz", "corr_hz"):
        assert other not in known and BEFORE_KEY.sub("", other) not in known
