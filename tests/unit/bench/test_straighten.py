"""Straightened sound against a receiver whose dial is moved in whole hertz, made sample by sample.

The tone is made apart from the code under test: its phase is summed from the frequency at each of
eight points of a sample."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from moontrim.bench.straighten import DialCourse, straightened
from moontrim.bench.straightenfile import straighten_file
from moontrim.errors import InputError
from moontrim.path.vectors import Array

RATE_HZ = 8000.0
LENGTH_S = 60.0
TONE_HZ = 1234.5
AT_DIAL_HZ = 432_100_000.0


def course(rate_hz_per_s: float, late_s: float = 0.0) -> DialCourse:
    """An ideal dial that moves at this rate, and a dial of 1 Hz that follows it at the crossings of
    half hertz, `late_s` after them."""
    ideal_s = np.arange(-2.0, LENGTH_S + 3.0)
    ideal_hz = AT_DIAL_HZ + 0.3 + rate_hz_per_s * ideal_s
    first, last = round(ideal_hz[0]), round(ideal_hz[-1])
    step = 1 if last >= first else -1
    values = list(range(first, last + step, step))
    instants = [ideal_s[0]] + [
        (value - 0.5 * step - AT_DIAL_HZ - 0.3) / rate_hz_per_s + late_s for value in values[1:]
    ]
    return DialCourse(np.array(instants), np.array(values, float), ideal_s, ideal_hz)


def heard(of: DialCourse, sense: float = 1.0) -> Array:
    """The sound of a carrier that stands still at TONE_HZ on the ideal dial."""
    fine_s = (np.arange(int(LENGTH_S * RATE_HZ) * 8) + 0.5) / (8.0 * RATE_HZ)
    dial_hz = of.dial_hz[np.searchsorted(of.step_s, fine_s, "right") - 1]
    audio_hz = TONE_HZ + sense * (np.interp(fine_s, of.ideal_s, of.ideal_hz) - dial_hz)
    phase = np.concatenate(([0.0], np.cumsum(audio_hz / (8.0 * RATE_HZ))))[:-1:8]
    return np.asarray(0.5 * np.cos(2.0 * np.pi * (phase % 1.0)))


def blocks(samples: Array, size: int) -> Iterator[Array]:
    for first in range(0, samples.shape[0], size):
        yield samples[first : first + size, None]


def straight(samples: Array, of: DialCourse, sideband: str = "usb", size: int = 10_000) -> Array:
    parts = straightened(blocks(samples, size), RATE_HZ, of.residual(), sideband)  # type: ignore[arg-type]
    return np.concatenate(list(parts))[:, 0]


def coherent(samples: Array) -> tuple[float, float]:
    """Power at the best frequency near TONE_HZ relative to a pure tone, in dB, and how far off that
    frequency is, in hertz; without the first and last half second."""
    edge = int(RATE_HZ / 2)
    inside = samples[edge:-edge]
    at_s = np.arange(inside.size) / RATE_HZ
    window = np.hanning(inside.size)
    turned = inside * window * np.exp(-2j * np.pi * TONE_HZ * at_s)
    reduced = turned[: turned.size // 400 * 400].reshape(-1, 400).mean(axis=1)
    spectrum = np.abs(np.fft.fft(reduced, 1 << 17)) * 400
    best = int(np.argmax(spectrum))
    off_hz = np.fft.fftfreq(1 << 17, 400 / RATE_HZ)[best]
    return 20.0 * math.log10(spectrum[best] / (0.25 * window.sum())), float(off_hz)


# Loss of 60 s coherent to the staircase that was measured before this was written.
@pytest.mark.parametrize(
    ("rate_hz_per_s", "least_loss_db"),
    [(0.02, 5.0), (-0.05, 5.0), (0.2, 2.0), (2.0, 0.02), (-5.0, 0.0)],
)
def test_the_staircase_is_taken_out_whole(rate_hz_per_s: float, least_loss_db: float) -> None:
    of = course(rate_hz_per_s)
    sound = heard(of)
    assert coherent(sound)[0] < -least_loss_db, "there is something to straighten"
    loss_db, off_hz = coherent(straight(sound, of))
    assert abs(loss_db) < 0.01
    assert abs(off_hz) < 0.0005


def test_a_lower_sideband_is_turned_the_other_way() -> None:
    of = course(0.2)
    sound = heard(of, sense=-1.0)
    assert abs(coherent(straight(sound, of, "lsb"))[0]) < 0.01
    assert coherent(straight(sound, of, "usb"))[0] < -3.0


def test_true_instants_are_needed_not_planned_ones() -> None:
    """Steps late by 15 ms, taken out as planned, leave some of it; as they were, nothing."""
    late = course(0.2, late_s=0.15)
    sound = heard(late)
    assert abs(coherent(straight(sound, late))[0]) < 0.01
    assert coherent(straight(sound, course(0.2)))[0] < -0.01


def test_the_image_is_far_below_the_signal() -> None:
    """A shift by 100 Hz of tones across the audio band leaves nothing on the other side."""
    ideal_s = np.array([-1.0, 5.0])
    of = DialCourse(np.array([-1.0]), np.array([1000.0]), ideal_s, np.array([900.0, 900.0]))
    at_s = np.arange(int(4 * RATE_HZ)) / RATE_HZ
    for tone_hz in (200.0, 1000.0, 3000.0):
        out = straight(np.cos(2.0 * np.pi * tone_hz * at_s), of)[int(RATE_HZ) : int(3 * RATE_HZ)]
        spectrum = np.abs(np.fft.rfft(out * np.blackman(out.size)))
        wanted, image = (
            spectrum[round(hz * out.size / RATE_HZ)] for hz in (tone_hz + 100, tone_hz - 100)
        )
        assert 20 * math.log10(image / wanted) < -75.0
        assert wanted == pytest.approx(0.5 * np.blackman(out.size).sum(), rel=1e-3)


@pytest.mark.parametrize("size", [100, 7_001, 1_000_000])
def test_the_size_of_the_blocks_changes_nothing(size: int) -> None:
    of = course(1.0)
    sound = heard(of)[: int(3 * RATE_HZ)]
    once = straight(sound, of, size=sound.size)
    assert once.size == sound.size
    assert np.max(np.abs(straight(sound, of, size=size) - once)) < 1e-9


def test_held_dial_and_a_jump_of_the_sked() -> None:
    """The dial stands still while the ideal moves on; then the operator chooses 100 Hz more."""
    ideal_s = np.array([-1.0, 30.0, 30.0, LENGTH_S + 1.0])
    ideal_hz = np.array([1000.0, 1031.0, 1131.0, 1131.0])
    of = DialCourse(np.array([-1.0, 30.2]), np.array([1000.0, 1131.0]), ideal_s, ideal_hz)
    loss_db, off_hz = coherent(straight(heard(of), of))
    assert abs(loss_db) < 0.01 and abs(off_hz) < 0.0005


def test_files_of_two_channels_keep_format_and_length(tmp_path: Path) -> None:
    of = course(1.0)
    sound = heard(of)[: int(5 * RATE_HZ)]
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    soundfile.write(source, np.stack([sound, 0.5 * sound], 1), int(RATE_HZ), subtype="PCM_24")
    assert straighten_file(source, target, lambda length_s: of.residual(), "usb") == 5.0
    with soundfile.SoundFile(str(target)) as file:
        assert (file.channels, file.subtype, file.frames) == (2, "PCM_24", sound.size)
        out = file.read()
    assert np.max(np.abs(out[:, 0] - straight(sound, of))) < 1e-6
    assert np.max(np.abs(out[:, 1] - 0.5 * out[:, 0])) < 1e-6


def test_what_cannot_be_straightened_leaves_nothing(tmp_path: Path) -> None:
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    with pytest.raises(InputError, match="not found"):
        straighten_file(source, target, lambda length_s: course(1.0).residual(), "usb")
    source.write_text("no sound")
    with pytest.raises(InputError, match="cannot copy"):
        straighten_file(source, target, lambda length_s: course(1.0).residual(), "usb")
    soundfile.write(source, np.zeros(8000), 8000)
    with pytest.raises(InputError, match="same file"):
        straighten_file(source, source, lambda length_s: course(1.0).residual(), "usb")
    with pytest.raises(InputError, match="No such file or directory"):
        nowhere = tmp_path / "nowhere" / "out.wav"
        straighten_file(source, nowhere, lambda length_s: course(1.0).residual(), "usb")

    def refuse(length_s: float) -> object:
        raise InputError("journal", None, problem="nothing there")

    with pytest.raises(InputError, match="nothing there"):
        straighten_file(source, target, refuse, "usb")  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == [source]


def test_a_dial_that_is_not_known_from_the_beginning() -> None:
    of = course(1.0)
    with pytest.raises(InputError, match="no dial step"):
        DialCourse(of.step_s[5:], of.dial_hz[5:], of.ideal_s, of.ideal_hz).residual()
    with pytest.raises(InputError, match="no ideal dial"):
        DialCourse(of.step_s, of.dial_hz, of.ideal_s[:1], of.ideal_hz[:1]).residual()
