"""What no driver may ever put on a wire, whatever it was asked for.

Owns the checks of arguments that every driver makes before it sends anything. They are the last
line before the radio and know nothing of bands or of a particular radio; the daemon has its own,
narrower ones. A violation is RigUnfit: sending it again can never help, and nothing has been sent.
"""

from __future__ import annotations

import math
import re

from moontrim_drivers.contract import RigUnfit

LOWEST_DIAL_HZ = 1
HIGHEST_DIAL_HZ = 10**12
WIDEST_PASSBAND_HZ = 1_000_000

_MODE = re.compile(r"[A-Z0-9-]{1,12}")


def check_dials(split: bool, rx_hz: int | None, tx_hz: int | None) -> None:
    """Refuse dials that are no whole hertz from 1 to 10**12, and a transmit dial where there is
    none.

    Raises RigUnfit naming the dial, the value and what is allowed.
    """
    for name, dial_hz in (("rx_hz", rx_hz), ("tx_hz", tx_hz)):
        if dial_hz is None:
            continue
        whole = isinstance(dial_hz, int) and not isinstance(dial_hz, bool)
        if not whole or not LOWEST_DIAL_HZ <= dial_hz <= HIGHEST_DIAL_HZ:
            raise RigUnfit(
                f"{name}: {dial_hz!r} is not usable; allowed: whole hertz from {LOWEST_DIAL_HZ} to "
                f"{HIGHEST_DIAL_HZ}"
            )
    if tx_hz is not None and not split:
        raise RigUnfit(f"tx_hz: {tx_hz} is not usable; allowed: None, as one dial serves both ways")


def check_mode(mode: str, passband_hz: int) -> None:
    """Refuse a mode name or a passband that is none. Raises RigUnfit."""
    if not _MODE.fullmatch(mode):
        raise RigUnfit(f"mode: {mode!r} is not usable; allowed: 1 to 12 of A-Z, 0-9 and -")
    if not 0 <= passband_hz <= WIDEST_PASSBAND_HZ:
        raise RigUnfit(
            f"passband_hz: {passband_hz!r} is not usable; allowed: 0 to {WIDEST_PASSBAND_HZ}"
        )


def check_power(can: bool, fraction: float) -> None:
    """Refuse a power outside 0 to 1, and any where the driver does not set power. Raises
    RigUnfit."""
    if not can:
        raise RigUnfit("this driver does not set the power of this radio")
    if not (math.isfinite(fraction) and 0.0 <= fraction <= 1.0):
        raise RigUnfit(f"fraction: {fraction!r} is not usable; allowed: 0 to 1")
