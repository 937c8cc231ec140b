"""Writes one number into the config file and leaves all else in it as it is.

Comments and order stay (tomlkit). The new file is checked as a whole before anything is written; it
replaces the old one in one step, with the same mode, and the old one stays beside it as a copy."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from difflib import ndiff
from pathlib import Path
from typing import Any

import tomlkit

from moontrim.config.settings import load_settings, settings_from
from moontrim.errors import InputError, unwritable


@dataclass(frozen=True, slots=True)
class ConfigEdit:
    """A planned change of the config. before, after: the lines that change; before is empty where
    there was none. old, new: the whole file."""

    path: Path
    before: str
    after: str
    old: bytes
    new: bytes


def planned(path: Path, band: str, key: str, value: float) -> ConfigEdit:
    """Returns what storing the value would change; writes nothing. Raises InputError if the file
    cannot be used, now or with the new value."""
    load_settings(path).band(band)
    old = path.read_bytes()
    text = old.decode()
    document = tomlkit.parse(text)
    tables: Any = document["bands"]
    table = next(t for t in tables if t["name"] == band)
    was = table.get(key)
    table[key] = value
    if was is not None:
        # A comment behind the value stays in its column if there is room.
        trivia = table[key].trivia
        longer = len(str(value)) - len(was.as_string())
        room = len(trivia.comment_ws) - longer
        trivia.comment_ws = " " * max(1, room) if trivia.comment else trivia.comment_ws
    new = tomlkit.dumps(document)
    settings_from(document.unwrap(), str(path))
    lines = list(ndiff(text.splitlines(), new.splitlines()))
    return ConfigEdit(
        path,
        "\n".join(line[2:] for line in lines if line.startswith("- ")),
        "\n".join(line[2:] for line in lines if line.startswith("+ ")),
        old,
        new.encode(),
    )


def write(change: ConfigEdit) -> Path:
    """Replaces the file and returns the path of the copy of the old one. Raises InputError if the
    file has changed meanwhile or cannot be written."""
    path = change.path.resolve()  # a link stays a link
    try:
        if path.read_bytes() != change.old:
            raise InputError(
                "config", str(path), problem=f"{path} changed meanwhile; nothing stored, try again"
            )
        mode = path.stat()
        copy = _free(path)
        _place(copy, change.old, mode, replace=False)
        _place(path, change.new, mode, replace=True)
    except OSError as error:
        raise unwritable("config", change.path, error) from None
    return copy


def _free(path: Path) -> Path:
    """Returns the first unused name for a copy."""
    number = 1
    while (copy := path.with_name(f"{path.name}.old{number}")).exists():
        number += 1
    return copy


def _place(path: Path, data: bytes, like: os.stat_result, *, replace: bool) -> None:
    """Writes the data beside `path`, syncs them and renames them, so that `path` is never a part of
    a file. like: whose owner and mode the file gets. replace: else `path` must not exist."""
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    new = Path(name)
    try:
        with open(descriptor, "wb") as file:  # noqa: PTH123 (a descriptor)
            file.write(data)
            if (like.st_uid, like.st_gid) != (os.geteuid(), os.getegid()):
                os.fchown(file.fileno(), like.st_uid, like.st_gid)
            os.fchmod(file.fileno(), like.st_mode & 0o7777)
            file.flush()
            os.fsync(file.fileno())
        if replace:
            new.replace(path)
        else:
            os.link(new, path)
            new.unlink()
    except OSError:
        new.unlink(missing_ok=True)
        raise
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)
