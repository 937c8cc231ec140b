"""The ideal on-air frequencies of a rehearsal, by the exact path. Pure.

With a partner they follow from the agreement. Our own echo comes from what the radio sent, as it is
in the record of its dials; while it sent nothing, from what it ideally would have sent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from moontrim.config.settings import Settings
from moontrim.path import Ephemeris, LegName, solve_path
from moontrim.path.vectors import Array
from moontrim.rehearsal.dialrecord import CATCH_UP_S, DialRecord
from moontrim.session.selection import selection_of
from moontrim.session.session import Session
from moontrim.tuning.correction import OnAir, fractions_of

# Chosen: solved exactly this often. Cubics through value and slope between are off by less than
# 1e-6 Hz at 24 GHz.
SPACING_S = 10.0
DELAY_S = 3.0  # longer than an echo takes
# Chosen: so long after a jump of the echo a radio may not have followed. That counts in the RMS,
# but the largest residual would be the size of the jump, however soon it follows.
FOLLOWS_S = 0.1


class IdealDials:
    """The ideal frequencies between two instants. record: of a radio whose echo may be judged."""

    def __init__(
        self,
        ephemeris: Ephemeris,
        settings: Settings,
        session: Session,
        record: DialRecord,
        start_utc_s: float,
        end_utc_s: float,
    ) -> None:
        self._selection = selection_of(session, settings)
        self._record = record
        band = self._selection.band_settings
        self._lead_s = band.over_s / 2 if band.while_transmitting == "mid_over" else 0.0
        self._knots_s = np.arange(
            start_utc_s - DELAY_S - 1.0, end_utc_s + band.over_s + SPACING_S + 1.0, SPACING_S
        )
        self._path = solve_path(
            ephemeris,
            settings.home.site(),
            self._selection.partner_site,
            self._knots_s,
            settings.troposphere,
        )

    def transmit(self, utc_s: Array) -> Array:
        """Returns the ideal frequencies to transmit on; for `mid_over` those of half an over later,
        at which the dial is kept while receiving."""
        return np.broadcast_to(np.asarray(self._on_air(utc_s + self._lead_s).tx_hz), utc_s.shape)

    def receive(self, utc_s: Array) -> Array:
        """Returns the ideal frequencies to receive on."""
        if not self._selection.own_echo or not self._record.utc_s:
            return np.broadcast_to(np.asarray(self._on_air(utc_s).rx_hz), utc_s.shape)
        left_s = self._left_s(utc_s)
        record, index = self._record, self._record.index(left_s)
        dial_hz = np.array(record.tx_hz if record.split else record.rx_hz, float)[index]
        sent_hz = np.where(
            self._was_keyed(left_s),
            self._selection.tx_band.on_air_hz(dial_hz),
            self.transmit(left_s),
        )
        fraction = self._fraction("partner_to_home", utc_s)
        return np.asarray(sent_hz * (1.0 + fraction) + self._selection.choices.rx_trim_hz)

    def echo_is_settled(self, utc_s: Array) -> NDArray[np.bool_]:
        """Returns at which instants what comes back is not of the first CATCH_UP_S after a press or
        release; everywhere without our own echo."""
        if not self._selection.own_echo or not self._record.utc_s:
            return np.ones(utc_s.shape, bool)
        left_s = self._left_s(utc_s)
        since_s = left_s - self._record.turns_utc_s()[self._record.index(left_s)]
        return np.asarray((since_s >= CATCH_UP_S) | (left_s < self._record.utc_s[0]))

    def echo_has_jumped(self, utc_s: Array) -> NDArray[np.bool_]:
        """Returns at which instants the echo has jumped within FOLLOWS_S, because the dial moved
        that transmits."""
        if not self._selection.own_echo or not self._record.utc_s:
            return np.zeros(utc_s.shape, bool)
        record, left_s = self._record, self._left_s(utc_s)
        dial_hz = np.array(record.tx_hz if record.split else record.rx_hz)
        moved_utc_s = np.array(record.utc_s)[1:][np.diff(dial_hz) != 0]
        if not moved_utc_s.size:
            return np.zeros(utc_s.shape, bool)
        # A step is taken early as well, by what a timer is off.
        last = np.searchsorted(moved_utc_s, left_s + FOLLOWS_S, side="right") - 1
        near = np.abs(left_s - moved_utc_s[np.maximum(last, 0)]) <= FOLLOWS_S
        return np.asarray(near & self._was_keyed(left_s))

    def _left_s(self, utc_s: Array) -> Array:
        """Returns when what arrives was sent. The delay is all but straight between two knots."""
        delay_s = self._path.legs["partner_to_home"].delay_s
        return np.asarray(utc_s - np.interp(utc_s, self._knots_s, delay_s))

    def _was_keyed(self, utc_s: Array) -> NDArray[np.bool_]:
        keyed = np.array(self._record.keyed)[self._record.index(utc_s)]
        return np.asarray(keyed & (utc_s >= self._record.utc_s[0]))

    def _on_air(self, utc_s: Array) -> OnAir:
        return self._selection.on_air(fractions_of(lambda leg: self._fraction(leg, utc_s)))

    def _fraction(self, leg: LegName, utc_s: Array) -> Array:
        """Returns the Doppler fractions of one leg, by Hermite's interpolation."""
        value = self._path.legs[leg].fraction
        slope = self._path.legs[leg].fraction_rate_per_s
        index = np.clip(
            ((utc_s - self._knots_s[0]) / SPACING_S).astype(int), 0, self._knots_s.size - 2
        )
        h = SPACING_S
        u = (utc_s - self._knots_s[index]) / h
        a, b = value[index], value[index + 1]
        p, q = slope[index] * h, slope[index + 1] * h
        return np.asarray(a + u * (p + u * (3 * (b - a) - 2 * p - q + u * (2 * (a - b) + p + q))))
