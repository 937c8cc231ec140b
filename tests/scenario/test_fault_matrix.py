"""The list of faults in DEVELOPERS.md: every row has its number and at least one test, and every
test that it names is there and would be run."""

from __future__ import annotations

import ast
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
GUIDE = TESTS.parent / "DEVELOPERS.md"
HEAD = ["#", "what goes wrong", "what is done", "how", "test"]
ROW = re.compile(r"^\| *([A-Z]\d+) *\|")
NAMED = re.compile(r"`(\w+)::(\w+)`")
KINDS = {
    "V": "virtual clock, or the part alone",
    "L": "real sockets, pseudo-terminals or disks",
    "N": "network namespace",
    "P": "processes",
}
# What the list must at least have: the faults that were thought of before there was a daemon.
EXPECTED = {
    **{"R": 22, "S": 9, "M": 9, "C": 8},
    **{"D": 4, "F": 2, "E": 5, "O": 2},
}


@dataclass(frozen=True)
class Row:
    number: str
    fault: str
    done: str
    kinds: str
    tests: tuple[tuple[str, str], ...]


def read_rows(text: str) -> list[Row]:
    rows = []
    for line in text.splitlines():
        if ROW.match(line):
            cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
            assert len(cells) == len(HEAD), line
            named = tuple(NAMED.findall(cells[4]))
            rest = NAMED.sub("", cells[4]).strip()
            assert not rest, f"{cells[0]}: {rest!r} names no test"
            rows.append(Row(cells[0], cells[1], cells[2], cells[3], named))
    return rows


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    found = read_rows(GUIDE.read_text())
    assert found, "no list of faults in DEVELOPERS.md"
    return found


def test_the_list_is_whole_and_no_number_is_there_twice(rows: list[Row]) -> None:
    numbers = [row.number for row in rows]
    assert [n for n, count in Counter(numbers).items() if count > 1] == []
    needed = {f"{area}{n}" for area, count in EXPECTED.items() for n in range(1, count + 1)}
    assert needed - set(numbers) == set()
    for row in rows:
        assert row.fault and row.done and row.tests, f"{row.number} is incomplete"
        assert row.kinds and set(row.kinds.split()) <= set(KINDS), (row.number, row.kinds)
    by_kind = Counter(kind for row in rows for kind in row.kinds.split())
    for row in rows:
        print(f"{row.number:4} {row.kinds:6} {row.fault}")
    print(f"{len(rows)} rows, {len({test for row in rows for test in row.tests})} tests")
    for kind, meaning in KINDS.items():
        print(f"{by_kind[kind]:4} rows by {kind}: {meaning}")


def test_every_test_of_the_list_is_there(rows: list[Row], request: pytest.FixtureRequest) -> None:
    files = {path.stem: path for path in TESTS.rglob("test_*.py")}
    # Those of the threats as well, and whatever else the guide names in that way.
    named = sorted(
        {test for row in rows for test in row.tests} | set(NAMED.findall(GUIDE.read_text()))
    )
    there = {stem: run_in(files[stem]) for stem, _ in named if stem in files}
    assert [test for test in named if test[1] not in there.get(test[0], {})] == []
    # Where all are run but those that are run alone, pytest itself says what it has found.
    expected = [(stem, name) for stem, name in named if not there[stem][name]]
    found = {(item.path.stem, item.name.partition("[")[0]) for item in request.session.items}
    option = request.config.option
    whole = {stem for stem, _ in expected} <= {stem for stem, _ in found}
    if whole and not option.keyword and option.markexpr in ("", "not alone"):
        assert [test for test in expected if test not in found] == [], "named, and never run"


def run_in(path: Path) -> dict[str, bool]:
    """Functions of a module that pytest runs (they begin with test_ and are not skipped whatever
    happens), and whether that is in a run of its own."""
    tree = ast.parse(path.read_text())
    of_all = [
        ast.unparse(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark"
    ]
    found = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            marks = [*of_all, *(ast.unparse(one) for one in node.decorator_list)]
            if not any(re.search(r"mark\.skip\b", mark) for mark in marks):
                found[node.name] = any("mark.alone" in mark for mark in marks)
    return found


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("| R1 | a | b | V | `test_x::test_y` and more |", "names no test"),
        ("| R1 | a | b | `test_x::test_y` |", "R1"),
    ],
)
def test_a_row_that_is_none_is_found(line: str, wrong: str) -> None:
    with pytest.raises(AssertionError, match=wrong):
        read_rows(line)
