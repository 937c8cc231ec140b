"""The five agreements against the worked case of a public mailing list (amateur list mail of 2000):
own-echo shifts +400 Hz at A and -200 Hz at B on 144.120 MHz, so that the path A to B shifts by +100
Hz."""

import pytest

from moontrim.tuning.correction import (
    AGREEMENT_DESCRIPTIONS,
    AGREEMENTS,
    Fractions,
    on_air,
    sked_from_received,
)

SKED_HZ = 144_120_000.0
LEG_A = 200.0 / SKED_HZ  # one way, home to Moon or back
LEG_B = -100.0 / SKED_HZ
PATH = 100.0 / SKED_HZ
AT_A = Fractions(home_to_moon=LEG_A, moon_to_home=LEG_A, partner_to_home=PATH, home_to_partner=PATH)
AT_B = Fractions(home_to_moon=LEG_B, moon_to_home=LEG_B, partner_to_home=PATH, home_to_partner=PATH)


def test_agreed_as_heard_at_the_moon() -> None:
    """The list's own numbers: A sends 144.119800, hears 144.120200; B sends 144.120100, hears
    144.119900."""
    a, b = on_air("halves", SKED_HZ, AT_A), on_air("halves", SKED_HZ, AT_B)
    assert a.tx_hz == pytest.approx(144_119_800, abs=0.001)
    assert a.rx_hz == pytest.approx(144_120_200, abs=0.001)
    assert b.tx_hz == pytest.approx(144_120_100, abs=0.001)
    assert b.rx_hz == pytest.approx(144_119_900, abs=0.001)


def test_halves_meet() -> None:
    """What A sends, shifted by the path, is what B listens on, and the other way round."""
    a, b = on_air("halves", SKED_HZ, AT_A), on_air("halves", SKED_HZ, AT_B)
    assert a.tx_hz * (1 + PATH) == pytest.approx(b.rx_hz, abs=0.001)
    assert b.tx_hz * (1 + PATH) == pytest.approx(a.rx_hz, abs=0.001)


@pytest.mark.parametrize(
    ("agreement", "rx_correction_hz", "tx_correction_hz"),
    [("receiver", 100, 0), ("transmitter", 0, -100), ("home", 100, -100), ("partner", 0, 0)],
)
def test_whole_path_agreements(
    agreement: str, rx_correction_hz: float, tx_correction_hz: float
) -> None:
    result = on_air(agreement, SKED_HZ, AT_A)
    assert result.rx_hz - SKED_HZ == pytest.approx(rx_correction_hz, abs=0.001)
    assert result.tx_hz - SKED_HZ == pytest.approx(tx_correction_hz, abs=0.001)


def test_home_and_partner_are_two_sides_of_one_agreement() -> None:
    home, partner = on_air("home", SKED_HZ, AT_A), on_air("partner", SKED_HZ, AT_B)
    assert home.tx_hz * (1 + PATH) == pytest.approx(partner.rx_hz, abs=0.001)
    assert partner.tx_hz * (1 + PATH) == pytest.approx(home.rx_hz, abs=0.001)


def test_trims_add_to_their_own_side() -> None:
    plain = on_air("halves", SKED_HZ, AT_A)
    trimmed = on_air("halves", SKED_HZ, AT_A, rx_trim_hz=3.0, tx_trim_hz=-7.5)
    assert trimmed.rx_hz - plain.rx_hz == pytest.approx(3.0)
    assert trimmed.tx_hz - plain.tx_hz == pytest.approx(-7.5)


@pytest.mark.parametrize("agreement", AGREEMENTS)
def test_sked_from_received_undoes_on_air(agreement: str) -> None:
    received_hz = on_air(agreement, SKED_HZ, AT_A, rx_trim_hz=12.0).rx_hz
    assert sked_from_received(agreement, received_hz, AT_A, 12.0) == pytest.approx(
        SKED_HZ, abs=1e-6
    )


def test_every_agreement_has_words() -> None:
    assert set(AGREEMENT_DESCRIPTIONS) == set(AGREEMENTS)
