"""The options of the simulated radio: what it can do and which faults it has.

Names, ranges and defaults; their effects are in `radio`.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from moontrim_drivers.contract import DriverOptions

_Hertz = Annotated[int, Field(ge=1, le=10**12)]
_Seconds = Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)]
_Count = Annotated[int, Field(ge=0)]
_Share = Annotated[float, Field(ge=0, le=1)]
_Band = Annotated[tuple[_Hertz, _Hertz], Field(strict=False)]

# The normal passband of each mode (common practice).
PASSBAND_HZ = {
    "USB": 2400,
    "LSB": 2400,
    "PKTUSB": 2400,
    "PKTLSB": 2400,
    "CW": 500,
    "CWR": 500,
    "RTTY": 500,
    "AM": 6000,
    "FM": 15000,
}


class SimulatedOptions(DriverOptions):
    """Abilities and quirks of the simulated radio. A count or a rate of 0: never."""

    split: bool = Field(True, description="Separate dials for receive and transmit.")
    start_rx_hz: _Hertz = Field(144_100_000, description="Receive dial after power-up.")
    start_tx_hz: _Hertz = Field(144_100_000, description="Transmit dial after power-up.")
    dial_resolution_hz: int = Field(1, ge=1, le=100_000, description="Smallest dial step.")
    latency_s: _Seconds = Field(0.03, description="Duration of one command.")
    effect_fraction: _Share = Field(0.5, description="When the radio acts, in latency_s.")
    retunes_while_transmitting: bool = Field(
        False, description="false: dials are rejected while keyed."
    )
    reports_transmit: bool = Field(True, description="true: the radio reports transmitting.")
    sets_power: bool = Field(True, description="true: power can be set.")
    refuse_every: _Count = Field(0, description="Reject every n-th setting.")
    refuse_probability: _Share = Field(0.0, description="Probability of rejecting a setting.")
    drop_every: _Count = Field(0, description="Lose the connection in every n-th command.")
    unreachable_s: _Seconds = Field(0.0, description="Time without connection after a loss.")
    drift_hz_per_hour: float = Field(
        0.0,
        ge=-1e7,
        le=1e7,
        description="Drift of both dials from power-up on.",
    )
    same_band_refused: Annotated[tuple[_Band, ...], Field(strict=False)] = Field(
        (), description="Bands (low, high in Hz) that cannot hold both dials at the same time."
    )
    stuck_transmit: bool = Field(False, description="true: the radio cannot be unkeyed.")
    silent: bool = Field(False, description="true: commands are accepted and never answered.")
    seed: int = Field(1, description="Seed of all random numbers of this radio.")
