"""The `[keying]` table of the config: what is switched before the radio is keyed, and its limits.

Refuses every list of outputs that could cause RF before a relay has settled. Whether a band needs a
drive ceiling is checked in `settings`, which knows the bands."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, field_validator, model_validator

from moontrim.config.keyingports import AnyInput, AnyOutput
from moontrim.config.table import Table

LONGEST_SUM_MS = 10_000  # chosen: a longer sequence is a mistake in the config
SHORTEST_KEY_RELEASE_MS = 10  # chosen: RF does not end the instant the radio is unkeyed
MOST_OUTPUTS = 8  # chosen: more than a station switches

Degrees = Annotated[float, Field(allow_inf_nan=False)]


class KeyingSettings(Table):
    """How moontrim keys the radio, if at all."""

    enabled: bool = Field(False, description="false: moontrim never keys the radio or any output.")
    outputs: tuple[AnyOutput, ...] = Field(
        (),
        max_length=MOST_OUTPUTS,
        description="Outputs in switch-on order, switched off in reverse; the last keys the radio.",
    )
    min_tx_elevation_deg: Degrees = Field(
        5.0,
        ge=0,
        le=90,
        description="Lowest elevation of the Moon for transmitting (apparent, with refraction): a "
        "low beam reaches people, roofs and roads, and may exceed RF-exposure limits. Take the "
        "value from the RF-exposure assessment of your station. The horizon of the [equipment] "
        "table applies as well.",
    )
    longest_over_s: float = Field(
        90.0,
        ge=1,
        le=600,
        allow_inf_nan=False,
        description="Longest over; the radio is unkeyed after this time in any case.",
    )
    inputs: tuple[AnyInput, ...] = Field(
        (),
        max_length=4,
        description="Contacts of a relay or foot switch that are active while the radio transmits, "
        "for a radio that does not report it; one active input is enough.",
    )

    @field_validator("outputs", "inputs", mode="before")
    @classmethod
    def _lists_to_tuples(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value

    @model_validator(mode="after")
    def _keys_only_behind_the_relays(self) -> KeyingSettings:
        if self.enabled and not self.outputs:
            raise ValueError("outputs: missing; needed with enabled = true")
        for index, output in enumerate(self.outputs):
            last = index == len(self.outputs) - 1
            if last and not output.keys_radio:
                raise ValueError(
                    "the last output must key the radio (kind radio, or keys_radio = true), so "
                    f"that no RF comes before a relay; {output.name!r} does not"
                )
            if output.keys_radio and not last:
                raise ValueError(
                    f"{output.name!r} keys the radio, so it must be the last output; those after "
                    "it would be switched under RF"
                )
        self._only_once()
        self._bounded()
        return self

    def used(self, names: tuple[str, ...] | None) -> frozenset[int]:
        """Returns the indices of the outputs that a band uses. names: as its `outputs` has them."""
        last = len(self.outputs) - 1
        return frozenset(
            index
            for index, output in enumerate(self.outputs)
            if names is None or output.name in names or index == last
        )

    def _only_once(self) -> None:
        everything = (*self.outputs, *self.inputs)
        for index, one in enumerate(everything):
            for other in everything[:index]:
                if one.name == other.name:
                    raise ValueError(f"name {one.name!r} used twice")
                if one.place == other.place:
                    raise ValueError(f"{other.name!r} and {one.name!r} are the same line")

    def _bounded(self) -> None:
        for what in ("settle_ms", "release_ms"):
            sum_ms = sum(getattr(output, what) for output in self.outputs)
            if sum_ms > LONGEST_SUM_MS:
                raise ValueError(f"sum of all {what}: {sum_ms}; expected at most {LONGEST_SUM_MS}")
        if len(self.outputs) > 1 and self.outputs[-1].release_ms < SHORTEST_KEY_RELEASE_MS:
            key = self.outputs[-1]
            raise ValueError(
                f"release_ms of {key.name!r}: {key.release_ms}; expected at least "
                f"{SHORTEST_KEY_RELEASE_MS}: RF takes that long to end before relays open"
            )
