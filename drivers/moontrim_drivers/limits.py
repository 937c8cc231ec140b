"""Checks of arguments that every driver makes before it sends anything.

They are the last check before the radio and know nothing of bands or of a particular radio; the
daemon's own limits are narrower. A violation raises RigNotSuitable, with nothing sent: trying again
can never help.
"""

from __future__ import annotations

import math
import re

from moontrim_drivers.contract import RigNotSuitable

LOWEST_DIAL_HZ = 1
HIGHEST_DIAL_HZ = 10**12  # chosen: above any band in use for moonbounce
WIDEST_PASSBAND_HZ = 1_000_000  # chosen: wider than any passband of a radio's own

_MODE = re.compile(r"[A-Z0-9-]{1,12}")


def grouped(hz: int) -> str:
    """Returns whole hertz in groups of three digits: 10 368 100 000."""
    return f"{hz:,}".replace(",", " ")


def check_dials(split: bool, rx_hz: int | None, tx_hz: int | None) -> None:
    """Checks that dials are whole hertz from 1 to 10**12, and that there is no transmit dial
    without split. Raises RigNotSuitable naming the dial, the value and what is allowed."""
    for name, dial_hz in (("rx_hz", rx_hz), ("tx_hz", tx_hz)):
        if dial_hz is None:
            continue
        whole = isinstance(dial_hz, int) and not isinstance(dial_hz, bool)
        if not whole or not LOWEST_DIAL_HZ <= dial_hz <= HIGHEST_DIAL_HZ:
            raise RigNotSuitable(
                f"{name}: invalid value {dial_hz!r}; expected whole hertz from {LOWEST_DIAL_HZ} to "
                f"{grouped(HIGHEST_DIAL_HZ)}"
            )
    if tx_hz is not None and not split:
        raise RigNotSuitable(f"tx_hz: invalid value {tx_hz}; expected None with one dial")


def check_mode(mode: str, passband_hz: int) -> None:
    """Checks the form of a mode name and the range of a passband. Raises RigNotSuitable."""
    if not _MODE.fullmatch(mode):
        raise RigNotSuitable(f"mode: invalid value {mode!r}; expected 1 to 12 of A-Z, 0-9 and -")
    if not 0 <= passband_hz <= WIDEST_PASSBAND_HZ:
        raise RigNotSuitable(
            f"passband_hz: invalid value {passband_hz!r}; expected 0 to "
            f"{grouped(WIDEST_PASSBAND_HZ)}"
        )


def check_power(can: bool, fraction: float) -> None:
    """Checks that a power lies in 0 to 1.

    can: `Capabilities.sets_power`. Raises RigNotSuitable, also where the driver sets no power."""
    if not can:
        raise RigNotSuitable("this driver does not set the power of this radio")
    if not (math.isfinite(fraction) and 0.0 <= fraction <= 1.0):
        raise RigNotSuitable(f"fraction: invalid value {fraction!r}; expected 0 to 1")
