"""Rehearsals of a whole window, rise at one end to set at the other, for every agreement, with and
without split, judged by the exact path. The partner is far away, so that a window is short."""

import math
from copy import deepcopy
from pathlib import Path

import pytest

from moontrim.config.settings import settings_from
from moontrim.path import Ephemeris, moon_from
from moontrim.rehearsal.picture import draw_rehearsal
from moontrim.rehearsal.rehearsal import EMBEDDED, next_window, rehearse
from moontrim.tuning.correction import AGREEMENTS
from support.effort import cases

FROM_UTC_S = 1_795_000_000.0
# Whose correction is ours, so that a dial must move.
OURS = {
    "halves": ("receive", "transmit"),
    "receiver": ("receive",),
    "transmitter": ("transmit",),
    "home": ("receive", "transmit"),
    "partner": (),
}
PARTNER = {"latitude_deg": -25.0, "longitude_deg": 135.0}


@pytest.mark.parametrize("split", cases(True, False))
@pytest.mark.parametrize("agreement", cases(*AGREEMENTS, quick=2))
def test_on_frequency_throughout(
    agreement: str, split: bool, ephemeris: Ephemeris, tmp_path: Path
) -> None:
    raw = deepcopy(EMBEDDED) | {
        "state_dir": str(tmp_path),
        "defaults": {"agreement": agreement},
        "partner": PARTNER,
    }
    raw["radio"]["options"]["split"] = split
    settings = settings_from(raw, "test")
    home, partner = settings.home.site(), settings.partner.site()  # type: ignore[union-attr]
    start, end = next_window(ephemeris, settings, FROM_UTC_S)
    for site in (home, partner):
        low = moon_from(ephemeris, site, [start - 120.0, end + 120.0]).elevation_deg  # type: ignore[arg-type]
        assert min(low) < 1.0, "one end rises, the other sets"
    assert end - start > 3600.0
    result = rehearse(settings, ephemeris, start, end, pace=math.inf)
    assert result.passed, result.as_json()
    assert [dial.name for dial in result.dials] == ["receive", "transmit"]
    assert result.missed_seconds == 0
    assert result.ticks >= end - start
    for dial in result.dials:
        assert dial.rms_hz <= 0.32
        assert dial.max_hz <= 0.6
        # A 1 Hz dial that follows something cannot do better than 1/sqrt(12).
        assert dial.rms_hz > 0.25 if dial.name in OURS[agreement] else dial.rms_hz == 0.0
    picture = tmp_path / "out" / "rehearsal.png"
    draw_rehearsal(result, picture)
    assert picture.read_bytes().startswith(b"\x89PNG")
