"""The connection to the broker: come, stay, come back, and leave with a word. The only importer of
aiomqtt.

Owns the connection and the bounded queues on both sides of it. What a message means is for
`admission` and `feed` to say. Nothing here is ever waited for by the daemon: snapshots are read
from its hub, and commands go through its inbox. All waiting is in real time."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from moontrim.clock.system import Clock
from moontrim.keying.modemlines import OutputError
from moontrim.remote.commands.admission import Admission, Arrival
from moontrim.remote.published.feed import Feed
from moontrim.remote.published.messages import Post
from moontrim.remote.published.topics import Topics
from moontrim.remote.wire.addresses import BrokerAddress
from moontrim.remote.wire.resilience import (
    Backoff,
    StallDetector,
    end_if_cancelled,
    until_one_fails,
)

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)
_quiet = logging.getLogger(f"{__name__}.wire")
_quiet.setLevel(logging.CRITICAL)  # what matters is raised, and said once by us

KEEPALIVE_S, ANSWER_S, FAREWELL_S, RELAY_S = 10, 5.0, 1.0, 1.0
WAITING_IN, WAITING_OUT = 64, 256
STALE_S = 10.0  # a reply or an event this old tells nobody anything
STEADY_S = 10.0


class MqttConnection:
    """One daemon on one broker. `run` never returns but by cancellation.

    greeting: what to publish first on every new connection. asks_again: a topic on which `online`
    asks for the greeting again; None if there is none."""

    def __init__(
        self,
        daemon: Daemon,
        door: BrokerAddress,
        topics: Topics,
        admission: Admission,
        feed: Feed,
        greeting: tuple[Post, ...],
        asks_again: str | None,
        real: Clock,
    ) -> None:
        self._daemon = daemon
        self._door = door
        self._topics = topics
        self._admission = admission
        self._feed = feed
        self._greeting = greeting
        self._asks_again = asks_again
        self._real = real
        self._stall = StallDetector(real)
        self._client: aiomqtt.Client | None = None
        daemon.transmitting.publish = self.switch
        self._fresh = asyncio.Event()
        self._commands: asyncio.Queue[Arrival] = asyncio.Queue(WAITING_IN)
        self._outgoing: asyncio.Queue[tuple[float, Post]] = asyncio.Queue(WAITING_OUT)

    async def switch(self, topic: str, payload: str) -> None:
        """Tell a networked relay; returns once the broker has it. Raises OutputError. Not retained:
        a relay that comes back later must not find an old `on`."""
        if self._client is None:
            raise OutputError("there is no connection to the broker")
        try:
            await self._client.publish(topic, payload, qos=1, timeout=RELAY_S)
        except (aiomqtt.MqttError, ValueError) as error:
            raise OutputError(f"the broker did not take it: {error}") from None

    async def run(self) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(self._watch(), name="mqtt watch")
            group.create_task(self._work(), name="mqtt commands")
            group.create_task(self._stall.watch(), name="mqtt stall watch")
            group.create_task(self._stay_connected(), name="mqtt connection")

    # --- with or without a connection -------------------------------------------------------------

    async def _watch(self) -> None:
        """Follow the daemon's snapshots."""
        hub = self._daemon.hub
        now = hub.latest
        while True:
            if now is not None:
                self._offer(self._feed.see(now, self._real.monotonic_s()))
                self._fresh.set()
            now = await hub.next()

    async def _work(self) -> None:
        """Deal with commands, one after the other."""
        while True:
            arrival = await self._commands.get()
            now_utc_s = self._daemon.clock.utc_s()
            self._feed.expect(self._real.monotonic_s())
            self._offer(await self._admission.deal_with(arrival, self._daemon.ask, now_utc_s))

    def _offer(self, posts: list[Post]) -> None:
        """To be sent when there is a connection; what does not fit is lost."""
        now_s = self._real.monotonic_s()
        for post in posts:
            with contextlib.suppress(asyncio.QueueFull):
                self._outgoing.put_nowait((now_s, post))

    async def _stay_connected(self) -> None:
        backoff = Backoff()
        failures = 0
        while True:
            if self._door.ready is not None:
                await self._door.ready.wait()
            began_s = None
            try:
                async with self._connected() as client:
                    began_s, failures = self._real.monotonic_s(), 0
                    self._client = client
                    await self._session(client)
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                end_if_cancelled()
                reason = str(error) or type(error).__name__
            self._client = None
            if began_s is None:
                failures += 1
            elif self._real.monotonic_s() - began_s > STEADY_S:
                backoff.reset()
            if backoff.news(reason):
                log.warning("no connection to %s: %s; trying on", self._door, reason)
            if failures == 2:  # once may be chance
                failures = 0
                self._door.on_hung()
            await self._real.sleep(backoff.next_s())

    # --- while connected --------------------------------------------------------------------------

    @asynccontextmanager
    async def _connected(self) -> AsyncIterator[aiomqtt.Client]:
        """A fresh client each time: one whose connecting was cut short stays locked for ever. The
        random identifier keeps others from taking our place at the broker by using the same."""
        door = self._door
        # Nagle's algorithm would hold back every small message for 40 ms (RFC 896; measured).
        nodelay = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
        client = aiomqtt.Client(
            str(door.unix_path) if door.unix_path else door.host,
            door.port or 1883,
            transport="unix" if door.unix_path else "tcp",
            username=door.user,
            password=door.password,
            tls_context=door.tls,
            protocol=aiomqtt.ProtocolVersion.V5,
            identifier=f"moontrim-{secrets.token_hex(8)}",
            clean_start=True,
            will=aiomqtt.Will(self._topics.availability, b"offline", 1, True),
            keepalive=KEEPALIVE_S,
            timeout=ANSWER_S,
            max_queued_incoming_messages=16 * WAITING_IN,
            socket_options=[] if door.unix_path else nodelay,
            logger=_quiet,
        )
        await client.__aenter__()
        try:
            yield client
        finally:
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with self._real.timeout(FAREWELL_S):
                    await client.__aexit__(None, None, None)

    async def _session(self, client: aiomqtt.Client) -> None:
        # Retained commands must be seen as such, to be refused and cleared; our own clearing not.
        options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True, retainHandling=0)
        topics = [self._topics.every_command, self._topics.availability]
        if self._asks_again is not None:
            topics.append(self._asks_again)
        for topic in topics:
            (code,) = await client.subscribe(topic, options=options)
            if not isinstance(code, int) and code.is_failure:
                raise aiomqtt.MqttError(f"it does not let us read {topic} ({code})")
        await self._greet(client)
        self._feed.start_over()
        self._fresh.set()
        await _publish(client, Post(self._topics.availability, b"online", 1, True))
        log.info("connected to %s", self._door)
        try:
            await until_one_fails(self._read(client), self._publish(client), self._send(client))
        except asyncio.CancelledError:
            # An orderly goodbye cancels the will, so we say it ourselves.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with self._real.timeout(FAREWELL_S):
                    await client.publish(self._topics.availability, b"offline", 1, True)
            raise

    async def _greet(self, client: aiomqtt.Client) -> None:
        for post in self._greeting:
            await _publish(client, post)

    async def _read(self, client: aiomqtt.Client) -> None:
        """Never waits for anything but the next message."""
        async for message in client.messages:
            topic = str(message.topic)
            if topic == self._topics.availability:
                if message.payload != b"online":  # the will of a connection before this one
                    self._offer([Post(topic, b"online", 1, True)])
                continue
            if topic == self._asks_again:
                if message.payload == b"online":
                    self._offer(list(self._greeting))
                continue
            arrival = self._arrival(topic, message)
            try:
                self._commands.put_nowait(arrival)
            except asyncio.QueueFull:
                self._offer(self._admission.too_many(arrival, self._daemon.clock.utc_s()))

    def _arrival(self, topic: str, message: aiomqtt.Message) -> Arrival:
        given = message.properties
        payload = message.payload
        return Arrival(
            topic,
            payload if isinstance(payload, bytes) else str(payload).encode(),
            at_s=self._real.monotonic_s(),
            retained=bool(message.retain),
            reply_to=getattr(given, "ResponseTopic", None),
            correlation=getattr(given, "CorrelationData", None),
            expires_s=getattr(given, "MessageExpiryInterval", None),
            age_s=self._stall.age_s(),
        )

    async def _publish(self, client: aiomqtt.Client) -> None:
        """The state, at the pace of those who watch."""
        while True:
            self._fresh.clear()
            wait_s = self._feed.wait_s(self._real.monotonic_s())
            if wait_s > 0.0:
                # A new snapshot may be one that must not wait so long.
                await self._real.wait(self._fresh, wait_s)
                continue
            for post in self._feed.take(self._real.monotonic_s()):
                await _publish(client, post)

    async def _send(self, client: aiomqtt.Client) -> None:
        """Replies and events."""
        while True:
            made_s, post = await self._outgoing.get()
            if self._real.monotonic_s() - made_s < STALE_S:
                await _publish(client, post)


async def _publish(client: aiomqtt.Client, post: Post) -> None:
    properties = None
    if post.correlation is not None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.CorrelationData = post.correlation
    await client.publish(post.topic, post.payload, post.qos, post.retain, properties)
    end_if_cancelled()
