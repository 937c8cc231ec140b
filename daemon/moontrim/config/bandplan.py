"""The band plan: where moonbounce is usual. Dated data for remarks only, never a limit. See
bandplan.toml."""

from __future__ import annotations

import tomllib
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError

from moontrim.config.mistakes import mistakes
from moontrim.config.table import Hertz, Table, read_toml
from moontrim.errors import InputError
from moontrim.formats import grouped

FrequencyRange = Annotated[tuple[Hertz, Hertz], Field(strict=False)]  # TOML has lists only


class Segment(Table):
    """One band: its edges, and the ranges where moonbounce is usual."""

    band: str
    low_hz: Hertz
    high_hz: Hertz
    moonbounce_hz: tuple[FrequencyRange, ...] = Field(strict=False)


class BandPlan(Table):
    """A band plan. dated: when its data were last checked."""

    dated: date
    segments: tuple[Segment, ...] = Field(strict=False)

    def remark(self, on_air_hz: float) -> str:
        """Returns what is unusual about moonbounce on this frequency; empty if nothing is."""
        for segment in self.segments:
            if segment.low_hz <= on_air_hz <= segment.high_hz:
                if any(low <= on_air_hz <= high for low, high in segment.moonbounce_hz):
                    return ""
                usual = " or ".join(
                    f"{grouped(low / 1e6, 3)} to {grouped(high / 1e6, 3)}"
                    for low, high in segment.moonbounce_hz
                )
                return (
                    f"{grouped(on_air_hz / 1e6, 3)} MHz is not where moonbounce is usual on "
                    f"{segment.band}: {usual} MHz (band plan of {self.dated})"
                )
        return f"{grouped(on_air_hz / 1e6, 3)} MHz is in no band of the band plan of {self.dated}"


def load_band_plan(path: Path | None) -> BandPlan:
    """Returns the band plan in a file, or the built-in one (None). Raises InputError."""
    if path is None:
        return BandPlan.model_validate(
            tomllib.loads(files("moontrim.config").joinpath("bandplan.toml").read_text())
        )
    raw = read_toml(path, "data.band_plan_file")
    try:
        return BandPlan.model_validate(raw)
    except ValidationError as error:
        phrases = "; ".join(mistakes(error, raw, BandPlan))
        raise InputError("data.band_plan_file", str(path), f"a band plan ({phrases})") from None
