"""The commands on skeds: choosing one is a single change of band, frequency, partner and agreement.
Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from moontrim.config.partner import named
from moontrim.config.settings import Settings
from moontrim.config.sked import Sked, sked_named, sked_problem
from moontrim.errors import InputError, NotNowError
from moontrim.session.commands import Command
from moontrim.session.session import Session

MOST_SKEDS = 100  # chosen: more than a list on a phone can show; bounds the session's file
MOST_NAMED = 12  # chosen: names in a message, which stays short


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
    raise InputError("sked", name, _names(skeds) or "the name of a sked; there are none")


def _names(skeds: Sequence[Sked]) -> str:
    names = ", ".join(sked.name for sked in skeds[:MOST_NAMED])
    return names + f" and {len(skeds) - MOST_NAMED} more" * (len(skeds) > MOST_NAMED)


def forget_changed_sked(session: Session, settings: Settings) -> Session:
    """Returns a session that names a sked only if it is as that has it: the config may have another
    one under the name by now, or none."""
    if not session.sked:
        return session
    try:
        chosen = ChooseSked("", session.sked).apply(session, settings)
    except InputError:
        return session.model_copy(update={"sked": ""})
    name = "" if chosen.retuned_from(session, settings) else chosen.sked
    return session.model_copy(update={"sked": name})


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
    """Keeps a sked, instead of one of the same name that the operator made before; a partner's name
    as the config writes it. Raises InputError for one that could not be chosen, and for a name of
    the config."""

    sked: Sked

    def apply(self, session: Session, settings: Settings) -> Session:
        name = self.sked.name
        if sked_named(settings.skeds, name) is not None:
            raise InputError("name", name, "a name that is not in the config")
        if (problem := sked_problem(self.sked, settings.bands, settings.partners)) is not None:
            raise problem
        before = sked_named(session.skeds, name)
        others = tuple(sked for sked in session.skeds if sked is not before)
        if len(others) >= MOST_SKEDS:
            raise InputError("name", name, f"at most {MOST_SKEDS} skeds; remove one first")
        partner = named(settings.partners, self.sked.partner)
        sked = self.sked.model_copy(update={"partner": partner.name} if partner else {})
        changed = session.model_copy(update={"skeds": (*others, sked)})
        return changed if before == sked else _left(changed, name)

    def __str__(self) -> str:
        return f"save sked {self.sked.name}"


@dataclass(frozen=True, slots=True)
class RemoveSked(Command):
    """Removes a sked that the operator made. Raises InputError for one of the config, NotNowError
    for one that the agenda needs."""

    name: str

    def apply(self, session: Session, settings: Settings) -> Session:
        made = sked_named(session.skeds, self.name)
        if made is None:
            expected = _names(session.skeds) or "a sked that is not in the config; there are none"
            raise InputError("sked", self.name, expected)
        folded = made.name.casefold()
        if any(not one.outcome and one.sked.casefold() == folded for one in session.agenda):
            raise NotNowError(f"sked {made.name} is in the agenda; remove its entries first")
        others = tuple(sked for sked in session.skeds if sked is not made)
        return _left(session.model_copy(update={"skeds": others}), made.name)

    def __str__(self) -> str:
        return f"remove sked {self.name}"


def _left(session: Session, name: str) -> Session:
    """Returns a session in which the sked of this name is not the chosen one."""
    if session.sked.casefold() != name.casefold():
        return session
    return session.model_copy(update={"sked": ""})


@dataclass(frozen=True, slots=True)
class Undo(Command):
    """Undoes the last change of band, sked, partner or agreement. What it was before, only the
    tracker knows (see `tracking.undo`)."""

    def apply(self, session: Session, settings: Settings) -> Session:
        return session

    def __str__(self) -> str:
        return "undo"
