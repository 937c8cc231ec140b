"""What a session comes to under the settings: looked up once for each session, as it is needed
several times a second and changes a few times a night. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from moontrim.config.band import BandSettings
from moontrim.config.settings import Settings
from moontrim.path.site import Site
from moontrim.session.session import BandSession, Session
from moontrim.tuning.band import Band
from moontrim.tuning.correction import Fractions, OnAir, on_air


@dataclass(frozen=True, slots=True)
class Chosen:
    """band_settings: of the present band. band, tx_band: conversions of its two dials. here: the
    choices for it. tx_sked_hz: where we transmit before any correction. partner_site: None for our
    own echo. partner: the same as text."""

    session: Session
    band_settings: BandSettings
    band: Band
    tx_band: Band
    here: BandSession
    tx_sked_hz: float
    partner_site: Site | None
    partner: str

    def on_air(self, fractions: Fractions) -> OnAir:
        """Both ideal frequencies, trims included, for the path at an instant or at many."""
        here = self.here
        return on_air(
            self.session.agreement,
            here.sked_hz,
            fractions,
            here.trim_rx_hz,
            here.trim_tx_hz,
            self.tx_sked_hz,
        )


def chosen(session: Session, settings: Settings) -> Chosen:
    """Look it all up."""
    band_settings = settings.band(session.band)
    return Chosen(
        session=session,
        band_settings=band_settings,
        band=band_settings.band(),
        tx_band=band_settings.tx_band(),
        here=session.here(settings),
        tx_sked_hz=session.tx_sked_hz(settings),
        partner_site=session.partner_site(settings),
        partner=session.partner_text(settings),
    )
