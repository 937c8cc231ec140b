"""`moontrim tone` from the outside: exit codes, JSON, picture, storing, what is refused."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile

from moontrim.cli import tone as command
from moontrim.errors import InputError, MoontrimError
from support.tones import recording

CONFIG = """\
[home]
locator = "JN88"
[[bands]]
name = "1296 MHz"
sked_hz = 1_296_100_000
tx_low_hz = 1_296_000_000
tx_high_hz = 1_297_000_000
dial_error_hz = 2.0  # last month
"""
FREQUENCY_HZ = 1011.25


def run(*arguments: str | Path) -> int:
    parser = argparse.ArgumentParser()
    command.add(parser.add_subparsers(required=True))
    return command.call(parser.parse_args(["tone", *map(str, arguments)]))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tone") / "tone.wav"
    sound = recording(np.random.default_rng(1), 10.0, 8000, FREQUENCY_HZ, cn0_db_hz=25.0)
    soundfile.write(path, sound.samples, 8000, subtype="PCM_24")
    return path


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "my.toml"
    path.write_text(CONFIG)
    return path


def test_json(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(made, "--json", "--expected", "1000", "--on-air", "1296.1e6") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["detected"] is True
    assert told["frequency_hz"] == pytest.approx(FREQUENCY_HZ, abs=0.01)
    assert told["difference_hz"] == pytest.approx(11.25, abs=0.01)
    assert 0.0 < told["uncertainty_hz"] < 0.01
    assert told["cn0_db_hz"] == pytest.approx(25.0, abs=1.0)
    assert abs(told["drift_hz_per_s"]) < 0.01
    assert told["allan_fraction_of"] == "on-air"
    assert {"tau_s", "deviation"} <= set(told["allan"][0])
    assert told["remarks"] == []


def test_text_and_picture(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "new" / "tone.png"
    assert run(made, "--plot", picture) == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert "1 011.25" in capsys.readouterr().out
    with pytest.raises(InputError, match="--plot"):
        run(made, "--plot", tmp_path / "tone.nonsense")


def test_noise_is_exit_code_1_and_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "noise.flac"
    soundfile.write(path, 0.05 * np.random.default_rng(2).standard_normal(40_000), 8000)
    assert run(path, "--plot", tmp_path / "noise.png") == 1
    assert "no tone detected: " in capsys.readouterr().out
    assert run(path, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["detected"], told["frequency_hz"], told["allan"]) == (False, None, [])


def test_remarks_of_the_recording_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(3)
    sound = recording(rng, 6.0, 8000, FREQUENCY_HZ, cn0_db_hz=25.0).samples
    t = np.arange(sound.size) / 8000.0
    hum = sum(np.cos(2.0 * np.pi * 50.0 * k * t) for k in range(1, 8))
    broken = {
        "clipped": np.clip(4.0 * sound, -0.1, 0.1),
        "samples lost": np.where((t > 2.0) & (t < 2.4), 0.0, sound),
        "mains hum": sound + 0.01 * hum,
        "two channels": np.stack((sound, 0.5 * sound + 0.02 * rng.standard_normal(t.size)), axis=1),
        "only 2.0 s": sound[:16_000],
    }
    for words, samples in broken.items():
        path = tmp_path / "broken.wav"
        soundfile.write(path, samples, 8000, subtype="FLOAT")
        assert run(path, "--near", "1010", "--within", "20") == 0, words
        out = capsys.readouterr().out
        assert words in out
        assert "1 011.2" in out


def test_storing(made: Path, config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The dial is 1296.1 MHz less 1 kHz; by the stored error of +2 Hz the tone should come out at
    998 Hz; it comes out at 1011.25: the dial is truly 13.25 Hz lower than thought."""
    asked: tuple[Any, ...] = (
        made, "--dial", "1296.099e6", "--on-air", "1296.1e6", "--band", "1296 MHz",
        "--config", config, "--store", "dial",
    )  # fmt: skip
    assert run(*asked) == 0  # no terminal and no --yes: the line only
    shown = capsys.readouterr()
    assert "dial_error_hz = 2.0  # last month" in shown.out
    assert "dial_error_hz = -11.25" in shown.out.replace("-11.24", "-11.25")
    assert "nothing written" in shown.err
    assert config.read_text() == CONFIG
    assert run(*asked, "--yes") == 0
    assert "# last month" in config.read_text()
    assert (config.parent / "my.toml.old1").read_text() == CONFIG
    capsys.readouterr()
    assert run(*asked, "--json") == 0  # measured again: nothing left
    told = json.loads(capsys.readouterr().out)
    assert told["difference_hz"] == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize(("answer", "written"), [("y\n", True), ("\n", False), ("", False)])
def test_a_person_is_asked(
    made: Path, config: Path, monkeypatch: pytest.MonkeyPatch, answer: str, written: bool
) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True, readline=lambda: answer))
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    run(made, "--expected", "1000", "--band", "1296 MHz", "--config", config, "--store", "dial")
    assert (config.read_text() != CONFIG) is written


def test_what_may_be_hum_is_not_stored(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "hum.wav"
    sound = recording(np.random.default_rng(4), 6.0, 8000, 1000.0, cn0_db_hz=25.0)
    soundfile.write(path, sound.samples, 8000)
    asked = ("--expected", "990", "--band", "1296 MHz", "--config", config, "--store", "dial")
    assert run(path, *asked, "--yes") == 1
    assert "not stored" in capsys.readouterr().err
    assert config.read_text() == CONFIG


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ((), "FILE"),
        (("missing.wav",), "recording"),
        (("{made}", "--live"), "FILE"),
        (("{made}", "--near", "5000"), "--near"),
        (("{made}", "--near", "-1"), "--near"),
        (("{made}", "--near", "nan"), "--near"),
        (("{made}", "--within", "5"), "--within"),
        (("{made}", "--seconds", "5"), "--seconds"),
        (("{made}", "--expected", "x"), "--expected"),
        (("{made}", "--store", "dial"), "--config"),
        (("{made}", "--store", "dial", "--config", "{config}"), "--store"),
        (("{made}", "--store", "dial", "--config", "{config}", "--expected", "9"), "--band"),
        (("{made}", "--dial", "1296e6", "--config", "{config}"), "--band"),
        (("{made}", "--dial", "1296e6", "--config", "{config}", "--band", "1296 MHz"), "--on-air"),
        (
            ("{made}", "--dial", "1296.2e6", "--on-air", "1296.1e6", "--config", "{config}",
             "--band", "1296 MHz"),
            "--dial",
        ),
        (
            ("{made}", "--store", "reference", "--config", "{config}", "--expected", "9",
             "--band", "1296 MHz"),
            "--on-air",
        ),
    ],
)  # fmt: skip
def test_bad_input_is_one_error(
    made: Path, config: Path, arguments: tuple[str, ...], field: str
) -> None:
    given = [a.format(made=made, config=config) for a in arguments]
    with pytest.raises(InputError) as caught:
        run(*given)
    assert caught.value.field == field
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", ["empty", "text", "ten", "nan", "folder"])
def test_files_that_are_no_recording(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "bad.wav"
    if kind == "folder":
        path.mkdir()
    elif kind in ("empty", "text"):
        path.write_text("" if kind == "empty" else "not audio at all\n" * 9)
    else:
        samples = np.ones(10) if kind == "ten" else np.full(8000, np.nan)
        soundfile.write(path, samples, 8000, subtype="FLOAT")
    with pytest.raises(InputError) as caught:
        run(path)
    assert "\n" not in str(caught.value)


class FakePortAudioError(Exception):
    pass


def test_live(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    asked: list[Any] = []
    sound = recording(np.random.default_rng(5), 2.0, 48_000, FREQUENCY_HZ, cn0_db_hz=30.0)

    def rec(frames: int, rate: int, **more: Any) -> Any:
        asked.append((frames, rate, more["device"]))
        if more["device"] == "nothing":
            raise FakePortAudioError("no such device")
        return sound.samples.astype(np.float32)[:, None]

    fake = SimpleNamespace(rec=rec, wait=lambda: None, PortAudioError=FakePortAudioError)
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    assert run("--live", "--seconds", "2", "--device", "3", "--near", "1000") == 0
    assert asked == [(96_000, 48_000, 3)]
    assert "1 011.2" in capsys.readouterr().out
    with pytest.raises(InputError, match="--device"):
        run("--live", "--seconds", "2", "--device", "nothing")


def test_live_without_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(MoontrimError, match="pip install"):
        run("--live")
