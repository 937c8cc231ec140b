"""`moontrim passband`: what it says of recordings that are not as they should be, and refusals."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from moontrim.bench.passband import show, spectrum
from moontrim.bench.passband.measure import Passband, measure_passband
from moontrim.bench.passband.spectrum import cell_scatter, spectra
from moontrim.bench.recording import recording_of
from moontrim.cli import passband as command
from moontrim.errors import InputError
from moontrim.path.vectors import Array

RATE_HZ = 8000


def noise(seconds: float = 20.0, seed: int = 1) -> Array:
    made: Array = 0.1 * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))
    return made


def times(samples: Array) -> Array:
    return np.arange(samples.size) / RATE_HZ


def band(samples: Array, low_hz: float = 300, high_hz: float = 2700) -> Array:
    sos = signal.butter(6, [low_hz, high_hz], "band", fs=RATE_HZ, output="sos")
    made: Array = signal.sosfilt(sos, samples)
    return made


def measured(samples: Array, low_hz: float = 200, high_hz: float = 3000) -> Passband:
    return measure_passband(recording_of(samples, float(RATE_HZ)), low_hz, high_hz)


def kinds(passband: Passband) -> list[str]:
    return [remark.kind for remark in passband.remarks]


def run(*arguments: object) -> int:
    top = argparse.ArgumentParser()
    command.add(top.add_subparsers())
    options = top.parse_args(["passband", *map(str, arguments)])
    return int(options.call(options))


@pytest.fixture
def radio(tmp_path: Path) -> Path:
    """A recording through a filter of 300 to 2700 Hz."""
    soundfile.write(tmp_path / "radio.wav", band(noise()), RATE_HZ)
    return tmp_path / "radio.wav"


def test_scatter_is_as_computed() -> None:
    """Of smoothed spectra of white noise, against the spread over 20 recordings."""
    logs = []
    for seed in range(20):
        parts = spectra(noise(20.0, seed), RATE_HZ, 70.0, [])
        logs.append(np.log(parts.density[:, 200:3000]))
    spread = np.var(np.concatenate(logs), axis=0).mean()
    # 160 values at some 40 independent points: the spread is known to about 1.8 %.
    assert spread == pytest.approx(np.median(parts.scatter), rel=0.06)


def test_scatter_of_one_segment_is_the_window_bandwidth() -> None:
    """Harris, Proc. IEEE 66 (1978) 51, table I: the variance of a mean over cells is that of cells
    as wide as the window to the fourth makes them; without a window it is 1."""
    assert cell_scatter(np.ones(300), 300, 1) == pytest.approx(1.0)
    assert cell_scatter(np.ones(300), 300, 10) == pytest.approx(0.1)
    hann = signal.get_window("hann", 3000)
    # Means of cos^8 and cos^4: 35/128 and 3/8, 1.944 their ratio.
    assert cell_scatter(hann, 3000, 1) == pytest.approx(35 / 128 / (3 / 8) ** 2, rel=1e-3)


def test_long_parts_are_read_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = measured(noise(40.0))
    monkeypatch.setattr(spectrum, "WELCH_BLOCK", 2 * RATE_HZ)
    pieces = measured(noise(40.0))
    assert pieces.response_db == pytest.approx(whole.response_db, abs=0.5, nan_ok=True)
    # Blocks of two seconds do not overlap, which costs; the real ones are 44 s or more.
    assert pieces.ripple_uncertainty_db == pytest.approx(whole.ripple_uncertainty_db, rel=0.2)
    assert pieces.ripple_uncertainty_db > whole.ripple_uncertainty_db


def test_uncertainty_falls_with_the_root_of_the_length() -> None:
    short, long = measured(noise(20.0)), measured(noise(80.0))
    assert short.ripple_uncertainty_db == pytest.approx(2 * long.ripple_uncertainty_db, rel=0.15)
    assert short.needed_s == pytest.approx(long.needed_s, rel=0.3)
    enough = measured(noise(1.1 * long.needed_s))
    assert enough.ripple_uncertainty_db <= 0.2
    assert "enough for ±0.2 dB" in show.longer(enough)
    assert " s needed for ±0.2 dB" in show.longer(short)


def test_a_range_beyond_the_passband_is_named_with_a_better_one() -> None:
    samples = band(noise())
    passband = measured(samples)
    assert "range" in kinds(passband) and "beyond the passband" in show.verdict(passband)
    (text,) = (remark.text for remark in passband.remarks if remark.kind == "range")
    parts = text.split()
    low_hz, high_hz = (float(parts[parts.index(name) + 1]) for name in ("--low", "--high"))
    better = measured(samples, low_hz, high_hz)
    assert "range" not in kinds(better)
    assert better.ripple_db < 2.0 < passband.ripple_db


def test_edges_that_are_not_there() -> None:
    flat = measured(noise())
    assert flat.edges_3db_hz == flat.edges_6db_hz == (None, None)
    assert kinds(flat) == ["edge", "edge"]
    half = measured(signal.sosfilt(signal.butter(6, 3300, fs=RATE_HZ, output="sos"), noise()))
    assert half.edges_3db_hz[0] is None and half.edges_3db_hz[1] == pytest.approx(3300, abs=71)
    assert kinds(half) == ["edge"]


def test_a_tone_is_named_and_left_out() -> None:
    without = measured(noise())
    weak = measured(noise() + 0.01 * np.sin(2 * np.pi * 1234.5 * times(noise())))
    assert weak.is_noise and "tone" in kinds(weak)
    assert [line.frequency_hz for line in weak.tones] == [pytest.approx(1234.5, abs=0.13)]
    assert weak.ripple_db == pytest.approx(without.ripple_db, abs=0.15)
    strong = measured(noise() + 0.5 * np.sin(2 * np.pi * 1234.5 * times(noise())))
    assert not strong.is_noise
    assert any("not broadband noise" in remark.text for remark in strong.remarks)


@pytest.mark.parametrize("rate", [0.05, 0.7])
def test_a_sweep_is_not_noise(rate: float) -> None:
    t = times(noise())
    swept = np.sin(2 * np.pi * (1500 * t + 1000 / rate * np.sin(2 * np.pi * rate * t) / 6.28))
    passband = measured(0.01 * noise() + 0.3 * swept)
    assert not passband.is_noise
    assert "shows nothing about the radio" in show.verdict(passband)
    assert show.as_plain(passband)["ripple_db"] is None


def test_changing_level_is_named_and_does_no_harm() -> None:
    samples = noise() * np.linspace(0.2, 1.0, noise().size)
    passband = measured(samples)
    assert "unsteady" in kinds(passband) and passband.is_noise
    assert passband.ripple_db <= passband.ripple_uncertainty_db


@pytest.mark.parametrize(("level", "valid"), [(0.25, True), (0.045, False)])
def test_much_clipping_is_no_measurement(level: float, valid: bool) -> None:
    """At 2.5 sigma 1.2 % of the samples are clipped, at 0.45 sigma 65 %: the response then looks
    flat, and is not the radio's."""
    passband = measured(np.clip(noise(), -level, level))
    assert "clipping" in kinds(passband) and passband.is_noise
    assert passband.is_valid is valid
    assert ("Clipped, so it shows nothing" in show.verdict(passband)) is not valid
    assert (show.as_plain(passband)["ripple_db"] is not None) is valid


def test_command_on_a_clipped_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write(tmp_path / "a.wav", np.clip(20.0 * noise(), -1.0, 1.0), RATE_HZ)
    assert run(tmp_path / "a.wav", "--plot", tmp_path / "a.png") == 1
    out, _ = capsys.readouterr()
    assert "flat" not in out and "reduce the level" in out


def test_lost_samples_do_not_count() -> None:
    """Silence between, before and after is no noise; the ripple stays what it is."""
    samples = noise(40.0)
    samples[:40_000] = samples[100_000:140_000] = samples[-40_000:] = 0.0
    passband = measured(samples)
    assert passband.duration_s == pytest.approx(25.0, abs=0.01)
    assert "gap" in kinds(passband) and passband.is_noise
    assert passband.ripple_db <= passband.ripple_uncertainty_db


@pytest.mark.parametrize(
    ("samples", "says"),
    [
        (np.zeros(160_000), "only 0.0 s long; at least 4 s"),
        (np.full(160_000, 0.4), "only 0.0 s long; at least 4 s"),
        (noise(3.9), "only 3.9 s long; at least 4 s"),
    ],
)
def test_silent_or_too_short(samples: Array, says: str) -> None:
    with pytest.raises(InputError, match=says):
        measured(samples)


def test_just_long_enough() -> None:
    passband = measured(noise(4.0))
    assert "short" in kinds(passband)
    assert "too short to judge" in show.verdict(passband)


@pytest.mark.parametrize(
    ("ripple_db", "says"),
    [(0.3, "flat (common"), (1.5, "moderate"), (2.5, "as of an older radio"), (6.0, "very large")],
)
def test_verdicts(ripple_db: float, says: str) -> None:
    """A straight slope of that many dB over the range."""
    white = np.fft.rfft(noise(40.0))
    frequency_hz = np.fft.rfftfreq(noise(40.0).size, 1 / RATE_HZ)
    white *= 10.0 ** (-ripple_db * (frequency_hz - 1600) / 2800 / 20)
    passband = measured(np.fft.irfft(white))
    if ripple_db < 6.0:
        assert passband.ripple_db == pytest.approx(ripple_db, abs=0.4)
        assert says in show.verdict(passband)
        assert "common practice" in show.verdict(passband)
    else:
        # The edge is then inside the range only by noise; either sentence is right.
        assert says in show.verdict(passband) or "range" in show.verdict(passband)


def test_command_prints_and_draws(
    radio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, magic in (("a.png", b"\x89PNG"), ("a.svg", b"<?xml")):
        assert run(radio, "--low", 400, "--high", 2500, "--plot", tmp_path / name) == 0
        assert (tmp_path / name).read_bytes().startswith(magic)
    out, err = capsys.readouterr()
    assert "dB peak to peak" in out and "-3 dB: " in out and "a.svg" in err


def test_command_as_json(radio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(radio, "--low", 400, "--high", 2500, "--json") == 0
    plain = json.loads(capsys.readouterr().out)
    assert plain["low_hz"] == 400.0 and plain["high_hz"] == 2500.0
    assert plain["edges_3db_hz"] == [pytest.approx(300, abs=53), pytest.approx(2700, abs=53)]
    assert plain["edges_6db_hz"][0] < plain["edges_3db_hz"][0]
    assert 0.0 <= plain["ripple_db"] < 0.8 and 0.2 < plain["ripple_uncertainty_db"] < 0.7
    assert plain["hum"] == [] and plain["remarks"] == [] and plain["valid"] is True


def test_command_on_what_is_no_noise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tone = 0.001 * noise() + 0.5 * np.sin(2 * np.pi * 1000.0 * times(noise()))
    soundfile.write(tmp_path / "a.wav", tone, RATE_HZ)
    assert run(tmp_path / "a.wav", "--plot", tmp_path / "a.png") == 1
    out, _ = capsys.readouterr()
    assert "Not steady broadband noise" in out and "peak to peak" not in out


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (("--low", "nan"), "--low"),
        (("--low=-5",), "--low"),
        (("--low", "0"), "--low"),
        (("--low", "much"), "--low"),
        (("--low", "3000"), "--low"),
        (("--low", "3500"), "--low"),
        (("--low", "4000", "--high", "4500"), "--low"),
        (("--high", "4001"), "--high"),
        (("--high", "inf"), "--high"),
        (("--high", "nan"), "--high"),
        (("--high", "220"), "--high"),
        (("--plot", "a.bmp"), "--plot"),
        (("--plot", "/nowhere/at/all.png"), "--plot"),
    ],
)
def test_refusals(radio: Path, arguments: tuple[str, ...], field: str) -> None:
    with pytest.raises(InputError) as refused:
        run(radio, *arguments)
    assert refused.value.field == field and "\n" not in str(refused.value)


def test_missing_recording(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not found"):
        run(tmp_path / "a.wav")
