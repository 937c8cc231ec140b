"""Limits on the connections to the page's server, so that nobody on the network can keep others
from it. Pure.

Those that have not logged in share a few places: a newcomer always gets one, and where none is
free the oldest connection of the address with the most of them loses its place. So silence holds
no place, and one address cannot fill them. Those that have logged in have places of their own,
which no newcomer takes.

    newcomer --> 12 places of its address, 32 in all --(log-in)--> 32 places, kept until it ends
                          the oldest goes"""

from __future__ import annotations

from collections import Counter, OrderedDict
from dataclasses import dataclass
from typing import Protocol

WAITING_MOST = 32  # connections before their log-in; chosen: several phones that load the page
WAITING_PER_ADDRESS = 12  # chosen: twice as many as a browser opens for one page
LOGGED_IN_MOST = 32  # chosen: with those that wait, 64 bound the file descriptors
CONNECTIONS_PER_S = 10.0  # new ones from one address; chosen: above reloading by hand
CONNECTIONS_BURST = 40.0  # chosen: four page loads at once
FREE_FAILURES = 3  # chosen: a mistyped password costs no waiting
FIRST_DELAY_S, LONGEST_DELAY_S = 0.5, 3.0  # chosen: a page waits 5 s for the answer
FORGET_S = 600.0  # chosen: failures older than this no longer count
ADDRESSES_MOST = 512  # chosen: bounds the memory


class Droppable(Protocol):
    """A connection that can be dropped. address: of the other end."""

    @property
    def address(self) -> str: ...
    @property
    def closed(self) -> bool: ...
    def drop(self) -> None: ...


class Places:
    """The places for connections. The oldest come first in both groups."""

    def __init__(self) -> None:
        self._waiting: list[Droppable] = []
        self._logged_in: list[Droppable] = []

    def enter(self, newcomer: Droppable) -> None:
        """Gives a newcomer a place; drops another connection where none is free."""
        self._forget_closed()
        mine = [each for each in self._waiting if each.address == newcomer.address]
        if len(mine) >= WAITING_PER_ADDRESS:
            self._drop(mine[0])
        elif len(self._waiting) >= WAITING_MOST:
            counts = Counter(each.address for each in self._waiting)
            most = max(counts.values())
            self._drop(next(e for e in self._waiting if counts[e.address] == most))
        self._waiting.append(newcomer)

    def log_in(self, connection: Droppable) -> bool:
        """Moves a connection to those that have logged in. False if there is no place."""
        self._forget_closed()
        if connection in self._logged_in:
            return True
        if not self.has_room or connection not in self._waiting:
            return False
        self._waiting.remove(connection)
        self._logged_in.append(connection)
        return True

    @property
    def has_room(self) -> bool:
        """Is there a place for one more that logs in?"""
        self._forget_closed()
        return len(self._logged_in) < LOGGED_IN_MOST

    def _drop(self, connection: Droppable) -> None:
        self._waiting.remove(connection)
        connection.drop()

    def _forget_closed(self) -> None:
        self._waiting = [each for each in self._waiting if not each.closed]
        self._logged_in = [each for each in self._logged_in if not each.closed]


class Rate:
    """How many new connections an address may open: a token bucket for each, so that nobody can
    occupy the processor with TLS handshakes."""

    def __init__(self) -> None:
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def admits(self, address: str, now_s: float) -> bool:
        """Counts one connection from an address. False if it opens them too fast."""
        left, at_s = self._left.pop(address, (CONNECTIONS_BURST, now_s))
        left = min(CONNECTIONS_BURST, left + (now_s - at_s) * CONNECTIONS_PER_S)
        self._left[address] = (max(0.0, left - 1.0), now_s)
        if len(self._left) > ADDRESSES_MOST:
            self._left.popitem(last=False)
        return left >= 1.0


@dataclass(slots=True)
class _Failures:
    count: int = 0
    last_s: float = 0.0


class FailedLogins:
    """The failed log-ins of each address. After the first few, each doubles the time until the
    address learns that the next one failed. A right password is never held up: it may be that of
    somebody who forbids."""

    def __init__(self) -> None:
        self._by_address: OrderedDict[str, _Failures] = OrderedDict()

    def add(self, address: str, now_s: float) -> tuple[int, float]:
        """Counts a failure. Returns how many there are of this address, and the seconds to wait
        before it is answered."""
        failures = self._by_address.pop(address, None)
        if failures is None or now_s - failures.last_s > FORGET_S:
            failures = _Failures()
        failures.count += 1
        failures.last_s = now_s
        self._by_address[address] = failures
        if len(self._by_address) > ADDRESSES_MOST:
            self._by_address.popitem(last=False)
        beyond = failures.count - FREE_FAILURES
        delay_s = min(LONGEST_DELAY_S, FIRST_DELAY_S * 2.0 ** min(beyond - 1, 10))
        return failures.count, delay_s if beyond > 0 else 0.0

    def forget(self, address: str) -> None:
        """Forgets the failures of an address that has logged in."""
        self._by_address.pop(address, None)
