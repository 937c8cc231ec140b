"""The dials of a radio over time, as the radio itself shows them. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from moontrim.path.vectors import Array

# Chosen: allowed after a press or release, until the daemon has noticed it and set the dial.
CATCH_UP_S = 1.5


@dataclass
class DialRecord:
    """The dials of a radio over time, one entry for each change, which holds from utc_s (UTC
    seconds) on. tx_hz: 0 without split."""

    utc_s: list[float] = field(default_factory=list)
    rx_hz: list[int] = field(default_factory=list)
    tx_hz: list[int] = field(default_factory=list)
    keyed: list[bool] = field(default_factory=list)

    def add(self, utc_s: float, rx_hz: int, tx_hz: int | None, keyed: bool) -> None:
        """Adds a change."""
        self.utc_s.append(utc_s)
        self.rx_hz.append(rx_hz)
        self.tx_hz.append(tx_hz or 0)
        self.keyed.append(keyed)

    @property
    def split(self) -> bool:
        """Whether there are two dials."""
        return any(self.tx_hz)

    def index(self, at_s: Array) -> NDArray[np.intp]:
        """Returns which entry holds at each instant; the first also before it."""
        return np.maximum(np.searchsorted(np.array(self.utc_s), at_s, side="right") - 1, 0)

    def turns_utc_s(self) -> Array:
        """Returns when each state of the key began, entry by entry: its press or release."""
        state = np.array(self.keyed)
        turned = np.concatenate([[True], state[1:] != state[:-1]])
        return np.asarray(np.maximum.accumulate(np.where(turned, self.utc_s, -np.inf)))

    def settled(self, at_s: Array, *, keyed: bool) -> NDArray[np.bool_]:
        """Returns at which instants it has transmitted (keyed) or received for CATCH_UP_S."""
        index = self.index(at_s)
        since_s = at_s - self.turns_utc_s()[index]
        return np.asarray((np.array(self.keyed)[index] == keyed) & (since_s >= CATCH_UP_S))
