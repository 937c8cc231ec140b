"""Inputs made by damaging valid ones. They depend on a seed alone: the same seed gives the same
inputs on any machine."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator

from fuzz.target import Target

LONGEST = 8192
MOST_AT_ONCE = 5
_NUMBERS = re.compile(rb"\d+")
_ODD_NUMBERS = (
    *(b"0", b"-1", b"1", b"255", b"256", b"65536", b"2147483648", b"4294967295"),
    *(b"9223372036854775808", b"1e400", b"-0", b"nan", b"inf", b"1e-320", b"0x10", b"1_0"),
    *(b"9" * 40, b"0." + b"3" * 60, b"", b" 1", "\u0663".encode()),
)
_ODD_BYTES = b"\x00\x0a\x0d\x1a\x20\x22\x2c\x2f\x3b\x5b\x5c\x7b\x7f\x80\xc3\xfa\xfb\xfc\xfd\xfe\xff"


def inputs(target: Target, seed: int) -> Iterator[bytes]:
    """Yields the seeds of the target, then damaged ones without end."""
    yield from target.seeds
    chance = random.Random(f"{target.name} {seed}")
    while True:
        data = chance.choice(target.seeds)
        for _ in range(1 + int(MOST_AT_ONCE * chance.random() ** 3)):
            data = chance.choice(_KINDS)(data, chance, target)
        yield data[:LONGEST]


def _at(data: bytes, chance: random.Random) -> int:
    return int(chance.random() * (len(data) + 1))


def _stretch(data: bytes, chance: random.Random) -> tuple[int, int]:
    start = _at(data, chance)
    return start, min(len(data), start + 1 + int(chance.random() ** 3 * 48))


def _flip(data: bytes, chance: random.Random, target: Target) -> bytes:
    if not data:
        return data
    at = int(chance.random() * len(data))
    return data[:at] + bytes((data[at] ^ (1 << chance.randrange(8)),)) + data[at + 1 :]


def _replace(data: bytes, chance: random.Random, target: Target) -> bytes:
    at = _at(data, chance)
    new = chance.choice(_ODD_BYTES) if chance.random() < 0.5 else chance.randrange(256)
    return data[:at] + bytes((new,)) + data[at + 1 :]


def _insert(data: bytes, chance: random.Random, target: Target) -> bytes:
    at = _at(data, chance)
    return data[:at] + chance.randbytes(1 + int(chance.random() ** 4 * 32)) + data[at:]


def _cut(data: bytes, chance: random.Random, target: Target) -> bytes:
    start, end = _stretch(data, chance)
    return data[:start] + data[end:]


def _end(data: bytes, chance: random.Random, target: Target) -> bytes:
    return data[: _at(data, chance)]


def _repeat(data: bytes, chance: random.Random, target: Target) -> bytes:
    start, end = _stretch(data, chance)
    times = 2 + int(chance.random() ** 20 * 500)  # seldom often
    return data[:start] + data[start:end] * times + data[end:]


def _move(data: bytes, chance: random.Random, target: Target) -> bytes:
    start, end = _stretch(data, chance)
    rest = data[:start] + data[end:]
    at = _at(rest, chance)
    return rest[:at] + data[start:end] + rest[at:]


def _splice(data: bytes, chance: random.Random, target: Target) -> bytes:
    other = chance.choice(target.seeds)
    return data[: _at(data, chance)] + other[_at(other, chance) :]


def _token(data: bytes, chance: random.Random, target: Target) -> bytes:
    if not target.tokens:
        return _replace(data, chance, target)
    at = _at(data, chance)
    until = at if chance.random() < 0.5 else _stretch(data, chance)[1]
    return data[:at] + chance.choice(target.tokens) + data[max(at, until) :]


def _number(data: bytes, chance: random.Random, target: Target) -> bytes:
    numbers = list(_NUMBERS.finditer(data))
    if not numbers:
        return _flip(data, chance, target)
    one = chance.choice(numbers)
    long = chance.random() < 0.01  # more digits than Python reads into one integer
    new = b"9" * 4400 if long else chance.choice(_ODD_NUMBERS)
    return data[: one.start()] + new + data[one.end() :]


_KINDS: tuple[Callable[[bytes, random.Random, Target], bytes], ...] = (
    *(_flip, _replace, _insert, _cut, _end, _repeat, _move, _splice, _token, _token, _number),
)
