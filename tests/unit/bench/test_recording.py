"""Reading sound files, and naming what is wrong with them."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from moontrim.bench import recording, recordingfaults
from moontrim.bench.hum import hum_lines, mains_hz
from moontrim.bench.recording import Recording, read_recording, recording_of
from moontrim.bench.recordingfaults import ac_rms, clipping, constant_stretches
from moontrim.errors import InputError
from moontrim.path.vectors import Array

RATE_HZ = 8000


def noise(seconds: float = 10.0, rate_hz: int = RATE_HZ, seed: int = 1) -> Array:
    made: Array = 0.1 * np.random.default_rng(seed).standard_normal(round(seconds * rate_hz))
    return made


def kinds(made: Recording) -> list[str]:
    return [remark.kind for remark in made.remarks]


def written(path: Path, samples: Array, **how: str) -> Path:
    soundfile.write(path, samples, RATE_HZ, **how)
    return path


@pytest.mark.parametrize(
    ("name", "how", "step"),
    [
        ("a.wav", {"subtype": "PCM_16"}, 2.0**-15),
        ("a.wav", {"subtype": "PCM_24"}, 2.0**-23),
        ("a.wav", {"subtype": "FLOAT"}, 1e-7),
        ("a.wav", {"subtype": "PCM_U8"}, 2.0**-7),
        ("a.flac", {"subtype": "PCM_16"}, 2.0**-15),
        ("a.aiff", {"subtype": "PCM_16"}, 2.0**-15),
    ],
)
def test_samples_come_back(tmp_path: Path, name: str, how: dict[str, str], step: float) -> None:
    samples = noise()
    made = read_recording(written(tmp_path / name, samples, **how))
    assert made.rate_hz == RATE_HZ and made.duration_s == 10.0 and made.remarks == ()
    assert made.samples.dtype == np.float64
    assert np.abs(made.samples - samples).max() <= step


def test_lossy_sound_is_read(tmp_path: Path) -> None:
    made = read_recording(written(tmp_path / "a.ogg", noise()))
    assert made.duration_s == pytest.approx(10.0, abs=0.05) and made.remarks == ()
    assert ac_rms(made.samples) == pytest.approx(0.1, rel=0.1)


def test_first_seconds_only(tmp_path: Path) -> None:
    path = written(tmp_path / "a.wav", noise(20.0))
    assert read_recording(path, 6.0).duration_s == 6.0
    assert read_recording(path, 60.0).duration_s == 20.0


def test_what_is_long_is_held_in_single_precision(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path / "a.wav", np.column_stack([noise(), noise(seed=2)]))
    whole = read_recording(path)
    monkeypatch.setattr(recording, "DOUBLE_UP_TO", 1000)
    monkeypatch.setattr(recording, "BLOCK", 777)
    monkeypatch.setattr(recordingfaults, "BLOCK", 333)
    long = read_recording(path)
    assert long.samples.dtype == np.float32 and long.remarks == whole.remarks
    assert np.array_equal(long.samples, whole.samples)
    monkeypatch.setattr(recording, "MOST_SAMPLES", 20_000)
    with pytest.raises(InputError, match="at most"):
        read_recording(path)
    assert read_recording(path, 2.0).duration_s == 2.0


@pytest.mark.parametrize(
    ("other", "says"),
    [
        (lambda x: x, "identical channels: the left one is used"),
        (lambda x: 0.5 * x, "correlation 1.00.*left one is used, 6.0 dB louder"),
        (lambda x: 0.0 * x, "left one is used, the right one is silent"),
        (lambda x: 0.0 * x + 0.7, "left one is used, the right one is silent"),
        (lambda x: 2.0 * noise(seed=2), "correlation -?0.0.*right one is used, 6.. dB louder"),
    ],
)  # fmt: skip
def test_two_channels(tmp_path: Path, other: object, says: str) -> None:
    left = noise()
    right = other(left)  # type: ignore[operator]
    made = read_recording(written(tmp_path / "a.wav", np.column_stack([left, right])))
    assert kinds(made) == ["stereo"]
    assert re.search(says, made.remarks[0].text), made.remarks[0].text
    used = right if "right one is used" in says else left
    assert np.abs(made.samples - used).max() < 1e-4


def test_many_channels(tmp_path: Path) -> None:
    samples = np.column_stack([noise(seed=k) * (k == 2 or 0.1) for k in range(4)])
    made = read_recording(written(tmp_path / "a.wav", samples))
    assert made.remarks[0].text == "4 channels: number 3, the loudest, is used"
    assert np.abs(made.samples - samples[:, 2]).max() < 1e-4


def test_clipping_is_named_with_its_share(tmp_path: Path) -> None:
    # A share of 4.55 % of a normal distribution is beyond 2 sigma.
    made = read_recording(written(tmp_path / "a.wav", np.clip(5.0 * noise(), -1.0, 1.0)))
    assert kinds(made) == ["clipping"]
    assert "4.5 %" in made.remarks[0].text or "4.6 %" in made.remarks[0].text


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "FLOAT"])
@pytest.mark.parametrize(
    ("samples", "clipped"),
    [
        (np.clip(3.0 * noise(), -0.5, 2.0), True),  # before the volume was turned down, one side
        (3.0 * noise(), True),
        (2.0 * noise(), False),
        (0.2 * noise(), False),
        (np.sin(2 * np.pi * 50.0 * np.arange(80_000) / RATE_HZ), False),
        (0.999 * np.sin(2 * np.pi * 7.123 * np.arange(80_000) / RATE_HZ), False),
        (np.clip(1.5 * np.sin(2 * np.pi * 7.123 * np.arange(80_000) / RATE_HZ), -1, 1), True),
    ],
)
def test_what_clips_and_what_does_not(
    tmp_path: Path, samples: Array, clipped: bool, subtype: str
) -> None:
    full = np.clip(samples, -1.0, 1.0)
    made = read_recording(written(tmp_path / "a.wav", full, subtype=subtype))
    assert ("clipping" in kinds(made)) == clipped


def test_lossy_sound_over_full_scale_is_clipped(tmp_path: Path) -> None:
    made = read_recording(written(tmp_path / "a.ogg", np.clip(5.0 * noise(), -1.0, 1.0)))
    assert "clipping" in kinds(made) and np.abs(made.samples).max() == 1.0


def test_a_run_over_the_end_of_a_block_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    samples = noise()
    samples[990:1010] = samples.max() + 0.01
    samples[5000:5003] = samples.max()
    for size in (100, 1000, 10_000, 1_000_000):
        monkeypatch.setattr(recordingfaults, "BLOCK", size)
        remarks = clipping(samples)
        assert remarks is not None and remarks.longest == 20
        assert remarks.share == pytest.approx(23 / samples.size)


def test_dropouts_are_named(tmp_path: Path) -> None:
    samples = noise()
    samples[20_000:20_200] = 0.0  # 25 ms
    samples[40_000:40_400] = samples[39_999]  # 50 ms, held
    samples[60_000:60_100] = 0.0  # 12 ms may be anything
    made = read_recording(written(tmp_path / "a.wav", samples))
    assert kinds(made) == ["gap"]
    assert re.search("2 times, 0.0[78] s in all, first at 2.50 s", made.remarks[0].text)


def test_silence_at_the_ends_is_no_dropout() -> None:
    samples = noise()
    samples[:2000] = samples[-2000:] = 0.0
    assert constant_stretches(samples, RATE_HZ) == ()


@pytest.mark.parametrize("size", [100, 170, 20_000, 1_000_000])
def test_a_dropout_over_the_end_of_a_block_is_one(
    size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recordingfaults, "BLOCK", size)
    samples = noise()
    samples[19_900:20_400] = 0.0
    assert constant_stretches(samples, RATE_HZ) == ((19_900, 20_400),)


def test_short_and_silent(tmp_path: Path) -> None:
    assert kinds(read_recording(written(tmp_path / "a.wav", noise(1.0)))) == ["short"]
    silent = read_recording(written(tmp_path / "a.wav", np.zeros(80_000)))
    assert kinds(silent) == ["silent"] and "every sample" in silent.remarks[0].text
    quiet = recording_of(noise() * 1e-4, RATE_HZ)
    assert kinds(quiet) == ["silent"] and "-100 dB" in quiet.remarks[0].text
    held = recording_of(np.full(80_000, 0.3), RATE_HZ)
    assert kinds(held) == ["silent"]


@pytest.mark.parametrize(
    ("mains", "rate_hz"), [(49.93, 8000), (50.0, 22_050), (60.0, 8000), (60.05, 12_000)]
)
def test_hum_is_found_with_its_level(mains: float, rate_hz: int) -> None:
    t = np.arange(60 * rate_hz) / rate_hz
    samples = noise(60.0, rate_hz)
    for k in (1, 2, 3, 5):
        samples += 0.02 / k * np.sin(2 * np.pi * k * mains * t + k)
    lines = hum_lines(samples, rate_hz)
    assert mains_hz(lines) == round(mains, -1)
    assert len(lines) == 4
    for line, k in zip(lines, (1, 2, 3, 5), strict=True):
        assert line.frequency_hz == pytest.approx(k * mains, abs=0.13)
        # Power of a sine over the density of white noise.
        true_db = 10 * np.log10((0.02 / k) ** 2 / 2 / (0.1**2 * 2 / rate_hz))
        assert line.level_db == pytest.approx(true_db, abs=2.5)
    made = recording_of(samples, rate_hz)
    assert kinds(made) == ["hum"] and f"{round(mains, -1):.0f} Hz: 4 lines" in made.remarks[0].text


def test_a_lone_line_is_hum_only_low_down() -> None:
    t = np.arange(30 * RATE_HZ) / RATE_HZ
    quiet = noise(30.0)
    assert len(hum_lines(quiet + 0.01 * np.sin(2 * np.pi * 100.0 * t), RATE_HZ)) == 1
    assert hum_lines(quiet + 0.01 * np.sin(2 * np.pi * 1000.0 * t), RATE_HZ) == ()
    assert hum_lines(quiet + 0.01 * np.sin(2 * np.pi * 130.0 * t), RATE_HZ) == ()
    two = np.sin(2 * np.pi * 700.0 * t) + np.sin(2 * np.pi * 1900.0 * t)
    assert hum_lines(quiet + 0.01 * two, RATE_HZ) == ()


def test_noise_does_not_hum() -> None:
    """One false line in a thousand recordings is stated; in 60, three would be 1 in 30,000."""
    lengths = (0.6, 3.0, 10.0, 30.0)
    remarks = [hum_lines(noise(lengths[k % 4], seed=k), RATE_HZ) for k in range(60)]
    assert sum(bool(lines) for lines in remarks) <= 2


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.wav", None, "not found"),
        ("a.wav", b"", "WAV or FLAC"),
        ("a.wav", b"not sound at all " * 500, "WAV or FLAC"),
        ("a.txt", b"RIFF", "WAV or FLAC"),
    ],
)
def test_not_sound(tmp_path: Path, name: str, content: bytes | None, says: str) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=says) as refused:
        read_recording(path)
    assert "\n" not in str(refused.value)


def test_other_things_than_files(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe", Path("/dev/zero")):
        with pytest.raises(InputError, match="not a file"):
            read_recording(path)


def test_cut_off_in_the_middle(tmp_path: Path) -> None:
    """WAV can be read as far as it goes; FLAC is refused; neither ends in a traceback."""
    for name in ("a.wav", "a.flac", "a.ogg", "a.aiff"):
        path = written(tmp_path / name, noise(20.0))
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        try:
            assert 5.0 < read_recording(path).duration_s < 15.0
        except InputError as refused:
            assert "\n" not in str(refused)
            assert name == "a.flac"


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_that_are_no_numbers(tmp_path: Path, bad: float, channels: int) -> None:
    samples = np.column_stack([noise()] * channels)
    samples[12_000, -1] = bad
    path = written(tmp_path / "a.wav", samples, subtype="FLOAT")
    with pytest.raises(InputError, match=r"sample at 1\.500 s is not a finite number"):
        read_recording(path)


def test_too_few_samples(tmp_path: Path) -> None:
    for count in (0, 10, 700):
        with pytest.raises(InputError, match=f"only {count} samples long"):
            read_recording(written(tmp_path / "a.wav", noise()[:count]))


def test_impossible_rates(tmp_path: Path) -> None:
    for rate_hz in (1, 10_000_000):
        soundfile.write(tmp_path / "a.wav", noise(), rate_hz)
        with pytest.raises(InputError, match="sample rate"):
            read_recording(tmp_path / "a.wav")
