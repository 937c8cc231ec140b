"""What `check` says of front ends."""

from __future__ import annotations

from typing import Any

from moontrim.config.settings import Settings, load_settings, settings_from
from moontrim.preflight.frontends import front_end_findings
from moontrim.preflight.outputs import output_findings
from support.tree import ROOT

LOW = {"name": "144 MHz", "sked_hz": 144_120_000}
LOW |= {"tx_low_hz": 144_000_000, "tx_high_hz": 146_000_000}
TEN = {
    "name": "10 GHz",
    "sked_hz": 10_368_100_000,
    "tx_low_hz": 10_368_000_000,
    "tx_high_hz": 10_370_000_000,
    "transverter_offset_hz": 10_224_000_000,
    "drive_ceiling": 0.1,
}
HIGH = LOW | {"name": "432 MHz", "sked_hz": 432_070_000}
HIGH |= {"tx_low_hz": 432_000_000, "tx_high_hz": 433_000_000}
CONTACT = {"kind": "cts", "name": "plug", "port": "/dev/no-such-port"}


def settings(*bands: dict[str, Any], **tables: Any) -> Settings:
    return settings_from({"home": {"locator": "JN88"}, "bands": list(bands), **tables}, "test")


def texts(known: Settings) -> list[str]:
    found = list(front_end_findings(known))
    assert {finding.level for finding in found} <= {"note"}, "it is the normal case"
    return [finding.text for finding in found]


def test_one_front_end_needs_no_remark() -> None:
    assert texts(settings(LOW, HIGH)) == []
    assert texts(settings(TEN)) == []


def test_a_shared_dial_range_is_named_once_with_the_ceilings() -> None:
    shared, proof = texts(settings(HIGH, TEN, LOW))
    assert shared.startswith("10 GHz, direct share dials from 144 000 000 to 146 000 000 Hz")
    assert "(drive ceilings 10 %, none)" in shared
    assert "no contact" in proof


def test_no_range_in_common_is_none_to_name() -> None:
    (proof,) = texts(settings(HIGH, TEN))
    assert "no contact" in proof


def test_what_a_contact_proves_is_not_named() -> None:
    proof = [{"name": "10 GHz", "contact": CONTACT}]
    (_shared,) = texts(settings(TEN, LOW, front_ends=proof))
    other = TEN | {"name": "10 GHz, other dish"}
    *_shared, left = texts(settings(TEN, LOW, other, front_ends=proof))
    assert left.startswith("direct, 10 GHz, other dish: no contact tells them apart")


def test_every_example_with_a_transverter_shows_it() -> None:
    (shared, _proof) = texts(load_settings(ROOT / "config" / "all-bands.toml"))
    assert "10 GHz split" not in shared, "the same front end"


def test_the_contact_is_looked_for_and_what_differs_by_band_is_listed() -> None:
    keying = {"enabled": True, "outputs": [{"kind": "radio"}]}
    low = LOW | {"min_tx_elevation_deg": 12.0, "outputs": []}
    proof = [{"name": "10 GHz", "contact": CONTACT}]
    found = list(output_findings(settings(TEN, low, keying=keying, front_ends=proof)))
    assert any(
        f.text == "144 MHz: Moon above 12 degrees; outputs none and the radio's key" for f in found
    )
    assert any(f.level == "fail" and f.what == "plug" for f in found)
