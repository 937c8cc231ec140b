"""Messages of the semicolon bus: whole, in pieces, and among rubbish."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim_drivers.asciicat import codec as bus
from unit.drivers.civ.test_civcodec import pieces

names = st.text(string.ascii_uppercase, min_size=2, max_size=2)
rests = st.text([c for c in map(chr, range(32, 127)) if c != ";"], max_size=70)
messages = st.builds(bus.Message, names, rests) | st.sampled_from("?EO").map(bus.Message)
statuses = st.builds(
    bus.Status,
    dial_hz=st.integers(0, bus.HIGHEST_DIAL_HZ),
    transmitting=st.booleans(),
    mode=st.sampled_from(sorted(bus.MODES)),
    second_dial=st.booleans(),
    split=st.booleans(),
)


@given(messages)
def test_there_and_back(message: bus.Message) -> None:
    assert bus.Message.from_bytes(message.to_bytes()) == message


@given(st.lists(messages, max_size=5), st.lists(st.integers(0, 1000), max_size=20))
def test_in_any_pieces(sent: list[bus.Message], cuts: list[int]) -> None:
    splitter = bus.MessageSplitter()
    data = b"".join(message.to_bytes() for message in sent)
    assert [m for piece in pieces(data, cuts) for m in splitter.feed(piece)] == sent
    assert splitter.noise == b""


@given(st.binary(max_size=200), messages)
def test_a_message_behind_any_rubbish_is_found(rubbish: bytes, message: bus.Message) -> None:
    """Behind the end of whatever message the rubbish was."""
    found = list(bus.MessageSplitter().feed(rubbish + b";" + message.to_bytes()))
    assert found[-1] == message


@given(st.binary(max_size=2000))
def test_any_bytes_at_all(data: bytes) -> None:
    splitter = bus.MessageSplitter()
    for message in splitter.feed(data):
        assert bus.Message.from_bytes(message.to_bytes()) == message
    assert len(splitter.noise) <= bus.LONGEST_MESSAGE


@given(statuses)
def test_status(status: bus.Status) -> None:
    assert bus.Status.from_text(status.to_text()) == status
    whole = bus.Message("IF", status.to_text()).to_bytes()
    assert len(whole) == 38
    assert (whole[28:29], whole[32:33]) == (b"%d" % status.transmitting, b"%d" % status.split)


@pytest.mark.parametrize("text", ["", "0" * 34, "0" * 36, "x" * 35, "0" * 26 + "2" + "0" * 8])
def test_what_is_no_status(text: str) -> None:
    with pytest.raises(ValueError):
        bus.Status.from_text(text)


@given(st.integers(0, bus.HIGHEST_DIAL_HZ))
def test_dials(value_hz: int) -> None:
    assert len(bus.dial(value_hz)) == 11 and bus.dial_hz(bus.dial(value_hz)) == value_hz


@pytest.mark.parametrize("text", ["", "144123456", "-0144123456", "0014412345x", "٠" * 11])
def test_what_is_no_dial(text: str) -> None:
    with pytest.raises(ValueError):
        bus.dial_hz(text)


@pytest.mark.parametrize("value_hz", [-1, 10**11])
def test_a_dial_that_does_not_fit(value_hz: int) -> None:
    with pytest.raises(ValueError, match="digits"):
        bus.dial(value_hz)


@pytest.mark.parametrize("data", [b"", b";", b"F;", b"fa;", b"FA", b"FA;;", b"FA\xff;", b"FA\n;"])
def test_what_is_no_message(data: bytes) -> None:
    with pytest.raises(ValueError):
        bus.Message.from_bytes(data)
