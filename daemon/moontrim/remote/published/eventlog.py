"""What has happened in the last hours, for the page's log: commands, refusals, faults with how long
each lasted, overs, what the agenda did. Pure and bounded: it is fed with snapshots and notes.

One event stands for one thing from its beginning to its end. A fault of tracking and an over are
there as soon as they begin, without a duration; it is added at the end. The same refusal or fault
again, soon after, makes the event before it longer."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from moontrim.keying.sequence import Phase
from moontrim.remote.published.messages import encode, ms
from moontrim.state.snapshot import Fault, Snapshot, Tracking
from moontrim.tracking.commandlog import CommandNote

MOST_EVENTS = 60  # chosen: a phone's screen some ten times over
OLDEST_S = 12 * 3600.0  # chosen: longer than a pass of the Moon
MOST_BYTES = 15_000  # of a message; the broker's largest packet holds some more
MOST_CHARACTERS = 160  # of a text; chosen: four lines on a phone
MOST_OF_NAME = 40  # characters
AGAIN_S = 60.0  # chosen: the same within this time continues
ON_ITS_WAY_S = 3.0  # chosen: a dial off frequency for less was being set
JUST_ENDED_S = 1.0  # the radio's last report may be from before the end of an over of ours
# No faults: the Moon sets every day, and a pause is the operator's.
WELL = frozenset(
    {Tracking.ON_FREQUENCY, Tracking.HELD_KEYED, Tracking.PAUSED, Tracking.MOON_TOO_LOW}
)


@dataclass(slots=True)
class Event:
    """One event. lasted_s: None while it lasts, and for what has no duration."""

    at_utc_s: float
    kind: str
    by: str
    text: str
    lasted_s: float | None = None
    lasts: bool = False

    def end(self, utc_s: float) -> None:
        """Ends it."""
        self.lasts, self.lasted_s = False, max(0.0, utc_s - self.at_utc_s)

    def as_json(self) -> dict[str, Any]:
        """Returns it as the message shows it."""
        return {
            "at_ms": ms(self.at_utc_s),
            "kind": self.kind,
            "by": self.by[:MOST_OF_NAME],
            "text": self.text[:MOST_CHARACTERS],
            "lasted_s": None if self.lasted_s is None else round(self.lasted_s, 1),
        }


class EventLog:
    """The events of one run of the daemon, the oldest first.

    changed: something has since `message` was last called."""

    def __init__(self) -> None:
        self.changed = False
        self._events: list[Event] = []
        self._tracking: Tracking | None = None
        self._well: Tracking | None = None  # the last state without fault that has an event
        self._wrong: Event | None = None  # the present fault of tracking
        self._over: Event | None = None  # the present one, ours or not
        self._stuck: Event | None = None
        self._fault: Fault | None = None

    def add(self, now: Snapshot, notes: Iterable[CommandNote] = ()) -> None:
        """Takes a snapshot, and the notes since the one before."""
        for note in notes:
            self._note(note)
        for fault in now.faults_after(self._fault):
            self._once(fault.at_utc_s, "fault", "", fault.text)
        self._fault = now.last_fault
        self._follow_tracking(now)
        self._follow_over(now)
        self._follow_stuck(now)
        self._forget_old(now.utc_s)

    def message(self) -> dict[str, Any]:
        """Returns the log message: the latest events that fit, the newest last."""
        self.changed = False
        newest: list[dict[str, Any]] = []
        left = MOST_BYTES
        for event in reversed(self._events):
            shown = event.as_json()
            left -= len(encode(shown)) + 1
            if left < 0:
                break
            newest.append(shown)
        return {"events": newest[::-1]}

    def _note(self, note: CommandNote) -> None:
        done = note.outcome == "done"
        text = note.what if done else f"{note.what}: {note.outcome}"
        if note.by == "agenda":
            self._once(note.at_utc_s, "agenda", "", text)
        elif note.by == "guard":
            self._once(note.at_utc_s, "fault", "guard", note.outcome)
        elif not done:
            self._once(note.at_utc_s, "refused", note.by, text)
        elif note.what != "transmit":  # the over says it
            self._begin(note.at_utc_s, "command", note.by, text, lasts=False)

    def _follow_tracking(self, now: Snapshot) -> None:
        if now.tracking is self._tracking:
            return
        before, self._tracking = self._tracking, now.tracking
        self._end_wrong(now.utc_s)
        text = f"{now.tracking}: {now.reason}" if now.reason else str(now.tracking)
        if now.tracking not in WELL:
            if before is not None or now.tracking is not Tracking.STARTING:
                self._wrong = self._begin(now.utc_s, "fault", "", text)
            return
        keyed = now.tracking is Tracking.HELD_KEYED  # which the over says
        well = Tracking.ON_FREQUENCY if keyed else now.tracking
        if well is not self._well:
            self._well = well
            self._begin(now.utc_s, "tracking", "", str(well) if keyed else text, lasts=False)

    def _end_wrong(self, utc_s: float) -> None:
        """Ends the present fault of tracking; a dial that was only on its way leaves no event."""
        wrong, self._wrong = self._wrong, None
        if wrong is None:
            return
        wrong.end(utc_s)
        self.changed = True
        off_frequency = wrong.text.startswith(Tracking.OFF_FREQUENCY)
        if off_frequency and (wrong.lasted_s or 0.0) < ON_ITS_WAY_S:
            self._events = [event for event in self._events if event is not wrong]
        else:
            self._well = None

    def _follow_over(self, now: Snapshot) -> None:
        keying = now.keying
        by = ""
        if keying.who:
            by, text = keying.who, "keyed"
        elif (
            now.transmitting
            and keying.state is Phase.RELEASED
            and now.utc_s - keying.since_utc_s > JUST_ENDED_S
        ):
            text = "transmitting, keyed by other means"
        else:
            text = ""
        over = self._over
        if over is not None and (over.by, over.text) != (by, text):
            if over.by and keying.reasons:
                over.text += f"; ended: {'; '.join(keying.reasons)}"
            over.end(now.utc_s)
            self._over, self.changed = None, True
        if text and self._over is None:
            self._over = self._begin(now.utc_s, "keying", by, text)

    def _follow_stuck(self, now: Snapshot) -> None:
        stuck = "; ".join(now.keying.stuck)
        text = f"cannot unkey: {stuck}" if stuck else ""
        if self._stuck is not None and self._stuck.text != text:
            self._stuck.end(now.utc_s)
            self._stuck, self.changed = None, True
        if text and self._stuck is None:
            self._stuck = self._begin(now.utc_s, "fault", "", text)

    def _once(self, utc_s: float, kind: str, by: str, text: str) -> None:
        """Adds an event without a duration of its own, or makes the same one before it longer."""
        last = next((one for one in reversed(self._events) if one.kind == kind), None)
        if last is not None and (last.by, last.text, last.lasts) == (by, text, False):
            ended_utc_s = last.at_utc_s + (last.lasted_s or 0.0)
            if 0.0 <= utc_s - ended_utc_s <= AGAIN_S:
                last.end(utc_s)
                self.changed = True
                return
        self._begin(utc_s, kind, by, text, lasts=False)

    def _begin(self, utc_s: float, kind: str, by: str, text: str, *, lasts: bool = True) -> Event:
        event = Event(utc_s, kind, by, text, lasts=lasts)
        self._events.append(event)
        self.changed = True
        while len(self._events) > MOST_EVENTS:
            self._drop_one()
        return event

    def _drop_one(self) -> None:
        """Drops the oldest event of the kind that there is most of: many overs displace no fault.
        What lasts stays."""
        ended = [event for event in self._events if not event.lasts]
        ((most, _),) = Counter(event.kind for event in ended).most_common(1)
        oldest = next(event for event in ended if event.kind == most)
        self._events = [event for event in self._events if event is not oldest]

    def _forget_old(self, utc_s: float) -> None:
        recent = [
            event for event in self._events if event.lasts or utc_s - event.at_utc_s <= OLDEST_S
        ]
        if len(recent) != len(self._events):
            self._events, self.changed = recent, True
