"""The rules of the house that import-linter does not know: where modules lie, what the word pure
commits them to, how long they are, and names that exist once."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pytest

from support.tree import ROOT

TREES = {
    "moontrim": ROOT / "daemon" / "moontrim",
    "moontrim_drivers": ROOT / "drivers" / "moontrim_drivers",
}
AT_THE_ROOT = {"__init__", "__main__", "errors", "formats"}
# Chosen: what can be read in one go. A longer module says in its docstring why, naming this number.
MOST_LINES = 280
# Names that tell a newcomer nothing of the value behind them.
BANNED = {
    *("frozen", "still", "here", "word", "words", "said", "told"),
    *("own", "asked", "seen", "found", "given", "kept", "there"),
}


@dataclass(frozen=True)
class Module:
    """A module of the source: its dotted name (a package has that of its folder) and its text."""

    name: str
    source: str
    is_package: bool = False

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.source)

    @property
    def docstring(self) -> str:
        return ast.get_docstring(self.tree) or ""


def read_tree(package: str, folder: Path) -> Iterator[Module]:
    for path in sorted(folder.rglob("*.py")):
        parts = [package, *path.relative_to(folder).with_suffix("").parts]
        is_package = parts[-1] == "__init__"
        name = ".".join(parts[:-1] if is_package else parts)
        yield Module(name, path.read_text(), is_package)


@pytest.fixture(scope="module")
def modules() -> list[Module]:
    read = [module for package, folder in TREES.items() for module in read_tree(package, folder)]
    assert len(read) > 200
    return read


# --- the root, and tests/unit -------------------------------------------------------------------


def strangers_at_the_root(modules: Iterable[Module]) -> list[str]:
    """Modules that lie directly in moontrim and have no business there."""
    return [
        module.name
        for module in modules
        if not module.is_package
        and module.name.startswith("moontrim.")
        and module.name.count(".") == 1
        and module.name.rpartition(".")[2] not in AT_THE_ROOT
    ]


def test_every_module_has_a_room(modules: list[Module]) -> None:
    assert strangers_at_the_root(modules) == []


def test_a_module_at_the_root_is_detected() -> None:
    example = [
        Module("moontrim", "", is_package=True),
        Module("moontrim.errors", ""),
        Module("moontrim.loose", ""),
        Module("moontrim.rig", "", is_package=True),
        Module("moontrim.rig.link", ""),
        Module("moontrim_drivers.contract", ""),
    ]
    assert strangers_at_the_root(example) == ["moontrim.loose"]


def folders_without_a_room(unit: Path, daemon: Path, drivers: Path) -> list[str]:
    """Folders of tests/unit that are neither a room nor drivers/<room>, at any depth."""
    folders = [
        path.relative_to(unit)
        for path in sorted(unit.rglob("*"))
        if path.is_dir() and path.name != "__pycache__"
    ]
    return [
        str(folder)
        for folder in folders
        if not (
            drivers.joinpath(*folder.parts[1:])
            if folder.parts[0] == "drivers"
            else daemon.joinpath(folder)
        ).is_dir()
    ]


def test_the_unit_tests_mirror_the_tree() -> None:
    unit = ROOT / "tests" / "unit"
    assert folders_without_a_room(unit, TREES["moontrim"], TREES["moontrim_drivers"]) == []


def test_a_folder_of_tests_without_a_room_is_detected(tmp_path: Path) -> None:
    for folder in ("unit/rig", "unit/attic", "unit/drivers/civ", "unit/drivers/rig"):
        (tmp_path / folder).mkdir(parents=True)
    for folder in ("daemon/rig", "drivers/civ"):
        (tmp_path / folder).mkdir(parents=True)
    bad = folders_without_a_room(tmp_path / "unit", tmp_path / "daemon", tmp_path / "drivers")
    assert bad == ["attic", "drivers/rig"]


# --- pure ---------------------------------------------------------------------------------------


def called_pure(modules: Iterable[Module]) -> set[str]:
    """Names of the modules whose docstring, or whose line in the list of their package's docstring,
    says pure. A package that says so of itself stands for all that is in it."""
    names = set()
    for module in modules:
        for line in module.docstring.splitlines():
            listed = re.match(r"(\w+) {2,}\S", line) if module.is_package else None
            if re.search(r"\bpure\b", line, re.IGNORECASE):
                names.add(f"{module.name}.{listed[1]}" if listed else module.name)
    return names


def not_covered(names: Iterable[str], covering: Iterable[str]) -> list[str]:
    """Of the names those that neither are among the covering ones nor lie in one of them."""
    covering = tuple(covering)
    return sorted(
        name
        for name in names
        if not any(name == one or name.startswith(f"{one}.") for one in covering)
    )


def test_every_module_that_calls_itself_pure_is_in_the_contract(modules: list[Module]) -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
    (contract,) = [one for one in contracts["contracts"] if one["name"].startswith("pure")]
    names = called_pure(modules)
    assert len(names) > 20
    assert not_covered(names, contract["source_modules"]) == []


def test_a_module_that_only_calls_itself_pure_is_detected() -> None:
    example = [
        Module("moontrim.rig", '"""Rig.\n\nsteps    when (pure)\nlink     who\n"""', True),
        Module("moontrim.path.delay", '"""Pure functions of time."""'),
        Module("moontrim.tuning", '"""Dials. Pure."""', True),
        Module("moontrim.tuning.band", '"""A band."""'),
        Module("moontrim.gps.nmea", '"""Purest of all; impure."""'),
        Module("moontrim.gps.fix", "x = 1\n# pure\n"),
    ]
    names = called_pure(example)
    assert names == {"moontrim.rig.steps", "moontrim.path.delay", "moontrim.tuning"}
    assert not_covered(names, ["moontrim.path", "moontrim.tuning"]) == ["moontrim.rig.steps"]
    assert not_covered(names, ["moontrim.pat", "moontrim.rig.steps", "moontrim.tuning.band"]) == [
        "moontrim.path.delay",
        "moontrim.tuning",
    ]


# --- length -------------------------------------------------------------------------------------


def too_long(modules: Iterable[Module]) -> list[str]:
    """Modules of more lines than MOST_LINES whose docstring gives no reason for it."""
    return [
        f"{module.name}: {lines} lines"
        for module in modules
        if (lines := len(module.source.splitlines())) > MOST_LINES
        and f"{MOST_LINES} lines" not in module.docstring
    ]


def test_no_module_is_too_long(modules: list[Module]) -> None:
    assert too_long(modules) == []


def test_a_module_that_is_too_long_is_detected() -> None:
    long = "x = 1\n" * MOST_LINES
    excuse = f'"""More than {MOST_LINES} lines, since the table is printed in one piece."""\n'
    example = [
        Module("moontrim.right", long),
        Module("moontrim.long", long + "y = 1\n"),
        Module("moontrim.excused", excuse + long),
        Module("moontrim.commented", f"# {MOST_LINES} lines\n" + long),
    ]
    assert too_long(example) == ["moontrim.long: 281 lines", "moontrim.commented: 281 lines"]


# --- names that exist once ----------------------------------------------------------------------


def public_types(tree: ast.Module) -> Iterator[str]:
    """Public classes and type aliases at the top of a module. An alias is any assignment to a name
    in CapWords; one that hands on a name of another module (`Dial = contract.Dial`) is not."""
    for node in tree.body:
        match node:
            case ast.ClassDef(name=name) if not name.startswith("_"):
                yield name
            case (
                ast.Assign(targets=[ast.Name(id=name)], value=value)
                | ast.AnnAssign(target=ast.Name(id=name), value=value)
            ) if re.fullmatch(r"[A-Z][A-Z0-9]*[a-z]\w*", name):
                if not (isinstance(value, ast.Attribute) and value.attr == name):
                    yield name


def names_of_several(modules: Iterable[Module]) -> dict[str, list[str]]:
    """Public classes and type aliases that more than one module defines, with those modules."""
    places = defaultdict(list)
    for module in modules:
        for name in sorted(set(public_types(module.tree))):
            places[name].append(module.name)
    return {name: where for name, where in places.items() if len(where) > 1}


def test_every_public_type_has_a_name_of_its_own(modules: list[Module]) -> None:
    assert sum(len(list(public_types(module.tree))) for module in modules) > 200
    assert names_of_several(modules) == {}


def test_a_name_of_two_types_is_detected() -> None:
    example = [
        Module("a", "class Plan: ...\nclass _Own: ...\nclass Step: ...\nT = TypeVar('T')\n"),
        Module("b", "from a import Step\nPlan = tuple[int, ...]\nclass _Own: ...\nMAX = 1\n"),
        Module("c", "import a\nStep = a.Step\nT = TypeVar('T')\nMAX: int = 2\n"),
        Module("d", "Dial: TypeAlias = int\n"),
        Module("e", "Dial = Literal['rx', 'tx']\n"),
    ]
    assert names_of_several(example) == {"Plan": ["a", "b"], "Dial": ["d", "e"]}


# --- docstrings ---------------------------------------------------------------------------------


def undocumented(modules: Iterable[Module]) -> list[str]:
    """Modules, public classes and public functions at the top of a module without a docstring.

    `add` and `call` of a command are documented once for all of them, in `moontrim.cli`."""
    lacking = []
    for module in modules:
        if not module.docstring:
            lacking.append(module.name)
        lacking += [
            f"{module.name}.{node.name}"
            for node in module.tree.body
            if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
            and not node.name.startswith("_")
            and not (module.name.startswith("moontrim.cli.") and node.name in ("add", "call"))
            and not ast.get_docstring(node)
        ]
    return lacking


def test_everything_public_has_a_docstring(modules: list[Module]) -> None:
    assert undocumented(modules) == []


def test_what_has_no_docstring_is_detected() -> None:
    example = [
        Module("a", "x = 1\n"),
        Module("b", '"""B."""\nclass Plan: ...\ndef _f(): ...\ndef g():\n    """G."""\n'),
        Module("c", '"""C."""\nasync def add(): ...\nclass D:\n    "D."\n    def f(self): ...\n'),
        Module("moontrim.cli.run", '"""Run."""\ndef add(): ...\ndef f(): ...\n'),
    ]
    assert undocumented(example) == ["a", "b.Plan", "c.add", "moontrim.cli.run.f"]


# --- names that say something -------------------------------------------------------------------


def defined_names(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and name of everything that is given one: functions, parameters, variables, attributes,
    fields, captures."""
    for node in ast.walk(tree):
        match node:
            case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name):
                yield node.lineno, name
            case ast.arg(arg=name):
                yield node.lineno, name
            case ast.Name(id=name, ctx=ast.Store()) | ast.Attribute(attr=name, ctx=ast.Store()):
                yield node.lineno, name
            case (
                ast.ExceptHandler(name=str(name))
                | ast.MatchAs(name=str(name))
                | ast.MatchStar(name=str(name))
                | ast.alias(asname=str(name))
            ):
                yield node.lineno, name


def banned_names(modules: Iterable[Module]) -> list[str]:
    """Definitions of a banned name, also with underscores before it, as `module:line name`."""
    return [
        f"{module.name}:{line} {name}"
        for module in modules
        for line, name in defined_names(module.tree)
        if name.strip("_") in BANNED
    ]


def test_no_name_is_banned(modules: list[Module]) -> None:
    assert sum(1 for module in modules for _ in defined_names(module.tree)) > 5000
    assert banned_names(modules) == []


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ("def told(self, asked: int, *kept, own=1, unseen=2): ...", "told asked own kept"),
        ("class Plan:\n    frozen: bool", "frozen"),
        ("plan.found.first = here(still); plan._seen = plan.own; cut(frozen=True)", "_seen"),
        ("word, (words, number) = 1, (2, 3)", "word words"),
        ("for said, last_seen in there: ...", "said"),
        ("try: ...\nexcept ValueError as given: ...", "given"),
        ("with open(found) as there: ...", "there"),
        ("match found:\n    case [still, *kept] | {'here': still}: ...", "still kept still"),
        ("[own for own in frozen]; (lambda kept: kept)", "own kept"),
        ("import words as asked", "asked"),
        ("if (found := frozen()): ...", "found"),
    ],
)
def test_a_banned_name_is_detected(source: str, names: str) -> None:
    detected = [entry.split()[1] for entry in banned_names([Module("a", source)])]
    assert sorted(detected) == sorted(names.split())
