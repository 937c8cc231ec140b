"""The operator's choices as a value. Pure: a session in, a session out.

A session outlives the process (see `sessionfile`), so it holds choices only, never measurements.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from moontrim.config.band import BandSettings
from moontrim.config.partner import SELF, PartnerSettings
from moontrim.config.settings import Settings
from moontrim.config.sked import Sked
from moontrim.errors import InputError
from moontrim.formats import grouped, invalid_hz, signed_short
from moontrim.path.site import Site
from moontrim.session.agenda import AgendaEntry
from moontrim.tuning.correction import ECHO_AGREEMENTS, EXPECTED_FOR_ECHO, Agreement

# Chosen: no band allows more, see `BandSettings.trim_limit_hz`; bounds what is read from a file.
TRIM_LIMIT_HZ = 100_000.0
LARGE_TRIM_HZ = 1000.0  # chosen: a larger one is more often a slip than meant
Trim = Annotated[float, Field(ge=-TRIM_LIMIT_HZ, le=TRIM_LIMIT_HZ, allow_inf_nan=False)]


class BandSession(BaseModel):
    """The choices for one band. tx_shift_hz, over_s: of a chosen sked; None: as the config has
    them."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sked_hz: Annotated[float, Field(gt=0, lt=1e12, allow_inf_nan=False)]
    rx_trim_hz: Trim = 0.0
    tx_trim_hz: Trim = 0.0
    tx_shift_hz: Annotated[float, Field(gt=-1e12, lt=1e12, allow_inf_nan=False)] | None = None
    over_s: Annotated[float, Field(gt=0, le=600, allow_inf_nan=False)] | None = None


class Session(BaseModel):
    """All choices of the operator.

    partner: None: the config's partner; else `self`, the name of one of [[partners]], a locator or
    `lat,lon,height_m`. correcting: False: the dials are left alone. tx_allowed: False: a radio that
    transmits is unkeyed. front_end: the one that the operator has confirmed to be connected, by
    allowing transmit; None: none since. bands: the choices of the bands that differ from the
    config's. sked: name of the chosen sked; empty once band, frequency, partner or agreement were
    changed. skeds: those that the operator made. agenda: in no order. followed: id of
    its entry that was followed last, which is not followed again."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    band: str
    agreement: Agreement
    partner: str | None = None
    correcting: bool = True
    tx_allowed: bool = True
    front_end: str | None = None
    bands: dict[str, BandSession] = Field(default_factory=dict)
    sked: str = ""
    skeds: tuple[Sked, ...] = ()
    agenda: tuple[AgendaEntry, ...] = ()
    followed: Annotated[str, Field(max_length=16)] = ""

    def on_band(self, name: str, settings: Settings) -> Session:
        """Returns a copy on another band. Where that has another front end, the permission is
        withdrawn, also on the way back: nobody knows what is connected until it is confirmed.
        Raises InputError for an unknown band."""
        moved = self.model_copy(update={"band": settings.band(name).name})
        same = moved.present_front_end(settings) == self.present_front_end(settings)
        return moved if same else moved.unconfirmed(settings)

    def present_front_end(self, settings: Settings) -> str:
        """Returns the front end of the present band."""
        return settings.band(self.band).front_end_name

    def front_end_confirmed(self, settings: Settings) -> bool:
        """Returns whether the operator has confirmed that the present band's front end is the one
        connected. Without that the radio is neither keyed nor its power set."""
        return self.front_end == self.present_front_end(settings)

    def unconfirmed(self, settings: Settings) -> Session:
        """Returns a copy without the permission to transmit, and with no front end confirmed
        unless there is only one."""
        front_end = self.front_end if self.front_end == settings.only_front_end else None
        return self.model_copy(update={"tx_allowed": False, "front_end": front_end})

    def as_begun(self, settings: Settings) -> Session:
        """Returns what a start takes over from a saved session: no permission for a front end
        that is not the present band's, as after a change of the config."""
        front_end = self.front_end or settings.only_front_end
        begun = self.model_copy(update={"front_end": front_end})
        return begun if begun.front_end_confirmed(settings) else begun.unconfirmed(settings)

    def band_choices(self, settings: Settings) -> BandSession:
        """Returns the choices for the present band; the config's where none have been made."""
        return self.bands.get(self.band) or BandSession(sked_hz=settings.band(self.band).sked_hz)

    def trim_warnings(self, settings: Settings) -> tuple[str, ...]:
        """Returns a warning for each trim of the present band that is unusually large."""
        choices = self.band_choices(settings)
        trims = (("receive", choices.rx_trim_hz), ("transmit", choices.tx_trim_hz))
        return tuple(
            f"{name} trim {signed_short(hz)} Hz is above {grouped(LARGE_TRIM_HZ)} Hz"
            for name, hz in trims
            if abs(hz) > LARGE_TRIM_HZ
        )

    def band_settings(self, settings: Settings) -> BandSettings:
        """Returns the settings of the present band, with what the chosen sked overrides."""
        band, choices = settings.band(self.band), self.band_choices(settings)
        changes: dict[str, float | int] = {}
        if choices.tx_shift_hz is not None:
            changes["tx_sked_hz"] = band.sked_hz + round(choices.tx_shift_hz)
        if choices.over_s is not None:
            changes["over_s"] = choices.over_s
        return band.model_copy(update=changes) if changes else band

    def partner_site(self, settings: Settings) -> Site | None:
        """Returns the partner's place; None for our own echo. Raises InputError."""
        place = settings.partner_place(self.partner)
        return None if place is None else place.site()

    def check_agreement(self, settings: Settings) -> None:
        """Raises InputError for an agreement that needs a partner where there is none."""
        if self.partner_site(settings) is None and self.agreement not in ECHO_AGREEMENTS:
            raise InputError("agreement", self.agreement, EXPECTED_FOR_ECHO)

    def partner_text(self, settings: Settings) -> str:
        """Returns the partner as in `partner`: by its name if it has one."""
        place = settings.partner_place(self.partner)
        if isinstance(place, PartnerSettings):
            return place.name
        return place_text(None if place is None else place.site())

    def tx_sked_hz(self, settings: Settings) -> float:
        """Returns the transmit frequency before any correction: the sked frequency, unless
        split-segment working."""
        return self.band_choices(settings).sked_hz + self.band_settings(settings).tx_shift_hz

    def differs(self, other: Session, *, but: set[str]) -> bool:
        """Returns whether two sessions differ in any field besides those named."""
        return self.model_dump(exclude=but) != other.model_dump(exclude=but)

    def retuned_from(self, before: Session, settings: Settings) -> bool:
        """Returns whether band, sked, partner or agreement differ: what both sides of a contact
        have agreed on, as opposed to trims."""
        return self._agreed(settings) != before._agreed(settings)

    def _agreed(self, settings: Settings) -> tuple[object, ...]:
        sked_hz, tx_hz = self.band_choices(settings).sked_hz, self.tx_sked_hz(settings)
        return self.band, sked_hz, tx_hz, self.agreement, self.partner_text(settings)

    def with_band_choices(self, settings: Settings, **changes: float | None) -> Session:
        """Returns a copy with changed choices for the present band. Raises InputError for a sked
        frequency at which transmitting is not allowed and for a trim beyond the band's limit."""
        choices = self.band_choices(settings).model_copy(update=changes)
        band = self._with(choices).band_settings(settings)
        lowest_hz = band.tx_low_hz - band.tx_shift_hz
        highest_hz = band.tx_high_hz - band.tx_shift_hz
        if not lowest_hz <= choices.sked_hz <= highest_hz:
            allowed = f"{grouped(lowest_hz)} to {grouped(highest_hz)} Hz on {band.name}"
            raise invalid_hz("sked_hz", choices.sked_hz, allowed)
        if (dial_hz := band.band().dial_hz(choices.sked_hz)) <= 0:
            allowed = f"a frequency with a dial above 0 Hz, not {grouped(dial_hz)} Hz"
            raise invalid_hz("sked_hz", choices.sked_hz, allowed)
        for key in ("rx_trim_hz", "tx_trim_hz"):
            trim_hz = getattr(choices, key)
            limit_hz = band.largest_trim_hz
            if key in changes and not abs(trim_hz) <= limit_hz:
                allowed = f"{grouped(-limit_hz)} to {grouped(limit_hz)} Hz on {band.name}"
                raise invalid_hz(key, trim_hz, allowed)
        return self._with(choices)

    def _with(self, choices: BandSession) -> Session:
        return self.model_copy(update={"bands": {**self.bands, self.band: choices}})


def place_text(site: Site | None) -> str:
    """Returns a place as a partner is written: `self` for None, a locator or `lat,lon,height_m`."""
    if site is None:
        return SELF
    return site.locator or f"{site.latitude_deg:.5f},{site.longitude_deg:.5f},{site.height_m:.0f}"


def first_session(settings: Settings) -> Session:
    """Returns the session of a start with nothing saved. With several front ends nobody has
    confirmed one yet, so transmitting is not permitted."""
    return Session(
        band=settings.defaults.band or settings.bands[0].name, agreement=settings.defaults.agreement
    ).as_begun(settings)
