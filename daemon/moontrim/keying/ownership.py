"""Who holds the key: one owner at a time, from the request until released or revoked.

An owner whose keyed over was ended by an interlock must release before requesting again, so that a
program that keeps requesting does not key anew each time."""

from __future__ import annotations

import asyncio

from moontrim.errors import MoontrimError

RELEASE_FIRST = "transmit was cancelled; release PTT before keying again"


class KeyingRefused(MoontrimError):
    """Transmitting is not allowed now, or not any more. reasons: one or more clear phrases."""

    def __init__(self, *reasons: str) -> None:
        self.reasons = reasons
        super().__init__("not keyed: " + "; ".join(reasons))


class KeyOwnership:
    """The owner of the key, and the future on which the owner waits to be keyed. Made in the event
    loop.

    owner: empty: nobody."""

    def __init__(self) -> None:
        self.owner = ""
        self._keyed: asyncio.Future[None] | None = None
        self._must_release: set[str] = set()

    def must_release_first(self, who: str) -> bool:
        """Returns whether an interlock ended their over and they have not released since."""
        return who in self._must_release

    def take(self, who: str) -> None:
        """Makes `who` the owner. Only while there is none."""
        self.owner = who
        self._keyed = asyncio.get_running_loop().create_future()
        # Retrieves the exception: when it is refused, nobody may be waiting any more.
        self._keyed.add_done_callback(lambda keyed: keyed.exception())

    async def wait_until_keyed(self) -> None:
        """Waits until the present owner is keyed. Raises KeyingRefused if ownership ends before."""
        keyed = self._keyed
        assert keyed is not None
        await asyncio.shield(keyed)

    def confirm_keyed(self) -> None:
        """Ends the owner's wait: it is keyed now."""
        if self._keyed is not None and not self._keyed.done():
            self._keyed.set_result(None)

    def end(self, *reasons: str) -> None:
        """Leaves the key without an owner; one who still waits to be keyed gets the reasons."""
        if self._keyed is not None and not self._keyed.done():
            self._keyed.set_exception(KeyingRefused(*reasons))
        self.owner, self._keyed = "", None

    def revoke(self, *reasons: str) -> None:
        """Takes the key away; an owner who was keyed must release before requesting again."""
        if self._keyed is not None and self._keyed.done():
            self._must_release.add(self.owner)
        self.end(*reasons)

    def release(self, who: str) -> bool:
        """Ends the ownership of `who`. Returns whether they were the owner."""
        self._must_release.discard(who)
        if not who or who != self.owner:
            return False
        self.end("released before it was keyed")
        return True
