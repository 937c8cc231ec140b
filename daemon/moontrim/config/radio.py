"""The `[radio]` table of the config: its driver, timing and dials."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from moontrim.config.mistakes import Mistakes, mistakes
from moontrim.config.table import Table
from moontrim_drivers.contract import DriverOptions
from moontrim_drivers.registry import DriverNotFoundError, load


class RadioSettings(Table):
    """The radio: its driver, timing and dials."""

    driver: str = Field(
        "simulated",
        description="Name of a driver: simulated, socket, civ, asciicat or another installed one.",
    )
    options: dict[str, Any] = Field(default_factory=dict, description="Options of the driver.")
    deadline_s: float = Field(
        1.5, gt=0, le=30, description="Longest wait for one reply of the radio."
    )
    poll_s: float = Field(
        0.5, ge=0.05, le=5, description="Interval between readbacks of the dial when idle."
    )
    max_steps_per_s: float | None = Field(
        None,
        gt=0,
        le=1000,
        description="Most dial steps per second; default: as many as the radio takes.",
    )
    on_manual_tuning: Literal["follow", "restore"] = Field(
        "follow",
        description="When the receive dial is turned by hand. follow: the sked frequency moves "
        "with it. restore: the dial is set back.",
    )
    on_exit: Literal["sked", "leave"] = Field(
        "sked",
        description="When moontrim stops. sked: set the dial to the sked frequency. leave: leave "
        "the dial as it is.",
    )

    def driver_options(self) -> DriverOptions:
        """Returns the validated options of the driver. Raises pydantic's ValidationError,
        DriverNotFoundError."""
        return load(self.driver).Options.model_validate(self.options)

    @model_validator(mode="after")
    def _known_driver(self) -> RadioSettings:
        try:
            self.driver_options()
        except DriverNotFoundError as error:
            raise ValueError(str(error)) from None
        except ValidationError as error:
            options = load(self.driver).Options
            raise Mistakes(mistakes(error, self.options, options, ("radio", "options"))) from None
        return self
