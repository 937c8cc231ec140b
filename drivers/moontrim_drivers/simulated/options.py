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
    """What the simulated radio can do, and its bad habits. A count or a rate of 0: never."""

    split: bool = Field(True, description="Receive and transmit have dials of their own.")
    start_rx_hz: _Hertz = Field(144_100_000, description="Receive dial after power-up.")
    start_tx_hz: _Hertz = Field(144_100_000, description="Transmit dial after power-up.")
    dial_resolution_hz: int = Field(1, ge=1, le=100_000, description="Dials are rounded to this.")
    latency_s: _Seconds = Field(0.03, description="How long one command takes.")
    effect_fraction: _Share = Field(0.5, description="How far into that time the radio acts.")
    retunes_while_transmitting: bool = Field(False, description="If not, it refuses while keyed.")
    reports_transmit: bool = Field(True, description="Whether it tells that it transmits.")
    sets_power: bool = Field(True, description="Whether its power can be set.")
    refuse_every: _Count = Field(0, description="Refuse every n-th setting.")
    refuse_probability: _Share = Field(0.0, description="Refuse a setting by chance.")
    drop_every: _Count = Field(0, description="Lose the connection in every n-th command.")
    unreachable_s: _Seconds = Field(0.0, description="After a loss, no connection for so long.")
    drift_hz_per_hour: float = Field(
        0.0,
        ge=-1e7,
        le=1e7,
        description="Both dials creep off what they were set to, from power-up on.",
    )
    same_band_refused: Annotated[tuple[_Band, ...], Field(strict=False)] = Field(
        (), description="Bands (low, high in Hz) in which it refuses to hold both dials at once."
    )
    stuck_transmit: bool = Field(False, description="Once keyed it stays keyed.")
    silent: bool = Field(False, description="It accepts commands and never answers.")
    seed: int = Field(1, description="Of all chance in this radio.")
