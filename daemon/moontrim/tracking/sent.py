"""What the radio has transmitted in the last seconds, from the read-backs of its dials, for our own
echo of it. Pure: knows instants and hertz.

A read-back tells where a dial is, a little late. A step that was planned takes effect at its
planned instant, so a dial that is read back where such a step leads counts from that instant."""

from __future__ import annotations

from collections import deque

from moontrim.rig.view import LinkView
from moontrim.tuning.band import Band
from moontrim.tuning.echo import Sent
from moontrim.tuning.steps import Plan, Step

KEPT_S = 8.0  # an echo comes after 2.3 to 2.8 s, and is planned for up to 1.3 s ahead
# Chosen: a read-back may be so much later than its step, and a set's own duration; earlier by what
# a set is begun too soon.
LATE_S, EARLY_S = 0.25, 0.05


class SentHistory:
    """The frequencies transmitted, each from its instant on."""

    def __init__(self) -> None:
        self._entries: deque[Sent] = deque()
        self._planned: deque[Step] = deque()
        self._dial_hz: int | None = None  # that transmits; None: nothing does

    def entries(self) -> tuple[Sent, ...]:
        """Returns what was sent, in order of time."""
        return tuple(self._entries)

    def forget(self) -> None:
        """Begins anew: the operator listens elsewhere, or the clock was set."""
        self._entries.clear()
        self._planned.clear()
        self._dial_hz = None

    def plan(self, plan: Plan) -> None:
        """Takes the steps of the dial that transmits, as planned."""
        which = "tx" if plan.split else "rx"
        self._planned.extend(step for step in plan.steps if step.which == which)
        while self._planned and self._planned[0].at_utc_s < plan.start_utc_s - KEPT_S:
            self._planned.popleft()

    def observe(self, utc_s: float, link: LinkView, tx_band: Band) -> None:
        """Takes a read-back. A radio with two dials that does not tell whether it transmits is
        taken for one that does: its transmit dial is where it would."""
        rig = link.rig
        dial_hz = None
        if rig is not None and (rig.transmitting or (rig.transmitting is None and link.split)):
            dial_hz = rig.rx_dial_hz if rig.tx_dial_hz is None else rig.tx_dial_hz
        if dial_hz == self._dial_hz:
            return
        from_utc_s = utc_s
        if dial_hz is not None and self._dial_hz is not None:
            from_utc_s = self._planned_instant(utc_s, dial_hz, link.set_latency_s)
        self._dial_hz = dial_hz
        if self._entries and self._entries[-1].from_utc_s > utc_s:
            self._entries.clear()  # the clock was set back
        if self._entries:
            from_utc_s = max(from_utc_s, self._entries[-1].from_utc_s)
        on_air_hz = None if dial_hz is None else tx_band.on_air_hz(dial_hz)
        self._entries.append(Sent(from_utc_s, on_air_hz))
        while len(self._entries) > 1 and self._entries[1].from_utc_s < utc_s - KEPT_S:
            self._entries.popleft()

    def _planned_instant(self, utc_s: float, dial_hz: int, latency_s: float) -> float:
        """Returns when a dial went where it is read back at utc_s."""
        instants = (
            step.at_utc_s
            for step in self._planned  # a plan begins with what the last step of the one before set
            if step.dial_hz == dial_hz and -EARLY_S <= utc_s - step.at_utc_s <= LATE_S + latency_s
        )
        return next(instants, utc_s)
