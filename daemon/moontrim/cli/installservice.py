"""`moontrim install-service`: installs moontrim as a service of systemd."""

from __future__ import annotations

import argparse
import difflib
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from moontrim.cli.parser import add_command
from moontrim.config.settings import Settings, load_settings
from moontrim.errors import InputError, unwritable
from moontrim.service.install import InstallPlan, Placed, refuse_hidden, system_plan, user_plan


def add(commands: Any) -> None:
    command = add_command(
        commands, "install-service", call, example="home --config my.toml --dry-run"
    )
    command.add_argument(
        "name",
        nargs="?",
        metavar="NAME",
        help="name of the instance (default: name of the config file)",
    )
    command.add_argument("--config", type=Path, metavar="FILE", required=True, help="config file")
    command.add_argument(
        "--dry-run", action="store_true", help="print every file and command; change nothing"
    )
    command.add_argument(
        "--enable", action="store_true", help="also run the commands (default: print them)"
    )
    command.add_argument("--user", action="store_true", help="install for this user, without root")
    command.add_argument("--force", action="store_true", help="replace files that differ")
    command.add_argument(
        "--root", type=Path, metavar="DIR", help="install below DIR, for a system image"
    )
    command.add_argument(
        "--program", metavar="PATH", help="path of moontrim (default: the running one)"
    )


def call(options: argparse.Namespace) -> int:
    if options.enable and options.root is not None:
        raise InputError("--enable", True, problem="not valid with --root, where nothing runs")
    settings = load_settings(options.config)
    plan = _plan(options, settings)
    root = (options.root or Path("/")).absolute()
    differing = _differing(plan, root)
    if options.dry_run:
        _show(plan, root)
        return 0
    if not options.user and options.root is None and os.geteuid() != 0:
        raise InputError(
            "install-service", None, problem="needs root; use sudo, or --dry-run, or --user"
        )
    if differing and not options.force:
        for placed in differing:
            print(_difference(placed, root), end="", file=sys.stderr)
        names = ", ".join(str(placed.path) for placed in differing)
        raise InputError(
            "install-service", None, problem=f"files differ (above): {names}; replace with --force"
        )
    for placed in plan.files:
        _put(placed, root)
    return _finish(plan, run=options.enable)


def _plan(options: argparse.Namespace, settings: Settings) -> InstallPlan:
    config = options.config.read_text(encoding="utf-8")
    name = options.name or re.sub(r"[^A-Za-z0-9_-]", "-", options.config.stem)
    script = Path(sys.executable).parent / "moontrim"
    program = options.program or str(script)
    if options.program is None and not script.is_file():
        raise InputError("--program", None, "the path of moontrim; not found beside python")
    if options.user:
        base = os.environ.get("XDG_CONFIG_HOME")
        return user_plan(name, config, program, Path(base) if base else Path.home() / ".config")
    if options.program is None:
        _check_visible(script, refuse=not options.dry_run and options.root is None)
    return system_plan(name, config, settings, program)


def _check_visible(script: Path, *, refuse: bool) -> None:
    """Checks that the service can read script, interpreter and code, which may be in three places.
    Prints a note if it cannot, or raises InputError (`refuse`)."""
    python, code = Path(sys.executable).resolve(), Path(__file__).resolve()
    try:
        refuse_hidden({"moontrim": script.absolute(), "its Python": python, "its code": code})
    except InputError as error:
        if refuse:
            raise
        print(f"note: {error}")


def _differing(plan: InstallPlan, root: Path) -> list[Placed]:
    """Returns the files of the plan that exist with another content, without those that belong to
    the user once written."""
    return [
        placed
        for placed in plan.files
        if not placed.theirs and (old := _old(placed, root)) is not None and old != placed.content
    ]


def _old(placed: Placed, root: Path) -> str | None:
    try:
        return _below(root, placed.path).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError("install-service", str(placed.path), problem=str(error)) from None


def _difference(placed: Placed, root: Path) -> str:
    old, new = (_old(placed, root) or "").splitlines(True), placed.content.splitlines(True)
    return "".join(
        difflib.unified_diff(old, new, f"{placed.path} (current)", f"{placed.path} (new)")
    )


def _below(root: Path, path: Path) -> Path:
    return root / path.relative_to("/")


def _put(placed: Placed, root: Path) -> None:
    path, old = _below(root, placed.path), _old(placed, root)
    print(f"{placed.path}: {placed.why}")
    if old == placed.content or (placed.theirs and old is not None):
        print("  unchanged" if old == placed.content else "  modified, left unchanged")
        return
    new = path.with_name(path.name + ".new")
    try:
        for folder in reversed([f for f in path.parents if not f.exists()]):
            folder.mkdir()
            folder.chmod(0o755)  # despite the umask: the service runs as another user
        new.write_text(placed.content, encoding="utf-8")
        new.chmod(placed.mode)
        new.replace(path)
    except OSError as error:
        raise unwritable("install-service", path, error) from None
    print("  replaced" if old is not None else "  written")


def _show(plan: InstallPlan, root: Path) -> None:
    for placed in plan.files:
        print(f"--- {_below(root, placed.path)}  mode {placed.mode:04o}  ({placed.why})")
        print(placed.content)
    print("--- commands")
    for step in plan.steps:
        print(f"{' '.join(step.command)}    # {step.why}")
    _print_remarks(plan)


def _print_remarks(plan: InstallPlan) -> None:
    for remark in plan.remarks:
        print(f"note: {remark}")


def _finish(plan: InstallPlan, *, run: bool) -> int:
    """Runs the commands of the plan, or prints them. Returns the exit code."""
    _print_remarks(plan)
    if not run:
        print("now run, or give --enable next time:")
    failed = False
    for step in plan.steps:
        command = " ".join(step.command)
        print(f"  {command}    # {step.why}")
        if run and (trouble := _run(step.command)):
            # The others are run even so: a machine without devices to trigger can run a service.
            print(f"moontrim: {command}: {trouble}", file=sys.stderr)
            failed = True
    who = "--user " if "--user" in plan.steps[-1].command else ""
    print(f"look at it:  systemctl {who}status {plan.unit};  journalctl {who}-fu {plan.unit}")
    return 1 if failed else 0


def _run(command: tuple[str, ...]) -> str:
    """Runs a command. Returns why it failed; empty if it did not."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    except OSError as error:
        return str(error)
    return "" if done.returncode == 0 else done.stderr.strip() or f"exit code {done.returncode}"
