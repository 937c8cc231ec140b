"""What ought to be on the air: solved a minute ahead, and the same as one instant at a time."""

from __future__ import annotations

import pytest

from moontrim.config.settings import settings_from
from moontrim.errors import CoverageError
from moontrim.path import DelayModel, Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.commands import SetAgreement, SetPartner, SetTrim
from moontrim.session.session import first_session
from moontrim.tracking.prediction import BLOCKS_KEPT, Prediction
from moontrim.tuning.correction import AGREEMENTS, Agreement, fractions_of, on_air

T0 = 1_795_000_000.0
SETTINGS = settings_from(EMBEDDED, "embedded")


@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_a_minute_ahead_is_the_same(ephemeris: Ephemeris, agreement: Agreement) -> None:
    settings = SETTINGS
    session = SetAgreement("x", agreement).apply(first_session(settings), settings)
    session = SetPartner("x", "-33.9,151.2,20").apply(session, settings)
    session = SetTrim("x", rx_hz=250.0, tx_hz=-31.5).apply(session, settings)
    prediction = Prediction(settings, ephemeris, session)
    home, partner = settings.home.site(), session.partner_site(settings)
    model = DelayModel(ephemeris, home, partner)
    sked_hz = session.here(settings).sked_hz
    utc_s = T0 - T0 % 3600.0 + 3600.0 - 150.0  # across the end of an hour
    for k in range(300):
        prediction.prepare(session, utc_s + k)
        found = prediction.on_air(session, utc_s + k)
        fractions = fractions_of(lambda leg: model.leg(leg, utc_s + k)[0])  # noqa: B023
        right = on_air(agreement, sked_hz, fractions, 250.0, -31.5)
        # What the model itself is off is a hundred times that.
        assert found == pytest.approx(right, abs=2e-6), (
            "a hundredth of what the model itself is off"
        )
        assert prediction.sked_hz_for_received(session, found.rx_hz, utc_s + k) == pytest.approx(
            sked_hz, abs=1e-5
        )


def test_a_changed_session_forgets_what_was_solved(ephemeris: Ephemeris) -> None:
    settings = SETTINGS
    session = first_session(settings)
    prediction = Prediction(settings, ephemeris, session)
    before = prediction.on_air(session, T0 + 1)
    trimmed = SetTrim("x", rx_hz=100.0).apply(session, settings)
    after = prediction.on_air(trimmed, T0 + 1)
    assert after.rx_hz == pytest.approx(before.rx_hz + 100.0, abs=1e-6)
    assert prediction.on_air(session, T0 + 1) == before


@pytest.mark.parametrize("ask", ["on_air", "ahead", "sked_hz_for_received"])
def test_another_partner_whoever_asks_first(ephemeris: Ephemeris, ask: str) -> None:
    """A dial turned in the same moment as the partner was changed is followed by the new path."""
    settings = SETTINGS
    session = first_session(settings)
    other = SetPartner("x", "-33.9,151.2,20").apply(session, settings)

    def answers(prediction: Prediction) -> object:
        match ask:
            case "on_air":
                return prediction.on_air(other, T0 + 0.4)
            case "ahead":
                return [list(hz) for hz in prediction.ahead(other, T0, 3)]
            case _:
                return prediction.sked_hz_for_received(other, 10_368_100_000.0, T0)

    turned = Prediction(settings, ephemeris, session)
    turned.prepare(session, T0)
    turned.on_air(session, T0)
    assert answers(turned) == answers(Prediction(settings, ephemeris, other))


def test_memory_is_bounded(ephemeris: Ephemeris) -> None:
    settings = SETTINGS
    session = first_session(settings)
    prediction = Prediction(settings, ephemeris, session)
    for k in range(2000):
        prediction.on_air(session, T0 + 0.377 * k)
    assert len(prediction._solved) <= BLOCKS_KEPT


def test_outside_the_tables(ephemeris: Ephemeris) -> None:
    settings = SETTINGS
    session = first_session(settings)
    prediction = Prediction(settings, ephemeris, session)
    last = ephemeris.last_utc_s
    assert prediction.on_air(session, last - 3.5).rx_hz > 0.0
    assert prediction.on_air(session, last).rx_hz > 0.0
    with pytest.raises(CoverageError):
        prediction.on_air(session, last + 0.5)
