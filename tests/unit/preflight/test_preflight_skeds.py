"""Skeds and a partner by name in the pre-flight list."""

from __future__ import annotations

from moontrim.config.settings import settings_from
from moontrim.preflight.places import place_findings
from moontrim.preflight.skeds import sked_findings
from moontrim.session.session import first_session
from support.skeds import MADE, RAW, SETTINGS


def test_skeds_are_counted_and_one_that_cannot_be_chosen_is_named() -> None:
    first = first_session(SETTINGS)
    gone = MADE.model_copy(update={"name": "gone", "band": "11 GHz"})
    session = first.model_copy(update={"skeds": (MADE, gone)})
    (only,) = sked_findings(SETTINGS, first)
    assert (only.level, only.text) == ("ok", "2 skeds, 0 made")
    number, problem = sked_findings(SETTINGS, session)
    assert number.text == "4 skeds, 2 made" and problem.level == "note"
    assert problem.text.startswith("gone cannot be chosen: band: invalid value '11 GHz'")
    without = settings_from(RAW | {"skeds": []}, "test")
    assert list(sked_findings(without, first_session(without))) == []


def test_a_partner_by_name_is_shown_with_its_place() -> None:
    home, partner = place_findings(settings_from(RAW | {"partner": "north"}, "test"))
    assert home.text.startswith("JN88 is 48.5")
    assert partner.text.startswith("North: KP20NF is 60.2") and partner.text.endswith("60 m")
