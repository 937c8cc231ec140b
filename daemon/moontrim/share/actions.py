"""The state of one connection, and the actions that a command can lead to. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.share.protocol import OK


@dataclass(frozen=True, slots=True)
class ClientState:
    """The state of one connection.

    names_vfo: it is in explicit-VFO mode. second: it has selected the second VFO. split: it has
    switched split on. with_keys: it has sent `chk_vfo`, as recent clients do before `dump_state`.
    """

    names_vfo: bool = False
    second: bool = False
    split: bool = False
    with_keys: bool = False


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer at once. state: the connection's new one; None leaves it as it is. last: the
    connection ends after this answer."""

    code: int = OK
    values: tuple[str, ...] = ()
    state: ClientState | None = None
    last: bool = False


@dataclass(frozen=True, slots=True)
class Tune:
    """Moves the sked frequency to `hz`."""

    hz: int


@dataclass(frozen=True, slots=True)
class Key:
    """Asks the keying to transmit for this client."""


@dataclass(frozen=True, slots=True)
class Unkey:
    """Releases this client's key."""


@dataclass(frozen=True, slots=True)
class SetMode:
    """Sets the radio's mode. passband_hz: 0 is the mode's normal one, None leaves it unchanged."""

    mode: str
    passband_hz: int | None


@dataclass(frozen=True, slots=True)
class SetPower:
    """Sets the radio's power, as a fraction (0 to 1) of its full power."""

    fraction: float


@dataclass(frozen=True, slots=True)
class ReadDetails:
    """Reads the radio's mode and power, from which `answers.reply_with_details` makes the reply."""


Action = Reply | Tune | Key | Unkey | SetMode | SetPower | ReadDetails
