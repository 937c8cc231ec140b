"""What ought to be on the air at an instant, by session and path: the delay model of the present
partner, and the agreement applied to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from moontrim.chosen import chosen
from moontrim.correction import Fractions, OnAir, on_air, sked_from_received
from moontrim.errors import CoverageError
from moontrim.path import DelayModel, Ephemeris
from moontrim.path.vectors import Array
from moontrim.session import Session
from moontrim.settings import Settings
from moontrim.state import MoonView

# The fastest shift there is, of the whole path, is 3.5e-6 of the frequency: 0.53 km/s on each leg.
MOST_SHIFT = 1e-5
AHEAD = 120  # seconds solved at once: one by one would cost ten times as much
KEPT = 4 * AHEAD  # instants; half an over later, every one of them is asked for again


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
            self._partner = session.partner
            self._model = self._new_model(session)
        self._model.prepare(utc_s)

    def on_air(self, session: Session, utc_s: float) -> OnAir:
        """The two ideal frequencies, trims included."""
        if self._chosen.session is not session:
            self._chosen, self._known = chosen(session, self._settings), {}
        return self._known.get(utc_s) or self._look_ahead(session, utc_s)

    def _look_ahead(self, session: Session, utc_s: float) -> OnAir:
        """Solve this instant and the seconds after it, each of which will be asked for."""
        here, tx_sked_hz = self._chosen.here, self._chosen.tx_sked_hz
        fractions = self._fractions(session, utc_s, AHEAD)
        found = on_air(
            session.agreement,
            here.sked_hz,
            fractions,
            here.trim_rx_hz,
            here.trim_tx_hz,
            tx_sked_hz,
        )
        # A frequency that is not corrected comes as one number for all instants.
        rx_hz, tx_hz, *_ = np.broadcast_arrays(found.rx_hz, found.tx_hz, *fractions)
        good = _can_be(rx_hz, here.sked_hz + here.trim_rx_hz) & _can_be(
            tx_hz, tx_sked_hz + here.trim_tx_hz
        )
        if not good[0]:
            raise CoverageError(
                f"the path makes {rx_hz[0]:g} and {tx_hz[0]:g} Hz of "
                f"{here.sked_hz:.0f} Hz: not used"
            )
        if len(self._known) > KEPT:
            self._known = {}
        at_utc_s = (utc_s + np.arange(good.size))[good]
        solved = map(OnAir, rx_hz[good].tolist(), tx_hz[good].tolist())
        self._known.update(zip(at_utc_s.tolist(), solved, strict=True))
        return self._known[utc_s]

    def sked_hz_for_received(self, session: Session, received_hz: float, utc_s: float) -> float:
        """The sked frequency for which this would be the ideal receive frequency."""
        trim_hz = session.here(self._settings).trim_rx_hz
        fractions = self._fractions(session, utc_s, 1)
        sked_hz = sked_from_received(session.agreement, received_hz, fractions, trim_hz)
        return float(np.ravel(sked_hz)[0])

    def moon(self, utc_s: float) -> MoonView:
        azimuth_deg, elevation_deg, partner_elevation_deg = self._model.moon(utc_s)
        return MoonView(azimuth_deg, elevation_deg, None if self._alone else partner_elevation_deg)

    def _fractions(self, session: Session, utc_s: float, seconds: int) -> Fractions:
        """At this instant and the seconds after it, (N,) each; only what the agreement needs."""
        if session.agreement == "halves":
            up, down = self._model.fractions("to_moon", "from_moon", utc_s, seconds)
            return Fractions(up, down, 0.0, 0.0)
        if session.agreement == "partner":
            return Fractions(*np.zeros((4, seconds)))
        received, sent = self._model.fractions("from_partner", "to_partner", utc_s, seconds)
        return Fractions(0.0, 0.0, received, sent)

    def _new_model(self, session: Session) -> DelayModel:
        home, partner = self._settings.home.site(), session.partner_site(self._settings)
        self._alone = partner is None
        return DelayModel(self._ephemeris, home, partner, self._settings.troposphere)


def _can_be(on_air_hz: Array, wanted_hz: float) -> NDArray[np.bool_]:
    """Written so that not-a-number cannot."""
    return np.asarray(np.abs(on_air_hz - wanted_hz) <= MOST_SHIFT * wanted_hz)
