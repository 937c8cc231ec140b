"""Rehearsals for every agreement, with and without split, judged by the exact path. Ten minutes
each; `moontrim rehearse` does the whole pass."""

import math
from copy import deepcopy
from pathlib import Path

import pytest

from moontrim.correction import AGREEMENTS
from moontrim.path import Ephemeris
from moontrim.picture import draw_rehearsal
from moontrim.rehearsal import EMBEDDED, rehearse
from moontrim.settings import settings_from

START_UTC_S = 1_795_000_000.0


@pytest.mark.parametrize("split", [True, False])
@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_on_frequency_throughout(
    agreement: str, split: bool, ephemeris: Ephemeris, tmp_path: Path
) -> None:
    raw = deepcopy(EMBEDDED) | {"state_dir": str(tmp_path), "session": {"agreement": agreement}}
    raw["radio"]["options"]["split"] = split
    result = rehearse(
        settings_from(raw, "test"), ephemeris, START_UTC_S, START_UTC_S + 600.0, pace=math.inf
    )
    assert result.passed, result.as_json()
    assert len(result.dials) == (2 if split else 1)
    assert result.missed_seconds == 0
    assert result.ticks >= 600
    picture = tmp_path / "out" / "rehearsal.png"
    draw_rehearsal(result, picture)
    assert picture.read_bytes().startswith(b"\x89PNG")
