"""The connection to the broker: connects, reconnects, and says goodbye.

Owns the connection and the bounded queues on both sides of it. The daemon never waits for any of
this: snapshots are read from its hub, and commands go through its inbox. Time is real.

    hub ----> feed ---------------------------> broker  state, values, trace, log
                 +-------> _outgoing ---------> broker  events, replies
    inbox <-- admission ------^
                 +-------- _commands <--------- broker  commands"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from moontrim.clock.system import Clock
from moontrim.keying.modemlines import OutputError
from moontrim.remote.commands.admission import Admission
from moontrim.remote.commands.arrival import Arrival, Decided
from moontrim.remote.published.feed import Feed
from moontrim.remote.published.messages import Post
from moontrim.remote.published.topics import Topics
from moontrim.remote.wire.addresses import BrokerAddress
from moontrim.remote.wire.client import ANSWER_S, answering_address, new_client, publish
from moontrim.remote.wire.resilience import (
    Backoff,
    SilenceJudge,
    StallDetector,
    end_if_cancelled,
    until_one_fails,
    watch_answers,
)

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)

FAREWELL_S, RELAY_S = 1.0, 1.0  # chosen: to disconnect, and to accept a relay's message
WAITING_IN = 64  # commands; chosen: more than one account's burst
WAITING_OUT = 256  # replies and events; chosen
STALE_S = 10.0  # chosen: older replies and events are dropped, nobody waits for them
STEADY_S = 10.0  # chosen: a connection of this length resets the waits between attempts


class MqttConnection:
    """The connection of one daemon to one broker. `run` ends only by cancellation.

    greeting: the messages to publish first on every connection. hello_topic: on which a hub
    publishes `online` when it has started; None: there is none."""

    def __init__(
        self,
        daemon: Daemon,
        address: BrokerAddress,
        topics: Topics,
        admission: Admission,
        feed: Feed,
        greeting: tuple[Post, ...],
        hello_topic: str | None,
        real: Clock,
    ) -> None:
        self._daemon = daemon
        self._address = address
        self._topics = topics
        self._admission = admission
        self._feed = feed
        self._greeting = greeting
        self._hello_topic = hello_topic
        self._real = real
        self._stall = StallDetector(real)
        self._client: aiomqtt.Client | None = None
        self._fresh = asyncio.Event()
        self._commands: asyncio.Queue[Arrival] = asyncio.Queue(WAITING_IN)
        self._outgoing: asyncio.Queue[tuple[float, Post]] = asyncio.Queue(WAITING_OUT)

    async def switch(self, topic: str, payload: str) -> None:
        """Publishes to a networked relay and returns once the broker has the message. Raises
        OutputError. It is not retained: a relay that reconnects must not receive an old `on`."""
        if self._client is None:
            raise OutputError("not connected to the broker")
        try:
            await self._client.publish(topic, payload, qos=1, timeout=RELAY_S)
        except (aiomqtt.MqttError, ValueError) as error:
            raise OutputError(f"the broker did not take it: {error}") from None

    def refresh(self) -> None:
        """Publishes the state at once, for a page that has just connected."""
        self._feed.repeat(self._real.monotonic_s())
        self._fresh.set()

    async def run(self) -> None:
        """Keeps the daemon connected and published until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._watch(), name="mqtt watch")
            group.create_task(self._work(group), name="mqtt commands")
            group.create_task(self._stall.watch(), name="mqtt stall watch")
            group.create_task(self._stay_connected(), name="mqtt connection")

    # --- with or without a connection -------------------------------------------------------------

    async def _watch(self) -> None:
        """Passes the daemon's snapshots to the feed."""
        hub, commands = self._daemon.hub, self._daemon.notes
        now, noted = hub.latest, 0
        while True:
            if now is not None:
                notes, noted = commands.after(noted), commands.count
                self._offer(self._feed.add(now, self._real.monotonic_s(), notes))
                self._fresh.set()
            now = await hub.next()

    async def _work(self, group: asyncio.TaskGroup) -> None:
        """Carries commands out, one after the other; none waits for the disk of the one before."""
        while True:
            arrival = await self._commands.get()
            self._feed.expect(self._real.monotonic_s())
            decided = await self._admission.decide(arrival, self._daemon.ask)
            group.create_task(self._answer(decided), name="mqtt reply")

    async def _answer(self, decided: Decided) -> None:
        utc_s = self._daemon.clock.utc_s()
        self._offer(await self._admission.answers(decided, self._daemon.unsaved, utc_s))

    def _offer(self, posts: list[Post]) -> None:
        """Queues posts for sending; those that do not fit are dropped."""
        now_s = self._real.monotonic_s()
        for post in posts:
            with contextlib.suppress(asyncio.QueueFull):
                self._outgoing.put_nowait((now_s, post))

    async def _stay_connected(self) -> None:
        """Connects, and connects again after every failure."""
        backoff = Backoff()
        judge = SilenceJudge(self._address.has_run)
        while True:
            if self._address.ready is not None:
                await self._address.ready.wait()
            began_s = None
            try:
                async with self._connected() as client:
                    began_s = self._real.monotonic_s()
                    judge.answered()
                    self._client = client
                    if self._address.ready is None:
                        await self._serve(client)
                    else:
                        await until_one_fails(self._serve(client), self._broker_hangs(client))
            except (aiomqtt.MqttError, OSError, ValueError) as error:
                end_if_cancelled()
                reason = str(error) or type(error).__name__
            self._client = None
            if began_s is not None and self._real.monotonic_s() - began_s > STEADY_S:
                backoff.reset()
            if backoff.news(reason):
                log.warning("no connection to %s: %s; retrying", self._address, reason)
            if began_s is None and judge.is_hung():
                judge.answered()
                self._address.on_hung()
            await self._real.sleep(backoff.next_s())

    # --- while connected --------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def _connected(self) -> AsyncIterator[aiomqtt.Client]:
        """Connects, and disconnects at the end. Raises aiomqtt.MqttError, OSError or ValueError."""
        # A new client each time: one whose connecting was cancelled stays locked.
        address = await answering_address(self._address, self._real)
        client = new_client(address, self._topics.availability, 16 * WAITING_IN)
        await client.__aenter__()
        client.timeout = ANSWER_S
        try:
            yield client
        finally:
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with self._real.timeout(FAREWELL_S):
                    await client.__aexit__(None, None, None)

    async def _serve(self, client: aiomqtt.Client) -> None:
        """Subscribes, greets, and carries messages both ways until the connection fails."""
        # Retained commands arrive as such, to be refused and cleared; the clearing does not return.
        options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True, retainHandling=0)
        topics = (self._topics.every_command, self._topics.availability, self._hello_topic)
        for topic in filter(None, topics):
            (code,) = await client.subscribe(topic, options=options)
            if not isinstance(code, int) and code.is_failure:
                raise aiomqtt.MqttError(f"it does not let us read {topic} ({code})")
        for post in self._greeting:
            await publish(client, post)
        self._feed.start_over()
        self._fresh.set()
        await publish(client, Post(self._topics.availability, b"online", 1, True))
        log.info("connected to %s", self._address)
        try:
            await until_one_fails(self._read(client), self._publish(client), self._send(client))
        except asyncio.CancelledError:
            # An orderly disconnection cancels the will, so `offline` is published here.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with self._real.timeout(FAREWELL_S):
                    await client.publish(self._topics.availability, b"offline", 1, True)
            raise

    async def _broker_hangs(self, client: aiomqtt.Client) -> None:
        """Has a broker of our own replaced that does not answer. Raises aiomqtt.MqttError then."""

        async def question() -> None:
            await client.unsubscribe("-", timeout=math.inf)  # without any effect

        judge = SilenceJudge(self._address.has_run)
        await watch_answers(question, self._real, self._stall, judge)
        self._address.on_hung()
        raise aiomqtt.MqttError("no answer")

    async def _read(self, client: aiomqtt.Client) -> None:
        """Queues what arrives. Waits for nothing but the next message."""
        async for message in client.messages:
            topic = str(message.topic)
            if topic == self._topics.availability:
                if message.payload != b"online":  # the will of an earlier connection
                    self._offer([Post(topic, b"online", 1, True)])
                continue
            if topic == self._hello_topic:
                if message.payload == b"online":
                    self._feed.announce_again()
                    self._fresh.set()
                continue
            arrival = self._arrival(topic, message)
            try:
                self._commands.put_nowait(arrival)
            except asyncio.QueueFull:
                self._offer(self._admission.too_many(arrival, self._daemon.clock.utc_s()))

    def _arrival(self, topic: str, message: aiomqtt.Message) -> Arrival:
        properties, payload = message.properties, message.payload
        return Arrival(
            topic,
            payload if isinstance(payload, bytes) else str(payload).encode(),
            at_s=self._real.monotonic_s(),
            retained=bool(message.retain),
            reply_to=getattr(properties, "ResponseTopic", None),
            correlation=getattr(properties, "CorrelationData", None),
            expires_s=getattr(properties, "MessageExpiryInterval", None),
            age_s=self._stall.age_s(),
        )

    async def _publish(self, client: aiomqtt.Client) -> None:
        """Publishes the state when the feed says it is due."""
        while True:
            # A new snapshot may be due earlier. A wait of 0 s lets the other tasks run.
            await self._real.wait(self._fresh, self._feed.wait_s(self._real.monotonic_s()))
            self._fresh.clear()
            if self._feed.wait_s(self._real.monotonic_s()) <= 0.0:
                for post in self._feed.take(self._real.monotonic_s()):
                    await publish(client, post)

    async def _send(self, client: aiomqtt.Client) -> None:
        """Publishes queued replies and events, unless they are too old."""
        while True:
            offered_s, post = await self._outgoing.get()
            if self._real.monotonic_s() - offered_s < STALE_S:
                await publish(client, post)
