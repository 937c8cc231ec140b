"""The RPRT codes at the end of an answer in Hamlib's network protocol: their meanings, and those
that are more than a refusal."""

from __future__ import annotations

# rig_errcode_e in Hamlib's rig.h
_MEANINGS = {
    -1: "invalid parameter",
    -2: "invalid configuration",
    -3: "out of memory",
    -4: "not implemented for this radio",
    -5: "the radio did not answer the rig-control daemon",
    -6: "input/output error between the rig-control daemon and the radio",
    -7: "internal error of the rig-control daemon",
    -8: "protocol error between the rig-control daemon and the radio",
    -9: "rejected by the radio",
    -10: "argument truncated",
    -11: "not available on this radio",
    -12: "VFO not targetable",
    -13: "error on the radio's bus",
    -14: "the radio's bus is busy",
    -15: "bad argument",
    -16: "bad VFO",
    -17: "out of the radio's range",
    -18: "deprecated",
    -19: "not allowed by the rig-control daemon",
    -20: "the radio is powered off",
    -21: "limit exceeded",
    -22: "access denied",
}
TIMEOUTS = frozenset({-5, -14})  # a late answer may follow
BROKEN = frozenset({-3, -6, -7, -8, -13})  # the rig-control daemon closes and reopens the radio
POWERED_OFF = -20
NOT_AVAILABLE = frozenset({-4, -11})  # the radio, or Hamlib's part for it, lacks the command
LACKS = NOT_AVAILABLE | {-1}  # the same for a level, or for a transmit command without a type

NO_PTT = (
    "rigctld does not report whether this radio transmits, so it is never keyed; start rigctld "
    "with a PTT type, such as -P RIG, or key by another output"
)


def meaning(code: int) -> str:
    """Returns the meaning of a report code as a phrase that ends in the code."""
    return f"{_MEANINGS.get(code, 'an error without a name')} (RPRT {code})"
