"""Frames of the addressed binary bus: whole, in pieces, and among rubbish."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim_drivers.civ import codec as bus

addresses = st.integers(0, 0xFB)
bodies = st.lists(st.integers(0, 0xFB), min_size=1, max_size=bus.LONGEST_BODY).map(bytes)
frames = st.builds(bus.Frame, addresses, addresses, bodies)


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[a:b] for a, b in pairwise(places)]


def test_a_frame_as_measured() -> None:
    """Setting a dial as Hamlib 4.5.4 was seen to send it (model 3081)."""
    frame = bus.Frame(0xA2, 0xE0, b"\x25\x00" + bus.dial(144_123_456))
    assert frame.to_bytes() == bytes.fromhex("FE FE A2 E0 25 00 56 34 12 44 01 FD")
    assert bus.level(0.5) == bytes.fromhex("01 28") and bus.digits(127, 2).hex() == "0127"


@given(frames)
def test_there_and_back(frame: bus.Frame) -> None:
    assert bus.Frame.from_bytes(frame.to_bytes()) == frame


@given(st.lists(frames, max_size=5), st.lists(st.integers(0, 1000), max_size=20))
def test_in_any_pieces(sent: list[bus.Frame], cuts: list[int]) -> None:
    splitter = bus.FrameSplitter()
    data = b"".join(frame.to_bytes() for frame in sent)
    assert [f for piece in pieces(data, cuts) for f in splitter.feed(piece)] == sent
    assert splitter.noise == b""


@given(st.binary(max_size=200), frames)
def test_a_frame_behind_any_rubbish_is_found(rubbish: bytes, frame: bus.Frame) -> None:
    found = list(bus.FrameSplitter().feed(rubbish + frame.to_bytes()))
    assert found[-1] == frame


@given(frames, st.data())
def test_a_damaged_frame_is_never_taken_for_the_one_sent(
    frame: bus.Frame, data: st.DataObject
) -> None:
    raw = bytearray(frame.to_bytes())
    place = data.draw(st.integers(0, len(raw) - 1))
    raw[place] ^= 1 << data.draw(st.integers(0, 7))
    assert frame not in list(bus.FrameSplitter().feed(bytes(raw)))


@given(st.binary(max_size=2000))
def test_any_bytes_at_all(data: bytes) -> None:
    splitter = bus.FrameSplitter()
    for frame in splitter.feed(data):
        assert frame is None or bus.Frame.from_bytes(frame.to_bytes()) == frame
    assert len(splitter.noise) <= 64


def test_two_at_once_shows_as_none() -> None:
    assert list(bus.FrameSplitter().feed(b"\xfe\xfe\xe0\xfc\xfc")) == [None, None]


@given(st.integers(0, bus.HIGHEST_DIAL_HZ))
def test_dials(value_hz: int) -> None:
    data = bus.dial(value_hz)
    assert len(data) == 5 and bus.dial_hz(data) == value_hz
    digits = "".join(f"{byte:02x}" for byte in reversed(data))
    assert int(digits) == value_hz


@pytest.mark.parametrize("value_hz", [-1, 10**10])
def test_a_dial_that_does_not_fit(value_hz: int) -> None:
    with pytest.raises(ValueError, match="digits"):
        bus.dial(value_hz)


@pytest.mark.parametrize("data", ["0a00000000", "00000000f0", "00", "", "000000000000"])
def test_what_is_no_dial(data: str) -> None:
    with pytest.raises(ValueError):
        bus.dial_hz(bytes.fromhex(data))


@given(st.floats(0, 1))
def test_levels(fraction: float) -> None:
    assert bus.level_fraction(bus.level(fraction)) == pytest.approx(fraction, abs=0.5 / 255)


@pytest.mark.parametrize("data", ["0256", "1000", "00", "0f00"])
def test_what_is_no_level(data: str) -> None:
    with pytest.raises(ValueError):
        bus.level_fraction(bytes.fromhex(data))


@pytest.mark.parametrize("mode", [*bus.MODES, "PKTUSB", "PKTLSB", "PKTFM"])
def test_modes(mode: str) -> None:
    assert bus.mode_name(bus.mode_bytes(mode)) == mode


@pytest.mark.parametrize("mode", ["PKTCW", "DV", ""])
def test_what_is_no_mode(mode: str) -> None:
    with pytest.raises(KeyError):
        bus.mode_bytes(mode)


@pytest.mark.parametrize("mode", ["USB", "AM"])
def test_passbands(mode: str) -> None:
    for index in range(50 if mode == "AM" else 41):
        assert bus.passband_index(mode, bus.passband_hz(mode, index)) == index
    for wanted_hz in range(50, 3600):
        nearest = min(
            (bus.passband_hz(mode, i) for i in range(41)), key=lambda hz: abs(hz - wanted_hz)
        )
        got = bus.passband_hz(mode, bus.passband_index(mode, wanted_hz))
        assert abs(got - wanted_hz) == abs(nearest - wanted_hz)
    with pytest.raises(ValueError):
        bus.passband_hz(mode, 50)


@pytest.mark.parametrize(
    "to, sender, body", [(0xFE, 0, b"\x03"), (0, 300, b"\x03"), (0, 0, b""), (0, 0, b"\xfd")]
)
def test_what_is_no_frame(to: int, sender: int, body: bytes) -> None:
    with pytest.raises(ValueError):
        bus.Frame(to, sender, body)
