"""What ought to be on the air at an instant, by session and path: the delay model of the present
partner, and the agreement applied to it."""

from __future__ import annotations

import math
from typing import NoReturn

import numpy as np

from moontrim.chosen import chosen
from moontrim.correction import Fractions, Number, OnAir, on_air, sked_from_received
from moontrim.errors import CoverageError
from moontrim.path import DelayModel, Ephemeris
from moontrim.session import Session
from moontrim.settings import Settings
from moontrim.state import MoonView

# The fastest shift there is, of the whole path, is 3.5e-6 of the frequency: 0.53 km/s on each leg.
MOST_SHIFT = 1e-5
AHEAD = 300  # seconds solved at once: one by one would cost ten times as much
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
        known = self._known.get(utc_s)
        if known is not None:
            return known
        if len(self._known) > KEPT:
            self._known = {}
        # Whole seconds are asked for one after the other, and so is what was asked for a second ago
        # (half an over later); an instant at which something happened is not.
        if utc_s == math.floor(utc_s) or utc_s - 1.0 in self._known:
            self._look_ahead(session, utc_s)
        else:
            found, can_be = self._solve(session, utc_s, 1)
            self._known[utc_s] = found if can_be else _refuse(found)
        return self._known[utc_s]

    def _look_ahead(self, session: Session, utc_s: float) -> None:
        found, can_be = self._solve(session, utc_s, AHEAD)
        # What is not corrected comes as one number for all instants.
        rx_hz, tx_hz, can_be = np.broadcast_arrays(*np.atleast_1d(found.rx_hz, found.tx_hz, can_be))
        if not can_be[0]:
            _refuse(OnAir(rx_hz[0], tx_hz[0]))
        at_utc_s = (utc_s + np.arange(can_be.size))[can_be]
        solved = map(OnAir, rx_hz[can_be].tolist(), tx_hz[can_be].tolist())
        self._known.update(zip(at_utc_s.tolist(), solved, strict=True))

    def _solve(self, session: Session, utc_s: float, seconds: int) -> tuple[OnAir, Number]:
        """Both frequencies, and whether they can be: at one instant, or at the seconds from then on
        (N,)."""
        here, tx_sked_hz = self._chosen.here, self._chosen.tx_sked_hz
        found = on_air(
            session.agreement,
            here.sked_hz,
            self._fractions(session, utc_s, seconds),
            here.trim_rx_hz,
            here.trim_tx_hz,
            tx_sked_hz,
        )
        rx_can_be = _can_be(found.rx_hz, here.sked_hz + here.trim_rx_hz)
        return found, rx_can_be & _can_be(found.tx_hz, tx_sked_hz + here.trim_tx_hz)

    def sked_hz_for_received(self, session: Session, received_hz: float, utc_s: float) -> float:
        """The sked frequency for which this would be the ideal receive frequency."""
        trim_hz = session.here(self._settings).trim_rx_hz
        fractions = self._fractions(session, utc_s, 1)
        return sked_from_received(session.agreement, received_hz, fractions, trim_hz)

    def moon(self, utc_s: float) -> MoonView:
        azimuth_deg, elevation_deg, partner_elevation_deg = self._model.moon(utc_s)
        return MoonView(azimuth_deg, elevation_deg, None if self._alone else partner_elevation_deg)

    def _fractions(self, session: Session, utc_s: float, seconds: int) -> Fractions:
        """As `DelayModel.fractions`; only what the agreement needs."""
        if session.agreement == "halves":
            up, down = self._model.fractions("to_moon", "from_moon", utc_s, seconds)
            return Fractions(up, down, 0.0, 0.0)
        if session.agreement == "partner":
            return Fractions(0.0, 0.0, 0.0, 0.0)
        received, sent = self._model.fractions("from_partner", "to_partner", utc_s, seconds)
        return Fractions(0.0, 0.0, received, sent)

    def _new_model(self, session: Session) -> DelayModel:
        home, partner = self._settings.home.site(), session.partner_site(self._settings)
        self._alone = partner is None
        return DelayModel(self._ephemeris, home, partner, self._settings.troposphere)


def _can_be(on_air_hz: Number, wanted_hz: float) -> Number:
    """Written so that not-a-number cannot."""
    return abs(on_air_hz - wanted_hz) <= MOST_SHIFT * wanted_hz


def _refuse(found: OnAir) -> NoReturn:
    raise CoverageError(f"the path asks for {found.rx_hz:g} and {found.tx_hz:g} Hz: not used")
