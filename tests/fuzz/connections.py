"""Several programs on the share at once, from connection to end, on a transport in memory: whole
clients, the server's admission, and a radio that fails meanwhile.

An input is a list of events separated by FF. The first byte of each is client and kind of the event
(`_Scene.act`), the rest is what arrives."""

from __future__ import annotations

import asyncio
import inspect
from collections import Counter
from typing import Any, cast

from fuzz.answers import judge_answers, unkeys_last
from fuzz.instant import Instant
from fuzz.peer import MOST_UNREAD, MOST_WAITING, Peer
from fuzz.target import DefectError, Target, hold, instead
from moontrim.clock.system import Clock
from moontrim.config.settings import settings_from
from moontrim.config.share import ShareSettings
from moontrim.errors import MoontrimError
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.rig.view import LinkState, LinkView
from moontrim.session.commands import AllowTransmit, Command
from moontrim.session.session import Session, first_session
from moontrim.share import connection as client_module
from moontrim.share import server as server_module
from moontrim.share import sharedradio as radio_module
from moontrim.share.protocol import LONGEST_LINE
from moontrim.share.server import Share
from moontrim.share.sharedradio import RigAccess, SharedRadio
from moontrim.share.sked import TuneTo
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim_drivers.contract import RigDetails, RigRefused, RigTimeout, RigUnreachable

_LOW = {"name": "432 MHz", "sked_hz": 432_070_000}
_LOW |= {"front_end": "10 GHz", "transverter_offset_hz": 288_000_000}
_LOW |= {"tx_low_hz": 432_000_000, "tx_high_hz": 433_000_000}
SETTINGS = settings_from(EMBEDDED | {"bands": [EMBEDDED["bands"][0], _LOW]}, "fuzz")
_SNAPSHOT_FIELDS = tuple(inspect.signature(Snapshot).parameters)
_SHARE = ShareSettings(lan=True, clients=3, users=("*",))
HOSTS = ("127.0.0.1", "127.0.0.1", "10.42.0.7", "127.0.0.1")  # one more than are let in
SETTLE_S = 0.3
FLOOD = 1536  # bytes at once
MOST_EVENTS = 24
# What an event does; 1 to 3 and 12 as 0.
_SAY, _PIECES, _END, _GONE, _TAKE, _MOOD, _WAIT, _PERMIT, _FLOOD = 0, 4, 5, 6, 7, 8, 9, 10, 11
_WHATS = 13
WAITS_S = (0.01, 0.1, 0.5, 1.0, 2.5, 4.0, 6.0, 31.0)


class _Log:
    """Makes an exception that the share catches and logs a defect."""

    def exception(self, what: str, *values: object) -> None:
        raise DefectError(f"caught inside: {what % values}")

    def info(self, what: str, *values: object) -> None:
        pass

    warning = info


class _Daemon:
    """A session, a hub, and a radio that behaves in one of several ways (`mood`)."""

    def __init__(self) -> None:
        self.settings, self.session, self.hub = SETTINGS, first_session(SETTINGS), StateHub()
        self.mood = 0
        self.tracking = Tracking.ON_FREQUENCY

    def publish(self) -> None:
        values: dict[str, Any] = dict.fromkeys(_SNAPSHOT_FIELDS)
        link = LinkView(LinkState.READY if self.mood == 0 else LinkState.NO_CONTACT, "")
        values |= {"band": self.session.band, "tracking": self.tracking, "reason": "", "link": link}
        values |= {"sked_hz": self.session.band_choices(SETTINGS).sked_hz, "transmitting": False}
        values |= {"tx_sked_hz": self.session.tx_sked_hz(SETTINGS)}
        self.hub.publish(Snapshot(**values))

    async def ask(self, command: Command) -> Session:
        hold(isinstance(command, TuneTo), f"{command} is asked for")
        if self.mood == 4:
            await asyncio.get_running_loop().create_future()
        self.session = command.apply(self.session, SETTINGS)
        band, sked_hz = (
            SETTINGS.band(self.session.band),
            self.session.band_choices(SETTINGS).sked_hz,
        )
        hold(band.tx_low_hz <= sked_hz <= band.tx_high_hz, f"sked {sked_hz}")
        if self.mood != 5:
            self.publish()
        return self.session

    async def unsaved(self, clock: Clock) -> str:
        return ""

    async def radio(self) -> None:
        """Answers for the radio, or fails, by its mood."""
        await asyncio.sleep(0)
        if self.mood == 1:
            raise RigUnreachable("lost")
        if self.mood == 2:
            await asyncio.get_running_loop().create_future()
        if self.mood == 3:
            raise RigRefused("no")
        if self.mood == 6:
            raise RigTimeout("silent")


class _Keying:
    """Keys for one client at a time, only while permitted, and checks who requests it."""

    def __init__(self, scene: _Scene) -> None:
        self.scene, self.who, self.keyed = scene, "", False
        self.granted: Counter[str] = Counter()

    async def request(self, who: str) -> None:
        self.check(who)
        if not self.scene.daemon.session.tx_allowed or self.who not in ("", who):
            raise MoontrimError("not now")
        if not self.keyed:
            self.who = who
            await self.scene.clock.sleep(SETTLE_S)
        if self.who != who:
            raise MoontrimError("released")
        self.check(who)
        self.keyed = True
        self.granted[who] += 1

    def check(self, who: str) -> None:
        """Raises DefectError if this client must not have the key now."""
        peer = self.scene.peer(who)
        hold(peer is not None and peer.connected and not peer.closed, f"{who} keys and is gone")
        hold(peer is not None and not peer.host.startswith("10."), f"{who} keys from elsewhere")
        hold(peer is None or not unkeys_last(bytes(peer.received)), f"{who} has said to unkey")

    def release(self, who: str) -> None:
        if who and who == self.who:
            self.who, self.keyed = "", False

    def transmitting(self) -> bool:
        return self.keyed


class _Scene:
    """Everything that one input acts on."""

    def __init__(self, clock: Instant) -> None:
        self.clock, self.daemon, self.keying = clock, _Daemon(), _Keying(self)
        rig = RigAccess(self._details, self._set_mode, self._set_power)
        self.share = Share(_SHARE, transmit=self.keying, rig=rig, clock=clock)
        self._radio = SharedRadio(self.daemon, self.keying, rig, clock)
        self._at: list[Peer | None] = [None] * len(HOSTS)
        self.peers: list[Peer] = []

    async def _details(self) -> RigDetails:
        await self.daemon.radio()
        return RigDetails("USB", 2400, 0.25)

    async def _set_mode(self, mode: str, passband_hz: int) -> None:
        hold(0 <= passband_hz <= 1_000_000, f"passband {passband_hz}")
        await self.daemon.radio()

    async def _set_power(self, fraction: float) -> None:
        ceiling = SETTINGS.band(self.daemon.session.band).drive_ceiling
        hold(0.0 <= fraction <= (ceiling or 1.0), f"power {fraction}")
        hold(not self.keying.keyed, "power under RF")
        await self.daemon.radio()

    def peer(self, who: str) -> Peer | None:
        return next((one for one in self.peers if one.protocol and one.protocol.who == who), None)

    def _connected(self, index: int) -> Peer:
        peer = self._at[index]
        if peer is None or peer.lost:
            peer = self._at[index] = Peer(HOSTS[index], cast(Any, self.clock.loop))
            server_module._PendingConnection(
                lambda transport: self.share._admit(self._radio, transport)
            ).connection_made(peer)
            if peer.protocol is None:
                hold(peer.aborted, "neither let in nor sent away")
            else:
                self.peers.append(peer)
        return peer

    def act(self, head: int, rest: bytes) -> None:
        """Carries out one event. head: the client in its lowest two bits, the kind of event in the
        others."""
        peer = self._connected(head & 3)
        first, what = (rest[0] if rest else 0), (head >> 2) % _WHATS
        if what == _PIECES:
            peer.send(rest[1:], 1 + first % 7)
            rest = b""
        elif what == _END:
            peer.end()
        elif what == _GONE:
            peer.vanish()
        elif what == _TAKE:
            peer.take(not peer.taking)
        elif what == _MOOD:
            self.daemon.mood = first % 7
            self.daemon.tracking = list(Tracking)[first % len(Tracking)]
            self.daemon.publish()
        elif what == _WAIT:
            self.clock.loop.pass_time(WAITS_S[first % len(WAITS_S)])
        elif what == _PERMIT:
            on = not self.daemon.session.tx_allowed
            self.daemon.session = AllowTransmit("fuzz", on).apply(self.daemon.session, SETTINGS)
            if not on:
                self.keying.release(self.keying.who)
        elif what == _FLOOD:
            rest = (rest[1:] * (1 + first % 32))[:FLOOD]
        if what not in (_MOOD, _WAIT):
            peer.send(rest)
        self.settle()

    def settle(self) -> None:
        """Lets all tasks run and all bytes arrive that can at this instant, then checks what must
        hold."""
        going_on = True
        while going_on:  # as with sockets: between two rounds of callbacks, what has arrived
            going_on = self.clock.loop.step()
            going_on |= sum(peer.deliver() for peer in self.peers) > 0
        if self.keying.who:
            self.keying.check(self.keying.who)
        hold(len(self.share._clients) <= _SHARE.clients, "more programs than are allowed")

    def finish(self) -> None:
        """Checks that all requests are answered once the radio works, answers are read and time has
        passed; then that nothing is left once all clients are gone."""
        self.daemon.mood, self.daemon.tracking = 0, Tracking.ON_FREQUENCY
        self.daemon.publish()
        for peer in self.peers:
            peer.take(True)
        for _ in range(4):
            self.clock.loop.pass_time(20.0)
            self.settle()
        for peer in self.peers:
            keyed = judge_answers(bytes(peer.received), bytes(peer.written), whole=not peer.aborted)
            hold(keyed <= self.keying.granted[peer.protocol.who], "keyed by word only")
            peer.vanish()
        self.clock.loop.settle()
        hold(not self.keying.who, "keyed and nobody there")
        hold(not self.share._clients, "a client is kept")
        for peer in self.peers:
            task = peer.protocol.task
            hold(task is not None and task.done(), "a task is left")
            if task is not None and not task.cancelled() and task.exception() is not None:
                raise DefectError("a client failed") from task.exception()


def share_clients(data: bytes) -> None:
    clock, log = Instant(), _Log()
    bounds = instead(client_module, log=log, MOST_WAITING=MOST_WAITING, MOST_UNREAD=MOST_UNREAD)
    logs = instead(radio_module, log=log), instead(server_module, log=log)
    with bounds, logs[0], logs[1], clock.loop.entered():
        scene = _Scene(clock)
        if data[:1] != b"-":  # else nothing is known yet
            scene.daemon.publish()
        for event in data[1:].split(b"\xff")[:MOST_EVENTS]:
            if event:
                scene.act(event[0], event[1:])
        scene.finish()


def _event(who: int, what: int, rest: bytes = b"") -> bytes:
    return bytes((what << 2 | who,)) + rest


def _input(*events: bytes, known: bool = True) -> bytes:
    return (b"+" if known else b"-") + b"\xff".join(events)


_KEY_0 = (_event(0, _SAY, b"T 1\n"), _event(0, _WAIT, b"\x02"))
_SEEDS = (
    _input(_event(0, _SAY, b"\\chk_vfo\n\\dump_state\nf\nT 1\n"), _event(0, _WAIT, b"\x02"),
           _event(1, _SAY, b"t\nT 1\nF 10368200000\n"), _event(0, _SAY, b"T 0\nf\nq\n")),
    _input(*_KEY_0, _event(0, _GONE)),
    _input(*_KEY_0, _event(0, _END)),
    _input(_event(0, _SAY, b"T 1\n"), _event(0, _SAY, b"f\nT 0\nf\n")),
    _input(*_KEY_0, _event(0, _MOOD, b"\x02"), _event(0, _SAY, b"m\n"), _event(0, _SAY, b"T 0\n")),
    _input(_event(1, _SAY, b"T 1\n"), _event(1, _END), _event(0, _SAY, b"F 432100000 f m\n")),
    _input(_event(2, _SAY, b"T 1\nf\n"), _event(2, _WAIT, b"\x02"), _event(2, _SAY, b"+T 0\n")),
    _input(_event(0, _SAY, b"m\nM USB 2400\n"), _event(1, _MOOD, b"\x01"), _event(0, _SAY, b"m\n"),
           _event(1, _MOOD, b"\x02"), _event(0, _SAY, b"+l RFPOWER\nL RFPOWER 0.1\n;f\n")),
    _input(_event(0, _PIECES, b"\x02+F 10368300000\r\n;f;|i\nv\n"), _event(0, _END)),
    _input(_event(0, _TAKE), _event(0, _FLOOD, b"\x1f\\dump_state\nf\n"),
           _event(0, _WAIT, b"\x06")),
    _input(_event(0, _SAY, b"T 1\n"), _event(0, _FLOOD, b"\x1ff\n\\get_lock_mode\nf\nv\nf\n")),
    _input(_event(0, _MOOD, b"\x02"), _event(0, _SAY, b"m\n"),
           _event(0, _FLOOD, b"\x1fv\nf\nv\n" * 9), _event(0, _MOOD, b"\x00"),
           _event(0, _SAY, b"f\n")),
    _input(_event(0, _PERMIT), _event(0, _MOOD, b"\x09"), _event(0, _SAY, b"m\n"),
           _event(0, _SAY, b"T 1\nm\n" * 90), _event(0, _SAY, b"v\n" * 64),
           _event(0, _WAIT, b"\x05"), _event(0, _SAY, b"f\n" * 255)),
    _input(_event(0, _SAY, b"f\n" + b"x" * (LONGEST_LINE + 9)),
           _event(1, _SAY, b"GET / HTTP/1.1\n")),
    _input(*(_event(n, _SAY, b"f\n_\n") for n in range(4)), _event(3, _SAY, b"f\n")),
    _input(_event(0, _PERMIT), _event(0, _SAY, b"T 1\n"), _event(0, _PERMIT, b"T 1 T 0\nT 1\n"),
           _event(0, _WAIT, b"\x02"), _event(0, _PERMIT, b"t\n")),
    _input(_event(0, _SAY, b"\\set_vfo_opt 1\nf VFOA\nT VFOA 1\n"), _event(0, _WAIT, b"\x02"),
           _event(0, _SAY, b"T VFOA 0\nS VFOA 1 VFOB\ni VFOA\n\\get_vfo_info VFOA\n"),
           known=False),
    _input(_event(0, _MOOD, b"\x04"), _event(0, _SAY, b"F 10368200000\n"), _event(1, _SAY, b"f\n"),
           _event(0, _WAIT, b"\x05"), _event(0, _MOOD, b"\x05"),
           _event(0, _SAY, b"F 10368201000\n")),
)  # fmt: skip
_TOKENS = (
    *(b"\xff" + _event(who, what) for who in (0, 1, 2) for what in (0, 4, 5, 6, 7, 9, 10, 11)),
    *(b"\xff" + _event(0, _MOOD, bytes((mood,))) for mood in range(7)),
    *(b"\xff" + _event(0, _WAIT, bytes((n,))) for n in range(len(WAITS_S))),
    *(b"T 1\n", b"T 0\n", b"f\n", b"m\n", b"F 10368200000\n", b"F 432100000\n", b"\\dump_state\n"),
    *(b"\n", b"\r\n", b" ", b"q\n", b"+", b";", b"\\set_vfo_opt 1\n", b" HTTP/1.1\n", b"VFOA "),
    *(b"L RFPOWER 0.1\n", b"l RFPOWER\n", b"M USB -1\n", b"\x00", b"1e400", b"x" * LONGEST_LINE),
)

TARGETS = (Target("share-clients", share_clients, _SEEDS, _TOKENS),)
