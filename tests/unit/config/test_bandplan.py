"""The band plan: hints, dated, and the user's own if they have one."""

from pathlib import Path

import pytest

from moontrim.config.bandplan import load_band_plan
from moontrim.config.settings import load_settings
from moontrim.errors import InputError
from support.tree import ROOT

CONFIG = ROOT / "config"


def test_every_example_band_is_where_moonbounce_is_usual() -> None:
    plan = load_band_plan(None)
    names = {segment.band for segment in plan.segments}
    assert len(names) == 10
    for segment in plan.segments:
        for low, high in segment.moonbounce_hz:
            assert segment.low_hz <= low < high <= segment.high_hz
    found = set()
    for path in CONFIG.glob("*.toml"):
        for band in load_settings(path).bands:
            assert plan.remark(band.tx_sked_hz or band.sked_hz) == ""
            found.add(band.name)
    assert names <= found, "an example for every band"


def test_unusual_places_are_named() -> None:
    plan = load_band_plan(None)
    assert "144.000 to 144.160" in plan.remark(145_500_000.0)
    assert "no band" in plan.remark(10_000_000.0)


def test_own_plan(tmp_path: Path) -> None:
    own = tmp_path / "plan.toml"
    own.write_text(
        "dated = 2027-01-01\n[[segments]]\nband = '144 MHz'\nlow_hz = 144_000_000\n"
        "high_hz = 148_000_000\nmoonbounce_hz = [[147_000_000, 147_100_000]]\n"
    )
    plan = load_band_plan(own)
    assert plan.remark(147_050_000.0) == ""
    assert "2027-01-01" in plan.remark(144_050_000.0)


@pytest.mark.parametrize("text", ["dated = 5", "[", "dated = 2027-01-01\nsegments = [{}]"])
def test_a_bad_plan_is_one_error(tmp_path: Path, text: str) -> None:
    own = tmp_path / "plan.toml"
    own.write_text(text)
    with pytest.raises(InputError, match="band_plan_file"):
        load_band_plan(own)
    with pytest.raises(InputError, match="band_plan_file"):
        load_band_plan(tmp_path / "none")
