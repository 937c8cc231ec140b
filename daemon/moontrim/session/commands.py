"""The commands that change a session: each takes one in and gives one out. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.session.session import Session
from moontrim.tuning.correction import AGREEMENTS


@dataclass(frozen=True, slots=True)
class Command:
    """Something that changes the session. source: who asked, for the state and the journal.
    str() of a command says what it asks for."""

    source: str

    def apply(self, session: Session, settings: Settings) -> Session:
        """The changed session; InputError when it is not allowed, and then nothing changes."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class SetBand(Command):
    name: str

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"band": settings.band(self.name).name})

    def __str__(self) -> str:
        return f"band {self.name}"


@dataclass(frozen=True, slots=True)
class SetSked(Command):
    sked_hz: float

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.with_here(settings, sked_hz=self.sked_hz)

    def __str__(self) -> str:
        return f"sked {self.sked_hz:.0f} Hz"


@dataclass(frozen=True, slots=True)
class NudgeSked(Command):
    by_hz: float

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.with_here(settings, sked_hz=session.here(settings).sked_hz + self.by_hz)

    def __str__(self) -> str:
        return f"sked {self.by_hz:+.0f} Hz"


@dataclass(frozen=True, slots=True)
class SetTrim(Command):
    """None leaves that trim as it is."""

    rx_hz: float | None = None
    tx_hz: float | None = None

    def apply(self, session: Session, settings: Settings) -> Session:
        given = {"trim_rx_hz": self.rx_hz, "trim_tx_hz": self.tx_hz}
        return session.with_here(settings, **{k: v for k, v in given.items() if v is not None})

    def __str__(self) -> str:
        given = (("receive", self.rx_hz), ("transmit", self.tx_hz))
        return "trim " + ", ".join(f"{name} {hz:+g} Hz" for name, hz in given if hz is not None)


@dataclass(frozen=True, slots=True)
class SetAgreement(Command):
    agreement: str

    def apply(self, session: Session, settings: Settings) -> Session:
        if self.agreement not in AGREEMENTS:
            raise InputError("agreement", self.agreement, ", ".join(AGREEMENTS))
        return session.model_copy(update={"agreement": self.agreement})

    def __str__(self) -> str:
        return f"agreement {self.agreement}"


@dataclass(frozen=True, slots=True)
class SetPartner(Command):
    partner: str

    def apply(self, session: Session, settings: Settings) -> Session:
        changed = session.model_copy(update={"partner": self.partner.strip()})
        changed.partner_site(settings)  # raises InputError if it is no place
        return changed

    def __str__(self) -> str:
        return f"partner {self.partner}"


@dataclass(frozen=True, slots=True)
class Correct(Command):
    """Resume (True) or pause (False) the correction. Paused, the radio is left alone."""

    on: bool

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"correcting": self.on})

    def __str__(self) -> str:
        return "correction on" if self.on else "correction off"


@dataclass(frozen=True, slots=True)
class PermitTransmit(Command):
    """Permit transmitting, or forbid it and have a radio that transmits unkeyed."""

    on: bool

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"transmit_permitted": self.on})

    def __str__(self) -> str:
        return "transmitting permitted" if self.on else "transmitting forbidden"


@dataclass(frozen=True, slots=True)
class ReadBack(Command):
    """Look at the radio now. Changes nothing."""

    def apply(self, session: Session, settings: Settings) -> Session:
        return session

    def __str__(self) -> str:
        return "read back"
