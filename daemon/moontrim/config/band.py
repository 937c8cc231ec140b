"""The `[[bands]]` of the config: how dials and on-air frequencies map, what may be transmitted, and
how the radio is set up on a band."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from moontrim.config.table import Hertz, Matching, Table, whole_hertz
from moontrim.formats import grouped
from moontrim.tuning.band import Band
from moontrim.tuning.bandentry import BandEntry
from moontrim.tuning.steps import WhileTransmitting

# Chosen: see trim_limit_hz. A trim is for what the two ends' references differ by.
TRIM_LIMIT_PPM, LEAST_TRIM_LIMIT_HZ = 2.0, 2000

DIRECT = "direct"  # the front end of bands without a transverter that name none
MODE = Matching("[A-Z0-9]{1,12}", "up to 12 capital letters and digits, such as USB")


class BandSettings(Table):
    """One band: conversion between dial and on-air frequency, transmit limits, and settings of the
    radio."""

    name: str = Field(min_length=1, max_length=40)
    sked_hz: Hertz = Field(
        description="On-air frequency agreed with the partner; used at the first start."
    )
    tx_low_hz: Hertz = Field(description="Transmit limits: lowest on-air frequency.")
    tx_high_hz: Hertz = Field(description="Transmit limits: highest on-air frequency.")
    transverter_offset_hz: int = Field(
        0,
        ge=0,
        lt=10**12,
        description="On-air = offset + dial (sense plus) or offset - dial (sense minus). "
        "0: no transverter.",
    )
    transverter_sense: Literal["plus", "minus"] = "plus"
    tx_sked_hz: Hertz | None = Field(
        None,
        description="Split-segment working, where the two stations must transmit in different "
        "segments: on-air transmit frequency. sked_hz is then the receive frequency, and both move "
        "together.",
    )
    tx_transverter_offset_hz: int | None = Field(
        None,
        ge=0,
        lt=10**12,
        description="Offset of the transmit path, if it has a separate local oscillator (LO).",
    )
    dial_resolution_hz: int = Field(
        1, ge=1, le=1000, description="Smallest dial step to use on this band."
    )
    dial_error_hz: float = Field(
        0.0, ge=-1e6, le=1e6, description="Measured: true on-air minus indicated on-air frequency."
    )
    reference_error_ppb: float = Field(
        0.0,
        ge=-1e5,
        le=1e5,
        description="Measured: by how many parts per billion the frequency reference is high.",
    )
    reference_uncertainty_ppb: float | None = Field(
        None,
        ge=0,
        le=1e5,
        description="Uncertainty of reference_error_ppb (1 sigma); default: unknown.",
    )
    dial_uncertainty_hz: float | None = Field(
        None,
        ge=0,
        le=1e6,
        description="Uncertainty of dial_error_hz, such as that of a transverter's oscillator "
        "(1 sigma); 0 if it shares the radio's reference; default: unknown.",
    )
    while_transmitting: WhileTransmitting = Field(
        "hold",
        description="hold: keep the dial constant while keyed. mid_over: set the transmit dial, "
        "while receiving, to the ideal value half an over later, then hold. step: continue the "
        "correction while keyed (only on a radio that can retune then).",
    )
    drive_ceiling: float | None = Field(
        None,
        ge=0,
        le=1,
        description="Highest RF power setting of the radio on this band, as a fraction of full "
        "power, such as the drive that a transverter can take. If omitted, drive is neither "
        "checked nor set.",
    )
    trim_limit_hz: int | None = Field(
        None,
        ge=0,
        le=100_000,
        description="Largest trim, up or down; larger ones are rejected. Default: 2 ppm of "
        "sked_hz, the error of an unlocked crystal oscillator, but at least 2000 Hz, the width of "
        "a voice channel.",
    )
    mode: Annotated[str, MODE] | None = Field(
        None, description="Mode to set on entering the band, such as USB; default: not set."
    )
    passband_hz: int = Field(
        0,
        ge=0,
        le=20_000,
        description="Passband to set with the mode; 0: the usual one of the mode.",
    )
    commands: tuple[str, ...] = Field(
        (),
        max_length=16,
        strict=False,
        description="Commands sent to the radio once on entering the band, in the syntax of its "
        "driver. Commands that transmit are rejected.",
    )
    clear_offsets: bool = Field(
        False,
        description="true: switch off RIT, XIT and repeater shift whenever they are on, never "
        "while transmitting. false: they are reported, and transmit is inhibited.",
    )
    over_s: float = Field(60.0, gt=0, le=600, description="Duration of one over, for mid_over.")
    front_end: str | None = Field(
        None,
        min_length=1,
        max_length=40,
        description="Name of what is connected to the radio's antenna socket on this band. After a "
        "change of front end transmit is inhibited until the operator has confirmed it. "
        'Default: "direct" without a transverter; with one, the name of the band. Bands that use '
        "the same transverter need the same front end.",
    )
    outputs: tuple[str, ...] | None = Field(
        None,
        max_length=8,
        strict=False,
        description="Names of the [[keying.outputs]] to switch on this band, besides the last one, "
        "which keys the radio; default: all.",
    )
    min_tx_elevation_deg: float | None = Field(
        None,
        ge=0,
        le=90,
        allow_inf_nan=False,
        description="Lowest elevation of the Moon for transmitting on this band; default: "
        "keying.min_tx_elevation_deg. The horizon of the [equipment] table applies as well.",
    )

    @field_validator(
        "transverter_offset_hz",
        "tx_transverter_offset_hz",
        "dial_resolution_hz",
        "passband_hz",
        "trim_limit_hz",
        mode="before",
    )
    @classmethod
    def _whole_hertz(cls, value: Any) -> Any:
        return whole_hertz(value)

    @model_validator(mode="after")
    def _consistent(self) -> BandSettings:
        if self.tx_low_hz >= self.tx_high_hz:
            raise ValueError("tx_low_hz must be below tx_high_hz")
        key = "sked_hz" if self.tx_sked_hz is None else "tx_sked_hz"
        if not self.tx_low_hz <= getattr(self, key) <= self.tx_high_hz:
            raise ValueError(
                f"{key} {grouped(getattr(self, key))} is outside tx_low_hz "
                f"{grouped(self.tx_low_hz)} to tx_high_hz {grouped(self.tx_high_hz)}"
            )
        if self.transverter_sense == "minus" and self.transverter_offset_hz == 0:
            raise ValueError('transverter_sense = "minus" needs a transverter_offset_hz')
        for key in ("tx_low_hz", "tx_high_hz"):
            if (dial_hz := self.tx_band().dial_hz(getattr(self, key))) <= 0:
                raise ValueError(
                    f"{key} would need a dial of {grouped(dial_hz)} Hz; check transverter_offset_hz"
                )
        if (dial_hz := self.band().dial_hz(self.sked_hz)) <= 0:
            raise ValueError(
                f"sked_hz would need a dial of {grouped(dial_hz)} Hz; check transverter_offset_hz"
            )
        return self

    @property
    def has_transverter(self) -> bool:
        """Whether receiving or transmitting goes through a transverter."""
        return self.transverter_offset_hz > 0 or self.goes_through_transverter

    @property
    def front_end_name(self) -> str:
        """The front end of this band; see front_end."""
        return self.front_end or (self.name if self.has_transverter else DIRECT)

    @property
    def goes_through_transverter(self) -> bool:
        """Whether transmitting goes through a transverter."""
        if self.tx_transverter_offset_hz is not None:
            return self.tx_transverter_offset_hz > 0
        return self.transverter_offset_hz > 0

    @property
    def tx_shift_hz(self) -> int:
        """Transmit sked minus receive sked in split-segment working; else 0."""
        return 0 if self.tx_sked_hz is None else self.tx_sked_hz - self.sked_hz

    @property
    def largest_trim_hz(self) -> int:
        """The largest trim, either way; see trim_limit_hz."""
        if self.trim_limit_hz is not None:
            return self.trim_limit_hz
        return max(LEAST_TRIM_LIMIT_HZ, round(TRIM_LIMIT_PPM * 1e-6 * self.sked_hz))

    def tx_band(self) -> Band:
        """Returns the conversion of the transmit dial."""
        if self.tx_transverter_offset_hz is None:
            return self.band()
        return replace(self.band(), transverter_offset_hz=self.tx_transverter_offset_hz)

    def entry(self) -> BandEntry:
        """Returns what the radio must be set to on this band besides its dials."""
        edges = sorted(self.tx_band().dial_hz(hz) for hz in (self.tx_low_hz, self.tx_high_hz))
        return BandEntry(
            self.name,
            edges[0],
            edges[1],
            self.drive_ceiling,
            self.mode,
            self.passband_hz,
            self.commands,
            self.clear_offsets,
        )

    def band(self) -> Band:
        """Returns conversion and limits as `tuning` takes them."""
        return Band(
            name=self.name,
            tx_low_hz=self.tx_low_hz,
            tx_high_hz=self.tx_high_hz,
            transverter_offset_hz=self.transverter_offset_hz,
            transverter_sense=self.transverter_sense,
            dial_resolution_hz=self.dial_resolution_hz,
            dial_error_hz=self.dial_error_hz,
            reference_error_ppb=self.reference_error_ppb,
        )
