"""The commands of Hamlib's network rig-control protocol, as a table (rigctld(1), "Commands").

Owns their names, how many arguments each takes and how its values are labelled in an extended
answer. What each one does is in `answers`."""

from __future__ import annotations

from dataclasses import dataclass

REST = -1  # everything up to the end of the line


@dataclass(frozen=True, slots=True)
class CommandShape:
    """The form of one command.

    letter: its short name, empty if it has none. arguments: how many, without the VFO. vfo: in
    explicit-VFO mode its first argument is a VFO. labels: before each value of an extended answer.
    """

    letter: str
    name: str
    arguments: int = 0
    vfo: bool = True
    labels: tuple[str, ...] = ()


# The commands that the share carries out or answers.
_SERVED = (
    CommandShape("F", "set_freq", 1),
    CommandShape("f", "get_freq", labels=("Frequency: ",)),
    CommandShape("I", "set_split_freq", 1),
    CommandShape("i", "get_split_freq", labels=("TX Frequency: ",)),
    CommandShape("S", "set_split_vfo", 2),
    CommandShape("s", "get_split_vfo", labels=("Split: ", "TX VFO: ")),
    CommandShape("M", "set_mode", 2),
    CommandShape("m", "get_mode", labels=("Mode: ", "Passband: ")),
    CommandShape("X", "set_split_mode", 2),
    CommandShape("x", "get_split_mode", labels=("TX Mode: ", "TX Passband: ")),
    CommandShape("K", "set_split_freq_mode", 3),
    CommandShape(
        "k", "get_split_freq_mode", labels=("TX Frequency: ", "TX Mode: ", "TX Passband: ")
    ),
    CommandShape("V", "set_vfo", 1, vfo=False),
    CommandShape("v", "get_vfo", vfo=False, labels=("VFO: ",)),
    CommandShape("T", "set_ptt", 1),
    CommandShape("t", "get_ptt", labels=("PTT: ",)),
    CommandShape("L", "set_level", 2),
    CommandShape("l", "get_level", 1, labels=("",)),
    CommandShape("_", "get_info", vfo=False, labels=("Info: ",)),
    CommandShape("", "get_powerstat", vfo=False, labels=("Power Status: ",)),
    CommandShape("", "get_lock_mode", vfo=False, labels=("Locked: ",)),
    CommandShape("", "get_vfo_list", vfo=False, labels=("VFOs: ",)),
    CommandShape(
        "",
        "get_vfo_info",
        1,
        vfo=False,
        labels=("Freq: ", "Mode: ", "Width: ", "Split: ", "SatMode: "),
    ),
    CommandShape("", "chk_vfo", vfo=False, labels=("ChkVFO: ",)),
    CommandShape("", "set_vfo_opt", 1, vfo=False),
    CommandShape("", "dump_state", vfo=False, labels=("",)),
    CommandShape("q", "quit", vfo=False),
    CommandShape("Q", "exit", vfo=False),
)

# The other commands of the protocol, which the share answers with "not available". Some of them
# could end the daemon, or reach the radio around it.

_NOT_SERVED = (
    CommandShape("J", "set_rit", 1),
    CommandShape("j", "get_rit"),
    CommandShape("Z", "set_xit", 1),
    CommandShape("z", "get_xit"),
    CommandShape("N", "set_ts", 1),
    CommandShape("n", "get_ts"),
    CommandShape("U", "set_func", 2),
    CommandShape("u", "get_func", 1),
    CommandShape("P", "set_parm", 2),
    CommandShape("p", "get_parm", 1),
    CommandShape("G", "vfo_op", 1),
    CommandShape("g", "scan", 2),
    CommandShape("A", "set_trn", 1),
    CommandShape("a", "get_trn"),
    CommandShape("R", "set_rptr_shift", 1),
    CommandShape("r", "get_rptr_shift"),
    CommandShape("O", "set_rptr_offs", 1),
    CommandShape("o", "get_rptr_offs"),
    CommandShape("C", "set_ctcss_tone", 1),
    CommandShape("c", "get_ctcss_tone"),
    CommandShape("D", "set_dcs_code", 1),
    CommandShape("d", "get_dcs_code"),
    CommandShape("", "set_ctcss_sql", 1),
    CommandShape("", "get_ctcss_sql"),
    CommandShape("", "set_dcs_sql", 1),
    CommandShape("", "get_dcs_sql"),
    CommandShape("E", "set_mem", 1),
    CommandShape("e", "get_mem"),
    CommandShape("H", "set_channel", REST),
    CommandShape("h", "get_channel", 2),
    CommandShape("B", "set_bank", 1),
    CommandShape("Y", "set_ant", 2),
    CommandShape("y", "get_ant", 1),
    CommandShape("*", "reset", 1),
    CommandShape("w", "send_cmd", REST),
    CommandShape("W", "send_cmd_rx", REST),
    CommandShape("b", "send_morse", REST),
    CommandShape("", "stop_morse"),
    CommandShape("", "wait_morse"),
    CommandShape("", "send_voice_mem", 1),
    CommandShape("", "send_dtmf", REST),
    CommandShape("", "recv_dtmf"),
    CommandShape("", "get_dcd"),
    CommandShape("2", "power2mW", 3, vfo=False),
    CommandShape("4", "mW2power", 3, vfo=False),
    CommandShape("1", "dump_caps", vfo=False),
    CommandShape("3", "dump_conf", vfo=False),
    CommandShape("", "set_powerstat", 1, vfo=False),
    CommandShape("", "set_lock_mode", 1, vfo=False),
    CommandShape("", "get_rig_info", vfo=False),
    CommandShape("", "get_modes", vfo=False),
    CommandShape("", "get_mode_bandwidths", 1, vfo=False),
    CommandShape("", "set_twiddle", 1, vfo=False),
    CommandShape("", "get_twiddle", vfo=False),
    CommandShape("", "set_cache", 1, vfo=False),
    CommandShape("", "get_cache", vfo=False),
    CommandShape("", "uplink", 1, vfo=False),
    CommandShape("", "set_clock", REST, vfo=False),
    CommandShape("", "get_clock", vfo=False),
    CommandShape("", "set_separator", 1, vfo=False),
    CommandShape("", "get_separator", vfo=False),
    CommandShape("", "password", REST, vfo=False),
    CommandShape("", "send_raw", REST, vfo=False),
    CommandShape("", "pause", 1, vfo=False),
    CommandShape("", "halt", vfo=False),
)

SERVED = frozenset(command.name for command in _SERVED)
BY_NAME = {command.name: command for command in (*_SERVED, *_NOT_SERVED)}
BY_LETTER = {command.letter: command for command in BY_NAME.values() if command.letter}
