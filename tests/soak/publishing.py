"""The publishing of the state, as the daemon does it beside everything else, to a broker that takes
every message at once and without a wait."""

from __future__ import annotations

from typing import Any

from moontrim.app.daemon import Daemon
from moontrim.remote.commands.admission import Admission
from moontrim.remote.commands.guards import SecondStep
from moontrim.remote.published.feed import Feed
from moontrim.remote.published.topics import Topics
from moontrim.remote.wire.addresses import BrokerAddress
from moontrim.remote.wire.mqtt import MqttConnection
from moontrim.remote.wire.resilience import until_one_fails
from soak.plan import Plan
from soak.station import SoakClock
from soak.trace import Trace

ONE_RUN_OF = 4  # publishes: it takes as long as all the rest of a run


class Publishing:
    """A companion of the daemon. As in a process of its own, it ends with the daemon."""

    def __init__(self, plan: Plan, clock: SoakClock, trace: Trace) -> None:
        self._plan = plan
        self._clock = clock
        self._trace = trace

    async def run(self, daemon: Daemon) -> None:
        if self._plan.seed % ONE_RUN_OF:
            return
        topics = Topics("moontrim", "soak")
        connection = MqttConnection(
            daemon,
            BrokerAddress(),
            topics,
            Admission(
                topics,
                self._plan.settings,
                lambda: daemon.session,
                frozenset(),
                self._clock,
                SecondStep(),
            ),
            Feed(topics, "soak"),
            (),
            None,
            self._clock,
        )
        await until_one_fails(connection._watch(), connection._publish(self))  # type: ignore[arg-type]

    async def publish(self, topic: str, *others: Any) -> None:
        """Takes one message, as the client of the broker does."""
        self._trace.counts["messages published"] += topic.endswith("/state")
