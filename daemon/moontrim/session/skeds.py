"""The commands on skeds: choosing one is a single change of band, frequency, partner and agreement.
Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.config.sked import Sked, sked_named
from moontrim.errors import InputError
from moontrim.session.commands import Command
from moontrim.session.session import Session

MOST_SKEDS = 100  # chosen: more than a list on a phone can show; bounds the session's file


def all_skeds(session: Session, settings: Settings) -> tuple[Sked, ...]:
    """Returns the skeds of the config, then those that the operator made. A made one that has since
    got the name of one of the config is left out."""
    made = (sked for sked in session.skeds if sked_named(settings.skeds, sked.name) is None)
    return (*settings.skeds, *made)


def find_sked(session: Session, settings: Settings, name: str) -> Sked:
    """Returns the sked of a name, in any case. Raises InputError."""
    skeds = all_skeds(session, settings)
    if (sked := sked_named(skeds, name)) is not None:
        return sked
    expected = ", ".join(sked.name for sked in skeds) or "the name of a sked; there are none"
    raise InputError("sked", name, expected)


@dataclass(frozen=True, slots=True)
class ChooseSked(Command):
    """Chooses a sked. The trims are 0 afterwards, since they are for what the references of two
    stations differ by. Another front end withdraws the permission to transmit."""

    name: str

    def apply(self, session: Session, settings: Settings) -> Session:
        sked = find_sked(session, settings, self.name)
        shift_hz = None if sked.tx_sked_hz is None else float(sked.tx_sked_hz - sked.sked_hz)
        choices = {"partner": sked.partner, "agreement": sked.agreement, "sked": sked.name}
        changed = session.on_band(sked.band, settings).model_copy(update=choices)
        changed.check_agreement(settings)
        return changed.with_band_choices(
            settings,
            sked_hz=float(sked.sked_hz),
            rx_trim_hz=0.0,
            tx_trim_hz=0.0,
            tx_shift_hz=shift_hz,
            over_s=sked.over_s,
        )

    def __str__(self) -> str:
        return f"sked {self.name}"


@dataclass(frozen=True, slots=True)
class SaveSked(Command):
    """Keeps a sked, instead of one of the same name that the operator made before. Raises
    InputError for one that could not be chosen, and for a name of the config."""

    sked: Sked

    def apply(self, session: Session, settings: Settings) -> Session:
        if sked_named(settings.skeds, self.sked.name) is not None:
            raise InputError("name", self.sked.name, "a name that is not in the config")
        others = tuple(
            sked for sked in session.skeds if sked.name.casefold() != self.sked.name.casefold()
        )
        if len(others) >= MOST_SKEDS:
            raise InputError("name", self.sked.name, f"at most {MOST_SKEDS} skeds; remove one first")
        changed = session.model_copy(update={"skeds": (*others, self.sked)})
        ChooseSked(self.source, self.sked.name).apply(changed, settings)
        return changed

    def __str__(self) -> str:
        return f"save sked {self.sked.name}"


@dataclass(frozen=True, slots=True)
class RemoveSked(Command):
    """Removes a sked that the operator made. Raises InputError for one of the config, and for one
    that the agenda needs."""

    name: str

    def apply(self, session: Session, settings: Settings) -> Session:
        made = sked_named(session.skeds, self.name)
        if made is None:
            expected = ", ".join(sked.name for sked in session.skeds) or "none were made"
            raise InputError("sked", self.name, f"one that is not in the config: {expected}")
        needing = [e for e in session.agenda if e.sked.casefold() == made.name.casefold()]
        if any(not entry.outcome for entry in needing):
            raise InputError("sked", self.name, "one that the agenda does not need")
        return session.model_copy(
            update={"skeds": tuple(sked for sked in session.skeds if sked is not made)}
        )

    def __str__(self) -> str:
        return f"remove sked {self.name}"
