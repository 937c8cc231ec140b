"""What docs/threats.md claims of the source as a whole, and of the files that a run leaves."""

from __future__ import annotations

import ast
import asyncio
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from moontrim.journal.companion import Journal
from moontrim.path import Ephemeris
from moontrim.remote.broker.passwords import stored_passwords
from moontrim.session.commands import SetSked
from support.stage import SKED_HZ, Stage, play
from support.tree import ROOT

SOURCES = sorted([*(ROOT / "daemon").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "mktemp"}
FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "yaml", "telnetlib", "xmlrpc"}
# Programs are started without a shell, by a list of words, in these places only.
STARTS_PROGRAMS = {
    "daemon/moontrim/remote/broker/process.py",
    "daemon/moontrim/cli/installservice.py",
    "daemon/moontrim/guard/inhibitor.py",
    "daemon/moontrim/guard/child.py",
    "daemon/moontrim/remote/sessionreport.py",
}


def test_there_is_something_to_look_at() -> None:
    assert len(SOURCES) > 200


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_shell_no_pickle_no_eval(path: Path) -> None:
    found = list(_dangers(ast.parse(path.read_text()), path.relative_to(ROOT).as_posix()))
    assert not found, found


def _dangers(tree: ast.AST, name: str) -> Iterator[str]:
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id=called)) if called in FORBIDDEN_CALLS:
                yield f"line {node.lineno}: {called}"
            case ast.Call(
                func=ast.Attribute(value=ast.Name(id="os" | "tempfile"), attr=called)
            ) if called in FORBIDDEN_CALLS:
                yield f"line {node.lineno}: {called}"
            case ast.keyword(arg="shell", value=ast.Constant(value=True)):
                yield "shell=True"
            case ast.Import(names=names):
                for alias in names:
                    yield from _module(alias.name, node.lineno, name)
            case ast.ImportFrom(module=str(module)):
                yield from _module(module, node.lineno, name)
            case ast.Attribute(attr="create_subprocess_shell"):
                yield f"line {node.lineno}: a shell"
            case ast.Attribute(attr="create_subprocess_exec") if name not in STARTS_PROGRAMS:
                yield f"line {node.lineno}: starts a program"


def _module(module: str, line: int, name: str) -> Iterator[str]:
    top = module.partition(".")[0]
    if top in FORBIDDEN_MODULES or (top == "subprocess" and name not in STARTS_PROGRAMS):
        yield f"line {line}: {module}"


@pytest.mark.parametrize(
    "text",
    [
        "eval(x)",
        "import pickle",
        "from subprocess import run",
        "run(x, shell=True)",
        "os.system(x)",
        "asyncio.create_subprocess_shell(x)",
    ],
)
def test_it_would_be_found(text: str) -> None:
    assert list(_dangers(ast.parse(text), "some.py"))


def test_what_is_kept_is_for_this_user_alone(ephemeris: Ephemeris, tmp_path: Path) -> None:
    state = tmp_path / "state"

    async def scene(s: Stage) -> None:
        journal = Journal(state, s.daemon.settings, s.daemon.clock)
        running = asyncio.create_task(journal.run(s.daemon))
        await s.daemon.ask(SetSked("phone", SKED_HZ + 10))
        await s.clock.sleep(5.0)
        await journal.flush()
        running.cancel()

    stored_passwords(state, ("phone", "viewer"))
    play(state, ephemeris, scene)
    files = [path for path in state.rglob("*") if path.is_file()]
    names = {path.name for path in files}
    assert {"session.json", "journal.sqlite3", "remote-passwords.json"} <= names
    open_to_others = [path.name for path in files if stat.S_IMODE(path.stat().st_mode) & 0o077]
    assert not open_to_others
    assert stat.S_IMODE(state.stat().st_mode) == 0o700
