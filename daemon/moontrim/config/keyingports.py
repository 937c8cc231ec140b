"""The outputs and inputs of the `[keying]` table: their kinds, and where each is wired.

Checks each by itself; `keying` checks them together. `place` of an output or input identifies what
it is wired to, so that none is named twice; `keys_radio` says whether an output keys the radio."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from moontrim.config.table import Matching, Table

Name = Annotated[str, Field(min_length=1, max_length=40)]
Milliseconds = Annotated[int, Field(ge=0, le=5000)]
PortName = Annotated[
    str,
    Field(
        min_length=1,
        max_length=256,
        description="Serial port: a device path, a by-id link, or usb:VID:PID[:SERIAL].",
    ),
    Matching(r"\S+", "a name without spaces"),
]
Chip = Annotated[
    str,
    Field(
        min_length=1,
        max_length=256,
        description="Device path of the GPIO chip, such as /dev/gpiochip0.",
    ),
    Matching(r"/\S+", "a device path such as /dev/gpiochip0"),
]
GpioOffset = Annotated[int, Field(ge=0, le=65535, description="Offset of the line on its chip.")]
Topic = Annotated[
    str,
    Field(min_length=1, max_length=256),
    Matching(r"[^+#\x00\s]+", "a topic without wildcards (+ and #) and spaces"),
]


class OutputSettings(Table):
    """Settings of every output."""

    name: Name = Field(description="Name in messages, such as coax relay.")
    settle_ms: Milliseconds = Field(
        description="Operate plus bounce time: wait after switching this output on before "
        "switching on the next one."
    )
    release_ms: Milliseconds = Field(
        30,
        description="Release time: wait after switching this output off before switching off the "
        "previous one.",
    )
    role: Literal["amplifier", "relay", "other"] = Field(
        "other",
        description="Action if the radio cannot be unkeyed. amplifier: switched off at once. "
        "relay: carries RF, so it is not switched while the radio may be transmitting. other: "
        "switched off one second later.",
    )


class RadioOutput(OutputSettings):
    """The transmit command of the radio, through its driver."""

    kind: Literal["radio"]
    name: Name = "radio"
    settle_ms: Milliseconds = Field(
        0,
        description="Time from the radio's confirmation to full power.",
    )

    @property
    def keys_radio(self) -> bool:
        return True

    @property
    def place(self) -> tuple[object, ...]:
        return ("radio",)


class LineOutput(OutputSettings):
    """The RTS or DTR line of a serial port, which drops even if the process is killed."""

    kind: Literal["rts", "dtr"]
    port: PortName
    keys_radio: bool = Field(
        False, description="true: this line keys the radio; it must be the last output."
    )
    active_low: bool = Field(False, description="Not possible on a serial line.")

    @model_validator(mode="after")
    def _drops_safe(self) -> LineOutput:
        if self.active_low:
            raise ValueError(
                "active_low is not possible on a serial line: it drops when moontrim is killed or "
                "the plug is pulled, and that must unkey"
            )
        return self

    @property
    def place(self) -> tuple[object, ...]:
        return ("serial", self.port, self.kind)


class GpioOutput(OutputSettings):
    """A GPIO line through libgpiod. The chip decides its level once the process has ended: it needs
    a resistor that pulls it to off."""

    kind: Literal["gpio"]
    chip: Chip
    line: GpioOffset
    keys_radio: bool = Field(
        False, description="true: this line keys the radio; it must be the last output."
    )
    active_low: bool = Field(False, description="true: on is the low level.")

    @property
    def place(self) -> tuple[object, ...]:
        return ("gpio", self.chip, self.line)


class MqttOutput(OutputSettings):
    """A relay on the network. It never keys the radio, because it is not released when
    moontrim or the network ends."""

    kind: Literal["mqtt"]
    topic: Topic
    on_payload: str = Field("on", max_length=200, description="Message that switches on.")
    off_payload: str = Field("off", max_length=200, description="Message that switches off.")

    @model_validator(mode="after")
    def _tells_apart(self) -> MqttOutput:
        if self.on_payload == self.off_payload:
            raise ValueError("on_payload and off_payload are the same")
        return self

    @property
    def keys_radio(self) -> bool:
        return False

    @property
    def place(self) -> tuple[object, ...]:
        return ("mqtt", self.topic)


class SimulatedOutputSettings(OutputSettings):
    """Switches nothing; for rehearsals and tests."""

    kind: Literal["simulated"]
    keys_radio: bool = Field(
        False, description="true: simulates the radio's key line; it must be the last output."
    )

    @property
    def place(self) -> tuple[object, ...]:
        return ("simulated", self.name)


AnyOutput = Annotated[
    RadioOutput | LineOutput | GpioOutput | MqttOutput | SimulatedOutputSettings,
    Field(discriminator="kind"),
]


class LineInput(Table):
    """An input: the CTS or DSR line of a serial port."""

    kind: Literal["cts", "dsr"]
    name: Name
    port: PortName
    active_low: bool = Field(False, description="true: an inactive line means active.")

    @property
    def place(self) -> tuple[object, ...]:
        return ("serial", self.port, self.kind)


class GpioInput(Table):
    """An input: a GPIO line."""

    kind: Literal["gpio"]
    name: Name
    chip: Chip
    line: GpioOffset
    active_low: bool = Field(False, description="true: a low level means active.")

    @property
    def place(self) -> tuple[object, ...]:
        return ("gpio", self.chip, self.line)


AnyInput = Annotated[LineInput | GpioInput, Field(discriminator="kind")]
