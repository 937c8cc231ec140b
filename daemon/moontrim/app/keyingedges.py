"""The instants at which the transmit sequence changed its state, on their way to the journal."""

from __future__ import annotations

from collections import deque

from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView

MOST_EDGES = 1000  # chosen: hours of overs; without a journal the newest stay


class KeyingEdges:
    """The changes of state not taken yet, each as the view that began with it."""

    def __init__(self) -> None:
        self._edges: deque[KeyingView] = deque(maxlen=MOST_EDGES)
        self._state: Phase | None = None

    def note(self, view: KeyingView) -> None:
        """Adds a view if its state is another one."""
        if view.state is not self._state:
            self._state = view.state
            self._edges.append(view)

    def take(self) -> list[KeyingView]:
        """Removes and returns the edges, the oldest first."""
        edges = list(self._edges)
        self._edges.clear()
        return edges
