"""What a session selects from the settings. Pure. Looked up once per session, because it is
needed several times a second and changes a few times a night."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.band import BandSettings
from moontrim.config.settings import Settings
from moontrim.config.sked import Sked, sked_problem
from moontrim.path.site import Site
from moontrim.session.session import BandSession, Session, place_text
from moontrim.session.skeds import all_skeds
from moontrim.tuning.band import Band
from moontrim.tuning.correction import Fractions, OnAir, on_air


@dataclass(frozen=True, slots=True)
class Selection:
    """A session together with the settings of its band.

    band, tx_band: the conversions of the two dials. choices: of the session for the band.
    tx_sked_hz: the transmit frequency before any correction. partner_site: None for our own echo.
    partner: the same as text, by name if it has one; partner_place: always its place, empty for our
    own echo. skeds: all of them. made: names of those that the operator made. sked_problems: by
    name, why one cannot be chosen."""

    session: Session
    band_settings: BandSettings
    band: Band
    tx_band: Band
    choices: BandSession
    tx_sked_hz: float
    partner_site: Site | None
    partner: str
    partner_place: str
    skeds: tuple[Sked, ...]
    made: frozenset[str]
    sked_problems: tuple[tuple[str, str], ...]

    def on_air(self, fractions: Fractions) -> OnAir:
        """Returns both ideal on-air frequencies, trims included, for the path at an instant or at
        many."""
        choices = self.choices
        return on_air(
            self.session.agreement,
            choices.sked_hz,
            fractions,
            choices.rx_trim_hz,
            choices.tx_trim_hz,
            self.tx_sked_hz,
            own_echo=self.own_echo,
        )

    @property
    def own_echo(self) -> bool:
        """Whether there is no partner: we listen to our own echo."""
        return self.partner_site is None

    @property
    def uncorrected_hz(self) -> tuple[float, float]:
        """The frequencies to receive and to transmit on if there were no Doppler: the sked
        frequency plus the trim; of our own echo, what we transmit plus the trim of the receiver.
        The correction counts from them."""
        choices = self.choices
        tx_hz = self.tx_sked_hz + choices.tx_trim_hz
        return (tx_hz if self.own_echo else choices.sked_hz) + choices.rx_trim_hz, tx_hz


def selection_of(session: Session, settings: Settings) -> Selection:
    """Returns what the session selects from the settings. Raises InputError."""
    band_settings = session.band_settings(settings)
    site = session.partner_site(settings)
    skeds = all_skeds(session, settings)
    made = skeds[len(settings.skeds) :]
    problems = ((sked.name, sked_problem(sked, settings.bands, settings.partners)) for sked in made)
    return Selection(
        session=session,
        band_settings=band_settings,
        band=band_settings.band(),
        tx_band=band_settings.tx_band(),
        choices=session.band_choices(settings),
        tx_sked_hz=session.tx_sked_hz(settings),
        partner_site=site,
        partner=session.partner_text(settings),
        partner_place="" if site is None else place_text(site),
        skeds=skeds,
        made=frozenset(sked.name for sked in made),
        sked_problems=tuple((name, str(error)) for name, error in problems if error is not None),
    )
