"""Decides what to publish and when, from the snapshots of the daemon. Pure: it is given the time.

Instants are real, monotonic seconds, also in a rehearsal that runs a night in a minute: that must
not flood a phone.

States leave at most five a second. Routine ones keep a distance of a quarter of a second, so that
the effect of a command and bad news find room in the same second:

    snapshots   | | | | | | | | | |  (the tracker's steps, up to many a second)
    routine     |     |     |     |  every 0.25 s, or one heartbeat a second if nothing changes
    notable     at once, and the 0.6 s after it without the distance"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterable
from typing import Any

from moontrim.remote.published import messages, outlookmessages
from moontrim.remote.published.discovery import Announce
from moontrim.remote.published.eventlog import EventLog
from moontrim.remote.published.messages import RESTLESS, Post, encode, ms
from moontrim.remote.published.skedlist import listed, sked_list
from moontrim.remote.published.topics import Topics
from moontrim.remote.published.trace import ResidualTrace
from moontrim.state.snapshot import Fault, Outlook, Snapshot, Tonight, Tracking
from moontrim.tracking.commandlog import CommandNote

MOST_PER_S = 5  # states; chosen: smooth to watch, and light for a phone's radio link
HEARTBEAT_S = 1.0  # chosen: the tracker's own pace
ROUTINE_EVERY_S = 0.25  # leaves one state of the five for what is notable
EFFECT_S = 0.6  # a command shows on the dial within this time
DEAD_AFTER_S = 3.0  # chosen: three seconds that the tracker missed; then nothing is published
RESTLESS_EVERY_S = 1.0  # dashboards need these values no faster
OUTLOOK_EVERY_S = 1.0  # at most; matters in a rehearsal only
LOG_EVERY_S = 1.0  # at most
TRACE_EVERY_S = 5.0  # chosen: the page adds the newest seconds itself


class Feed:
    """The posts to publish for a sequence of snapshots: `add` takes each one, `wait_s` returns how
    long nothing is due, `take` returns what is due.

    boot: an identifier of this run of the daemon. announce: makes the message for hubs; None: there
    is none."""

    def __init__(self, topics: Topics, boot: str, announce: Announce | None = None) -> None:
        self._topics = topics
        self._boot = boot
        self._announce = announce
        self._announced: tuple[str, ...] | None = None  # with these skeds
        self._trace = ResidualTrace()
        self._log = EventLog()
        self._seq = itertools.count(1)
        self._now: Snapshot | None = None
        self._snapshot_s = 0.0  # when that snapshot came
        self._fresh = False  # it has not been published
        self._beat_s = 0.0  # when the next heartbeat is due
        self._awaited_until_s = -1.0  # until then states leave without the distance
        self._notable: object = None
        self._sent_s: deque[float] = deque(maxlen=MOST_PER_S)
        self._values: dict[str, str] = {}
        self._due_s: dict[str, float] = {}
        self._outlook: Outlook | None = None
        self._skeds: object = None
        self._tonight: list[Tonight | None] = []  # the one published; none yet
        self._tracking: Tracking | None = None
        self._fault: Fault | None = None

    def add(self, now: Snapshot, at_s: float, notes: Iterable[CommandNote] = ()) -> list[Post]:
        """Takes a new snapshot, and the commands noted since the one before, and returns the events
        in it. Everything else waits for `take`."""
        self._now, self._snapshot_s, self._fresh = now, at_s, True
        if (notable := _notable(now)) != self._notable:
            self._notable = notable
            self.expect(at_s)
        self._trace.add(now)
        self._log.add(now, notes)
        return self._events(now)

    def expect(self, at_s: float) -> None:
        """Lets the states of the next moment leave at once: a command may take effect."""
        self._awaited_until_s = at_s + EFFECT_S

    def announce_again(self) -> None:
        """Makes the message for hubs due: one has started."""
        self._announced = None
        self._fresh = self._now is not None

    def repeat(self, at_s: float) -> None:
        """Makes the state due at once, within the most of a second: somebody new waits for it."""
        self.expect(at_s)
        self._fresh = self._now is not None

    def start_over(self) -> None:
        """Makes everything due, for a new connection: the broker may be a new one."""
        self._values.clear()
        self._due_s.clear()
        self._sent_s.clear()
        self._outlook = self._skeds = None
        self._tonight = []
        self._log.changed = True
        self._announced = None
        self._fresh = self._now is not None

    def wait_s(self, at_s: float) -> float:
        """Returns for how many seconds no state is due; 0 if one is due now."""
        if not self._fresh:
            return max(0.0, self._beat_s - at_s)
        if not self._sent_s:
            return 0.0
        due_s = self._sent_s[0] + 1.0 if len(self._sent_s) == MOST_PER_S else at_s
        if self._snapshot_s > self._awaited_until_s:
            due_s = max(due_s, self._sent_s[-1] + ROUTINE_EVERY_S)
        return max(0.0, due_s - at_s)

    def take(self, at_s: float) -> list[Post]:
        """Returns what is due now. Without a recent snapshot that is nothing: silence shows others
        that the tracker does not run."""
        now, self._beat_s, self._fresh = self._now, at_s + HEARTBEAT_S, False
        if now is None or at_s - self._snapshot_s > DEAD_AFTER_S:
            return []
        self._sent_s.append(at_s)
        state = messages.state(now, self._boot, next(self._seq))
        posts = [self._retained(self._topics.state, state)]
        posts += self._changed_values(now, at_s)
        if (skeds := listed(now)) != self._skeds:
            self._skeds = skeds
            posts.append(self._retained(self._topics.skeds, sked_list(now)))
        names = tuple(sked.name for sked in now.skeds)
        if self._announce is not None and names != self._announced:
            self._announced = names
            posts.append(self._announce(names))
        posts += self._new_outlook(now.outlook, at_s)
        if self._log.changed and self._due("log", at_s, LOG_EVERY_S):
            posts.append(self._retained(self._topics.log, self._log.message()))
        if self._due("trace", at_s, TRACE_EVERY_S):
            posts.append(self._retained(self._topics.trace, self._trace.message()))
        return posts

    def _changed_values(self, now: Snapshot, at_s: float) -> list[Post]:
        restless_too = self._due("restless", at_s, RESTLESS_EVERY_S)
        posts = []
        for field, value in messages.values(now).items():
            if self._values.get(field) == value or (field in RESTLESS and not restless_too):
                continue
            self._values[field] = value
            posts.append(Post(self._topics.value(field), value.encode(), retain=True))
        return posts

    def _new_outlook(self, ahead: Outlook | None, at_s: float) -> list[Post]:
        # The tracker has a new one every minute, and when the operator chooses something; a
        # rehearsal's minutes are short.
        if ahead is None or ahead is self._outlook:
            return []
        if not self._due("outlook", at_s, OUTLOOK_EVERY_S):
            return []
        self._outlook = ahead
        posts = [self._retained(self._topics.outlook, outlookmessages.outlook(ahead))]
        if [ahead.tonight] != self._tonight:
            self._tonight = [ahead.tonight]
            message = outlookmessages.tonight(ahead.tonight)
            posts.append(self._retained(self._topics.tonight, message))
        return posts

    def _due(self, what: str, at_s: float, every_s: float) -> bool:
        if at_s < self._due_s.get(what, at_s):
            return False
        self._due_s[what] = at_s + every_s
        return True

    def _events(self, now: Snapshot) -> list[Post]:
        posts = []
        if self._tracking is not None and now.tracking is not self._tracking:
            text = f"{now.tracking}: {now.reason}" if now.reason else str(now.tracking)
            posts.append(self._event(now, "tracking", text))
        new = now.faults_after(self._fault)
        posts += [self._event(now, "fault", fault.text) for fault in new]
        self._tracking, self._fault = now.tracking, now.last_fault
        return posts

    def _event(self, now: Snapshot, what: str, text: str) -> Post:
        event = {"at_ms": ms(now.utc_s), "what": what, "text": text}
        return Post(self._topics.event, encode(event), 1)

    def _retained(self, topic: str, message: dict[str, Any]) -> Post:
        return Post(topic, encode(message), retain=True)


def _notable(now: Snapshot) -> object:
    """Returns what operators must see at once when it changes."""
    return (
        now.last_change,
        now.tracking,
        now.transmitting,
        now.tx_allowed,
        now.link.state,
        now.last_fault,
        now.undo_until_utc_s,
    )
