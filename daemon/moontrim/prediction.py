"""What ought to be on the air at an instant, by session and path: the delay model of the present
partner, and the agreement applied to it."""

from __future__ import annotations

from moontrim.chosen import chosen
from moontrim.correction import Fractions, OnAir, on_air, sked_from_received
from moontrim.errors import CoverageError
from moontrim.path import DelayModel, Ephemeris
from moontrim.session import Session
from moontrim.settings import Settings
from moontrim.state import MoonView

# The fastest shift there is, of the whole path, is 3.5e-6 of the frequency: 0.53 km/s on each leg.
MOST_SHIFT = 1e-5
KEPT = 128  # instants; half an over later, every one of them is asked for again


class Prediction:
    """One delay model, made anew when the partner changes. Methods raise CoverageError for instants
    outside the tables, while home is not known, and for a frequency that cannot be."""

    def __init__(self, settings: Settings, ephemeris: Ephemeris, session: Session) -> None:
        self._settings = settings
        self._ephemeris = ephemeris
        self._partner = session.partner
        self._model = self._new_model(session)
        self._home_is_known = settings.home_is_known
        # The end of one second is the beginning of the next.
        self._chosen = chosen(session, settings)
        self._known: dict[float, OnAir] = {}

    def prepare(self, session: Session, utc_s: float) -> None:
        """Have a fit ready for this session from this instant on."""
        if not self._home_is_known:
            raise CoverageError("home is not known until the GPS receiver has a steady fix")
        if self._partner != session.partner:
            self._partner, self._model = session.partner, self._new_model(session)
        self._model.prepare(utc_s)

    def on_air(self, session: Session, utc_s: float) -> OnAir:
        """The two ideal frequencies, trims included."""
        if self._chosen.session is not session:
            self._chosen, self._known = chosen(session, self._settings), {}
        if (known := self._known.get(utc_s)) is not None:
            return known
        here, tx_sked_hz = self._chosen.here, self._chosen.tx_sked_hz
        found = on_air(
            session.agreement,
            here.sked_hz,
            self._fractions(session, utc_s),
            here.trim_rx_hz,
            here.trim_tx_hz,
            tx_sked_hz,
        )
        _check(found.rx_hz, here.sked_hz + here.trim_rx_hz)
        _check(found.tx_hz, tx_sked_hz + here.trim_tx_hz)
        while len(self._known) >= KEPT:
            del self._known[next(iter(self._known))]
        self._known[utc_s] = found
        return found

    def sked_hz_for_received(self, session: Session, received_hz: float, utc_s: float) -> float:
        """The sked frequency for which this would be the ideal receive frequency."""
        trim_hz = session.here(self._settings).trim_rx_hz
        fractions = self._fractions(session, utc_s)
        return sked_from_received(session.agreement, received_hz, fractions, trim_hz)

    def moon(self, session: Session, utc_s: float) -> MoonView:
        now = self._model.moon(utc_s)
        alone = session.partner_site(self._settings) is None
        return MoonView(
            now.azimuth_deg, now.elevation_deg, None if alone else now.partner_elevation_deg
        )

    def _fractions(self, session: Session, utc_s: float) -> Fractions:
        if session.agreement == "halves":  # the others' legs are not needed
            return Fractions(*self._model.fractions("to_moon", "from_moon", utc_s), 0.0, 0.0)
        if session.agreement == "partner":
            return Fractions(0.0, 0.0, 0.0, 0.0)
        whole = self._model.fractions("from_partner", "to_partner", utc_s)
        return Fractions(0.0, 0.0, *whole)

    def _new_model(self, session: Session) -> DelayModel:
        return DelayModel(
            self._ephemeris,
            self._settings.home.site(),
            session.partner_site(self._settings),
            self._settings.troposphere,
        )


def _check(on_air_hz: float, wanted_hz: float) -> None:
    """Also of what is no number."""
    if not abs(on_air_hz - wanted_hz) <= MOST_SHIFT * wanted_hz:
        raise CoverageError(f"the path makes {on_air_hz:g} Hz of {wanted_hz:.0f} Hz: not used")
