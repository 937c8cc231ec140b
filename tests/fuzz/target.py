"""What a fuzz target is, and what targets share."""

from __future__ import annotations

import contextlib
import functools
import math
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path


class DefectError(BaseException):
    """Raised for what must never happen. Not an Exception, so that tested code cannot catch it
    along with its own errors."""


@dataclass(frozen=True)
class Target:
    """One parser. one: takes any bytes and raises only on a defect. seeds: valid inputs to start
    from. tokens: what a mutation may insert."""

    name: str
    one: Callable[[bytes], None]
    seeds: tuple[bytes, ...]
    tokens: tuple[bytes, ...] = ()


def hold(true: object, what: str) -> None:
    """Raises DefectError unless true; unlike assert, also under `python -O`."""
    if not true:
        raise DefectError(what)


def pieces(data: bytes) -> Iterator[bytes]:
    """Yields all bytes but the first, which says in which pieces: as a whole, or one to seven bytes
    each."""
    step = data[0] % 8 if data else 0
    rest = data[1:]
    if not step:
        step = max(1, len(rest))
    for at in range(0, len(rest), step):
        yield rest[at : at + step]


def finite(value: object) -> bool:
    """Is every number in it finite, at any depth?"""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(finite, value))
    return True


@functools.cache
def folder() -> Path:
    """Returns a temporary folder of this process, in memory where possible."""
    memory = Path("/dev/shm")
    made = tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None, prefix="fuzz-")
    _folders.append(made)  # removed with the process
    return Path(made.name)


_folders: list[tempfile.TemporaryDirectory[str]] = []


@contextlib.contextmanager
def instead(owner: object, **values: object) -> Iterator[None]:
    """Replaces some names of a module or class inside the block."""
    real = {name: vars(owner)[name] for name in values}
    for name, value in values.items():
        setattr(owner, name, value)
    try:
        yield
    finally:
        for name, value in real.items():
            setattr(owner, name, value)
