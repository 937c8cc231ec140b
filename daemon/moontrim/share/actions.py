"""What belongs to one connection, and what a command of its can come to. Frozen values, a leaf."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.share.protocol import OK


@dataclass(frozen=True, slots=True)
class Own:
    """What belongs to one connection alone. second: it has selected the second VFO. with_keys: it
    has asked for the VFO mode, as recent clients do before `dump_state`."""

    names_vfo: bool = False
    second: bool = False
    split: bool = False
    with_keys: bool = False


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer. own: changed, if not None. last: the connection ends after it."""

    code: int = OK
    values: tuple[str, ...] = ()
    own: Own | None = None
    last: bool = False


@dataclass(frozen=True, slots=True)
class Tune:
    """Move the sked frequency there."""

    hz: int


@dataclass(frozen=True, slots=True)
class Key:
    """Transmit."""


@dataclass(frozen=True, slots=True)
class Unkey:
    """Transmit no longer, as far as this client is concerned."""


@dataclass(frozen=True, slots=True)
class SetMode:
    """passband_hz: 0 the mode's normal one, None as it is."""

    mode: str
    passband_hz: int | None


@dataclass(frozen=True, slots=True)
class SetPower:
    fraction: float


@dataclass(frozen=True, slots=True)
class ReadDetails:
    """Look at mode and power; `conclude` then has the answer."""


Action = Reply | Tune | Key | Unkey | SetMode | SetPower | ReadDetails
