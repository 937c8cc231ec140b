"""The answer to `dump_state`, by which Hamlib's client learns what it has connected to. Pure.

The lines and their order are those of Hamlib's rigctl_parse.c, which writes them, and netrigctl.c,
which reads them: version, model, region, receive and transmit ranges, tuning steps, filters, RIT,
XIT, IF shift, announcements, preamplifiers, attenuators, then masks of functions, levels and
parameters that can be got and set. Version 1 goes on with key=value lines up to `done`."""

from __future__ import annotations

from moontrim.share.view import ShareView

# rmode_t bits of Hamlib's rig.h: AM CW USB LSB RTTY FM, CWR RTTYR, PKTLSB PKTUSB PKTFM
MODES = 0x3F | 0x180 | 0x1C00
RFPOWER = 0x1000  # RIG_LEVEL_RFPOWER of rig.h, the only level that the share has
BOTH_VFOS = 0x3  # RIG_VFO_A and RIG_VFO_B of rig.h
MOST_RANGES = 29  # the client's array holds 30 (HAMLIB_FRQRANGESIZ of rig.h), with the end mark
_END = ("0 0 0 0 0 0 0",)


def dump_state(view: ShareView, *, with_keys: bool) -> str:
    """Returns all lines. with_keys: in version 1, for a client that has shown by `chk_vfo` that it
    is recent enough to read on to `done`."""
    lines = (
        "1" if with_keys else "0",
        "2",
        "0",
        *_ranges(view.rx_ranges_hz, "-1 -1"),
        *_ranges(view.tx_ranges_hz, "0 0"),
        f"{MODES:#x} 1",
        "0 0",
        "0 0",
        *("0", "0", "0", "0", "", ""),
        "0x0",
        "0x0",
        f"{RFPOWER if view.can.reads_details else 0:#x}",
        f"{RFPOWER if view.can.sets_power else 0:#x}",
        "0x0",
        "0x0",
    )
    return "\n".join(lines + (_KEYS if with_keys else ()))


# targetable_vfo=0: a client that believes the VFOs targetable would answer for the transmit
# frequency by itself. timeout: in ms, the client's for one answer; a transmit request takes as long
# as its relays (`sharedradio.KEYING_S`, and a little more).
_KEYS = (
    "vfo_ops=0x0",
    "ptt_type=0x1",
    "targetable_vfo=0x0",
    "has_set_vfo=1",
    "has_get_vfo=1",
    "has_set_freq=1",
    "has_get_freq=1",
    "has_set_conf=0",
    "has_get_conf=0",
    "has_power2mW=0",
    "has_mW2power=0",
    "timeout=16000",
    "done",
)


def _ranges(ranges_hz: tuple[tuple[int, int], ...], power_mw: str) -> tuple[str, ...]:
    """Returns the lines of the ranges and their end mark; more than the client has room for become
    one range. power_mw: lowest and highest; -1 for receiving only, 0 for not known."""
    if len(ranges_hz) > MOST_RANGES:
        ranges_hz = ((min(low for low, _ in ranges_hz), max(high for _, high in ranges_hz)),)
    lines = (
        f"{low_hz:.6f} {high_hz:.6f} {MODES:#x} {power_mw} {BOTH_VFOS:#x} 0x1"
        for low_hz, high_hz in ranges_hz
    )
    return (*lines, *_END)
