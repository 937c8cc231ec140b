"""The `[keying]` table: every list of outputs that could bring RF before a relay is refused, with
the reason."""

import tomllib
from typing import Any

import pytest
from pydantic import ValidationError

from moontrim.config.keying import KeyingSettings

RELAY = {"kind": "simulated", "name": "relay", "settle_ms": 100}
RADIO = {"kind": "radio"}
RTS = {"kind": "rts", "name": "amplifier", "port": "/dev/serial/by-id/one", "settle_ms": 50}
GPIO = {"kind": "gpio", "name": "pin", "chip": "/dev/gpiochip0", "line": 17, "settle_ms": 50}
CTS = {"kind": "cts", "name": "switch", "port": "/dev/serial/by-id/one"}

TEXT = """
enabled = true
[[outputs]]
kind = "gpio"
name = "coax relay"
chip = "/dev/gpiochip0"
line = 17
active_low = true
settle_ms = 250
[[outputs]]
kind = "rts"
name = "amplifier"
port = "usb:0403:6001:A1"
settle_ms = 60
[[outputs]]
kind = "mqtt"
name = "masthead"
topic = "shack/masthead"
settle_ms = 300
release_ms = 100
[[outputs]]
kind = "radio"
[[inputs]]
kind = "cts"
name = "foot switch"
port = "usb:0403:6001:A1"
"""


def test_a_whole_table_from_toml() -> None:
    read = KeyingSettings.model_validate(tomllib.loads(TEXT))
    assert [output.name for output in read.outputs] == [
        "coax relay", "amplifier", "masthead", "radio"
    ]  # fmt: skip
    assert read.outputs[-1].keys_radio
    assert read.min_tx_elevation_deg == 5.0
    assert read.inputs[0].name == "foot switch"


def test_off_unless_asked_for() -> None:
    assert not KeyingSettings().enabled


def test_minimum_elevation_says_why() -> None:
    described = KeyingSettings.model_json_schema()["properties"]["min_tx_elevation_deg"]
    assert "RF-exposure" in described["description"]


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"enabled": True}, "outputs: missing"),
    ({"enabled": True, "outputs": [RELAY]}, "must key the radio"),
    ({"outputs": [RADIO, RELAY]}, "must be the last"),
    ({"outputs": [{**RTS, "keys_radio": True}, RADIO]}, "must be the last"),
    ({"outputs": [RADIO, {"kind": "radio", "name": "again"}]}, "must be the last"),
    ({"outputs": [{"kind": "mqtt", "name": "x", "topic": "t", "settle_ms": 1, "keys_radio": True}]},
     "Extra inputs"),
    ({"outputs": [RELAY, RELAY, RADIO]}, "used twice"),
    ({"outputs": [RTS, {**RTS, "name": "other"}, RADIO]}, "same line"),
    ({"outputs": [GPIO, {**GPIO, "name": "other"}, RADIO]}, "same line"),
    ({"outputs": [GPIO, RADIO],
      "inputs": [{"kind": "gpio", "name": "in", "chip": "/dev/gpiochip0", "line": 17}]},
     "same line"),
    ({"outputs": [RTS, RADIO], "inputs": [CTS, {**CTS, "name": "two"}]}, "same line"),
    ({"outputs": [{**RTS, "active_low": True}, RADIO]}, "drops when moontrim is killed"),
    ({"outputs": [{"kind": "rts", "name": "x", "port": "/dev/x"}, RADIO]}, "settle_ms"),
    ({"outputs": [{**RELAY, "settle_ms": 5001}, RADIO]}, "5000"),
    ({"outputs": [{**RELAY, "settle_ms": -1}, RADIO]}, "greater than or equal to 0"),
    ({"outputs": [{**RELAY, "name": str(n), "settle_ms": 4000} for n in range(3)] + [RADIO]},
     "sum of all settle_ms: 12000"),
    ({"outputs": [RELAY, {**RADIO, "release_ms": 5}]}, "at least 10"),
    ({"outputs": [{"kind": "mqtt", "name": "x", "topic": "a/#", "settle_ms": 1}, RADIO]},
     "topic without wildcards"),
    ({"outputs": [{"kind": "mqtt", "name": "x", "topic": "a", "settle_ms": 1, "off_payload": "on"},
                  RADIO]}, "are the same"),
    ({"outputs": [{"kind": "relay", "name": "x", "settle_ms": 1}, RADIO]}, "kind"),
    ({"min_tx_elevation_deg": float("nan")}, "finite"),
    ({"min_tx_elevation_deg": -1}, "greater than or equal to 0"),
    ({"longest_over_s": 601}, "600"),
    ({"longest_over_s": float("inf")}, "finite"),
    ({"minimum_elevation_deg": 3}, "Extra inputs"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "reason"), REFUSED)
def test_refused_with_the_reason(table: dict[str, Any], reason: str) -> None:
    with pytest.raises(ValidationError, match=reason):
        KeyingSettings.model_validate(table)


@pytest.mark.parametrize("output", [RTS, GPIO, RELAY])
def test_a_line_may_key_the_radio_when_it_says_so(output: dict[str, Any]) -> None:
    read = KeyingSettings.model_validate(
        {"enabled": True, "outputs": [{**output, "keys_radio": True}]}
    )
    assert read.outputs[-1].keys_radio


def test_rts_and_dtr_of_one_port_are_two_lines() -> None:
    dtr = {**RTS, "kind": "dtr", "name": "key", "keys_radio": True}
    assert len(KeyingSettings.model_validate({"outputs": [RTS, dtr], "inputs": [CTS]}).outputs) == 2
