"""What each command comes to, by a frozen view of the daemon; no socket, no daemon."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.config.settings import Settings, settings_from
from moontrim.config.share import ShareSettings
from moontrim.errors import InputError
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.commands import SetBand
from moontrim.session.session import first_session
from moontrim.share.actions import (
    Action,
    ClientState,
    Key,
    ReadDetails,
    Reply,
    SetMode,
    SetPower,
    Tune,
    Unkey,
)
from moontrim.share.answers import decide, reply_with_details
from moontrim.share.commandtable import BY_NAME, SERVED
from moontrim.share.dumpstate import MOST_RANGES, dump_state
from moontrim.share.protocol import (
    INVALID,
    NOT_AVAILABLE,
    OK,
    REJECTED,
    Malformed,
    answer,
    read_line,
    whole_hz,
)
from moontrim.share.sked import TuneTo, band_for
from moontrim.share.view import Abilities, ShareView
from moontrim_drivers.contract import RigDetails

SKED_HZ = 10_368_100_000
ALL = Abilities(keys=True, reads_details=True, sets_mode=True, sets_power=True)
VIEW = ShareView(
    band="10 GHz",
    sked_hz=SKED_HZ,
    tx_sked_hz=SKED_HZ,
    transmitting=False,
    radio_answers=True,
    headline="moontrim",
    rx_ranges_hz=((10_368_000_000, 10_370_000_000),),
    tx_ranges_hz=((10_368_000_000, 10_370_000_000),),
    can=ALL,
)
SPLIT_SEGMENTS = replace(VIEW, tx_sked_hz=SKED_HZ + 77_000)  # split segments
SPLIT = ClientState(split=True)
SECOND = ClientState(split=True, second=True)


def of(line: str, view: ShareView = VIEW, state: ClientState | None = None) -> Action:
    state = state or ClientState()
    (command,) = read_line(line.encode(), state.names_vfo)
    return decide(command, view, state)


@pytest.mark.parametrize(
    ("line", "state", "outcome"),
    [
        ("f", ClientState(), Reply(values=(str(SKED_HZ),))),
        ("f", SECOND, Reply(values=(str(SKED_HZ + 77_000),))),
        ("f", ClientState(second=True), Reply(values=(str(SKED_HZ),))),
        ("f VFOB", ClientState(names_vfo=True, split=True), Reply(values=(str(SKED_HZ + 77_000),))),
        ("f currVFO", ClientState(names_vfo=True), Reply(values=(str(SKED_HZ),))),
        ("f VFOQ", ClientState(names_vfo=True), Reply(INVALID)),
        ("f", ClientState(names_vfo=True), Reply(INVALID)),
        ("i", ClientState(), Reply(values=(str(SKED_HZ + 77_000),))),
        (f"F {SKED_HZ}", ClientState(), Reply()),
        ("F 10368200000.000000", ClientState(), Tune(10_368_200_000)),
        ("F 1.03682e10", ClientState(), Tune(10_368_200_000)),
        ("F 10368200000.5", ClientState(), Tune(10_368_200_001)),
        ("F 5", ClientState(), Tune(5)),  # whether it is allowed is the tracker's to say
        ("F 10368200000", ClientState(second=True), Tune(10_368_200_000)),
        ("F 10368200000", SECOND, Reply(REJECTED)),
        (f"F {SKED_HZ + 77_000}", SECOND, Reply()),
        (f"I {SKED_HZ + 77_000}", SPLIT, Reply()),
        (f"I {SKED_HZ + 77_000}.4", ClientState(), Reply()),
        (f"I {SKED_HZ}", SPLIT, Reply(REJECTED)),
        ("S 1 VFOB", ClientState(), Reply(state=SPLIT)),
        ("S 1 Sub", ClientState(), Reply(state=SPLIT)),
        ("S 1 currVFO", ClientState(), Reply(state=SPLIT)),
        ("S 0 VFOA", SPLIT, Reply(state=ClientState())),
        ("S 0 None", SPLIT, Reply(state=ClientState())),
        ("S 1 VFOA", ClientState(), Reply(REJECTED)),
        ("S 1 VFOQ", ClientState(), Reply(INVALID)),
        ("S 2 VFOB", ClientState(), Reply(INVALID)),
        ("s", SPLIT, Reply(values=("1", "VFOB"))),
        ("s", ClientState(), Reply(values=("0", "VFOA"))),
        ("V Sub", ClientState(), Reply(state=ClientState(second=True))),
        ("V VFOA", SECOND, Reply(state=SPLIT)),
        ("V currVFO", SECOND, Reply(state=SECOND)),
        ("V VFOC", ClientState(), Reply(INVALID)),
        ("v", SECOND, Reply(values=("VFOB",))),
        ("\\set_vfo_opt 1", ClientState(), Reply(state=ClientState(names_vfo=True))),
        ("\\set_vfo_opt 2", ClientState(), Reply(INVALID)),
        (
            "\\chk_vfo",
            ClientState(names_vfo=True),
            Reply(values=("1",), state=ClientState(True, with_keys=True)),
        ),
        ("T 1", ClientState(), Key()),
        ("T 3", ClientState(), Key()),
        ("T 0", ClientState(), Unkey()),
        ("T 4", ClientState(), Reply(INVALID)),
        ("T on", ClientState(), Reply(INVALID)),
        ("t", ClientState(), Reply(values=("0",))),
        ("M USB 2400", ClientState(), SetMode("USB", 2400)),
        ("M USB -1", ClientState(), SetMode("USB", None)),
        ("M USB 0", ClientState(), SetMode("USB", 0)),
        ("M ? 0", ClientState(), Reply(INVALID)),
        ("M usb 0", ClientState(), Reply(INVALID)),
        ("M USB x", ClientState(), Reply(INVALID)),
        ("m", ClientState(), ReadDetails()),
        ("X CW 0", ClientState(), ReadDetails()),
        (f"K {SKED_HZ + 77_000} CW 0", ClientState(), ReadDetails()),
        (f"K {SKED_HZ} CW 0", ClientState(), Reply(REJECTED)),
        ("l RFPOWER", ClientState(), ReadDetails()),
        ("l STRENGTH", ClientState(), Reply(NOT_AVAILABLE)),
        ("L RFPOWER 0.5", ClientState(), SetPower(0.5)),
        ("L RFPOWER 1.01", ClientState(), Reply(INVALID)),
        ("L RFPOWER nan", ClientState(), Reply(INVALID)),
        ("L AF 0.5", ClientState(), Reply(NOT_AVAILABLE)),
        ("\\get_powerstat", ClientState(), Reply(values=("1",))),
        ("\\get_lock_mode", ClientState(), Reply(values=("0",))),
        ("q", ClientState(), Reply(last=True)),
        ("\\halt", ClientState(), Reply(NOT_AVAILABLE)),
        ("y", ClientState(), Reply(NOT_AVAILABLE)),
        ("J 0", ClientState(), Reply(NOT_AVAILABLE)),
        ("F", ClientState(), Reply(INVALID)),
    ],
)
def test_outcomes(line: str, state: ClientState, outcome: Action) -> None:
    assert of(line, SPLIT_SEGMENTS, state) == outcome


@pytest.mark.parametrize(
    "number", ["abc", "nan", "inf", "-1", "0", "0.4", "1e13", "0x10", "1_000", "1e999", "", "१२"]
)
def test_no_frequency(number: str) -> None:
    try:
        assert of(f"F {number}") == Reply(INVALID)
    except (Malformed, UnicodeError):
        assert not number.isascii()


@pytest.mark.parametrize(
    ("line", "change", "code"),
    [
        ("L RFPOWER 0.5", {"drive_ceiling": 0.4}, REJECTED),
        ("L RFPOWER 0.3", {"transmitting": True}, REJECTED),
        ("L RFPOWER 0.3", {"transmitting": None}, REJECTED),
        ("M CW 0", {"transmitting": True}, REJECTED),
        ("t", {"transmitting": None}, NOT_AVAILABLE),
        ("\\get_powerstat", {"radio_answers": False}, NOT_AVAILABLE),
        ("m", {"can": Abilities()}, NOT_AVAILABLE),
        ("X CW 0", {"can": Abilities()}, NOT_AVAILABLE),
        ("M CW 0", {"can": Abilities()}, NOT_AVAILABLE),
        ("l RFPOWER", {"can": Abilities()}, NOT_AVAILABLE),
        ("L RFPOWER 0.1", {"can": Abilities()}, NOT_AVAILABLE),
        ("T 1", {"can": Abilities()}, NOT_AVAILABLE),
        ("T 0", {"can": Abilities()}, NOT_AVAILABLE),
        ("\\get_vfo_info VFOA", {"can": Abilities()}, NOT_AVAILABLE),
    ],
)
def test_refusals_by_the_present_state(line: str, change: dict[str, Any], code: int) -> None:
    assert of(line, replace(VIEW, **change)) == Reply(code)


@pytest.mark.parametrize(
    ("line", "details", "expected"),
    [
        ("m", RigDetails("CW", 500, 0.5), Reply(values=("CW", "500"))),
        ("m", RigDetails("CW", None, None), Reply(values=("CW", "0"))),
        ("m", RigDetails(None, None, 0.5), Reply(NOT_AVAILABLE)),
        ("l RFPOWER", RigDetails("CW", 500, 0.5), Reply(values=("0.500000",))),
        ("l RFPOWER", RigDetails("CW", 500, None), Reply(NOT_AVAILABLE)),
        ("X CW 2400", RigDetails("CW", 500, None), Reply()),
        ("X USB 500", RigDetails("CW", 500, None), Reply(REJECTED)),
        ("k", RigDetails("CW", 500, None), Reply(values=(str(SKED_HZ), "CW", "500"))),
        (
            "\\get_vfo_info VFOB",
            RigDetails("CW", 500, None),
            Reply(values=(str(SKED_HZ), "CW", "500", "0", "0")),
        ),
    ],
)
def test_answers_after_a_look_at_the_radio(line: str, details: RigDetails, expected: Reply) -> None:
    (command,) = read_line(line.encode(), False)
    assert decide(command, VIEW, ClientState()) == ReadDetails()
    assert reply_with_details(command, VIEW, ClientState(), details) == expected


argument = st.one_of(
    st.sampled_from(["0", "1", "VFOB", "RFPOWER", "CW"]), st.text("09azAZ.-", max_size=5)
)


@given(
    st.sampled_from(sorted(BY_NAME)),
    st.lists(argument, max_size=4),
    st.builds(ClientState, st.booleans(), st.booleans(), st.booleans(), st.booleans()),
    st.builds(Abilities, st.booleans(), st.booleans(), st.booleans(), st.booleans()),
)
def test_everything_is_answered(
    name: str, arguments: list[str], state: ClientState, can: Abilities
) -> None:
    """Only what is served does anything, and every answer can be written down."""
    try:
        commands = read_line(" ".join((f"\\{name}", *arguments)).encode(), state.names_vfo)
    except Malformed:
        return
    view = replace(VIEW, can=can)
    for command in commands:
        outcome = decide(command, view, state)
        if isinstance(outcome, ReadDetails):
            outcome = reply_with_details(command, view, state, RigDetails("CW", 500, 0.5))
        if isinstance(outcome, Reply):
            assert answer(command, outcome.code, outcome.values).endswith(b"\n")
        if command.shape.name not in SERVED:
            assert outcome == Reply(NOT_AVAILABLE)


# --- dump_state ---


def test_dump_state_is_what_the_client_reads() -> None:
    """Line by line as its reader goes (netrigctl.c): three numbers, two lists of ranges, steps,
    filters, four numbers, two lists of numbers, six masks."""
    lines = iter(dump_state(VIEW, with_keys=False).split("\n"))
    assert [next(lines) for _ in range(3)] == ["0", "2", "0"]
    for _ in range(2):
        low, high, *_rest = next(lines).split()
        assert (float(low), float(high)) == (10_368_000_000, 10_370_000_000)
        assert next(lines).split() == ["0"] * 7
    next(lines)
    assert [next(lines) for _ in range(2)] == ["0 0", "0 0"]
    assert [next(lines) for _ in range(6)] == ["0", "0", "0", "0", "", ""]
    assert [next(lines) for _ in range(6)] == ["0x0", "0x0", "0x1000", "0x1000", "0x0", "0x0"]
    assert list(lines) == []


def test_dump_state_with_keys_ends_in_done() -> None:
    text = dump_state(replace(VIEW, can=Abilities()), with_keys=True)
    assert text.startswith("1\n") and text.endswith("\ndone")
    assert "targetable_vfo=0x0" in text
    assert "0x1000" not in text.split("\n"), "no level is offered"


def test_more_bands_than_the_client_has_room_for() -> None:
    many = tuple((hz, hz + 1000) for hz in range(10**9, 10**9 + 10**6 * (MOST_RANGES + 1), 10**6))
    text = dump_state(replace(VIEW, rx_ranges_hz=many), with_keys=False)
    assert "1000000000.000000 1029001000.000000" in text


# --- tuning ---


def settings(**changes: Any) -> Settings:
    low = {
        "name": "432 MHz",
        "front_end": "10 GHz",
        "transverter_offset_hz": 288_000_000,
        "sked_hz": 432_070_000,
        "tx_low_hz": 432_000_000,
        "tx_high_hz": 433_000_000,
    }
    wide = low | {"name": "wide", "tx_high_hz": 440_000_000}
    return settings_from(EMBEDDED | {"bands": [EMBEDDED["bands"][0], low, wide]} | changes, "test")


def test_tuning_changes_band_and_frequency_as_one() -> None:
    known = settings()
    session = TuneTo("share", 432_100_000).apply(first_session(known), known)
    assert (session.band, session.band_choices(known).sked_hz) == ("432 MHz", 432_100_000.0)
    session = TuneTo("share", 439_000_000).apply(session, known)
    assert (session.band, session.band_choices(known).sked_hz) == ("wide", 439_000_000.0)
    session = TuneTo("share", 432_100_000).apply(session, known)
    assert session.band == "wide", "it fits the present band"
    session = TuneTo("share", SKED_HZ + 5).apply(session, known)
    assert (session.band, session.band_choices(known).sked_hz) == ("10 GHz", SKED_HZ + 5.0)
    assert session.bands["432 MHz"].sked_hz == 432_100_000.0, "what was chosen there stays"


@pytest.mark.parametrize("hz", [1, 144_100_000, 440_000_001, 10_367_999_999, 10**12 - 1])
def test_tuning_where_no_band_is(hz: int) -> None:
    known = settings()
    with pytest.raises(
        InputError, match="10 368 000 000 to 10 370 000 000, 432 000 000 to 433 000 000"
    ):
        TuneTo("share", hz).apply(first_session(known), known)
    assert band_for(hz, "10 GHz", known) is None


def test_no_program_changes_the_front_end() -> None:
    low = {"name": "144 MHz", "sked_hz": 144_120_000}
    low |= {"tx_low_hz": 144_000_000, "tx_high_hz": 146_000_000}
    same = low | {"name": "144 MHz through it", "front_end": "10 GHz"}
    known = settings(
        bands=[EMBEDDED["bands"][0], low, same | {"transverter_offset_hz": 116_000_000}]
    )
    session = TuneTo("share", 144_100_000).apply(first_session(known), known)
    assert session.band == "144 MHz through it", "though the other one comes first"
    known = settings(bands=[EMBEDDED["bands"][0], low])
    with pytest.raises(
        InputError, match=r"10 368 000 000 to 10 370 000 000 Hz \(front end 10 GHz\)"
    ):
        TuneTo("share", 144_100_000).apply(first_session(known), known)
    direct = SetBand("phone", "144 MHz").apply(first_session(known), known)
    assert TuneTo("share", 144_100_000).apply(direct, known).band == "144 MHz"
    with pytest.raises(InputError, match="144 000 000 to 146 000 000"):
        TuneTo("share", SKED_HZ).apply(direct, known)


def test_split_segments_is_bounded_by_what_is_transmitted() -> None:
    band = EMBEDDED["bands"][0] | {"tx_sked_hz": SKED_HZ + 500_000}
    known = settings(bands=[band])
    assert band_for(10_369_500_000, "10 GHz", known) == "10 GHz"
    assert band_for(10_369_500_001, "10 GHz", known) is None
    assert band_for(10_367_500_000, "10 GHz", known) == "10 GHz"


@pytest.mark.parametrize(("hz", "whole"), [(1.4, 1), (1.5, 2), (2.5, 3), (10.0, 10)])
def test_whole_hertz_are_rounded_half_up(hz: float, whole: int) -> None:
    assert whole_hz(hz) == whole


# --- settings ---


def test_settings_are_closed_unless_opened() -> None:
    assert ShareSettings().addresses == ("127.0.0.1",)
    assert ShareSettings(lan_address="10.42.0.1").addresses == ("127.0.0.1",)
    assert ShareSettings(lan=True).addresses == ("0.0.0.0",)
    assert ShareSettings(lan=True, lan_address="10.42.0.1").addresses == ("10.42.0.1", "127.0.0.1")
    assert not ShareSettings(lan=True).lan_transmit


@pytest.mark.parametrize(
    "raw",
    [
        {"port": 0},
        {"port": 65536},
        {"clients": 0},
        {"clients": 65},
        {"lan_transmit": True},
        {"lan": True, "lan_address": "somewhere"},
        {"enabled": 1},
        {"password": "x"},
    ],
)
def test_settings_refuse(raw: dict[str, Any]) -> None:
    with pytest.raises(ValueError):
        ShareSettings.model_validate(raw)


def test_codes_are_hamlibs() -> None:
    assert (OK, INVALID, REJECTED, NOT_AVAILABLE) == (0, -1, -9, -11)
