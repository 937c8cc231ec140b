"""What should be on the air by the exact path, not by the daemon's fit: solved every other minute
in chunks, with cubics through value and slope between them (off by less than 2e-4 Hz at 10 GHz, but
by up to a quarter of a hertz while the Moon passes a horizon, where the tropospheric part bends).
The Moon's elevation is interpolated linearly: it bends by less than 5e-7 deg/s^2, so this is off by
less than 1e-3 deg."""

from __future__ import annotations

import math
from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from moontrim.config.settings import Settings
from moontrim.path import Ephemeris, LegName, Site, moon_from, solve_path
from moontrim.session.session import Session
from moontrim.tuning.correction import Fractions, OnAir, on_air

CHUNK_S, SPACING_S = 7560.0, 120.0  # a chunk for a run of two hours and what is asked ahead
MOST_CHUNKS = 8
_LEGS: tuple[LegName, ...] = ("home_to_moon", "moon_to_home", "partner_to_home", "home_to_partner")
_Key = tuple[Site | None, int]
# Of each leg, of each knot: fraction, and its change over one spacing.
_Chunk = dict[LegName, list[tuple[float, float]]]


class ExactPath:
    """The exact path for one home. start_utc_s: where most requests begin. Methods raise
    CoverageError."""

    def __init__(self, ephemeris: Ephemeris, settings: Settings, start_utc_s: float) -> None:
        self._ephemeris = ephemeris
        self._start_utc_s = start_utc_s
        self._settings = settings
        self._chunks: OrderedDict[_Key, _Chunk] = OrderedDict()
        self._delays: dict[_Key, list[float]] = {}
        self._elevations: dict[int, list[float]] = {}

    def on_air(self, session: Session, utc_s: float) -> OnAir:
        """Returns both ideal frequencies, trims included."""
        choices = session.band_choices(self._settings)
        fractions = Fractions(*self._fractions(session, utc_s))
        return on_air(
            session.agreement,
            choices.sked_hz,
            fractions,
            choices.rx_trim_hz,
            choices.tx_trim_hz,
            session.tx_sked_hz(self._settings),
            own_echo=session.partner_site(self._settings) is None,
        )

    def echo_hz(
        self, session: Session, utc_s: float, sent_hz: float | None, lead_s: float
    ) -> float:
        """Returns where our own echo comes back. sent_hz: what left `delay_s` ago; None: nothing,
        so what would have, with the dial kept lead_s ahead."""
        if sent_hz is None:
            left_s = utc_s - self.delay_s(session, utc_s)
            sent_hz = float(self.on_air(session, left_s + lead_s).tx_hz)
        fraction = Fractions(*self._fractions(session, utc_s)).partner_to_home
        return float(sent_hz * (1.0 + fraction)) + session.band_choices(self._settings).rx_trim_hz

    def delay_s(self, session: Session, utc_s: float) -> float:
        """Returns how long ago what arrives was sent, to a microsecond."""
        number, knot, u = self._place(utc_s)
        key = (session.partner_site(self._settings), number)
        self._chunk(session, number)
        delays_s = self._delays[key]
        return float(delays_s[knot] + u * (delays_s[knot + 1] - delays_s[knot]))

    def elevation_deg(self, utc_s: float) -> float:
        """Returns the Moon's elevation at home."""
        number, knot, u = self._place(utc_s)
        known = self._elevations.get(number)
        if known is None:
            if len(self._elevations) > MOST_CHUNKS:
                self._elevations.clear()
            known = self._solve_elevations(self._knots_s(number)).tolist()
            self._elevations[number] = known
        return known[knot] + u * (known[knot + 1] - known[knot])

    def elevations_deg(self, start_utc_s: float, seconds: int) -> NDArray[np.float64]:
        """Returns the Moon's elevation at every second from an instant on, (N,)."""
        at_s = np.arange(0.0, seconds, 1.0)
        knots_s = np.arange(0.0, seconds + SPACING_S, SPACING_S)
        elevation_deg = self._solve_elevations(start_utc_s + knots_s)
        return np.asarray(np.interp(at_s, knots_s, elevation_deg))

    def _solve_elevations(self, utc_s: NDArray[np.float64]) -> NDArray[np.float64]:
        return moon_from(self._ephemeris, self._settings.home.site(), utc_s).elevation_deg

    def _fractions(self, session: Session, utc_s: float) -> list[float]:
        number, knot, u = self._place(utc_s)
        chunk = self._chunk(session, number)
        values = []
        for leg in _LEGS:
            (a, p), (b, q) = chunk[leg][knot], chunk[leg][knot + 1]
            bend = u * (3 * (b - a) - 2 * p - q + u * (2 * (a - b) + p + q))
            values.append(a + u * (p + bend))
        return values

    def _chunk(self, session: Session, number: int) -> _Chunk:
        site = session.partner_site(self._settings)
        key = (site, number)
        if key not in self._chunks:
            solved = solve_path(
                self._ephemeris,
                self._settings.home.site(),
                site,
                self._knots_s(number),
                self._settings.troposphere,
            ).legs
            self._chunks[key] = {
                leg: [
                    (float(value), float(slope) * SPACING_S)
                    for value, slope in zip(
                        solved[leg].fraction, solved[leg].fraction_rate_per_s, strict=True
                    )
                ]
                for leg in _LEGS
            }
            self._delays[key] = solved["partner_to_home"].delay_s.tolist()
            while len(self._chunks) > MOST_CHUNKS:
                del self._delays[self._chunks.popitem(last=False)[0]]
        return self._chunks[key]

    def _place(self, utc_s: float) -> tuple[int, int, float]:
        """Number of the chunk, of the knot before, and how far on to the next one."""
        number = math.floor((utc_s - self._start_utc_s) / CHUNK_S)
        since_s = utc_s - (self._start_utc_s + number * CHUNK_S)
        knot, u = divmod(since_s / SPACING_S, 1.0)
        return number, int(knot), u

    def _knots_s(self, number: int) -> NDArray[np.float64]:
        knots_s = np.arange(0.0, CHUNK_S + 2 * SPACING_S, SPACING_S)
        return self._start_utc_s + number * CHUNK_S + knots_s
