"""A session for other programs: row by row as CSV or Parquet, and its summary as plain data for
JSON."""

from __future__ import annotations

import csv
import importlib
import math
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from moontrim.errors import InputError, unwritable
from moontrim.formats import iso_utc
from moontrim.report import words
from moontrim.report.columns import COLUMNS
from moontrim.report.facts import state_name
from moontrim.report.recorded import Recorded
from moontrim.report.report import SessionReport

OF_CONTEXT = (
    "band", "partner", "agreement", "sked_hz", "tx_sked_hz", "rx_trim_hz", "tx_trim_hz",
    "correcting", "sked", "over_s",
)  # fmt: skip
INSTALL = "needs the package pyarrow: pip install 'moontrim[parquet]'"


def columns_of(recorded: Recorded) -> dict[str, list[Any]]:
    """Returns every column of COLUMNS by name, a value a row; None where nothing is known."""
    seconds = recorded.seconds
    contexts = [recorded.contexts.get(int(id_)) for id_ in seconds.context_id.tolist()]
    keying = recorded.code_names.get("keying", {})
    made: dict[str, list[Any]] = {
        "utc": [iso_utc(utc_s) for utc_s in seconds.utc_s.tolist()],
        "tracking": [state_name(recorded, code) for code in seconds.tracking.tolist()],
        "keying": [keying.get(int(code), f"state {code:g}") for code in seconds.keying.tolist()],
    }
    for name in OF_CONTEXT:
        made[name] = [None if context is None else getattr(context, name) for context in contexts]
    return {
        name: made[name] if name in made else _numbers(getattr(seconds, name).tolist(), digits)
        for name, (digits, _) in COLUMNS.items()
    }


def _numbers(values: list[float], digits: int | None) -> list[float | int | None]:
    """Returns whole numbers for 0 digits, and None for NaN."""
    if digits == 0:
        return [int(value) if math.isfinite(value) else None for value in values]
    return [value if math.isfinite(value) else None for value in values]


def write_csv(recorded: Recorded, path: Path) -> int:
    """Writes a line of names, then a row a second. Returns the number of rows. Raises InputError if
    the file cannot be written."""
    columns = columns_of(recorded)
    texts = [_texts(values, COLUMNS[name][0]) for name, values in columns.items()]
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            writer.writerows(zip(*texts, strict=True))
    except OSError as error:
        raise unwritable("--csv", path, error) from None
    return len(columns["utc"])


def _texts(values: list[Any], digits: int | None) -> Iterator[str]:
    """Yields the cells of a column. Text that a spreadsheet would take for a formula gets a quote
    in front."""
    for value in values:
        if value is None:
            yield ""
        elif digits is None:
            text = str(value)
            yield f"'{text}" if text[:1] in ("=", "+", "@") or _minus_no_number(text) else text
        else:
            yield f"{value:.{digits}f}"


def _minus_no_number(text: str) -> bool:
    """Is it a formula that begins with a minus, and not a southern latitude?"""
    return text[:1] == "-" and not text[1:2].isdigit()


def write_parquet(recorded: Recorded, path: Path) -> int:
    """Writes a Parquet file with a row a second, meaning and unit in the metadata of each column.
    Returns the number of rows. Raises InputError if it cannot be written, or without pyarrow."""
    try:
        arrow = importlib.import_module("pyarrow")
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise InputError("--parquet", str(path), problem=INSTALL) from None
    columns = columns_of(recorded)
    columns["correcting"] = [None if v is None else int(v) for v in columns["correcting"]]
    schema = arrow.schema(
        [
            arrow.field(name, _type(arrow, digits), metadata={"meaning": meaning})
            for name, (digits, meaning) in COLUMNS.items()
        ]
    )
    try:
        parquet.write_table(arrow.table(columns, schema=schema), str(path))
    except OSError as error:
        raise unwritable("--parquet", path, error) from None
    return len(columns["utc"])


def _type(arrow: Any, digits: int | None) -> Any:
    """Returns the type of a Parquet column."""
    return arrow.string() if digits is None else arrow.int64() if digits == 0 else arrow.float64()


def summary(report: SessionReport) -> dict[str, Any]:
    """Returns the contents of the page as plain data, without the seconds themselves: times in ISO
    8601 UTC, None where nothing is known."""
    recorded, facts = report.recorded, report.facts
    return {
        "session": recorded.id,
        "began": words.utc(recorded.began_utc_s),
        "ending": report.ending,
        "version": recorded.version,
        "verdict": report.verdict,
        "seconds": {
            "expected": facts.expected,
            "recorded": facts.recorded,
            "missed": facts.missed,
            "on_frequency": facts.on_frequency,
        },
        "states": [
            {"state": s.name, "seconds": s.seconds, "longest_s": s.longest.seconds}
            for s in facts.states
        ],
        "dials": {
            dial.name: {
                "step_hz": dial.step_hz,
                "on_frequency": _plain(dial.on_frequency),
                "held_while_transmitting": _plain(dial.held_keyed),
                "otherwise_correcting": _plain(dial.otherwise),
            }
            for dial in facts.dials
        },
        "settings": [
            asdict(s.context)
            | {"from": words.utc(s.spell.from_utc_s), "seconds": s.spell.seconds}
            | {"on_frequency_s": s.on_frequency}
            for s in facts.stretches
        ],
        "gaps": [{"from": words.utc(gap.from_utc_s), "seconds": gap.seconds} for gap in facts.gaps],
        "faults": [
            asdict(f.record)
            | {"duration_s": f.duration_s, "after": f.after, "recovered_s": f.recovered_s}
            for f in facts.faults
        ],
        "commands": [asdict(command) for command in recorded.commands],
        "overs": [
            {
                "from": words.utc(over.spell.from_utc_s),
                "seconds": over.spell.seconds,
                "dial_hz": _numbers(list(over.dial_hz), 0),
                "residual_hz": _numbers(list(over.residual_hz), 4),
            }
            for over in facts.overs
        ],
        "budgets": [
            {key: value for key, value in asdict(budget).items() if key != "json"}
            for budget in recorded.budgets
        ],
        "recomputed": _plain(report.difference),
        "not_recomputed": report.again.problem,
    }


def _plain(value: Any) -> dict[str, Any] | None:
    """Returns a dataclass as plain data."""
    return None if value is None else asdict(value)
