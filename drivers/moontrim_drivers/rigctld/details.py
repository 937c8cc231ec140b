"""What the answers say of mode, power, RIT, XIT and repeater shift."""

from __future__ import annotations

from typing import NamedTuple

from moontrim_drivers.contract import RigDetails
from moontrim_drivers.rigctld.options import OFFSETS
from moontrim_drivers.rigctld.wire import Answer, optional


class DetailAnswers(NamedTuple):
    """The answers to `m`, `l RFPOWER`, those of `OFFSETS` that were asked, and perhaps `s`.

    answered: the letters of `OFFSETS` that were not refused.
    split: the values of `s`; None where it was refused or not asked."""

    details: RigDetails
    answered: tuple[str, ...]
    split: tuple[bool, str] | None


def power_fraction(answer: Answer) -> float | None:
    """Returns the RF power, 0 to 1; None where the radio cannot report it."""
    (fraction,) = optional(answer) or (None,)
    return None if fraction is None else float(fraction)


def detail_answers(answers: list[Answer]) -> DetailAnswers:
    """Returns what the answers say, in the order of the questions."""
    mode, power, *others = answers
    mode_name, passband_hz = optional(mode) or (None, None)
    values = {a.question.letter: a.values for a in others if not a.refused}
    split = values.pop("s", None)
    offsets = (values.get(letter, (None,))[0] for letter in OFFSETS)
    details = RigDetails(mode_name, passband_hz, power_fraction(power), *offsets)
    return DetailAnswers(details, tuple(values), split)
