"""The way from a keying sequence to relays on the network: whatever connection is attached now."""

from __future__ import annotations

from moontrim.keying.modemlines import OutputError
from moontrim.keying.outputs import Publish


class NetworkedRelays:
    """Passes switching on to the attached connection; without one, every switching fails."""

    def __init__(self) -> None:
        self._attached: Publish | None = None

    def attach(self, publish: Publish) -> None:
        """Uses this from now on. publish: called with topic and payload, returns once the broker
        has it, raises OutputError."""
        self._attached = publish

    def detach(self) -> None:
        """Uses no connection from now on."""
        self._attached = None

    async def publish(self, topic: str, payload: str) -> None:
        """Sends a payload to a topic. Raises OutputError."""
        if self._attached is None:
            raise OutputError("not connected to a broker")
        await self._attached(topic, payload)
