"""The plan of each second: session and path give the ideal on-air frequencies at both ends of it,
and those give the steps of the dials in between.

    session, path --> ideal at the start --+
                                           +--> two straight ramps --> steps at the crossings
    session, path --> ideal at the end ----+

Every second is planned by itself, 0.3 s before it begins, from what holds at that moment. Our own
echo also depends on what was sent; its delay of 2.3 s or more means that all of it is in the past
even at the end of the second. Pure but for the session in force, of which it keeps the delay model
and the selection, and for what was sent."""

from __future__ import annotations

import math

from moontrim.errors import CoverageError
from moontrim.forecast.question import Horizon
from moontrim.formats import grouped
from moontrim.path import DelayModel, Ephemeris
from moontrim.rig.view import LinkView
from moontrim.session.current import CurrentSession
from moontrim.session.selection import Selection, selection_of
from moontrim.state.snapshot import MoonView
from moontrim.tracking.moonlimit import moon_too_low
from moontrim.tracking.sent import SentHistory
from moontrim.tuning.correction import Fractions, OnAir, fractions_of, on_air, sked_from_received
from moontrim.tuning.echo import Sent, echo_course, sent_course, sent_for_echo
from moontrim.tuning.steps import Plan, Ramp, plan_stretch

# Chosen: longer than a busy machine delays a task or a radio takes to be set, shorter than the
# time in which an operator expects a command to act.
AHEAD_S = 0.3  # a second is planned this long before it begins
# The largest Doppler of the whole path is 3.5e-6 of the frequency: 0.53 km/s on each leg.
LARGEST_DOPPLER = 1e-5


class Planning:
    """Plans for the session in force, with the delay model of its home and partner.

    Methods raise CoverageError for instants outside the tables; `plan` and `ideal` also for a
    frequency that cannot be, and `plan` while home is not known.

    sent: what the radio has transmitted; `observe` and `plan` add to it."""

    def __init__(self, current: CurrentSession, ephemeris: Ephemeris) -> None:
        self._current = current
        self._ephemeris = ephemeris
        self._settings = current.settings
        self.sent = SentHistory()
        equipment = current.settings.equipment
        self._horizon = Horizon(equipment.min_elevation_deg, equipment.horizon)
        self._selection = selection_of(current.session, current.settings)
        self._model = self._new_model()

    def selection(self) -> Selection:
        """Returns what the session in force selects from the settings. Every method begins with
        this, so that the delay model is always that of the present home and partner."""
        session, settings = self._current.session, self._current.settings
        before = self._selection.session, self._settings
        if session is not before[0] or settings is not before[1]:
            self._selection, self._settings = selection_of(session, settings), settings
            if session.band != before[0].band:
                self.sent.forget()
            if session.partner != before[0].partner or settings is not before[1]:
                self._model = self._new_model()
        return self._selection

    def plan(
        self, link: LinkView, start_utc_s: float, end_utc_s: float, *, about_to_transmit: bool
    ) -> Plan:
        """Returns the steps of a stretch of time, at most a second, for a radio in this state."""
        now = self.selection()
        if not self._settings.home_is_known:
            raise CoverageError("home is not known until the GPS receiver has a steady fix")
        self._model.prepare(start_utc_s)
        transmitting = bool(link.rig and link.rig.transmitting)
        later_s = 0.0 if transmitting else self._lead_s(now)
        plan = plan_stretch(
            now.band,
            now.tx_band,
            start_utc_s,
            end_utc_s,
            self._on_air(now, start_utc_s, later_s),
            self._on_air(now, end_utc_s, later_s),
            resolution_hz=max(now.band.dial_resolution_hz, link.dial_resolution_hz),
            split=link.split,
            transmitting=transmitting,
            while_transmitting=now.band_settings.while_transmitting,
            steps_per_s=link.steps_per_s,
            about_to_transmit=about_to_transmit,
            echo=self._echo(now, start_utc_s, end_utc_s) if now.own_echo else (),
        )
        self.sent.plan(plan)
        return plan

    def observe(self, utc_s: float, link: LinkView) -> None:
        """Takes note of what the radio transmits, if it does."""
        self.sent.observe(utc_s, link, self.selection().tx_band)

    def _echo(self, now: Selection, start_utc_s: float, end_utc_s: float) -> tuple[Ramp, ...]:
        """Returns where our own echo is on the air."""
        at_start, at_end = (
            self._model.leg("partner_to_home", at) for at in (start_utc_s, end_utc_s)
        )
        sent_s = (start_utc_s - at_start.delay_s, end_utc_s - at_start.delay_s)
        # What would have been sent while nothing was: `mid_over` keeps the dial ahead.
        first_hz, last_hz = (self._on_air(now, at + self._lead_s(now)).tx_hz for at in sent_s)
        rate_hz_per_s = (last_hz - first_hz) / (end_utc_s - start_utc_s)
        would_be = Ramp(sent_s[0], first_hz, rate_hz_per_s)
        # Sent so far away, it was not what is listened for: a dial that was turned under RF.
        near = [
            sent
            if sent.on_air_hz is None
            or abs(sent.on_air_hz - first_hz) <= LARGEST_DOPPLER * first_hz
            else Sent(sent.from_utc_s, None)
            for sent in self.sent.entries()
        ]
        return echo_course(
            sent_course(would_be, near, *sent_s),
            start_utc_s,
            end_utc_s,
            at_start.delay_s,
            (at_start.fraction, at_end.fraction),
            now.choices.rx_trim_hz,
        )

    @staticmethod
    def _lead_s(now: Selection) -> float:
        """Returns how far ahead of time the transmit dial is kept while receiving: `mid_over` sets
        it for the middle of an over begun now."""
        settings = now.band_settings
        return settings.over_s / 2 if settings.while_transmitting == "mid_over" else 0.0

    def ideal(self, utc_s: float) -> OnAir:
        """Returns what should be on the air at an instant, trims included."""
        return self._on_air(self.selection(), utc_s)

    def sked_hz_for_received(self, received_hz: float, utc_s: float) -> float:
        """Returns the sked frequency for which this would be the ideal receive frequency, of our
        own echo while nothing of what was sent before comes back."""
        now, agreement = self.selection(), self._selection.session.agreement
        if not now.own_echo:
            fractions, trim_hz = self._fractions(utc_s), now.choices.rx_trim_hz
            return sked_from_received(agreement, received_hz, fractions, trim_hz)
        echo = self._model.leg("partner_to_home", utc_s)
        sent_hz = sent_for_echo(received_hz, echo.fraction, now.choices.rx_trim_hz)
        fractions = self._fractions(utc_s - echo.delay_s + self._lead_s(now))
        tx_per_sked = on_air(agreement, 1.0, fractions).tx_hz
        tx_sked_hz = (sent_hz - now.choices.tx_trim_hz) / tx_per_sked
        return float(tx_sked_hz - now.band_settings.tx_shift_hz)

    def moon(self, utc_s: float) -> MoonView:
        """Returns where the Moon is, seen from home and from the partner, when this second began:
        all snapshots of a second show one direction (it moves by 0.004 degrees)."""
        own_echo = self.selection().partner_site is None
        moon = self._model.moon(math.floor(utc_s))
        far_deg = None if own_echo else moon.partner_elevation_deg
        return MoonView(moon.azimuth_deg, moon.elevation_deg, far_deg)

    def moon_too_low(self, utc_s: float) -> str:
        """Returns why nothing can be worked with the Moon where it is; empty if it can."""
        return moon_too_low(self.moon(utc_s), self._horizon)

    def _on_air(self, now: Selection, utc_s: float, tx_later_s: float = 0.0) -> OnAir:
        """The two ideal frequencies, that to transmit on as of tx_later_s after utc_s."""
        ideal = now.on_air(self._fractions(utc_s))
        if tx_later_s:
            ideal = OnAir(ideal.rx_hz, now.on_air(self._fractions(utc_s + tx_later_s)).tx_hz)
        rx_hz, tx_hz = now.uncorrected_hz
        # Not-a-number compares as False, so it is refused as well.
        if not (
            abs(ideal.rx_hz - rx_hz) <= LARGEST_DOPPLER * rx_hz
            and abs(ideal.tx_hz - tx_hz) <= LARGEST_DOPPLER * tx_hz
        ):
            raise CoverageError(
                f"the path asks for {grouped(ideal.rx_hz)} and {grouped(ideal.tx_hz)} Hz: not used"
            )
        return ideal

    def _fractions(self, utc_s: float) -> Fractions:
        return fractions_of(lambda leg: self._model.leg(leg, utc_s).fraction)

    def _new_model(self) -> DelayModel:
        home, partner = self._settings.home.site(), self._selection.partner_site
        return DelayModel(self._ephemeris, home, partner, self._settings.troposphere)
