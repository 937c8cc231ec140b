"""What each second asks of the dials, from session, path and what the link says of the radio.

While nothing happens it is worked out ahead, for many seconds at once. Pure but for what it
keeps."""

from __future__ import annotations

import math

from moontrim.config.settings import Settings
from moontrim.path import Ephemeris
from moontrim.rig.view import LinkView
from moontrim.session.selection import Chosen, chosen
from moontrim.session.session import Session
from moontrim.state.snapshot import MoonView
from moontrim.tracking.prediction import Prediction
from moontrim.tuning.correction import OnAir
from moontrim.tuning.quietseconds import CALM_STEPS_PER_S, calm_seconds
from moontrim.tuning.steps import Plan, plan_stretch

AHEAD_S = 0.3  # a second is planned this long before it begins
FIRST_AHEAD, GROWTH, MOST_AHEAD = 30, 5, 300  # seconds; soon after a change, the next is likely


class Planning:
    """For one home. Methods raise CoverageError as `Prediction` does."""

    def __init__(self, settings: Settings, ephemeris: Ephemeris, session: Session) -> None:
        self._settings = settings
        self._prediction = Prediction(settings, ephemeris, session)
        self._chosen = chosen(session, settings)
        self._calm: dict[float, Plan] = {}
        self._calm_for: tuple[int, bool] = (0, False)
        self._calm_from_utc_s = self._calm_to_utc_s = 0.0
        self._ahead = FIRST_AHEAD

    def chosen(self, session: Session) -> Chosen:
        """What the session comes to."""
        if self._chosen.session is not session:
            self._chosen, self._calm_for = chosen(session, self._settings), (0, False)
        return self._chosen

    def plan(
        self,
        session: Session,
        link: LinkView,
        start_utc_s: float,
        end_utc_s: float,
        *,
        about_to_transmit: bool,
    ) -> Plan:
        """The steps of a stretch of time, at most a second."""
        now = self.chosen(session)
        transmitting = bool(link.rig and link.rig.transmitting)
        resolution_hz = max(now.band.dial_resolution_hz, link.dial_resolution_hz)
        if not (transmitting or about_to_transmit) and link.steps_per_s >= CALM_STEPS_PER_S:
            foreseen = self._foresee(now, start_utc_s, resolution_hz, link.split)
            if foreseen is not None and foreseen.end_utc_s == end_utc_s:
                return foreseen
        self._prediction.prepare(session, start_utc_s)
        over_s = 0.0 if transmitting else _ahead_s(now)
        return plan_stretch(
            now.band,
            now.tx_band,
            start_utc_s,
            end_utc_s,
            self._on_air(session, start_utc_s, over_s),
            self._on_air(session, end_utc_s, over_s),
            resolution_hz=resolution_hz,
            split=link.split,
            transmitting=transmitting,
            while_transmitting=now.band_settings.while_transmitting,
            steps_per_s=link.steps_per_s,
            about_to_transmit=about_to_transmit,
        )

    def ideal(self, session: Session, utc_s: float) -> OnAir:
        """What should be on the air at an instant."""
        return self._prediction.on_air(session, utc_s)

    def sked_hz_for_received(self, session: Session, received_hz: float, utc_s: float) -> float:
        """As in `Prediction`."""
        return self._prediction.sked_hz_for_received(session, received_hz, utc_s)

    def moon(self, utc_s: float) -> MoonView:
        """As in `Prediction`."""
        return self._prediction.moon(utc_s)

    def _on_air(self, session: Session, utc_s: float, over_s: float) -> OnAir:
        now = self._prediction.on_air(session, utc_s)
        if over_s == 0.0:
            return now
        return OnAir(now.rx_hz, self._prediction.on_air(session, utc_s + over_s).tx_hz)

    def _foresee(
        self, now: Chosen, start_utc_s: float, resolution_hz: int, split: bool
    ) -> Plan | None:
        """The plan of a second in which nothing happens; None for others."""
        if start_utc_s % 1.0:
            return None
        wanted = (resolution_hz, split)
        if wanted != self._calm_for:
            self._calm_for, self._calm, self._ahead = wanted, {}, FIRST_AHEAD
            self._calm_from_utc_s = self._calm_to_utc_s = start_utc_s
        if not self._calm_from_utc_s <= start_utc_s < self._calm_to_utc_s:
            self._prediction.prepare(now.session, start_utc_s)
            self._look_ahead(now, start_utc_s, resolution_hz, split)
        return self._calm.get(start_utc_s)

    def _look_ahead(self, now: Chosen, start_utc_s: float, resolution_hz: int, split: bool) -> None:
        over_utc_s, count = start_utc_s + _ahead_s(now), self._ahead + 1
        both = count + math.ceil(over_utc_s - start_utc_s)
        rx_hz = self._prediction.ahead(now.session, start_utc_s, both).rx_hz
        tx_hz = self._prediction.ahead(now.session, over_utc_s, count).tx_hz
        count = min(count, rx_hz.size, tx_hz.size)
        self._calm = {}  # or there would be twice as many in memory for a moment
        self._calm = calm_seconds(
            now.band,
            now.tx_band,
            start_utc_s,
            rx_hz[:count],
            tx_hz[:count],
            resolution_hz=resolution_hz,
            split=split,
            while_transmitting=now.band_settings.while_transmitting,
        )
        self._calm_from_utc_s = start_utc_s
        self._calm_to_utc_s = start_utc_s + max(1, count - 1)
        self._ahead = min(MOST_AHEAD, GROWTH * self._ahead)


def _ahead_s(now: Chosen) -> float:
    """For `mid_over`, while receiving, transmit as it will be half an over later, so that the dial
    is right for the middle of an over begun now."""
    band = now.band_settings
    return band.over_s / 2 if band.while_transmitting == "mid_over" else 0.0
