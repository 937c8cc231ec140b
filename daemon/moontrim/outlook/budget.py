"""The error budget of a running session, with the uncertainties that the config states."""

from __future__ import annotations

from moontrim.config.settings import Settings
from moontrim.errorbudget.budget import Budget, error_budget
from moontrim.errorbudget.uncertainties import PlaceUncertainty, Uncertainties
from moontrim.path import Ephemeris
from moontrim.session.session import Session


def uncertainties_of(
    settings: Settings,
    session: Session,
    clock_bound_s: float | None,
    *,
    dial_resolution_hz: float = 0.0,
    steps_per_s: float | None = None,
) -> Uncertainties:
    """Returns the uncertainties on the session's band, with its partner. Arguments as for
    `budget_now`."""
    band = session.band_settings(settings)
    place = settings.partner_place(session.partner)
    partner = PlaceUncertainty() if place is None else place.uncertainty()
    limits = [limit for limit in (steps_per_s, settings.radio.max_steps_per_s) if limit is not None]
    transverter_hz = band.dial_uncertainty_hz
    if transverter_hz is None and not (
        band.goes_through_transverter or band.transverter_offset_hz or band.dial_error_hz
    ):
        transverter_hz = 0.0
    stepping = band.while_transmitting == "step"
    return Uncertainties(
        home=settings.home.uncertainty(),
        partner=partner,
        clock_s=clock_bound_s,
        reference_ppb=band.reference_uncertainty_ppb,
        transverter_hz=transverter_hz,
        two_oscillators=band.tx_transverter_offset_hz is not None,
        dial_resolution_hz=max(float(band.dial_resolution_hz), dial_resolution_hz),
        step_interval_s=1.0 / min(limits) if limits else 0.0,
        over_s=0.0 if stepping else band.over_s,
        over_centred=band.while_transmitting == "mid_over",
    )


def budget_now(
    settings: Settings,
    session: Session,
    ephemeris: Ephemeris,
    utc_s: float,
    clock_bound_s: float | None,
    *,
    dial_resolution_hz: float = 0.0,
    steps_per_s: float | None = None,
) -> tuple[Budget, Budget]:
    """Returns the budgets of the receive and the transmit dial at POSIX seconds utc_s; this takes
    some 20 ms.

    clock_bound_s: the largest distance of the clock from UTC; None: not known. dial_resolution_hz,
    steps_per_s: limits of the radio, where they are coarser than the config's. Raises CoverageError
    outside the tables."""
    return error_budget(
        ephemeris,
        settings.home.site(),
        session.partner_site(settings),
        utc_s,
        session.band_choices(settings).sked_hz,
        session.agreement,
        uncertainties_of(
            settings,
            session,
            clock_bound_s,
            dial_resolution_hz=dial_resolution_hz,
            steps_per_s=steps_per_s,
        ),
        settings.troposphere,
        session.tx_sked_hz(settings),
    )
