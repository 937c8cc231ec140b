"""The `[clock]` table of the config: how accurate the clock must be for transmitting."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from moontrim.config.table import Table

Finite = Annotated[float, Field(allow_inf_nan=False)]


class ClockSettings(Table):
    """Judged by chrony, systemd-timesyncd, a GPS receiver or the kernel, whichever can be read.

    A clock that is wrong costs its error times the Doppler rate. At the fastest rate there is,
    0.215 Hz/s per GHz, half a second is 1.1 Hz at 10 GHz, 5 Hz at 47 GHz, 0.02 Hz at 144 MHz."""

    trust: Literal["required", "any"] = Field(
        "required",
        description="required: transmit is inhibited unless a readable source reports the clock "
        "synchronised. any: the clock is accepted without confirmation. Receive correction "
        "continues either way.",
    )
    max_error_ms: Finite = Field(
        500.0,
        ge=1,
        le=60_000,
        description="Transmit is inhibited if the clock error may exceed this. About 1200 is "
        "needed where the reports of a GPS receiver are the only source.",
    )
    drift_ppm: Finite = Field(
        20.0,
        ge=0,
        le=500,
        description="By how much the bound grows while nothing compares the clock with the "
        "outside, in millionths of the time. A crystal whose rate was corrected wanders by some "
        "ppm as it warms and cools (common practice).",
    )
    chrony_port: int = Field(323, ge=1, le=65535, description="UDP port of chronyd's monitoring.")

    @property
    def max_error_s(self) -> float:
        """`max_error_ms` in seconds."""
        return self.max_error_ms / 1000.0
