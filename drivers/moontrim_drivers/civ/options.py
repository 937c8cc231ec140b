"""The options of the addressed binary bus, and the commands that they may hold."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from moontrim_drivers.civ import codec as bus
from moontrim_drivers.serial.options import SerialOptions

_SENDING = (b"\x1c\x00", b"\x1c\x01", b"\x17", b"\x28")  # key, tuner, text and voice messages


def parse_command(text: str) -> bytes:
    """Returns a command in hexadecimal as the body of a frame. Raises ValueError for what is not
    one, and for one that could make a radio transmit."""
    try:
        body = bytes.fromhex(text)
        bus.Frame(0, 0, body)
    except ValueError:
        raise ValueError(
            f"invalid value {text!r}; expected hexadecimal bytes without preamble and "
            "addresses, such as 16 5A 00"
        ) from None
    if body.startswith(_SENDING):
        raise ValueError(f"{text!r} not accepted: it can make a radio transmit")
    return body


def _command(text: str) -> str:
    if text:
        parse_command(text)
    return text


class CivOptions(SerialOptions):
    """Options of the driver, besides those of the port."""

    address: int = Field(ge=0x01, le=0xDF, description="Bus address of the radio.")
    controller_address: int = Field(0xE0, ge=0xE0, le=0xEF, description="Bus address of moontrim.")
    selected_transmits_while_keyed: bool = Field(
        False,
        description="In split, the selected dial is the transmit dial while keyed.",
    )
    exchange_command: Annotated[str, AfterValidator(_command)] = Field(
        "",
        description="Command that exchanges two receivers whose bands must differ; sent when the "
        "radio rejects a dial, before the second attempt. `07 B0` on many radios; empty: never.",
    )
