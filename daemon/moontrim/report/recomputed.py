"""The path recomputed for seconds spread over a session, and compared with what the daemon
recorded then. Pure.

The daemon takes its dials from a fit of the delay, made ahead of time, through straight lines of a
second each. Here each instant is solved exactly and by itself, from the choices in the journal; our
own echo from what the journal shows was sent, where it is known for the instant of departure. The
physics is the same (README says what that is checked against), but nothing else is: a stale fit, a
wrong second, a wrong partner or a forgotten trim shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from moontrim.errors import MoontrimError
from moontrim.forecast.sky.pathloss import path_loss_db
from moontrim.path import Ephemeris, LegName, PathSolution, solve_path
from moontrim.path.vectors import Array
from moontrim.report.recorded import Context, Recorded
from moontrim.tuning.band import Band
from moontrim.tuning.correction import AGREEMENTS, fractions_of, on_air

MOST_INSTANTS = 3600  # chosen: every tenth second of a whole pass, solved in a few seconds
CHUNK = 600  # instants solved at once, so that the arrays stay small


@dataclass(frozen=True)
class Recomputed:
    """The path at n instants; every array has shape (n,), NaN where it could not be solved.

    row: index of the second that an instant belongs to. ideal: the dials. rate: of the ideal on-air
    frequencies, 0 for one that does not move. spread_hz: limb to limb, loss_db: between isotropic
    antennas, both at the sked frequency. home_km, partner_km: distances of the Moon. problem: why
    something is missing, or empty."""

    row: np.ndarray
    utc_s: Array
    rx_ideal_hz: Array
    tx_ideal_hz: Array
    rx_rate_hz_per_s: Array
    tx_rate_hz_per_s: Array
    spread_hz: Array
    loss_db: Array
    home_km: Array
    partner_km: Array
    problem: str = ""


def recompute(
    ephemeris: Ephemeris, recorded: Recorded, most_instants: int = MOST_INSTANTS
) -> Recomputed:
    """Solves the path for every n-th second that is comparable, at most so many in all."""
    steady = np.flatnonzero(_steady(recorded))
    step = max(1, -(-steady.size // most_instants))
    row = steady[::step]
    utc_s = recorded.seconds.at_utc_s[row]
    columns = np.full((8, row.size), np.nan)
    problems = []
    for context_id in np.unique(recorded.seconds.context_id[row]):
        members = np.flatnonzero(recorded.seconds.context_id[row] == context_id)
        keyed = recorded.seconds.transmitting[row[members]] == 1.0
        try:
            context = recorded.contexts[int(context_id)]
            for at in range(0, members.size, CHUNK):
                part = members[at : at + CHUNK]
                columns[:, part] = _solve(
                    ephemeris, recorded, context, utc_s[part], keyed[at : at + CHUNK]
                )
        except KeyError as missing:
            problems.append(f"{missing} not in the journal")
        except MoontrimError as error:
            problems.append(str(error))
    problem = "; ".join(dict.fromkeys(problems))
    return Recomputed(row, utc_s, *columns, problem=problem)  # type: ignore[misc]


def _steady(recorded: Recorded) -> np.ndarray:
    """Returns which seconds, shape (n,), have neighbours with the same choices and the same
    transmit state. Around a change the journal does not tell for which of the two a dial was set.
    """
    s = recorded.seconds
    if s.utc_s.size == 1:
        return np.array([True])
    same = np.diff(s.context_id) == 0.0
    same &= np.nan_to_num(s.transmitting[1:]) == np.nan_to_num(s.transmitting[:-1])
    return np.asarray(np.r_[True, same] & np.r_[same, True])


def _solve(
    ephemeris: Ephemeris, recorded: Recorded, context: Context, utc_s: Array, keyed: np.ndarray
) -> Array:
    """Returns the columns of Recomputed, shape (8, n). Raises KeyError where the journal has not
    enough."""
    station = recorded.station
    if station.home is None:
        raise KeyError("home")
    if context.agreement not in AGREEMENTS:
        raise KeyError(f"agreement {context.agreement}")
    band = station.bands[context.band]
    home, partner = station.home, station.partner_named(context.partner)

    def solved(at_s: Array) -> PathSolution:
        return solve_path(ephemeris, home, partner, at_s, station.troposphere)

    path = solved(utc_s)
    rx_hz, tx_hz = _on_air(context, path)
    later_rx_hz, later_tx_hz = _on_air(context, path, ahead_s=1.0)
    sent_hz = tx_hz
    # With `mid_over`, while receiving, the transmit dial is set for the middle of the next over.
    lead_s = context.over_s / 2.0 if band.while_transmitting == "mid_over" else 0.0
    if lead_s:
        sent_hz = _on_air(context, solved(utc_s + np.where(keyed, 0.0, lead_s)))[1]
    if partner is None:
        echo = path.legs["partner_to_home"]
        left_s = utc_s - echo.delay_s
        would_be_hz = _on_air(context, solved(left_s + lead_s))[1]
        left_hz = sent_at(recorded, context, left_s, would_be_hz)
        rate_hz_per_s = np.where(
            left_hz == would_be_hz, later_rx_hz - rx_hz, left_hz * echo.fraction_rate_per_s
        )
        rx_hz = left_hz * (1.0 + echo.fraction) + context.rx_trim_hz
        later_rx_hz = rx_hz + rate_hz_per_s
    return np.array(
        [
            _dial(band.band(), rx_hz),
            _dial(band.tx_band(), sent_hz),
            later_rx_hz - rx_hz,
            later_tx_hz - tx_hz,
            path.legs["partner_to_home"].spread_fraction * context.sked_hz,
            path_loss_db(
                context.sked_hz, path.home_look.distance_km, path.partner_look.distance_km
            ),
            path.home_look.distance_km,
            path.partner_look.distance_km,
        ]
    )


def sent_at(recorded: Recorded, context: Context, left_s: Array, would_be_hz: Array) -> Array:
    """Returns what was on the air at instants, shape (n,), as the journal's rows before and after
    show: the transmit dial if the radio transmitted and held it, would_be_hz if it did not, NaN if
    the two differ or a dial was stepped meanwhile."""
    s, band = recorded.seconds, recorded.station.bands[context.band]
    after = np.clip(np.searchsorted(s.at_utc_s, left_s), 1, max(1, s.at_utc_s.size - 1))
    if s.at_utc_s.size < 2:
        return np.full(left_s.shape, np.nan)
    before = after - 1
    same = (s.context_id[before] == context.id) & (s.context_id[after] == context.id)
    same &= (s.at_utc_s[before] <= left_s) & (s.at_utc_s[after] - s.at_utc_s[before] < 1.5)
    # A radio with two dials that does not tell is taken for one that transmits.
    known = np.isfinite(s.transmitting)
    silent = known & (s.transmitting == 0.0)
    held = ~silent & np.isfinite(s.tx_dial_hz)
    dial_hz = s.tx_dial_hz
    steady = held[before] & held[after] & (dial_hz[before] == dial_hz[after])
    if band.while_transmitting == "step":
        steady = np.zeros_like(steady)
    sent_hz = np.where(steady, band.tx_band().on_air_hz(dial_hz[before]), np.nan)
    return np.asarray(
        np.where(same, np.where(silent[before] & silent[after], would_be_hz, sent_hz), np.nan)
    )


def _on_air(context: Context, path: PathSolution, ahead_s: float = 0.0) -> tuple[Array, Array]:
    """Returns the ideal on-air frequencies, received and transmitted, shape (n,) each. ahead_s: for
    so much later, at the present rate."""

    def fraction(leg: LegName) -> Array:
        return path.legs[leg].fraction + ahead_s * path.legs[leg].fraction_rate_per_s

    ideal = on_air(
        context.agreement,  # type: ignore[arg-type]
        context.sked_hz,
        fractions_of(fraction),
        context.rx_trim_hz,
        context.tx_trim_hz,
        context.tx_sked_hz,
        own_echo=context.partner == "self",
    )
    shape = path.legs["home_to_home"].fraction.shape
    return np.broadcast_to(ideal.rx_hz, shape), np.broadcast_to(ideal.tx_hz, shape)


def _dial(band: Band, on_air_hz: Array) -> Array:
    """Returns the dial for an on-air frequency, shape (n,)."""
    return np.asarray(band.dial_hz(on_air_hz))


@dataclass(frozen=True)
class Difference:
    """Recorded minus recomputed ideal dial, receive and transmit together. max_hz: its
    maximum size; at_utc_s: the second of that."""

    instants: int
    max_hz: float
    at_utc_s: int
    rms_hz: float


def difference(recorded: Recorded, again: Recomputed) -> Difference | None:
    """Returns the difference between recorded and recomputed dials; None if none was recomputed."""
    s = recorded.seconds
    off_hz = np.stack(
        [
            s.rx_ideal_hz[again.row] - again.rx_ideal_hz,
            s.tx_ideal_hz[again.row] - again.tx_ideal_hz,
        ]
    )
    known = np.isfinite(off_hz)
    if not known.any():
        return None
    _, worst = np.unravel_index(np.nanargmax(np.abs(off_hz)), off_hz.shape)
    return Difference(
        instants=int(known.any(axis=0).sum()),
        max_hz=float(np.nanmax(np.abs(off_hz))),
        at_utc_s=int(s.utc_s[again.row[worst]]),
        rms_hz=float(np.sqrt(np.nanmean(off_hz**2))),
    )
