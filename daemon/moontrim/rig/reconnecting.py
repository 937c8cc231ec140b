"""How long the rig link waits before it connects again."""

from __future__ import annotations

import random

from moontrim_drivers.contract import RigError, RigTimeout

# Pauses before another attempt to connect. The first is doubled up to the last; chosen: short
# enough that a radio that has come back answers within 2 s. Unfit: it takes a person to change it.
FIRST_S, LAST_S, NOT_SUITABLE_S = 0.25, 1.5, 15.0


class ReconnectPauses:
    """The pauses of one radio. seed: of their jitter, which keeps several from connecting at
    once."""

    def __init__(self, seed: int | None) -> None:
        self._random = random.Random(seed)
        self._next_s = FIRST_S

    def reset(self) -> None:
        """Begins anew: the radio has answered."""
        self._next_s = FIRST_S

    def after(self, error: RigError) -> float:
        """Returns the seconds to wait after an error."""
        if not error.transient:
            self._next_s = NOT_SUITABLE_S
        elif isinstance(error, RigTimeout):
            # It has been waited for already, and may be switched on at any moment.
            self._next_s = FIRST_S
        pause_s = self._next_s * self._random.uniform(0.75, 1.25)
        self._next_s = min(LAST_S, 2 * self._next_s)
        return pause_s
