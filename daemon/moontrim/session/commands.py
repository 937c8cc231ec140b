"""The commands that change a session: each takes a session and returns the changed one. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.errors import InputError
from moontrim.formats import grouped, signed_short
from moontrim.session.session import Session
from moontrim.tuning.correction import AGREEMENTS


def whole_hertz(hz: float) -> float:
    """Returns whole hertz, halves rounded up; what is not finite unchanged, for it to be refused.

    A sked frequency that people move is one that they can tell each other."""
    return float(math.floor(hz + 0.5)) if math.isfinite(hz) else hz


@dataclass(frozen=True, slots=True)
class Command:
    """The base of the commands. str() of one is a phrase for the journal.

    source: who sent it, for the state and the journal."""

    source: str

    def apply(self, session: Session, settings: Settings) -> Session:
        """Returns the changed session. Raises InputError when the change is not allowed."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class SetBand(Command):
    """Changes the band."""

    name: str

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.on_band(self.name, settings)

    def __str__(self) -> str:
        return f"band {self.name}"


@dataclass(frozen=True, slots=True)
class SetSked(Command):
    """Sets the sked frequency of the present band, and leaves what a sked had chosen beside it."""

    sked_hz: float

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.with_band_choices(
            settings, sked_hz=self.sked_hz, tx_shift_hz=None, over_s=None
        )

    def __str__(self) -> str:
        return f"sked {grouped(self.sked_hz)} Hz"


@dataclass(frozen=True, slots=True)
class NudgeSked(Command):
    """Moves the sked frequency of the present band, to whole hertz."""

    by_hz: float

    def apply(self, session: Session, settings: Settings) -> Session:
        moved_hz = session.band_choices(settings).sked_hz + self.by_hz
        return session.with_band_choices(settings, sked_hz=whole_hertz(moved_hz))

    def __str__(self) -> str:
        return f"sked {signed_short(self.by_hz)} Hz"


@dataclass(frozen=True, slots=True)
class SetTrim(Command):
    """Sets the trims of the present band. None leaves a trim as it is."""

    rx_hz: float | None = None
    tx_hz: float | None = None

    def apply(self, session: Session, settings: Settings) -> Session:
        trims = {"rx_trim_hz": self.rx_hz, "tx_trim_hz": self.tx_hz}
        return session.with_band_choices(
            settings, **{k: v for k, v in trims.items() if v is not None}
        )

    def __str__(self) -> str:
        trims = (("receive", self.rx_hz), ("transmit", self.tx_hz))
        changed = [f"{name} {signed_short(hz)} Hz" for name, hz in trims if hz is not None]
        return f"trim {', '.join(changed)}"


@dataclass(frozen=True, slots=True)
class SetAgreement(Command):
    """Changes who corrects what."""

    agreement: str

    def apply(self, session: Session, settings: Settings) -> Session:
        if self.agreement not in AGREEMENTS:
            raise InputError("agreement", self.agreement, ", ".join(AGREEMENTS))
        changed = session.model_copy(update={"agreement": self.agreement})
        changed.check_agreement(settings)
        return changed

    def __str__(self) -> str:
        return f"agreement {self.agreement}"


@dataclass(frozen=True, slots=True)
class SetPartner(Command):
    """Changes the partner: `self`, the name of one of [[partners]] in any case, a locator or
    `lat,lon,height_m`."""

    partner: str

    def apply(self, session: Session, settings: Settings) -> Session:
        changed = session.model_copy(update={"partner": self.partner.strip()})
        changed.check_agreement(settings)  # raises InputError also for what is no place
        return changed

    def __str__(self) -> str:
        return f"partner {self.partner}"


@dataclass(frozen=True, slots=True)
class Correct(Command):
    """Resumes (True) or pauses the correction. While paused the dials are left alone."""

    on: bool

    def apply(self, session: Session, settings: Settings) -> Session:
        return session.model_copy(update={"correcting": self.on})

    def __str__(self) -> str:
        return "correction on" if self.on else "correction off"


@dataclass(frozen=True, slots=True)
class AllowTransmit(Command):
    """Allows (True) or inhibits transmit. While inhibited a radio that transmits is unkeyed.

    front_end: what the operator, who allows it, has confirmed to be connected; refused where the
    band has another one by now. None: that of the present band."""

    on: bool
    front_end: str | None = None

    def apply(self, session: Session, settings: Settings) -> Session:
        if not self.on:
            return session.model_copy(update={"tx_allowed": False})
        present = session.present_front_end(settings)
        if self.front_end not in (None, present):
            raise InputError("front_end", self.front_end, f"{present}, that of {session.band}")
        return session.model_copy(update={"tx_allowed": True, "front_end": present})

    def __str__(self) -> str:
        connected = f", front end {self.front_end}" if self.front_end else ""
        return f"transmit allowed{connected}" if self.on else "transmit inhibited"


@dataclass(frozen=True, slots=True)
class ReadBack(Command):
    """Has the radio read now. Changes nothing."""

    def apply(self, session: Session, settings: Settings) -> Session:
        return session

    def __str__(self) -> str:
        return "read back"
