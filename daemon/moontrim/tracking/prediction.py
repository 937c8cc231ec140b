"""What ought to be on the air at an instant, by session and path: the delay model of the present
partner, and the agreement applied to it."""

from __future__ import annotations

import math
from itertools import repeat
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from moontrim.config.settings import Settings
from moontrim.errors import CoverageError
from moontrim.path import DelayModel, Ephemeris
from moontrim.path.vectors import Number
from moontrim.session.selection import chosen
from moontrim.session.session import Session
from moontrim.state.snapshot import MoonView
from moontrim.tuning.columns import rows
from moontrim.tuning.correction import Fractions, OnAir, sked_from_received

# The fastest shift there is, of the whole path, is 3.5e-6 of the frequency: 0.53 km/s on each leg.
MOST_SHIFT = 1e-5
AHEAD = 60  # seconds solved at once: one by one would cost two to five times as much
MOON_AHEAD = 300
BLOCKS_KEPT = 4  # of seconds: now, half an over later, and those before them


class Seconds(NamedTuple):
    """Both ideal frequencies at first_utc_s and at every second after it (N,), and whether they can
    be."""

    first_utc_s: float
    rx_hz: NDArray[np.float64]
    tx_hz: NDArray[np.float64]
    can_be: NDArray[np.bool_]

    def place(self, utc_s: float) -> int:
        """Which of them this is."""
        return int(utc_s - self.first_utc_s)


class Prediction:
    """One delay model, made anew when the partner changes. Methods raise CoverageError for instants
    outside the tables, while home is not known, and for a frequency that cannot be."""

    def __init__(self, settings: Settings, ephemeris: Ephemeris, session: Session) -> None:
        self._settings = settings
        self._ephemeris = ephemeris
        self._partner = session.partner
        self._model = self._new_model(session)
        self._home_is_known = settings.home_is_known
        self._chosen = chosen(session, settings)
        self._solved: list[Seconds] = []
        self._moons: dict[int, MoonView] = {}

    def prepare(self, session: Session, utc_s: float) -> None:
        """Have a fit ready for this session from this instant on."""
        if not self._home_is_known:
            raise CoverageError("home is not known until the GPS receiver has a steady fix")
        self._turn_to(session)
        self._model.prepare(utc_s)

    def on_air(self, session: Session, utc_s: float) -> OnAir:
        """The two ideal frequencies, trims included. Whole seconds are asked for one after the
        other, and are solved ahead; an instant at which something happened is not."""
        solved = self._known(session, utc_s, 1)
        if solved is None and utc_s % 1.0 == 0.0:
            solved = self._seconds(session, utc_s, AHEAD)
        if solved is None:
            found = self._chosen.on_air(self._fractions(session, utc_s, 1))
            can_be = self._can_be(found)
        else:
            k = solved.place(utc_s)
            found = OnAir(solved.rx_hz.item(k), solved.tx_hz.item(k))
            can_be = solved.can_be[k]
        if not can_be:
            raise CoverageError(
                f"the path asks for {found.rx_hz:g} and {found.tx_hz:g} Hz: not used"
            )
        return found

    def ahead(self, session: Session, utc_s: float, count: int) -> OnAir:
        """Both at utc_s and at every second after it (N,), at most count and none beyond the hour
        or the tables; not-a-number where they cannot be. Kept for `on_air`."""
        solved = self._seconds(session, utc_s, count)
        k = solved.place(utc_s)
        both_hz = (solved.rx_hz, solved.tx_hz)
        return OnAir(*(np.where(solved.can_be, hz, np.nan)[k : k + count] for hz in both_hz))

    def _seconds(self, session: Session, utc_s: float, count: int) -> Seconds:
        solved = self._known(session, utc_s, count)
        if solved is None:
            solved = self._look_ahead(session, utc_s, count)
            self._solved = [solved, *self._solved[: BLOCKS_KEPT - 1]]
        return solved

    def _turn_to(self, session: Session) -> None:
        """All that is kept is for one session; every method that is given one begins here."""
        if self._chosen.session is session:
            return
        self._chosen, self._solved = chosen(session, self._settings), []
        if self._partner != session.partner:
            self._partner = session.partner
            self._model, self._moons = self._new_model(session), {}

    def _known(self, session: Session, utc_s: float, count: int) -> Seconds | None:
        self._turn_to(session)
        for solved in self._solved:
            since_s = utc_s - solved.first_utc_s
            if 0.0 <= since_s <= solved.can_be.size - count and since_s % 1.0 == 0.0:
                return solved
        return None

    def _look_ahead(self, session: Session, utc_s: float, count: int) -> Seconds:
        fractions = self._fractions(session, utc_s, count)
        # What is not corrected comes as one number for all instants.
        found = self._chosen.on_air(fractions)
        rx_hz, tx_hz, *_ = np.broadcast_arrays(*np.atleast_1d(*found, *fractions))
        return Seconds(utc_s, rx_hz, tx_hz, self._can_be(OnAir(rx_hz, tx_hz)))

    def _can_be(self, found: OnAir) -> Number:
        """Written so that not-a-number cannot."""
        here, tx_sked_hz = self._chosen.here, self._chosen.tx_sked_hz
        rx_hz, tx_hz = here.sked_hz + here.trim_rx_hz, tx_sked_hz + here.trim_tx_hz
        rx_can_be = abs(found.rx_hz - rx_hz) <= MOST_SHIFT * rx_hz
        return rx_can_be & (abs(found.tx_hz - tx_hz) <= MOST_SHIFT * tx_hz)

    def sked_hz_for_received(self, session: Session, received_hz: float, utc_s: float) -> float:
        """The sked frequency for which this would be the ideal receive frequency."""
        self._turn_to(session)
        trim_hz = self._chosen.here.trim_rx_hz
        fractions = self._fractions(session, utc_s, 1)
        return sked_from_received(session.agreement, received_hz, fractions, trim_hz)

    def moon(self, utc_s: float) -> MoonView:
        """As it was when the second began: it moves by 0.004 degrees in one."""
        second = math.floor(utc_s)
        if second not in self._moons:
            self._moons = {}
            seen = self._model.moon(second, MOON_AHEAD)
            far_deg = repeat(None) if self._alone else seen.partner_elevation_deg.tolist()
            views = rows(MoonView, seen.azimuth_deg.tolist(), seen.elevation_deg.tolist(), far_deg)
            self._moons = dict(enumerate(views, second))
        return self._moons[second]

    def _fractions(self, session: Session, utc_s: float, seconds: int) -> Fractions:
        """As `DelayModel.fractions`; only what the agreement needs."""
        if session.agreement == "halves":
            up, down = self._model.fractions("to_moon", "from_moon", utc_s, seconds)
            return Fractions(up, down, 0.0, 0.0)
        if session.agreement == "partner":
            return Fractions(0.0, 0.0, np.zeros(seconds), 0.0)
        received, sent = self._model.fractions("from_partner", "to_partner", utc_s, seconds)
        return Fractions(0.0, 0.0, received, sent)

    def _new_model(self, session: Session) -> DelayModel:
        home, partner = self._settings.home.site(), session.partner_site(self._settings)
        self._alone = partner is None
        return DelayModel(self._ephemeris, home, partner, self._settings.troposphere)
