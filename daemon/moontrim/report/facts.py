"""The sums of a session's seconds: time on frequency, residuals, gaps, overs, faults. Pure.

Counts what the journal contains and nothing else: a second without a row is missed, a row without a
dial tells nothing about the dial."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from moontrim.path.vectors import Array
from moontrim.report.recorded import Context, Recorded, RecordedFault
from moontrim.state.snapshot import Tracking

Mask = NDArray[np.bool_]

# Instants closer than this are the same. Chosen: the rows store theirs to the microsecond.
SAME_INSTANT_S = 0.001
# Standard deviation of a rounding error for a step of 1, which is that of the uniform distribution
# (JCGM 100:2008, 4.3.7).
ROUNDING_SIGMA = 1.0 / 12.0**0.5


@dataclass(frozen=True)
class Spell:
    """Consecutive seconds with something in common; the end is exclusive."""

    from_utc_s: int
    to_utc_s: int

    @property
    def seconds(self) -> int:
        """The number of seconds."""
        return self.to_utc_s - self.from_utc_s


@dataclass(frozen=True)
class StateTime:
    """The seconds in one tracking state. share: of all seconds expected."""

    name: str
    seconds: int
    share: float
    longest: Spell


@dataclass(frozen=True)
class Residuals:
    """The residuals of one dial over the seconds counted. p95_hz: size not exceeded by 95 % of
    them. max_hz: maximum size, without its sign. within_share: share of the seconds within half a
    dial step of the ideal."""

    seconds: int
    rms_hz: float
    p95_hz: float
    max_hz: float
    max_at_utc_s: int
    within_share: float


@dataclass(frozen=True)
class DialFacts:
    """The residuals of one dial, `receive` or `transmit`, where it was read back: while on
    frequency, while held because the radio transmits, and in any other second with correction on.
    step_hz: the dial step."""

    name: str
    step_hz: float
    on_frequency: Residuals | None
    held_keyed: Residuals | None
    otherwise: Residuals | None


@dataclass(frozen=True)
class Over:
    """One over: consecutive seconds in which the radio reported that it transmits. dial_hz,
    residual_hz: of the transmit dial in the first and the last of them, NaN where unknown."""

    spell: Spell
    dial_hz: tuple[float, float]
    residual_hz: tuple[float, float]


@dataclass(frozen=True)
class FaultFacts:
    """A fault and what followed. after: the state in the first second after it. recovered_s: from
    its beginning until on frequency again; None if that never came."""

    record: RecordedFault
    duration_s: float | None
    after: str
    recovered_s: float | None


@dataclass(frozen=True)
class ChoicePeriod:
    """Consecutive seconds with the same choices of the operator. recorded, on_frequency: numbers of
    seconds."""

    context: Context
    spell: Spell
    recorded: int
    on_frequency: int


@dataclass(frozen=True)
class Facts:
    """All facts of a session. expected: seconds from the first to the last row, which shares are
    of. states: the one with the most seconds first. dials: receive, transmit."""

    spell: Spell
    expected: int
    recorded: int
    on_frequency: int
    gaps: tuple[Spell, ...]
    states: tuple[StateTime, ...]
    dials: tuple[DialFacts, DialFacts]
    overs: tuple[Over, ...]
    faults: tuple[FaultFacts, ...]
    stretches: tuple[ChoicePeriod, ...]

    @property
    def missed(self) -> int:
        """The number of seconds without a row."""
        return self.expected - self.recorded

    @property
    def on_frequency_share(self) -> float:
        """The share of the expected seconds on frequency, 0 to 1."""
        return self.on_frequency / self.expected


def facts_of(recorded: Recorded) -> Facts:
    """Adds up a session, of at least one second."""
    utc_s = recorded.seconds.utc_s
    spell = Spell(int(utc_s[0]), int(utc_s[-1]) + 1)
    on = state_mask(recorded, Tracking.ON_FREQUENCY)
    return Facts(
        spell=spell,
        expected=spell.seconds,
        recorded=utc_s.size,
        on_frequency=int(on.sum()),
        gaps=tuple(Spell(int(a) + 1, int(b)) for a, b in pairwise(utc_s.tolist()) if b - a > 1.0),
        states=_states(recorded, spell.seconds),
        dials=(_dial(recorded, "receive", on), _dial(recorded, "transmit", on)),
        overs=_overs(recorded),
        faults=tuple(_fault(recorded, fault, on) for fault in recorded.faults),
        stretches=_stretches(recorded, on),
    )


def state_name(recorded: Recorded, code: float) -> str:
    """Returns the name of a tracking state; its code if the journal has no name for it."""
    return recorded.code_names.get("tracking", {}).get(int(code), f"state {code:g}")


def state_mask(recorded: Recorded, state: Tracking) -> Mask:
    """Returns which seconds are in this state, shape (n,)."""
    codes = [
        code for code, text in recorded.code_names.get("tracking", {}).items() if text == state
    ]
    return np.isin(recorded.seconds.tracking, codes)


def spells(utc_s: Array, where: Mask) -> list[Spell]:
    """Returns the runs of consecutive seconds in which `where` is true; a gap ends one."""
    at = np.flatnonzero(where)
    if not at.size:
        return []
    breaks = np.flatnonzero((np.diff(at) > 1) | (np.diff(utc_s[at]) > 1.0)) + 1
    starts, ends = np.r_[at[0], at[breaks]], np.r_[at[breaks - 1], at[-1]]
    return [Spell(int(utc_s[a]), int(utc_s[b]) + 1) for a, b in zip(starts, ends, strict=True)]


def residual_of(recorded: Recorded, name: str) -> Array:
    """Returns the residuals of the `receive` or `transmit` dial in Hz, shape (n,)."""
    seconds = recorded.seconds
    return seconds.rx_residual_hz if name == "receive" else seconds.tx_residual_hz


def step_hz_of(recorded: Recorded) -> float:
    """Returns the coarsest dial step of the bands used; 1 Hz where nothing is known."""
    known = recorded.station.bands
    used = {context.band for context in recorded.contexts.values()}
    return float(max((known[name].dial_resolution_hz for name in used if name in known), default=1))


def _states(recorded: Recorded, expected: int) -> tuple[StateTime, ...]:
    """Returns the time in each state."""
    seconds = recorded.seconds
    states = []
    for code, count in Counter(seconds.tracking.tolist()).most_common():
        longest = max(spells(seconds.utc_s, seconds.tracking == code), key=lambda s: s.seconds)
        states.append(StateTime(state_name(recorded, code), count, count / expected, longest))
    return tuple(states)


def _dial(recorded: Recorded, name: str, on: Mask) -> DialFacts:
    """Returns the residuals of the `receive` or `transmit` dial, while correction was on."""
    residual_hz, step_hz = residual_of(recorded, name), step_hz_of(recorded)
    paused = [context.id for context in recorded.contexts.values() if not context.correcting]
    known = np.isfinite(residual_hz) & ~np.isin(recorded.seconds.context_id, paused)
    held = state_mask(recorded, Tracking.HELD_KEYED)
    return DialFacts(
        name,
        step_hz,
        *(
            _residuals(recorded.seconds.utc_s, residual_hz, known & counted, step_hz)
            for counted in (on, held, ~(on | held))
        ),
    )


def _residuals(utc_s: Array, residual_hz: Array, counted: Mask, step_hz: float) -> Residuals | None:
    """Returns the residuals of the seconds counted; None without any."""
    if not counted.any():
        return None
    size_hz = np.abs(residual_hz[counted])
    worst = int(size_hz.argmax())
    return Residuals(
        seconds=int(counted.sum()),
        rms_hz=float(np.sqrt(np.mean(size_hz**2))),
        p95_hz=float(np.percentile(size_hz, 95.0)),
        max_hz=float(size_hz[worst]),
        max_at_utc_s=int(utc_s[counted][worst]),
        # Half a step, and a millihertz for what the stored numbers are rounded by.
        within_share=float(np.mean(size_hz <= step_hz / 2.0 + 0.001)),
    )


def _overs(recorded: Recorded) -> tuple[Over, ...]:
    """Returns the overs."""
    s = recorded.seconds
    overs = []
    for spell in spells(s.utc_s, s.transmitting == 1.0):
        first, last = np.searchsorted(s.utc_s, (spell.from_utc_s, spell.to_utc_s - 1))
        overs.append(
            Over(
                spell,
                (float(s.tx_dial_hz[first]), float(s.tx_dial_hz[last])),
                (float(s.tx_residual_hz[first]), float(s.tx_residual_hz[last])),
            )
        )
    return tuple(overs)


def _fault(recorded: Recorded, record: RecordedFault, on: Mask) -> FaultFacts:
    """Returns a fault with what followed it, from the first row on that holds for an instant not
    before its end."""
    at_utc_s = recorded.seconds.at_utc_s
    duration_s = None if record.to_utc_s is None else record.to_utc_s - record.from_utc_s
    end_utc_s = record.from_utc_s if record.to_utc_s is None else record.to_utc_s
    after = int(np.searchsorted(at_utc_s, end_utc_s - SAME_INSTANT_S))
    if record.to_utc_s is None or after == at_utc_s.size:
        return FaultFacts(record, duration_s, "the record ends", None)
    again = np.flatnonzero(on[after:])
    recovered_s = float(at_utc_s[after + again[0]]) - record.from_utc_s if again.size else None
    return FaultFacts(
        record, duration_s, state_name(recorded, recorded.seconds.tracking[after]), recovered_s
    )


def _stretches(recorded: Recorded, on: Mask) -> tuple[ChoicePeriod, ...]:
    """Returns the periods of the same choices, by the context of each row: choices during which no
    second was recorded do not show."""
    s = recorded.seconds
    edges = np.r_[0, np.flatnonzero(np.diff(s.context_id)) + 1, s.utc_s.size]
    periods = []
    for a, b in pairwise(edges.tolist()):
        context = recorded.contexts.get(int(s.context_id[a]))
        if context is not None:
            spell = Spell(int(s.utc_s[a]), int(s.utc_s[b - 1]) + 1)
            periods.append(ChoicePeriod(context, spell, b - a, int(on[a:b].sum())))
    return tuple(periods)
