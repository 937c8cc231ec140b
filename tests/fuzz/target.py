"""What a fuzz target is, and the few things that targets share."""

from __future__ import annotations

import contextlib
import functools
import math
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path


class DefectError(BaseException):
    """A target's word for: this must never be. No Exception, so that nothing that is tested can
    catch it along with its own."""


@dataclass(frozen=True)
class Target:
    """One parser. one: takes any bytes, and raises only on a defect. seeds: valid inputs to start
    from. words: what a mutation may put in."""

    name: str
    one: Callable[[bytes], None]
    seeds: tuple[bytes, ...]
    words: tuple[bytes, ...] = ()


def hold(true: object, what: str) -> None:
    """Raises DefectError unless so; unlike assert, also under `python -O`."""
    if not true:
        raise DefectError(what)


def pieces(data: bytes) -> Iterator[bytes]:
    """All but the first byte, which says in what pieces: whole, or of one to seven bytes."""
    step = data[0] % 8 if data else 0
    rest = data[1:]
    if not step:
        step = max(1, len(rest))
    for at in range(0, len(rest), step):
        yield rest[at : at + step]


def finite(value: object) -> bool:
    """No number that is none, however deep."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(finite, value))
    return True


@functools.cache
def folder() -> Path:
    """Of this process, for parsers that want a file. In memory where there is such a place."""
    memory = Path("/dev/shm")
    kept = tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None, prefix="fuzz-")
    _kept.append(kept)  # removed with the process
    return Path(kept.name)


_kept: list[tempfile.TemporaryDirectory[str]] = []


@contextlib.contextmanager
def instead(owner: object, **values: object) -> Iterator[None]:
    """Other values for some names of a module or class, for a while."""
    real = {name: vars(owner)[name] for name in values}
    for name, value in values.items():
        setattr(owner, name, value)
    try:
        yield
    finally:
        for name, value in real.items():
            setattr(owner, name, value)
