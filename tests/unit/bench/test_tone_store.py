"""From a tone to the config: the signs, by a round trip through `Band`; the file, byte by byte."""

from __future__ import annotations

import os
import stat
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from moontrim.bench.tone.calibrate import KEYS, Kind, Sideband, audio_hz, corrected
from moontrim.bench.tone.configedit import planned, write
from moontrim.errors import InputError
from moontrim.tuning.band import Band

SOURCE_HZ = 10_368_100_000.0
AS_STORED = (0.0, -37.5)
OFFSETS = {"plus": 10_224_000_000, "minus": 10_512_200_000}

CONFIG = """\
# the station
[home]
locator = "JN88"

[[bands]]   # the first
name = "432 MHz"
sked_hz = 432_070_000
tx_low_hz = 432_000_000
tx_high_hz = 433_000_000

# through the transverter
[[bands]]
name = "10 GHz"
sked_hz = 10_368_100_000
tx_low_hz = 10_368_000_000
tx_high_hz = 10_370_000_000
transverter_offset_hz = 10_224_000_000
dial_error_hz = 0.0        # measured
reference_error_ppb = 1.5  # last year

[radio]
driver = "simulated"       # none
"""


@pytest.mark.parametrize("kind", ["dial", "reference"])
@pytest.mark.parametrize("sideband", ["usb", "lsb"])
@pytest.mark.parametrize("sense", ["plus", "minus"])
@pytest.mark.parametrize("stored", AS_STORED)
def test_after_storing_the_tone_is_where_it_is_expected(
    kind: Kind, sideband: Sideband, sense: str, stored: float
) -> None:
    """The radio's truth is worked out here from scratch: an upper-sideband receiver shows what is
    above its true intermediate frequency; the transverter adds, or takes from its oscillator."""
    offset_hz = OFFSETS[sense]
    supposed = Band(
        "10 GHz", 1, 2, offset_hz, "plus" if sense == "plus" else "minus",
        dial_error_hz=stored, reference_error_ppb=stored / 50.0,
    )  # fmt: skip
    on_air = 1.0 if sideband == "usb" else -1.0  # source above or below the dial, at the radio
    dial_hz = round(supposed.dial_hz(SOURCE_HZ)) - on_air * 1000.0
    # Truth: the reference 12.3 ppb high, and 4 Hz besides.
    true_hz = (offset_hz + (dial_hz if sense == "plus" else -dial_hz)) * (1 + 12.3e-9) + 4.0
    above_hz = SOURCE_HZ - true_hz if sense == "plus" else true_hz - SOURCE_HZ
    measured_hz = above_hz if sideband == "usb" else -above_hz
    expected_hz = audio_hz(supposed, dial_hz, SOURCE_HZ, sideband)
    assert abs(measured_hz - expected_hz) > 50.0  # there is something to correct
    value = corrected(supposed, kind, measured_hz, expected_hz, sideband, SOURCE_HZ)
    band = (
        replace(supposed, dial_error_hz=value)
        if kind == "dial"
        else replace(supposed, reference_error_ppb=value)
    )
    assert audio_hz(band, dial_hz, SOURCE_HZ, sideband) == pytest.approx(measured_hz, abs=1e-3)
    again = corrected(band, kind, measured_hz, measured_hz, sideband, SOURCE_HZ)
    assert again == pytest.approx(value, abs=1e-9)


def test_a_tone_too_low_in_the_upper_sideband_means_a_dial_truly_high() -> None:
    band = Band("x", 1, 2, dial_error_hz=3.0)
    assert corrected(band, "dial", 993.0, 1000.0, "usb", None) == 10.0
    assert corrected(band, "dial", 993.0, 1000.0, "lsb", None) == -4.0
    with pytest.raises(ValueError, match="on-air"):
        corrected(band, "reference", 993.0, 1000.0, "usb", None)


@pytest.mark.parametrize(
    ("band", "kind", "value", "before", "after"),
    [
        ("10 GHz", "dial", 12.345, "dial_error_hz = 0.0        # measured",
         "dial_error_hz = 12.345     # measured"),
        ("10 GHz", "reference", -2.0, "reference_error_ppb = 1.5  # last year",
         "reference_error_ppb = -2.0 # last year"),
        ("432 MHz", "dial", 7.5, "", "dial_error_hz = 7.5"),
    ],
)  # fmt: skip
def test_one_line_changes_and_all_else_stays(
    tmp_path: Path, band: str, kind: Kind, value: float, before: str, after: str
) -> None:
    path = tmp_path / "my.toml"
    path.write_text(CONFIG)
    path.chmod(0o640)
    change = planned(path, band, KEYS[kind], value)
    assert (change.before, change.after) == (before, after)
    assert path.read_text() == CONFIG  # nothing written yet
    copy = write(change)
    assert copy.read_text() == CONFIG
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(copy.stat().st_mode) == 0o640
    old, new = CONFIG.splitlines(), path.read_text().splitlines()
    assert [line for line in old if line not in new] == ([before] if before else [])
    assert [line for line in new if line not in old] == [after]
    tables = tomllib.loads(path.read_text())["bands"]
    assert next(t for t in tables if t["name"] == band)[KEYS[kind]] == value
    assert sorted(p.name for p in tmp_path.iterdir()) == ["my.toml", "my.toml.old1"]
    write(planned(path, band, KEYS[kind], value + 1.0))
    assert copy.read_text() == CONFIG  # an older copy is never overwritten


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.toml").write_text(CONFIG)
    link = tmp_path / "my.toml"
    link.symlink_to("real.toml")
    write(planned(link, "10 GHz", "dial_error_hz", 1.0))
    assert link.is_symlink()
    assert "dial_error_hz = 1.0" in (tmp_path / "real.toml").read_text()


def test_what_the_config_would_refuse_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(CONFIG)
    with pytest.raises(InputError, match="dial_error_hz"):
        planned(path, "10 GHz", "dial_error_hz", 2e6)
    with pytest.raises(InputError, match="24 GHz"):
        planned(path, "24 GHz", "dial_error_hz", 2.0)


def test_a_file_that_changed_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(CONFIG)
    change = planned(path, "10 GHz", "dial_error_hz", 1.0)
    path.write_text(CONFIG + "# edited\n")
    with pytest.raises(InputError, match="meanwhile"):
        write(change)
    assert path.read_text() == CONFIG + "# edited\n"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(CONFIG)
    change = planned(path, "10 GHz", "dial_error_hz", 1.0)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(InputError, match="cannot write"):
            write(change)
    finally:
        tmp_path.chmod(0o700)
    assert path.read_text() == CONFIG
