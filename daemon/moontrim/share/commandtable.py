"""The commands of Hamlib's network rig-control protocol, as a table (rigctld(1), "Commands").

Owns their names, how many arguments each takes and how its values are labelled in an extended
answer; not what they do here."""

from __future__ import annotations

from dataclasses import dataclass

REST = -1  # everything up to the end of the line


@dataclass(frozen=True, slots=True)
class Command:
    """letter: its short name, empty if it has none. arguments: how many, without the VFO. vfo:
    names one first in explicit-VFO mode. labels: before each value of an extended answer."""

    letter: str
    name: str
    arguments: int = 0
    vfo: bool = True
    labels: tuple[str, ...] = ()


# What is carried out or answered here.
_SERVED = (
    Command("F", "set_freq", 1),
    Command("f", "get_freq", labels=("Frequency: ",)),
    Command("I", "set_split_freq", 1),
    Command("i", "get_split_freq", labels=("TX Frequency: ",)),
    Command("S", "set_split_vfo", 2),
    Command("s", "get_split_vfo", labels=("Split: ", "TX VFO: ")),
    Command("M", "set_mode", 2),
    Command("m", "get_mode", labels=("Mode: ", "Passband: ")),
    Command("X", "set_split_mode", 2),
    Command("x", "get_split_mode", labels=("TX Mode: ", "TX Passband: ")),
    Command("K", "set_split_freq_mode", 3),
    Command("k", "get_split_freq_mode", labels=("TX Frequency: ", "TX Mode: ", "TX Passband: ")),
    Command("V", "set_vfo", 1, vfo=False),
    Command("v", "get_vfo", vfo=False, labels=("VFO: ",)),
    Command("T", "set_ptt", 1),
    Command("t", "get_ptt", labels=("PTT: ",)),
    Command("L", "set_level", 2),
    Command("l", "get_level", 1, labels=("",)),
    Command("_", "get_info", vfo=False, labels=("Info: ",)),
    Command("", "get_powerstat", vfo=False, labels=("Power Status: ",)),
    Command("", "get_lock_mode", vfo=False, labels=("Locked: ",)),
    Command("", "get_vfo_list", vfo=False, labels=("VFOs: ",)),
    Command(
        "",
        "get_vfo_info",
        1,
        vfo=False,
        labels=("Freq: ", "Mode: ", "Width: ", "Split: ", "SatMode: "),
    ),
    Command("", "chk_vfo", vfo=False, labels=("ChkVFO: ",)),
    Command("", "set_vfo_opt", 1, vfo=False),
    Command("", "dump_state", vfo=False, labels=("",)),
    Command("q", "quit", vfo=False),
    Command("Q", "exit", vfo=False),
)

# What other radios have, and a radio kept on frequency by somebody else does not: answered with
# "not available". Some of them could end the daemon, or reach around it.
_KNOWN = (
    Command("J", "set_rit", 1),
    Command("j", "get_rit"),
    Command("Z", "set_xit", 1),
    Command("z", "get_xit"),
    Command("N", "set_ts", 1),
    Command("n", "get_ts"),
    Command("U", "set_func", 2),
    Command("u", "get_func", 1),
    Command("P", "set_parm", 2),
    Command("p", "get_parm", 1),
    Command("G", "vfo_op", 1),
    Command("g", "scan", 2),
    Command("A", "set_trn", 1),
    Command("a", "get_trn"),
    Command("R", "set_rptr_shift", 1),
    Command("r", "get_rptr_shift"),
    Command("O", "set_rptr_offs", 1),
    Command("o", "get_rptr_offs"),
    Command("C", "set_ctcss_tone", 1),
    Command("c", "get_ctcss_tone"),
    Command("D", "set_dcs_code", 1),
    Command("d", "get_dcs_code"),
    Command("", "set_ctcss_sql", 1),
    Command("", "get_ctcss_sql"),
    Command("", "set_dcs_sql", 1),
    Command("", "get_dcs_sql"),
    Command("E", "set_mem", 1),
    Command("e", "get_mem"),
    Command("H", "set_channel", REST),
    Command("h", "get_channel", 2),
    Command("B", "set_bank", 1),
    Command("Y", "set_ant", 2),
    Command("y", "get_ant", 1),
    Command("*", "reset", 1),
    Command("w", "send_cmd", REST),
    Command("W", "send_cmd_rx", REST),
    Command("b", "send_morse", REST),
    Command("", "stop_morse"),
    Command("", "wait_morse"),
    Command("", "send_voice_mem", 1),
    Command("", "send_dtmf", REST),
    Command("", "recv_dtmf"),
    Command("", "get_dcd"),
    Command("2", "power2mW", 3, vfo=False),
    Command("4", "mW2power", 3, vfo=False),
    Command("1", "dump_caps", vfo=False),
    Command("3", "dump_conf", vfo=False),
    Command("", "set_powerstat", 1, vfo=False),
    Command("", "set_lock_mode", 1, vfo=False),
    Command("", "get_rig_info", vfo=False),
    Command("", "get_modes", vfo=False),
    Command("", "get_mode_bandwidths", 1, vfo=False),
    Command("", "set_twiddle", 1, vfo=False),
    Command("", "get_twiddle", vfo=False),
    Command("", "set_cache", 1, vfo=False),
    Command("", "get_cache", vfo=False),
    Command("", "uplink", 1, vfo=False),
    Command("", "set_clock", REST, vfo=False),
    Command("", "get_clock", vfo=False),
    Command("", "set_separator", 1, vfo=False),
    Command("", "get_separator", vfo=False),
    Command("", "password", REST, vfo=False),
    Command("", "send_raw", REST, vfo=False),
    Command("", "pause", 1, vfo=False),
    Command("", "halt", vfo=False),
)

SERVED = frozenset(command.name for command in _SERVED)
BY_NAME = {command.name: command for command in (*_SERVED, *_KNOWN)}
BY_LETTER = {command.letter: command for command in BY_NAME.values() if command.letter}
