"""What the remote side publishes, and what becomes of commands, without any network: no payload may
crash it, and one that is refused changes nothing."""

import asyncio
import json
import math
from collections.abc import Coroutine
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from moontrim.clock.system import Clock
from moontrim.clock.virtual import VirtualClock
from moontrim.config.remote import RemoteSettings
from moontrim.config.settings import Settings, settings_from
from moontrim.config.sked import Sked
from moontrim.errors import BusyError, InputError, NotNowError
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.broker.accounts import LOCAL, PHONE, VIEWER, carries_clear_text
from moontrim.remote.commands.admission import Admission, AskTracker
from moontrim.remote.commands.arrival import Arrival
from moontrim.remote.commands.guards import BURST, SecondStep
from moontrim.remote.commands.parsing import COMMANDS, read_command
from moontrim.remote.commands.payload import LARGEST_BYTES, Refusal, read_body
from moontrim.remote.published import messages, outlookmessages
from moontrim.remote.published.feed import ROUTINE_EVERY_S, Feed
from moontrim.remote.published.messages import Post, encode
from moontrim.remote.published.skedlist import LARGEST, sked_list
from moontrim.remote.published.topics import Topics
from moontrim.remote.published.trace import SECONDS, ResidualTrace
from moontrim.session.commands import Command
from moontrim.session.session import Session, first_session
from moontrim.state.snapshot import (
    Change,
    DialView,
    Fault,
    MoonView,
    Outlook,
    Stretch,
    Tonight,
    Tracking,
    WindowView,
)
from moontrim.tracking.commandlog import CommandNote
from moontrim.tuning.correction import AGREEMENTS
from support.snapshots import WELL

T0 = 1_795_000_000.25
SETTINGS: Settings = settings_from(EMBEDDED, "test")
TOPICS = Topics("moontrim", "station")
NORTH = {"name": "north", "band": "10 GHz", "sked_hz": 10_368_120_000, "partner": "KP20"}
REPLY = "moontrim/station/reply/phone/p1"
DIAL = DialView(10_368_099_550.4321, -449.5679, 0.98765432, 144_099_550.43, 144_099_550, -0.4321)
SNAPSHOT = WELL._replace(
    utc_s=T0,
    tx_trim_hz=-12.5,
    transmitting=None,
    moon=MoonView(123.456, 12.345, None),
    rx=DIAL,
)
OUTLOOK = Outlook(
    T0, T0 + 3600, None, (WindowView(T0, T0 + 600, 31.26, None),), T0, 60.0, (1.25, -2.0), (0.0,)
)


class Tracker:
    """Applies commands as the tracker does, to a session and settings of its own."""

    def __init__(self, settings: Settings = SETTINGS) -> None:
        self.settings = settings
        self.session = first_session(settings)
        self.applied: list[Command] = []
        self.busy = False
        self.disk_s = 0.0
        self.disk_problem = ""

    async def unsaved(self, clock: Clock) -> str:
        await clock.sleep(self.disk_s)
        return self.disk_problem

    async def ask(self, command: Command) -> Session:
        if self.busy:
            raise BusyError("too many requests at once; try again")
        self.session = command.apply(self.session, self.settings)
        self.applied.append(command)
        return self.session


class Desk:
    """An admission with its tracker, on a clock that stands still unless told otherwise."""

    def __init__(
        self,
        commanders: frozenset[str] = frozenset({PHONE, LOCAL}),
        *,
        in_clear_text: bool = False,
        settings: Settings = SETTINGS,
    ) -> None:
        self.clock = VirtualClock(T0)
        self.tracker = Tracker(settings)
        self.admission = Admission(
            TOPICS,
            settings,
            lambda: self.tracker.session,
            commanders,
            self.clock,
            SecondStep(),
            in_clear_text=in_clear_text,
        )

    def run(self, scene: Coroutine[Any, Any, Any]) -> Any:
        return self.clock.run(scene)

    async def send(
        self, name: str, payload: object, account: str = PHONE, **more: Any
    ) -> list[Post]:
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        arrival = Arrival(TOPICS.command(account, name), data, self.clock.monotonic_s(), **more)
        return await self.handle(arrival, self.tracker.ask)

    async def handle(self, arrival: Arrival, ask: AskTracker) -> list[Post]:
        decided = await self.admission.decide(arrival, ask)
        return await self.admission.answers(decided, self.tracker.unsaved, self.clock.utc_s())

    async def ask(self, name: str, payload: object, **more: Any) -> dict[str, Any]:
        """The reply on the reply topic."""
        more.setdefault("reply_to", REPLY)
        (reply,) = [p for p in await self.send(name, payload, **more) if p.topic == REPLY]
        answer = json.loads(reply.payload)
        assert isinstance(answer, dict)
        return answer

    async def code(self, name: str, payload: object, **more: Any) -> str:
        answer = await self.ask(name, payload, **more)
        assert answer["ok"] is False
        assert set(answer["error"]) >= {"code", "message", "field", "value", "expected"}
        return str(answer["error"]["code"])


# --- what is published ----------------------------------------------------------------------------


def test_state_is_json_and_says_null_for_what_it_does_not_know() -> None:
    state = json.loads(encode(messages.state(SNAPSHOT, "0badcafe", 3)))
    assert state["at_ms"] == 1_795_000_000_250
    assert (state["seq"], state["boot"]) == (3, "0badcafe")
    assert state["tracking"] == "on frequency"
    assert state["sked_hz"] == 10_368_100_000
    assert isinstance(state["sked_hz"], int)
    assert state["tx_trim_hz"] == -12.5
    assert state["transmitting"] is None
    assert state["tx"] is None
    assert state["rx"]["dial_hz"] == 144_099_550
    assert state["rx"]["residual_hz"] == -0.432
    assert state["moon"]["azimuth_deg"] == pytest.approx(123.456, abs=0.006)
    assert state["moon"]["partner_elevation_deg"] is None
    assert state["last_fault"] is None
    full = SNAPSHOT._replace(
        moon=None,
        faults=(Fault(T0 - 9, "lost"), Fault(T0, "radio: gone")),
        last_change=Change("phone", "sked", T0 + 1),
        warnings=("w",),
    )
    state = json.loads(encode(messages.state(full, "0badcafe", 4)))
    assert state["moon"] is None
    assert state["last_fault"] == {"at_ms": 1_795_000_000_250, "text": "radio: gone"}
    assert state["last_change"]["by"] == "phone"
    assert state["warnings"] == ["w"]


def test_values_are_bare_and_never_empty() -> None:
    """An empty retained message would delete the topic."""
    values = messages.values(SNAPSHOT)
    assert values["sked_hz"] == "10368100000"
    assert values["rx_correction_hz"] == "-449.6"
    assert values["correcting"] == "on"
    assert values["transmitting"] == values["tx_dial_hz"] == values["tx_residual_hz"] == "unknown"
    assert all(values.values())
    nearly = messages.values(SNAPSHOT._replace(rx=DIAL._replace(residual_hz=-0.01)))
    assert nearly["rx_residual_hz"] == "0.0", "not -0.0"
    assert messages.values(SNAPSHOT._replace(moon=None))["moon_azimuth_deg"] == "unknown"


CALLED = Sked(name="north", band="10 GHz", sked_hz=10_368_120_000, note="é" * 200)


def test_the_sked_in_the_state() -> None:
    assert messages.values(SNAPSHOT)["sked"] == "none", "an empty one would delete the topic"
    known = SNAPSHOT._replace(
        sked="north", tx_sked_hz=10_368_121_000.0, partner="north", partner_place="KP20nf",
        undo_until_utc_s=T0 + 5.0,
    )  # fmt: skip
    state = json.loads(encode(messages.state(known, "0badcafe", 3)))
    assert (state["sked"], state["tx_sked_hz"]) == ("north", 10_368_121_000)
    assert (state["partner"], state["partner_place"]) == ("north", "KP20nf")
    assert state["undo_until_ms"] == state["at_ms"] + 5000
    assert json.loads(encode(messages.state(SNAPSHOT, "0badcafe", 3)))["undo_until_ms"] is None
    assert messages.values(known)["sked"] == "north"


def test_the_list_of_skeds_tells_what_can_be_chosen() -> None:
    other = CALLED.model_copy(update={"name": "gone", "band": "gone", "note": ""})
    known = SNAPSHOT._replace(
        skeds=(CALLED, other),
        made=frozenset({"gone"}),
        sked_problems=(("gone", "band: invalid value 'gone'; expected 10 GHz"),),
    )
    message = json.loads(encode(sked_list(known)))
    first, second = message["skeds"]
    assert first == {
        "name": "north", "band": "10 GHz", "sked_hz": 10_368_120_000, "tx_sked_hz": None,
        "partner": "self", "agreement": "halves", "over_s": None, "note": "é" * 200, "made": False,
        "problem": "",
    }  # fmt: skip
    assert second["made"] and second["problem"].startswith("band: invalid value")
    assert message["more"] == 0


@pytest.mark.parametrize(("count", "notes", "all_listed"), [(5, True, True), (40, False, True)])
def test_the_list_of_skeds_fits_into_a_packet(count: int, notes: bool, all_listed: bool) -> None:
    skeds = [CALLED.model_copy(update={"name": f"{number:02}"}) for number in range(count)]
    message = sked_list(SNAPSHOT._replace(skeds=tuple(skeds)))
    assert len(encode(message)) <= LARGEST
    assert bool(message["skeds"][0]["note"]) is notes
    assert (message["more"] == 0) is all_listed
    longest = [sked.model_copy(update={"name": f"{sked.name}{'é' * 38}"}) for sked in skeds * 20]
    message = sked_list(SNAPSHOT._replace(skeds=tuple(longest)))
    assert len(encode(message)) <= LARGEST
    assert message["more"] + len(message["skeds"]) == 20 * count and message["more"] > 0


def test_feed_publishes_the_skeds_when_they_change() -> None:
    feed = Feed(TOPICS, "0badcafe")

    def published(at_s: float) -> bool:
        return TOPICS.skeds in {post.topic for post in feed.take(at_s)}

    feed.add(SNAPSHOT, 0.0)
    assert published(0.0)
    feed.add(SNAPSHOT, 1.0)
    assert not published(1.0)
    feed.add(SNAPSHOT._replace(skeds=(CALLED,)), 2.0)
    assert published(2.0)
    feed.add(SNAPSHOT._replace(skeds=(CALLED,)), 3.0)
    assert not published(3.0)
    feed.start_over()
    assert published(3.1)


def test_outlook_and_info() -> None:
    outlook = json.loads(encode(outlookmessages.outlook(OUTLOOK)))
    assert outlook["moon_rises_ms"] is None
    assert outlook["windows"][0]["max_elevation_home_deg"] == 31.3
    assert outlook["windows"][0]["max_elevation_partner_deg"] is None
    assert outlook["correction_ahead"]["step_s"] == 60
    info = json.loads(encode(messages.info(SETTINGS, "0badcafe", COMMANDS)))
    assert info["bands"][0]["tx_high_hz"] == 10_370_000_000
    assert set(info["agreements"]) == set(AGREEMENTS)
    assert info["home"]["text"] == "IM12mr55mm"
    assert "transmit" in info["commands"]


def test_trace_is_by_seconds_with_gaps_and_of_bounded_size() -> None:
    trace = ResidualTrace()
    for second in (0, 1, 1, 4):
        residual_hz = 0.1 * second
        trace.add(SNAPSHOT._replace(utc_s=T0 + second, rx=DIAL._replace(residual_hz=residual_hz)))
    message = trace.message()
    assert message["rx_hz"] == [0.0, 0.1, None, None, 0.4]
    assert message["tx_hz"] == [None] * 5
    assert message["end_ms"] == (math.floor(T0) + 5) * 1000
    for second in range(5, 2000):
        far = DIAL._replace(residual_hz=-123_456_789.123)
        trace.add(SNAPSHOT._replace(utc_s=T0 + second, rx=far, tx=far))
    assert len(trace.message()["rx_hz"]) == SECONDS
    assert len(encode(trace.message())) < 16 * 1024 - 100
    trace.add(SNAPSHOT._replace(utc_s=T0 + 100))  # the clock was set back
    assert len(trace.message()["rx_hz"]) == 1


def test_feed_publishes_at_most_five_states_a_second_and_at_least_one() -> None:
    feed = Feed(TOPICS, "0badcafe")
    states: list[float] = []
    now_s, snapshot_s = 0.0, 0.0
    while now_s < 20.0:
        # ten seconds of a rehearsal at 100 snapshots a second, then one a second
        if now_s >= snapshot_s:
            feed.add(SNAPSHOT._replace(utc_s=T0 + now_s), now_s)
            snapshot_s += 0.01 if now_s < 10.0 else 1.0
        if feed.wait_s(now_s) == 0.0:
            posts = feed.take(now_s)
            states += [now_s for post in posts if post.topic == TOPICS.state]
            assert all(post.retain and post.qos == 0 for post in posts)
        now_s += 0.005
    for begin in range(0, 20):
        in_a_second = sum(begin <= s < begin + 1 for s in states)
        assert 1 <= in_a_second <= 5 + 1, (begin, in_a_second)
    assert len(states) <= 5 * 10 + 2 * 10 + 1


def test_feed_shows_at_once_what_someone_waits_for() -> None:
    feed = Feed(TOPICS, "0badcafe")
    feed.add(SNAPSHOT, 0.0)
    feed.take(0.0)
    step = SNAPSHOT._replace(rx=DIAL._replace(dial_hz=144_099_551))
    feed.add(step, 1.0)
    feed.take(1.0)
    feed.add(step, 1.1)
    assert feed.wait_s(1.1) == pytest.approx(ROUTINE_EVERY_S - 0.1), (
        "a step after the Moon is routine"
    )
    feed.expect(1.15)
    feed.add(step, 1.2)
    assert feed.wait_s(1.2) == 0.0, "what follows a command is not"
    feed.take(1.2)
    feed.add(step._replace(tracking=Tracking.NO_CONTACT), 2.5)
    assert feed.wait_s(2.5) == 0.0, "nor is bad news"


def test_feed_repeats_the_state_for_somebody_new() -> None:
    feed = Feed(TOPICS, "0badcafe")
    feed.repeat(0.0)
    assert feed.take(0.0) == [], "nothing is known yet"
    feed.add(SNAPSHOT, 0.0)
    feed.take(0.0)
    assert feed.wait_s(0.1) > 0.5
    feed.repeat(0.1)
    assert feed.wait_s(0.1) == 0.0
    assert feed.take(0.1)[0].topic == TOPICS.state
    for _ in range(20):
        feed.repeat(0.2)
        if feed.wait_s(0.2) == 0.0:
            feed.take(0.2)
    assert 0.7 < feed.wait_s(0.2) <= 0.8, "five a second at most"
    feed.repeat(5.0)
    assert feed.take(5.0) == [], "not what the tracker has left behind"


def test_feed_falls_silent_with_the_tracker() -> None:
    """Others judge by arrival whether the daemon does its work."""
    feed = Feed(TOPICS, "0badcafe")
    feed.add(SNAPSHOT, 0.0)
    assert feed.take(0.0)
    assert feed.wait_s(0.1) == pytest.approx(0.9)
    assert feed.take(1.0)
    assert feed.take(3.5) == []
    assert feed.wait_s(3.6) > 0.0, "and it must not spin meanwhile"
    feed.add(SNAPSHOT, 4.0)
    assert feed.wait_s(4.0) == 0.0
    assert feed.take(8.0) == [], "the process was paused meanwhile"
    assert feed.wait_s(8.0) > 0.0


def test_feed_publishes_what_changed_and_everything_after_a_new_connection() -> None:
    feed = Feed(TOPICS, "0badcafe")

    def topics(at_s: float) -> set[str]:
        return {post.topic.removeprefix("moontrim/station/") for post in feed.take(at_s)}

    feed.add(SNAPSHOT, 0.0)
    assert {"state", "trace", "value/band", "value/tx_dial_hz"} <= topics(0.0)
    feed.add(SNAPSHOT._replace(band="24 GHz", rx=DIAL._replace(correction_hz=1.0)), 0.3)
    assert topics(0.3) == {"state", "value/band"}, "corrections wait for the next second"
    feed.add(SNAPSHOT._replace(rx=DIAL._replace(correction_hz=2.0), outlook=OUTLOOK), 1.3)
    assert topics(1.3) == {
        "state",
        "value/band",
        "value/rx_correction_hz",
        "value/moon_sets",
        "tonight",
        "outlook",
    }
    feed.add(SNAPSHOT._replace(rx=DIAL._replace(correction_hz=2.0), outlook=OUTLOOK), 2.5)
    assert topics(2.5) == {"state"}
    feed.start_over()
    assert {"state", "trace", "outlook", "value/band"} <= topics(2.6)


def test_feed_publishes_tonight_when_it_is_new_and_the_log_once_a_second() -> None:
    feed = Feed(TOPICS, "0badcafe")
    curves = Tonight(T0, 300.0, (1.0, 2.0), None, (70.0, 71.0), None, (Stretch(T0, T0 + 1, 70.5),))

    def sent(at_s: float, what: str) -> list[Any]:
        topic = f"moontrim/station/{what}"
        return [json.loads(post.payload) for post in feed.take(at_s) if post.topic == topic]

    feed.add(SNAPSHOT._replace(outlook=replace(OUTLOOK, tonight=curves)), 0.0)
    (message,) = sent(0.0, "tonight")
    assert message["spread_hz"] == [70.0, 71.0] and message["partner_deg"] is None
    assert message["good"][0]["mean_spread_hz"] == 70.5
    again = replace(OUTLOOK, at_utc_s=T0 + 60, tonight=replace(curves))
    feed.add(SNAPSHOT._replace(outlook=again), 1.5)
    assert sent(1.5, "tonight") == [], "the same curves, a minute later"
    longer = replace(again, tonight=replace(curves, step_s=301.0))
    feed.add(SNAPSHOT._replace(outlook=longer), 3.0)
    assert len(sent(3.0, "tonight")) == 1
    feed.start_over()
    assert len(sent(3.1, "tonight")) == 1
    feed.add(SNAPSHOT._replace(outlook=replace(OUTLOOK, tonight=None)), 5.0)
    (nothing,) = sent(5.0, "tonight")
    assert nothing["home_deg"] == [] and nothing.keys() == message.keys()

    note = CommandNote(T0, "phone", "band 10 GHz", "done")
    feed.add(SNAPSHOT, 10.0, [note])
    (log,) = sent(10.0, "log")
    assert log["events"][-1]["text"] == "band 10 GHz"
    feed.add(SNAPSHOT, 10.2, [note._replace(what="band 24 GHz")])
    assert sent(10.5, "log") == [], "once a second"
    (log,) = sent(11.1, "log")
    assert log["events"][-1]["text"] == "band 24 GHz"
    assert sent(12.5, "log") == []
    feed.start_over()
    assert len(sent(12.6, "log")) == 1


def test_keying_in_the_state() -> None:
    may = SNAPSHOT._replace(keying_enabled=True, over_left_s=59.9)
    keying = messages.state(may, "0badcafe", 3)["keying"]
    assert (keying["enabled"], keying["may"], keying["interlocks"]) == (True, True, [])
    assert keying["over_left_s"] == 59, "never more than there is"
    not_now = may._replace(interlocks=("transmit is inhibited",), over_left_s=None)
    keying = messages.state(not_now, "0badcafe", 3)["keying"]
    assert (keying["may"], keying["interlocks"]) == (False, ["transmit is inhibited"])
    assert keying["over_left_s"] is None
    assert messages.state(SNAPSHOT, "0badcafe", 3)["keying"]["may"] is False, "not set up"


def test_events_tell_faults_and_changes_of_tracking_once() -> None:
    feed = Feed(TOPICS, "0badcafe")
    assert feed.add(SNAPSHOT, 0.0) == []
    lost = SNAPSHOT._replace(
        tracking=Tracking.NO_CONTACT,
        reason="no answer",
        faults=(Fault(T0, "silent"), Fault(T0, "gone")),
    )
    events = [json.loads(post.payload) for post in feed.add(lost, 1.0)]
    assert [(e["what"], e["text"]) for e in events] == [
        ("tracking", "no contact with radio: no answer"),
        ("fault", "silent"),
        ("fault", "gone"),
    ]
    assert feed.add(lost, 2.0) == []
    more = lost._replace(faults=(*lost.faults, Fault(T0, "gone")))
    assert len(feed.add(more, 3.0)) == 1, "the same words, but at another time"


# --- topics ---------------------------------------------------------------------------------------


def test_command_topics() -> None:
    assert TOPICS.account_and_command("moontrim/station/cmd/phone/band") == ("phone", "band")
    for other in (
        "moontrim/station/cmd/phone",
        "moontrim/station/cmd/phone/band/x",
        "moontrim/other/cmd/phone/band",
        "phone/band",
        "",
    ):
        assert TOPICS.account_and_command(other) is None, other


@pytest.mark.parametrize(
    "topic",
    [
        "moontrim/station/state",
        "moontrim/station/cmd/phone/band",
        "moontrim/station/reply/viewer/p1",
        "moontrim/station/reply/phone/",
        "moontrim/station/reply/phone",
        "moontrim/station/reply/phone/a/b",
        "moontrim/station/reply/phone/+",
        "moontrim/station/reply/phone/#",
        "moontrim/station/reply/phone/a\n",
        "moontrim/station/reply/phone/" + "a" * 65,
        "homeassistant/device/x/config",
        "",
    ],
)
def test_replies_go_nowhere_else(topic: str) -> None:
    assert TOPICS.is_reply(REPLY, PHONE)
    assert not TOPICS.is_reply(topic, PHONE)
    desk = Desk()

    async def scene() -> None:
        for more in ({"reply_to": topic}, {"payload": {"by_hz": 10, "reply_to": topic}}):
            payload = more.pop("payload", {"by_hz": 10})
            (event,) = await desk.send("nudge", payload, **more)
            assert event.topic == TOPICS.event
            assert "invalid reply topic" in json.loads(event.payload)["text"]
        assert desk.tracker.applied == []

    desk.run(scene())


@given(st.text(max_size=100))
def test_no_client_name_leads_out_of_the_reply_tree(client: str) -> None:
    topic = f"moontrim/station/reply/phone/{client}"
    if TOPICS.is_reply(topic, PHONE):
        assert topic.count("/") == 4
        assert topic.isascii()
        assert not set(topic) & {"+", "#", "\0", "\n"}


# --- commands -------------------------------------------------------------------------------------

GOOD: list[tuple[str, Any, dict[str, Any]]] = [
    ("band", {"band": "10 GHz"}, {"band": "10 GHz", "sked_hz": 10_368_100_000}),
    ("band", "10 GHz", {"band": "10 GHz"}),
    ("band", b"10 GHz", {"band": "10 GHz"}),
    ("frequency", {"hz": 10_368_123_456}, {"sked_hz": 10_368_123_456}),
    ("frequency", 10_368_123_456, {"sked_hz": 10_368_123_456}),
    ("frequency", b"10368123456.5", {"sked_hz": 10_368_123_456.5}),
    ("nudge", {"by_hz": -10}, {"sked_hz": 10_368_099_990}),
    ("nudge", b"+10", {"sked_hz": 10_368_100_010}),
    ("agreement", {"agreement": "receiver"}, {"agreement": "receiver"}),
    ("agreement", b"home", {"agreement": "home"}),
    ("partner", {"partner": "KP20"}, {"partner": "KP20"}),
    ("partner", b"self", {"partner": "self"}),
    ("partner", {"partner": "60.2,25.1,60"}, {"partner": "60.20000,25.10000,60"}),
    ("trim", {"rx_hz": 5}, {"rx_trim_hz": 5}),
    ("trim", {"rx_hz": 5, "tx_hz": -7.5}, {"rx_trim_hz": 5, "tx_trim_hz": -7.5}),
    ("correction", {"on": False}, {"correcting": False}),
    ("correction", b"OFF", {"correcting": False}),
    ("correction", True, {"correcting": True}),
    ("transmit", {"allowed": False}, {"tx_allowed": False}),
    ("transmit", b"off", {"tx_allowed": False}),
    ("readback", {}, {}),
    ("readback", b"", {}),
    ("save_sked", NORTH, {}),
    ("save_sked", NORTH | {"over_s": 30, "note": "they begin", "agreement": "receiver"}, {}),
    ("undo", {}, {"band": "10 GHz", "sked": ""}),
    ("undo", b"", {"band": "10 GHz"}),
]


@pytest.mark.parametrize(("name", "payload", "result"), GOOD, ids=str)
def test_good_commands(name: str, payload: Any, result: dict[str, Any]) -> None:
    desk = Desk()
    answer = desk.run(desk.ask(name, payload))
    assert answer["ok"] is True
    assert result.items() <= answer["result"].items()
    assert len(desk.tracker.applied) == 1
    assert desk.tracker.applied[0].source == PHONE


BAD: list[tuple[str, Any, str, str | None]] = [
    ("band", b"", "bad_value", "band"),
    ("band", {"band": "11 GHz"}, "bad_value", "band"),
    ("band", {"band": 10}, "bad_value", "band"),
    ("band", {"name": "10 GHz"}, "bad_value", "band"),
    ("band", {"band": "10 GHz", "hz": 5}, "bad_value", "hz"),
    ("band", {"band": "x" * 65}, "bad_value", "band"),
    ("band", {"band": "10\u0000GHz"}, "bad_value", "band"),
    ("frequency", {"hz": "10368100000"}, "bad_value", "hz"),
    ("frequency", {"hz": True}, "bad_value", "hz"),
    ("frequency", b"true", "bad_value", "hz"),
    ("frequency", {"hz": 1}, "out_of_range", "hz"),
    ("frequency", {"hz": -10_368_100_000}, "out_of_range", "hz"),
    ("frequency", b'{"hz": 1e999}', "out_of_range", "hz"),
    ("frequency", b'{"hz": NaN}', "bad_json", None),
    ("frequency", b"NaN", "bad_value", "hz"),
    ("frequency", b"9" * 4000, "bad_value", "hz"),
    ("frequency", b'{"hz": ' + b"9" * 4000 + b"}", "out_of_range", "hz"),
    ("frequency", b'{"hz": 10368100000, "hz": 10368200000}', "bad_json", None),
    ("nudge", {"by_hz": 1e9}, "out_of_range", "hz"),
    ("nudge", {}, "bad_value", "by_hz"),
    ("agreement", {"agreement": "thirds"}, "bad_value", "agreement"),
    ("partner", {"partner": "nowhere"}, "bad_value", "partner"),
    ("partner", {"partner": None}, "bad_value", "partner"),
    ("trim", {}, "bad_value", "rx_hz"),
    ("trim", b"5", "bad_value", "payload"),
    ("trim", {"rx_hz": 100_001}, "out_of_range", "rx_hz"),
    ("correction", {"on": 1}, "bad_value", "on"),
    ("correction", {"on": "on"}, "bad_value", "on"),
    ("correction", b"perhaps", "bad_value", "on"),
    ("transmit", {"allowed": True}, "confirm", "confirm"),
    ("transmit", b"on", "confirm", "confirm"),
    ("transmit", {"allowed": True, "confirm": "0123456789abcdef"}, "confirm", "confirm"),
    ("transmit", {"allowed": True, "confirm": 5}, "bad_value", "confirm"),
    ("readback", b"now", "bad_value", "payload"),
    ("fire", {}, "unknown_command", "command"),
    ("sked", {"sked": "north"}, "bad_value", "sked"),
    ("sked", b"north", "bad_value", "sked"),
    ("sked", {"hz": 10_368_100_000}, "bad_value", "sked"),
    ("undo", b"now", "bad_value", "payload"),
    ("remove_sked", {"sked": "north"}, "bad_value", "sked"),
    ("save_sked", {}, "bad_value", "name"),
    ("save_sked", b"north", "bad_value", "payload"),
    ("save_sked", NORTH | {"name": " "}, "bad_value", "name"),
    ("save_sked", NORTH | {"name": "a\u0000b"}, "bad_value", "name"),
    ("save_sked", NORTH | {"name": "x" * 41}, "bad_value", "name"),
    ("save_sked", NORTH | {"band": "11 GHz"}, "bad_value", "band"),
    ("save_sked", NORTH | {"sked_hz": "10368120000"}, "bad_value", "sked_hz"),
    ("save_sked", NORTH | {"sked_hz": 10_368_120_000.5}, "bad_value", "sked_hz"),
    ("save_sked", NORTH | {"sked_hz": 1}, "out_of_range", "sked_hz"),
    ("save_sked", NORTH | {"tx_sked_hz": 1}, "out_of_range", "tx_sked_hz"),
    ("save_sked", NORTH | {"partner": "nowhere"}, "bad_value", "partner"),
    ("save_sked", NORTH | {"partner": "self", "agreement": "home"}, "bad_value", "agreement"),
    ("save_sked", NORTH | {"over_s": 0}, "bad_value", "over_s"),
    ("save_sked", NORTH | {"note": "x" * 201}, "bad_value", "note"),
    ("save_sked", NORTH | {"x" * 900: 1}, "bad_value", "x" * 61 + "..."),
    ("frequency", b"{", "bad_json", None),
    ("frequency", b"[1]", "bad_json", None),
    ("frequency", b"[" * 4000, "bad_json", None),
    ("frequency", b'{"a":' * 800, "bad_json", None),
    ("frequency", b"\xff\xfe", "bad_json", None),
    ("frequency", b"1" * (LARGEST_BYTES + 1), "too_large", None),
    ("frequency", {"hz": 10_368_100_000, "id": ["x"]}, "bad_value", "id"),
    ("frequency", {"hz": 10_368_100_000, "id": "x" * 65}, "bad_value", "id"),
]


@pytest.mark.parametrize(("name", "payload", "code", "field"), BAD, ids=lambda v: str(v)[:40])
def test_bad_commands_say_why_and_change_nothing(
    name: str, payload: Any, code: str, field: str | None
) -> None:
    desk = Desk()
    before = desk.tracker.session
    answer = desk.run(desk.ask(name, payload))
    assert answer["ok"] is False
    error = answer["error"]
    assert (error["code"], error["field"]) == (code, field)
    assert error["message"]
    assert len(json.dumps(answer)) < 1000
    assert desk.tracker.session is before


def test_a_sked_is_saved_chosen_and_removed() -> None:
    desk = Desk()
    saved = NORTH | {"tx_sked_hz": 10_368_121_000, "over_s": 30}

    async def scene() -> None:
        assert (await desk.ask("save_sked", saved))["saved"] is True
        assert (await desk.ask("trim", {"rx_hz": 5}))["ok"]
        chosen = (await desk.ask("sked", b"NORTH"))["result"]
        assert chosen == {
            "band": "10 GHz", "sked_hz": 10_368_120_000, "rx_trim_hz": 0, "tx_trim_hz": 0,
            "front_end": "10 GHz", "tx_allowed": True, "sked": "north",
            "tx_sked_hz": 10_368_121_000, "partner": "KP20", "agreement": "halves",
        }  # fmt: skip
        assert (await desk.ask("remove_sked", {"sked": "North"}))["ok"]
        refused = (await desk.ask("sked", {"sked": "north"}))["error"]
        assert refused["expected"] == "the name of a sked; there are none"

    desk.run(scene())


def test_an_unknown_sked_is_answered_with_some_names() -> None:
    desk = Desk()

    async def scene() -> None:
        for number in range(30):
            await desk.ask("save_sked", NORTH | {"name": f"{number:02} {'x' * 37}"})
            await desk.clock.sleep(1.0)
        answer = await desk.ask("sked", b"none")
        assert answer["error"]["expected"].endswith("x and 18 more")
        assert len(json.dumps(answer)) < 1500

    desk.run(scene())


def test_who_may_not_command_is_told_so() -> None:
    desk = Desk()
    viewer = "moontrim/station/reply/viewer/v1"

    async def scene() -> None:
        for account in (VIEWER, "stranger", "daemon", "hub"):
            reply_to = viewer.replace("viewer", account)
            reply, event = await desk.send(
                "correction", {"on": False}, account=account, reply_to=reply_to
            )
            assert json.loads(reply.payload)["error"]["code"] == "not_allowed"
            assert json.loads(event.payload)["ok"] is False
        assert desk.tracker.applied == []

    desk.run(scene())


def test_retained_commands_are_refused_and_cleared() -> None:
    desk = Desk()

    async def scene() -> None:
        clear, reply, _event = await desk.send(
            "nudge", {"by_hz": 10}, retained=True, reply_to=REPLY
        )
        assert clear == Post("moontrim/station/cmd/phone/nudge", b"", 1, True)
        assert json.loads(reply.payload)["error"]["code"] == "retained"
        assert await desk.send("nudge", b"", retained=True) == []
        assert desk.tracker.applied == []

    desk.run(scene())


@pytest.mark.parametrize("name", COMMANDS)
def test_in_clear_text_only_forbidding_is_carried_out(name: str) -> None:
    desk = Desk(in_clear_text=True)
    payload = {
        "band": "10 GHz", "frequency": 10_368_105_000, "nudge": 10, "sked": "north", "undo": {},
        "save_sked": NORTH, "remove_sked": "north", "agreement": "receiver",
        "partner": "self", "trim": {"rx_hz": 5}, "correction": False, "readback": {},
        "transmit": {"allowed": True},
    }[name]  # fmt: skip

    async def scene() -> None:
        assert await desk.code(name, payload) == "not_allowed"
        assert desk.tracker.applied == []
        assert (await desk.ask("transmit", {"allowed": False}))["ok"] is True
        assert len(desk.tracker.applied) == 1

    desk.run(scene())


def test_a_reply_waits_for_the_disk_and_forbidding_does_not_wait_for_it() -> None:
    desk = Desk()

    async def scene() -> None:
        desk.tracker.disk_s = 1.0
        first = asyncio.create_task(desk.ask("nudge", b"10"))
        await desk.clock.sleep(0.1)
        forbidding = asyncio.create_task(desk.ask("transmit", b"off"))
        await desk.clock.sleep(0.1)
        assert not desk.tracker.session.tx_allowed, "forbidden at once"
        assert not first.done() and not forbidding.done(), "and not acknowledged before it is saved"
        assert (await first)["saved"] is (await forbidding)["saved"] is True
        assert desk.clock.monotonic_s() == pytest.approx(1.1)

    desk.run(scene())


@pytest.mark.parametrize(
    ("table", "in_clear_text"),
    [
        ({}, False),
        ({"broker": "127.0.0.1"}, False),
        ({"broker": "localhost"}, False),
        ({"broker": "10.42.0.7"}, True),
        ({"broker": "hub.local"}, True),
        ({"broker": "hub.local", "tls": True}, False),
    ],
)
def test_which_brokers_carry_clear_text(table: dict[str, Any], in_clear_text: bool) -> None:
    assert carries_clear_text(RemoteSettings(**table)) is in_clear_text


def test_a_disk_that_refuses_is_in_the_reply() -> None:
    desk = Desk()

    async def scene() -> None:
        desk.tracker.disk_problem = "No space left on device"
        reply = await desk.ask("transmit", b"off")
        assert reply["ok"] and reply["result"] == {"tx_allowed": False}
        assert (reply["saved"], reply["unsaved"]) == (False, "No space left on device")
        assert "saved" not in await desk.ask("band", b"none such"), "nothing was to be saved"

    desk.run(scene())


def test_expired_commands() -> None:
    desk = Desk()

    async def scene() -> None:
        arrival = Arrival(
            TOPICS.command(PHONE, "nudge"), b"10", desk.clock.monotonic_s(), expires_s=5.0
        )
        ask = desk.tracker.ask
        await desk.clock.sleep(4.9)
        await desk.handle(arrival, ask)
        assert len(desk.tracker.applied) == 1
        await desk.clock.sleep(0.2)
        (event,) = await desk.handle(arrival, ask)
        assert "expired" in json.loads(event.payload)["text"]
        late = replace(arrival, at_s=desk.clock.monotonic_s(), age_s=6.0)
        (event,) = await desk.handle(late, ask)
        assert "expired" in json.loads(event.payload)["text"]
        assert len(desk.tracker.applied) == 1

    desk.run(scene())


def test_the_same_command_twice_is_done_once() -> None:
    desk = Desk()
    nudge = {"by_hz": 10, "id": "a1"}

    async def scene() -> None:
        first = await desk.ask("nudge", nudge)
        done = {"ok": True, "id": "a1", "result": {"sked_hz": 10_368_100_010}}
        assert first == {**done, "saved": True, "unsaved": None}
        assert await desk.ask("nudge", nudge) == first
        assert len(desk.tracker.applied) == 1
        posts = await desk.send("nudge", nudge, reply_to=REPLY)
        assert [post.topic for post in posts] == [REPLY], "no event: nothing happened"
        # another command under the same id is not taken for the same
        assert await desk.code("nudge", {"by_hz": 20, "id": "a1"}) == "bad_value"
        # another client, and an integer that reads alike, are others
        await desk.send("nudge", nudge, reply_to=REPLY + "x")
        await desk.send("nudge", nudge, account=LOCAL)
        await desk.send("nudge", {"by_hz": 10, "id": 1}, reply_to=REPLY)
        await desk.send("nudge", {"by_hz": 10, "id": "1"}, reply_to=REPLY)
        assert len(desk.tracker.applied) == 5
        # a refusal is repeated as well
        refused = await desk.ask("frequency", {"hz": 1, "id": "a2"})
        assert await desk.ask("frequency", {"hz": 1, "id": "a2"}) == refused
        # correlation data does as well as an id
        for _ in range(2):
            await desk.send("nudge", {"by_hz": 1}, reply_to=REPLY, correlation=b"\xff\x00")
        assert len(desk.tracker.applied) == 6
        await desk.clock.sleep(30.1)
        await desk.ask("nudge", nudge)
        assert len(desk.tracker.applied) == 7

    desk.run(scene())


def test_correlation_data_comes_back() -> None:
    desk = Desk()

    async def scene() -> None:
        reply, _event = await desk.send("readback", {}, reply_to=REPLY, correlation=b"\x00\xff7")
        assert reply.correlation == b"\x00\xff7"

    desk.run(scene())


def test_permitting_is_for_the_front_end_of_both_steps() -> None:
    """Another client chooses another band between the two."""
    direct = {"name": "144 MHz", "sked_hz": 144_120_000}
    direct |= {"tx_low_hz": 144_000_000, "tx_high_hz": 146_000_000}
    desk = Desk(settings=settings_from(EMBEDDED | {"bands": [*EMBEDDED["bands"], direct]}, "test"))

    async def first_step() -> dict[str, Any]:
        error = (await desk.ask("transmit", {"allowed": True}))["error"]
        assert error["code"] == "confirm"
        return dict(error)

    async def scene() -> None:
        asked = await first_step()
        assert "with front end 10 GHz connected" in asked["message"]
        changed = (await desk.ask("band", {"band": "144 MHz"}))["result"]
        assert changed.items() >= {"front_end": "direct", "tx_allowed": False}.items()
        second = {"allowed": True, "confirm": asked["confirm_token"]}
        assert await desk.code("transmit", second) == "confirm"
        assert not desk.tracker.session.tx_allowed
        asked = await first_step()
        assert "with front end direct connected" in asked["message"]
        second = {"allowed": True, "confirm": asked["confirm_token"]}
        assert (await desk.ask("transmit", second))["ok"]
        assert desk.tracker.session.front_end == "direct"

    desk.run(scene())


def test_permitting_to_transmit_takes_a_second_step() -> None:
    desk = Desk()

    async def first_step(**more: Any) -> str:
        answer = await desk.ask("transmit", {"allowed": True}, **more)
        assert answer["error"]["code"] == "confirm"
        return str(answer["error"]["confirm_token"])

    async def scene() -> None:
        await desk.ask("transmit", {"allowed": False})
        token = await first_step()
        assert not desk.tracker.session.tx_allowed
        second = {"allowed": True, "confirm": token}
        assert (await desk.ask("transmit", second))["result"] == {"tx_allowed": True}
        assert desk.tracker.session.tx_allowed
        await desk.ask("transmit", {"allowed": False})
        assert await desk.code("transmit", second) == "confirm", "good once"
        token = await first_step()
        await desk.clock.sleep(10.1)
        late = {"allowed": True, "confirm": token}
        assert await desk.code("transmit", late) == "confirm", "for ten seconds"
        token = await first_step()
        await desk.send("transmit", {"allowed": True, "confirm": token}, account=LOCAL)
        assert not desk.tracker.session.tx_allowed, "for the one who asked"
        token = await first_step()
        await desk.send("transmit", {"allowed": False}, account=LOCAL)
        overtaken = {"allowed": True, "confirm": token}
        assert await desk.code("transmit", overtaken) == "confirm", "unless forbidden since"
        assert not desk.tracker.session.tx_allowed
        (event,) = await desk.send("transmit", {"allowed": True})
        assert not json.loads(event.payload)["ok"], "no token without a place for it to go"
        assert not any(c in event.payload.decode() for c in ("token", token))

    desk.run(scene())


@pytest.mark.parametrize("trim", [{"rx_hz": 1000.5}, {"tx_hz": -1500}, {"rx_hz": 5, "tx_hz": 2000}])
def test_a_large_trim_takes_a_second_step(trim: dict[str, float]) -> None:
    desk = Desk()

    async def scene() -> None:
        answer = await desk.ask("trim", trim)
        assert answer["error"]["code"] == "confirm" and not desk.tracker.applied
        token = answer["error"]["confirm_token"]
        other = {"rx_hz": 1999, "confirm": token}
        assert await desk.code("trim", other) == "confirm", "for that trim alone"
        token = (await desk.ask("trim", trim))["error"]["confirm_token"]
        permit = {"allowed": True, "confirm": token}
        assert await desk.code("transmit", permit) == "confirm", "for no other command"
        token = (await desk.ask("trim", trim))["error"]["confirm_token"]
        done = await desk.ask("trim", trim | {"confirm": token})
        assert done["result"] == {name.replace("_", "_trim_"): hz for name, hz in trim.items()}
        assert await desk.code("trim", trim | {"confirm": token}) == "confirm", "good once"

    desk.run(scene())


def test_a_small_trim_takes_one_step_and_one_beyond_the_band_none() -> None:
    desk = Desk()

    async def scene() -> None:
        assert (await desk.ask("trim", {"rx_hz": -1000, "tx_hz": 1000}))["ok"]
        token = (await desk.ask("trim", {"rx_hz": 90_000}))["error"]["confirm_token"]
        refused = await desk.ask("trim", {"rx_hz": 90_000, "confirm": token})
        assert (refused["error"]["code"], refused["error"]["field"]) == ("out_of_range", "rx_hz")
        assert "-20 736 to 20 736 Hz" in refused["error"]["expected"]

    desk.run(scene())


def test_a_client_gone_wild_is_held_up_and_others_are_not() -> None:
    desk = Desk()

    async def scene() -> None:
        answers = [await desk.ask("nudge", {"by_hz": 1}) for _ in range(2 * int(BURST))]
        done = sum(answer["ok"] for answer in answers)
        assert done == BURST
        assert {a["error"]["code"] for a in answers if not a["ok"]} == {"busy"}
        await desk.send("nudge", {"by_hz": 1}, account=LOCAL)
        assert len(desk.tracker.applied) == BURST + 1
        await desk.clock.sleep(1.0)
        assert (await desk.ask("nudge", {"by_hz": 1}))["ok"]

    desk.run(scene())


def test_busy_may_be_tried_again_under_the_same_id() -> None:
    desk = Desk()

    async def scene() -> None:
        desk.tracker.busy = True
        assert await desk.code("nudge", {"by_hz": 10, "id": 1}) == "busy"
        desk.tracker.busy = False
        assert (await desk.ask("nudge", {"by_hz": 10, "id": 1}))["ok"]
        posts = desk.admission.too_many(
            Arrival(TOPICS.command(PHONE, "nudge"), b"1", 0.0, reply_to=REPLY), T0
        )
        assert json.loads(posts[0].payload)["error"]["code"] == "busy"

    desk.run(scene())


def test_what_the_present_state_forbids_is_refused_with_the_reason() -> None:
    desk = Desk()

    async def keyed(command: Command) -> Session:
        raise NotNowError("transmitting: unkey first")

    async def scene() -> None:
        arrival = Arrival(TOPICS.command(PHONE, "nudge"), b"10", 0.0, reply_to=REPLY)
        reply, event = await desk.handle(arrival, keyed)
        error = json.loads(reply.payload)["error"]
        assert (error["code"], error["message"]) == ("not_now", "transmitting: unkey first")
        assert json.loads(event.payload)["text"] == "transmitting: unkey first"

    desk.run(scene())


def test_a_fault_of_ours_is_told_as_such() -> None:
    desk = Desk()

    async def broken(command: Command) -> Session:
        raise ZeroDivisionError

    async def silent(command: Command) -> Session:
        await desk.clock.sleep(1e9)
        raise AssertionError

    async def scene() -> None:
        for ask in (broken, silent):
            arrival = Arrival(
                TOPICS.command(PHONE, "readback"), b"", desk.clock.monotonic_s(), reply_to=REPLY
            )
            reply, _event = await desk.handle(arrival, ask)
            assert json.loads(reply.payload)["error"]["code"] == "internal"

    desk.run(scene())


# --- anything at all ------------------------------------------------------------------------------

_scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80)
_json = st.recursive(
    _scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=6,
)
_fields = st.sampled_from(
    ["band", "hz", "by_hz", "agreement", "partner", "rx_hz", "tx_hz", "on", "allowed", "confirm",
     "id", "reply_to", "sked", "name", "sked_hz", "tx_sked_hz", "over_s", "note"]
)  # fmt: skip
_bodies = st.dictionaries(_fields, _json, max_size=4).map(lambda b: json.dumps(b).encode())
_mutated = st.tuples(
    st.sampled_from([json.dumps(p).encode() for _, p, _ in GOOD if not isinstance(p, bytes)]),
    st.integers(0, 60),
    st.binary(max_size=4),
).map(lambda t: t[0][: t[1]] + t[2] + t[0][t[1] + len(t[2]) :])
PAYLOADS = (
    st.binary(max_size=200) | _bodies | _json.map(lambda v: json.dumps(v).encode()) | _mutated
)
NAMES = st.sampled_from(COMMANDS) | st.text(max_size=20)


@given(NAMES, PAYLOADS)
@hypothesis_settings(max_examples=800, deadline=None)
def test_any_payload_is_a_command_or_a_refusal(name: str, payload: bytes) -> None:
    session = first_session(SETTINGS)
    try:
        asked = read_command(name, read_body(payload), "phone")
    except Refusal as refusal:
        assert refusal.code in {
            "bad_json", "unknown_command", "bad_value", "out_of_range", "too_large",
            "bad_reply_topic",
        }  # fmt: skip
        json.dumps(refusal.value, allow_nan=False)
        return
    assert str(asked.command)
    try:
        changed = asked.command.apply(session, SETTINGS)
    except InputError:
        return
    here = changed.band_choices(SETTINGS)
    band = SETTINGS.band(changed.band)
    assert band.tx_low_hz <= here.sked_hz <= band.tx_high_hz
    assert changed.agreement in AGREEMENTS
    Session.model_validate(changed.model_dump())


@given(
    st.lists(st.tuples(NAMES, PAYLOADS, st.booleans()), min_size=1, max_size=8),
    st.sampled_from([PHONE, VIEWER, LOCAL, "stranger"]),
    st.sampled_from([None, REPLY, "moontrim/station/state", "\ud800", "#"]),
    st.none() | st.binary(max_size=80),
)
@hypothesis_settings(max_examples=200, deadline=None)
def test_a_refusal_never_changes_anything_and_nothing_crashes(
    sent: list[tuple[str, bytes, bool]],
    account: str,
    reply_to: str | None,
    correlation: bytes | None,
) -> None:
    desk = Desk()

    async def scene() -> None:
        for name, payload, retained in sent:
            before, applied = desk.tracker.session, len(desk.tracker.applied)
            posts = await desk.send(
                name,
                payload,
                account=account,
                reply_to=reply_to,
                correlation=correlation,
                retained=retained,
            )
            for post in posts:
                assert post.topic in (TOPICS.event, TOPICS.command(account, name)) or (
                    TOPICS.is_reply(post.topic, account)
                ), post.topic
                assert len(post.payload) < 1500
            events = [json.loads(p.payload) for p in posts if p.topic == TOPICS.event]
            if any(not event["ok"] for event in events):
                assert desk.tracker.session is before
                assert len(desk.tracker.applied) == applied
            if retained:
                assert len(desk.tracker.applied) == applied
            if account in (VIEWER, "stranger"):
                assert desk.tracker.applied == []
            assert desk.tracker.session.tx_allowed or any(
                not getattr(command, "on", True) for command in desk.tracker.applied
            )

    desk.run(scene())


# --- forbidding -----------------------------------------------------------------------------------


def test_a_flood_of_the_same_account_keeps_nobody_from_forbidding() -> None:
    """All phones share one account."""
    desk = Desk()

    async def scene() -> None:
        for _ in range(2 * int(BURST)):
            await desk.send("nudge", {"by_hz": 1})
        assert (await desk.ask("transmit", {"allowed": False}))["ok"]
        assert not desk.tracker.session.tx_allowed

    desk.run(scene())


def test_forbidding_again_is_done_again() -> None:
    """Under the same id; somebody else has permitted meanwhile."""
    desk = Desk()

    async def scene() -> None:
        forbid = {"allowed": False, "id": "stop"}
        assert (await desk.ask("transmit", forbid))["ok"]
        other = "moontrim/station/reply/local/p2"
        posts = await desk.send("transmit", {"allowed": True}, LOCAL, reply_to=other)
        token = json.loads(posts[0].payload)["error"]["confirm_token"]
        await desk.send("transmit", {"allowed": True, "confirm": token}, LOCAL, reply_to=other)
        assert desk.tracker.session.tx_allowed
        assert (await desk.ask("transmit", forbid))["ok"]
        assert not desk.tracker.session.tx_allowed

    desk.run(scene())
