"""A program on the share that corrects for Doppler as well, and people who tune with one."""

from __future__ import annotations

from itertools import accumulate

import pytest

from moontrim.share.stepping import STEPS, Stepping

SKED_HZ = 10_368_100_000


def refused(steps: list[tuple[float, int]]) -> list[float]:
    """Returns when a request was refused. steps: (seconds since the one before, hertz further)."""
    stepping, at_s = Stepping(), []
    times = accumulate(apart_s for apart_s, _ in steps)
    for now_s, hz in zip(times, accumulate((by_hz for _, by_hz in steps)), strict=True):
        if stepping.goes_on(1000.0 + now_s, SKED_HZ + hz, SKED_HZ):
            at_s.append(now_s)
            assert stepping.begun_at_hz == SKED_HZ
    return at_s


JUMP = (0.0, -3900)


@pytest.mark.parametrize(
    ("steps", "first_s"),
    [
        ([JUMP] + [(1.0, -2)] * 20, 10.0),
        ([JUMP] + [(0.5, -1)] * 40, 9.5),
        ([JUMP] + [(1.0, 0), (1.0, -3)] * 20, 20.0),
        ([(0.0, 0)] + [(2.0, 7)] * 20, 20.0),
        # A person: too few, to and fro, further, faster, slower.
        ([JUMP] + [(1.0, 2)] * (STEPS - 1), None),
        ([JUMP] + [(1.0, 2), (1.0, -1)] * 20, None),
        ([JUMP] + [(1.0, 10)] * 40, None),
        ([JUMP] + [(0.1, 1)] * 80, None),
        ([JUMP] + [(3.5, 1)] * 40, None),
    ],
)
def test_what_is_refused(steps: list[tuple[float, int]], first_s: float | None) -> None:
    at_s = refused(steps)
    assert (at_s[0] if at_s else None) == (first_s and pytest.approx(first_s))
    if first_s:
        assert len(at_s) > 5, "as long as it goes on"


def test_it_ends_when_the_steps_do() -> None:
    stepping = Stepping()
    for n in range(STEPS + 3):
        known = stepping.goes_on(1.0 * n, SKED_HZ + n, SKED_HZ)
    assert known
    assert not stepping.goes_on(20.0, SKED_HZ + 5000, SKED_HZ), "elsewhere: a choice"
    assert stepping.goes_on(100.0, SKED_HZ + 5001, SKED_HZ) is False
