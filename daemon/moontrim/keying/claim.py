"""Who has the key: one at a time, from the request until released or dropped.

Whoever had it dropped under their hands must let go before they can ask again, so that a program
that keeps asking does not key anew each time."""

from __future__ import annotations

import asyncio

from moontrim.errors import MoontrimError


class KeyingRefused(MoontrimError):
    """Transmitting is not allowed now, or not any more. reasons: one or more clear phrases."""

    def __init__(self, *reasons: str) -> None:
        self.reasons = reasons
        super().__init__("not transmitting: " + "; ".join(reasons))


class Claim:
    """owner: who has the key, empty: nobody. Made in the event loop."""

    def __init__(self) -> None:
        self.owner = ""
        self._keyed: asyncio.Future[None] | None = None
        self._dropped_under: set[str] = set()

    def must_let_go(self, who: str) -> bool:
        """Was it dropped under their hands, and have they not let go since?"""
        return who in self._dropped_under

    def take(self, who: str) -> None:
        """Only when nobody has it."""
        self.owner = who
        self._keyed = asyncio.get_running_loop().create_future()
        # Nobody may be waiting any more when it is refused.
        self._keyed.add_done_callback(lambda keyed: keyed.exception())

    async def keyed(self) -> None:
        """Wait until the present claim is keyed. KeyingRefused if it ends before."""
        keyed = self._keyed
        assert keyed is not None
        await asyncio.shield(keyed)

    def grant(self) -> None:
        """It is keyed now."""
        if self._keyed is not None and not self._keyed.done():
            self._keyed.set_result(None)

    def end(self, *reasons: str) -> None:
        """Nobody has it now; reasons are for whoever still waits."""
        if self._keyed is not None and not self._keyed.done():
            self._keyed.set_exception(KeyingRefused(*reasons))
        self.owner, self._keyed = "", None

    def drop(self, *reasons: str) -> None:
        """Taken away."""
        if self._keyed is not None and self._keyed.done():
            self._dropped_under.add(self.owner)
        self.end(*reasons)

    def let_go(self, who: str) -> bool:
        """Did they have it?"""
        self._dropped_under.discard(who)
        if not who or who != self.owner:
            return False
        self.end("released before it was keyed")
        return True
