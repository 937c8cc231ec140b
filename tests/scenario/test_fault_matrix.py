"""The table of faults (tests/FAULTS.md) is complete: every row has its number and at least one
test. Every test that it, docs/threats.md or DEVELOPERS.md names exists and would be run."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
FAULTS = TESTS / "FAULTS.md"
NAMES_TESTS = [FAULTS, TESTS.parent / "docs" / "threats.md", TESTS.parent / "DEVELOPERS.md"]
COLUMNS = ["#", "what goes wrong", "what is done", "how", "test"]
ROW = re.compile(r"^\| *([A-Z]\d+) *\|")
TEST_NAME = re.compile(r"`(\w+)::(\w+)`")
KINDS = {
    "V": "virtual clock, or the part alone",
    "L": "real sockets, pseudo-terminals or disks",
    "N": "network namespace",
    "P": "processes",
}
# The least number of rows in each area: the faults that were thought of before there was a daemon.
LEAST = {
    **{"R": 22, "S": 9, "M": 9, "C": 8},
    **{"D": 4, "F": 2, "E": 5, "O": 2},
}
Test = tuple[str, str]  # the file's stem, the function's name


@dataclass(frozen=True)
class Row:
    """One fault: its number, what is done about it, how it is produced and by which tests."""

    number: str
    fault: str
    response: str
    kinds: str
    tests: tuple[Test, ...]


def read_rows(text: str) -> list[Row]:
    """The rows of a table of faults. Raises AssertionError where one has other cells, or
    a last cell that is more than names of tests."""
    rows = []
    for line in text.splitlines():
        if ROW.match(line):
            cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
            assert len(cells) == len(COLUMNS), line
            tests = tuple(TEST_NAME.findall(cells[4]))
            rest = TEST_NAME.sub("", cells[4]).strip()
            assert not rest, f"{cells[0]}: {rest!r} names no test"
            rows.append(Row(cells[0], cells[1], cells[2], cells[3], tests))
    return rows


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    read = read_rows(FAULTS.read_text())
    assert read, "no table of faults in tests/FAULTS.md"
    return read


def test_the_table_is_complete_and_no_number_is_used_twice(rows: list[Row]) -> None:
    numbers = [row.number for row in rows]
    assert [n for n, count in Counter(numbers).items() if count > 1] == []
    needed = {f"{area}{n}" for area, count in LEAST.items() for n in range(1, count + 1)}
    assert needed - set(numbers) == set()
    for row in rows:
        assert row.fault and row.response and row.tests, f"{row.number} is incomplete"
        assert row.kinds and set(row.kinds.split()) <= set(KINDS), (row.number, row.kinds)
    by_kind = Counter(kind for row in rows for kind in row.kinds.split())
    for row in rows:
        print(f"{row.number:4} {row.kinds:6} {row.fault}")
    print(f"{len(rows)} rows, {len({test for row in rows for test in row.tests})} tests")
    for kind, meaning in KINDS.items():
        print(f"{by_kind[kind]:4} rows by {kind}: {meaning}")


def test_every_named_test_exists_and_is_run(request: pytest.FixtureRequest) -> None:
    names = sorted({test for path in NAMES_TESTS for test in TEST_NAME.findall(path.read_text())})
    assert len(names) > len(LEAST)
    alone = alone_by_test(names, TESTS.rglob("test_*.py"))
    assert [test for test in names if test not in alone] == []
    # Where all are run but those that are run alone, pytest itself knows what it collected.
    beside_others = [test for test in names if not alone[test]]
    collected = {(item.path.stem, item.name.partition("[")[0]) for item in request.session.items}
    option = request.config.option
    whole = {stem for stem, _ in beside_others} <= {stem for stem, _ in collected}
    if whole and not option.keyword and option.markexpr in ("", "not alone"):
        assert [test for test in beside_others if test not in collected] == [], "never run"


def alone_by_test(names: Iterable[Test], paths: Iterable[Path]) -> dict[Test, bool]:
    """Of the named tests those that exist and that pytest runs, and whether in a run of its own."""
    files = {path.stem: path for path in paths}
    run = {stem: run_in(files[stem].read_text()) for stem, _ in names if stem in files}
    return {(stem, name): run[stem][name] for stem, name in names if name in run.get(stem, {})}


def run_in(source: str) -> dict[str, bool]:
    """Functions of a module that pytest runs (they begin with test_ and are not skipped whatever
    happens), and whether that is in a run of its own."""
    tree = ast.parse(source)
    of_all = [
        ast.unparse(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark"
    ]
    run = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            marks = [*of_all, *(ast.unparse(one) for one in node.decorator_list)]
            if not any(re.search(r"mark\.skip\b", mark) for mark in marks):
                run[node.name] = any("mark.alone" in mark for mark in marks)
    return run


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("| R1 | a | b | V | `test_x::test_y` and more |", "names no test"),
        ("| R1 | a | b | `test_x::test_y` |", "R1"),
    ],
)
def test_a_malformed_row_is_detected(line: str, wrong: str) -> None:
    with pytest.raises(AssertionError, match=wrong):
        read_rows(line)


def test_a_test_that_is_missing_or_always_skipped_is_detected(tmp_path: Path) -> None:
    path = tmp_path / "test_x.py"
    path.write_text(
        "def test_plain(): ...\n"
        "@pytest.mark.alone\ndef test_alone(): ...\n"
        "@pytest.mark.skip\ndef test_skipped(): ...\n"
    )
    names = [("test_x", name) for name in ("test_plain", "test_alone", "test_skipped", "test_gone")]
    assert alone_by_test([*names, ("test_y", "test_plain")], [path]) == {
        ("test_x", "test_plain"): False,
        ("test_x", "test_alone"): True,
    }
