"""Every change of a dial with its instants, on its way to the journal. Pure.

    planned - sent ===== moved ===== confirmed      a dial that was set
              read ----- moved ----- read again     a dial that something else has moved

Whoever takes the staircase of the dial out of a recording needs the instant of each step to some
ten milliseconds, far finer than the rows that the journal has of each second. Bounded and never
waiting: without a journal the newest steps stay in memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import NamedTuple

from moontrim.tuning.steps import DialName

CAPACITY = 1000  # chosen: minutes of both dials at 24 GHz; the journal takes them every second
# Chosen: for so long a server that answers from a cache may show a dial as it was before a set.
CACHED_S = 1.0


class DialStep(NamedTuple):
    """One change of a dial, its instants in POSIX seconds of the daemon's clock.

    planned_utc_s: when the dial was to move; None: it was not set by a plan. sent_utc_s: when the
    command left; of a dial moved by something else, when it was last read before.
    moved_utc_s: when it moved, as far as the driver knows. confirmed_utc_s: when that was read."""

    which: DialName
    dial_hz: int
    planned_utc_s: float | None
    sent_utc_s: float
    moved_utc_s: float
    confirmed_utc_s: float


class StepLog:
    """The steps not taken yet."""

    def __init__(self) -> None:
        self._steps: deque[DialStep] = deque(maxlen=CAPACITY)
        self._known: dict[DialName, int] = {}
        self._before: dict[DialName, tuple[int, float]] = {}  # value and end of the last set
        self._read_utc_s: float | None = None

    def forget(self) -> None:
        """Forgets where the dials are: the radio may be another one."""
        self._known.clear()
        self._before.clear()
        self._read_utc_s = None

    def was_set(
        self,
        dials_hz: Mapping[DialName, int | None],
        sent_utc_s: float,
        confirmed_utc_s: float,
        effect_fraction: float,
        planned_utc_s: float | None = None,
    ) -> None:
        """Adds the dials of a set that was carried out; None for one that was left alone.

        effect_fraction: when dials move within it, see `Capabilities`."""
        moved_utc_s = sent_utc_s + effect_fraction * (confirmed_utc_s - sent_utc_s)
        for which, hz in dials_hz.items():
            if hz is None:
                continue
            if which in self._known:
                self._before[which] = self._known[which], confirmed_utc_s
            self._known[which] = hz
            self._steps.append(
                DialStep(which, hz, planned_utc_s, sent_utc_s, moved_utc_s, confirmed_utc_s)
            )

    def was_read(self, dials_hz: Mapping[DialName, int | None], utc_s: float) -> None:
        """Adds the dials that a read-back shows elsewhere than they were known to be."""
        last_utc_s = utc_s if self._read_utc_s is None else min(self._read_utc_s, utc_s)
        self._read_utc_s = utc_s
        for which, hz in dials_hz.items():
            if hz is None or hz == self._known.get(which):
                continue
            before_hz, set_utc_s = self._before.get(which, (None, 0.0))
            if hz == before_hz and utc_s - set_utc_s < CACHED_S:
                continue
            self._known[which] = hz
            moved_utc_s = 0.5 * (last_utc_s + utc_s)
            self._steps.append(DialStep(which, hz, None, last_utc_s, moved_utc_s, utc_s))

    def take(self) -> list[DialStep]:
        """Removes and returns the steps, the oldest first."""
        steps = list(self._steps)
        self._steps.clear()
        return steps
