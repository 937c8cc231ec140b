"""Many partners at once: the same as one by one, in the memory of a few, with a few notes."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from moontrim.forecast.compute import Forecast, forecast, forecasts
from moontrim.forecast.notes import notes_on
from moontrim.forecast.question import Antenna, End, ForecastQuestion, Gear, Horizon, Signal
from moontrim.path import Ephemeris, Site

T0 = 1_750_000_012.3
DAY_S = 86400.0
F_HZ = 10.3681e9
FULL = Gear(50.0, 0.3, Antenna.of_dish(1.8, 0.5, F_HZ), 70.0, 20.0, True)
HOME = End("home", Site(50.0, 10.0, 300.0), Horizon(3.0, ((0.0, 5.0), (180.0, 2.0))), FULL)
ENDS = [
    End("west", Site(40.0, -80.0, 50.0), Horizon(2.0), FULL),
    None,
    End("south", Site(-35.0, 150.0, 2000.0)),
    End("antipodes", Site(-50.0, -170.0)),
    End("pole", Site(89.9, 0.0), gear=replace(FULL, receiver_noise_k=None)),
]
# Runs the command with this many partners and prints the peak of its memory in kilobytes. They are
# neighbours, so that their windows, and with them the memory for one, are alike.
RUN = """
import contextlib, os, resource, sys
from moontrim.cli.main import main
count = int(sys.argv[1])
partners = [f"--partner={40 + 0.01 * k:.2f},-80" for k in range(count)]
with open(os.devnull, "w") as null, contextlib.redirect_stdout(null):
    main(["forecast", "--home", "JN88", "--frequency", "1296e6", "--days", "120", "--json",
          "--from", "2026-03-20T12:00:00Z", *partners])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def question(partner: End | None, days: float = 40.0) -> ForecastQuestion:
    return ForecastQuestion(
        HOME, partner, F_HZ, T0, T0 + days * DAY_S, None, Signal(25.0, 20.0, -22.0)
    )


def leaves(value: Any) -> Iterator[Any]:
    """Every number, text and array in a forecast."""
    if is_dataclass(value):
        for field in fields(value):
            yield from leaves(getattr(value, field.name))
    elif isinstance(value, tuple):
        yield len(value)
        for item in value:
            yield from leaves(item)
    else:
        yield value


def test_the_same_as_one_by_one_bit_for_bit(ephemeris: Ephemeris) -> None:
    questions = [question(partner) for partner in ENDS]
    together = list(forecasts(ephemeris, questions))
    assert [one.question for one in together] == questions
    assert sum(len(one.windows) for one in together) > 100
    for ours, asked in zip(together, questions, strict=True):
        alone = forecast(Ephemeris.load(), asked)
        for one, other in zip(leaves(ours), leaves(alone), strict=True):
            assert np.array_equal(one, other)


def test_homes_and_spans_are_not_mixed_up(ephemeris: Ephemeris) -> None:
    other_home = replace(question(None, 3.0), home=End("home", Site(10.0, 60.0)))
    lower = replace(question(None, 3.0), home=replace(HOME, horizon=Horizon(-1.0)))
    longer = question(None, 5.0)
    mixed = [question(None, 3.0), other_home, lower, longer]
    for ours, asked in zip(forecasts(ephemeris, mixed), mixed, strict=True):
        alone = forecast(ephemeris, asked)
        assert [w.start_utc_s for w in ours.windows] == [w.start_utc_s for w in alone.windows]


def test_a_partner_is_worked_out_only_when_it_is_wanted(ephemeris: Ephemeris) -> None:
    def questions() -> Iterator[ForecastQuestion]:
        yield question(None, 2.0)
        raise AssertionError("the second question was read too early")

    assert next(forecasts(ephemeris, questions())).windows


def peak_kb(partners: int) -> int:
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(partners)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parent,
    )
    return int(done.stdout)


def test_memory_does_not_grow_with_partners() -> None:
    """All series of a partner take some 10 MB, those of 20 more than doubled the memory."""
    few, many = peak_kb(3), peak_kb(20)
    assert many < 1.05 * few


def bare(name: str, gear: Gear, highest_deg: float = 40.0) -> Forecast:
    asked = question(End(name, Site(40.0, -80.0), gear=gear))
    home = replace(HOME, gear=Gear())
    asked = replace(asked, home=home)
    return Forecast(asked, asked.from_utc_s, asked.until_utc_s, (), highest_deg, T0)


def test_one_line_on_the_signal_of_a_hundred() -> None:
    (note,) = notes_on(bare(f"p{k}", Gear()) for k in range(100))
    assert note == (
        "No S/N for 100 partners on 10 368.1 MHz: power, antenna and receiver noise not given for "
        "home and 100 partners."
    )
    (note,) = notes_on([bare(f"p{k}", FULL if k else Gear(power_w=5.0)) for k in range(5)])
    assert note == (
        "No S/N for 5 partners on 10 368.1 MHz: power, antenna and receiver noise not given for "
        "home; antenna and receiver noise not given for p0."
    )
    assert notes_on([]) == []


def test_partners_without_a_window_are_named_in_one_line() -> None:
    names = [f"p{k}" for k in range(4)]
    lines = notes_on([bare(name, FULL, -2.0) for name in names])
    (line,) = [line for line in lines if "never above the horizon" in line]
    assert line.startswith("4 partners without a window: ") and line.endswith("p0, p1, p2, p3.")
    lines = notes_on([bare(name, FULL, -2.0) for name in names[:2]])
    assert sum("the nearest is 2.0° below it" in line for line in lines) == 2


@pytest.mark.parametrize(
    ("gear", "says"),
    [(Gear(), "No S/N for west"), (replace(FULL, receiver_noise_k=None), "one direction only")],
)
def test_notes_on_one(gear: Gear, says: str) -> None:
    one = bare("west", gear)
    one = replace(one, question=replace(one.question, home=HOME))
    assert says in notes_on([one])[0]
