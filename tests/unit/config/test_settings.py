"""The config file: the examples are right, and every mistake gets one clear sentence."""

import json
import tomllib
from copy import deepcopy
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from moontrim.config.settings import Settings, load_settings, settings_from
from moontrim.errors import InputError
from moontrim.path import parse_site
from support.tree import ROOT

CONFIG = ROOT / "config"
EXAMPLES = sorted(CONFIG.glob("*.toml"))
GOOD: dict[str, Any] = {
    "home": {"locator": "JN88"},
    "bands": [
        {
            "name": "144 MHz",
            "sked_hz": 144_120_000,
            "tx_low_hz": 144_000_000,
            "tx_high_hz": 146_000_000,
        }
    ],
}


def test_there_are_examples() -> None:
    assert {path.stem for path in EXAMPLES} >= {"home-144", "portable-10g"}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_load_and_fit_the_published_schema(path: Path) -> None:
    load_settings(path)
    schema = Settings.model_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(path.read_text()), schema)


def test_committed_schema_is_the_current_one() -> None:
    committed = json.loads((CONFIG / "schema.json").read_text())
    assert committed == Settings.model_json_schema(), "run: moontrim schema > config/schema.json"


def test_defaults() -> None:
    settings = settings_from(GOOD, "test")
    assert settings.partner == "self"
    assert settings.radio.driver == "simulated"
    assert settings.defaults.agreement == "halves"
    assert settings.bands[0].while_transmitting == "hold"


NORTH = {"name": "North", "locator": "KP20", "height_m": 60.0}


@pytest.mark.parametrize("name", ["north", "NORTH", " North "])
def test_a_partner_has_a_name_in_any_case(name: str) -> None:
    settings = settings_from(GOOD | {"partners": [NORTH], "partner": name}, "test")
    place = settings.partner_place()
    assert place is not None and place.site().height_m == 60.0
    assert settings.partner_place(name) == place == settings.partners[0]
    assert settings.partner_place(" SELF ") is None
    assert settings_from(GOOD | {"partner": "Self"}, "test").partner_place() is None


def test_a_place_that_is_written_out_needs_no_name() -> None:
    settings = settings_from(GOOD | {"partners": [NORTH]}, "test")
    for text, height_m in (("kp20nf", 0.0), ("60.2,25.1,50", 50.0)):
        place = settings.partner_place(text)
        assert place is not None and place.site() == parse_site(text)
        assert place.site().height_m == height_m
    with pytest.raises(InputError, match="expected self, North, or a locator") as refused:
        settings.partner_place("south")
    assert (refused.value.field, refused.value.value) == ("partner", "south")


def test_a_sked_of_a_band_with_two_segments_may_name_the_receive_frequency_alone() -> None:
    raw = deepcopy(GOOD)
    raw["bands"][0] |= {"tx_sked_hz": 144_020_000}
    raw["skeds"] = [{"name": "a", "band": "144 MHz", "sked_hz": 146_050_000}]
    assert settings_from(raw, "test").skeds[0].sked_hz == 146_050_000
    raw["skeds"][0]["sked_hz"] = 144_050_000
    with pytest.raises(InputError, match="expected 144 100 000 to 146 100 000 Hz on 144 MHz"):
        settings_from(raw, "test")


def changed(path: str, value: Any) -> dict[str, Any]:
    raw = deepcopy(GOOD)
    place: Any = raw
    *parents, last = path.split(".")
    for key in parents:
        place = place[int(key)] if key.isdigit() else place.setdefault(key, {})
    place[last] = value
    return raw


def test_whole_hertz_may_be_written_with_an_exponent() -> None:
    raw = changed("bands.0.sked_hz", 144.12e6)
    raw["bands"][0] |= {"transverter_offset_hz": 116e6}
    band = settings_from(raw, "my.toml").bands[0]
    assert (band.sked_hz, band.transverter_offset_hz) == (144_120_000, 116_000_000)
    assert isinstance(band.sked_hz, int)


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "notepad.toml"
    path.write_bytes(b"\xef\xbb\xbf" + EXAMPLES[0].read_bytes())
    assert load_settings(path) == load_settings(EXAMPLES[0])


def test_same_band_name_twice() -> None:
    raw = deepcopy(GOOD)
    raw["bands"] *= 2
    with pytest.raises(InputError, match="used twice"):
        settings_from(raw, "my.toml")


@pytest.mark.parametrize(
    "content", [b"home = ", b"\xff\xfe", b"", b"home = 3\n", b"[[home]]\n"], ids=repr
)
def test_unreadable_files(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"bad\.toml"):
        load_settings(path)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not found"):
        load_settings(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot read"):
        load_settings(tmp_path)


COMMANDS = """
[home]
locator = "JN88"
[radio]
driver = "{driver}"
options = {options}
[[bands]]
name = "1296 MHz"
sked_hz = 1_296_100_000
tx_low_hz = 1_296_000_000
tx_high_hz = 1_298_000_000
commands = ["{command}"]
"""
CIV = '{ port = "/dev/ttyS9", address = 148 }'


@pytest.mark.parametrize(
    ("driver", "options", "command", "problem"),
    [
        ("civ", CIV, "16 5A 00", ""),
        ("asciicat", '{ port = "/dev/ttyS9" }', "NB0;", ""),
        ("civ", CIV, "1C 00 01", "can make a radio transmit"),
        ("civ", CIV, "hello", "expected hexadecimal bytes"),
        ("asciicat", '{ port = "/dev/ttyS9" }', "TX;", "can make a radio transmit"),
        ("simulated", "{}", "NB0;", "has none"),
    ],
)
def test_commands_of_a_band_are_checked(
    driver: str, options: str, command: str, problem: str
) -> None:
    raw = tomllib.loads(COMMANDS.format(driver=driver, options=options, command=command))
    if not problem:
        assert settings_from(raw, "test").bands[0].entry().commands == (command,)
        return
    with pytest.raises(InputError, match=problem):
        settings_from(raw, "test")


def test_a_password_where_none_belongs_is_not_shown() -> None:
    """What a service says of its config goes into the journal of the machine."""
    raw = deepcopy(GOOD) | {
        "remote": {"broker": "hub", "user": "moon", "password": "correct horse"}
    }
    with pytest.raises(InputError, match=r"remote\.password: unknown key") as told:
        settings_from(raw, "test")
    assert "horse" not in str(told.value)


# --- front ends ---


def front_ends(*bands: dict[str, Any], **tables: Any) -> Settings:
    base = GOOD["bands"][0]
    return settings_from(GOOD | {"bands": [base | band for band in bands]} | tables, "test")


BEHIND = {"transverter_offset_hz": 116_000_000}  # a dial of 28 MHz
CONTACT = {"kind": "cts", "name": "plug", "port": "/dev/ttyUSB0"}


def test_front_ends_by_default() -> None:
    settings = front_ends({}, {"name": "b"}, BEHIND | {"name": "c"}, BEHIND | {"name": "d"})
    names = [band.front_end_name for band in settings.bands]
    assert names == ["direct", "direct", "c", "d"] and settings.only_front_end is None
    receiver = BEHIND | {"name": "e", "tx_transverter_offset_hz": 0}
    assert front_ends(receiver).only_front_end == "e", "behind a transverter at least to receive"


@pytest.mark.parametrize(
    ("bands", "tables", "message"),
    [
        (
            [BEHIND | {"front_end": "direct"}],
            {},
            "invalid value 'direct'",
        ),
        ([BEHIND | {"name": "direct"}], {}, "invalid value 'direct'"),
        (
            [{"front_end": "a"}, BEHIND | {"name": "b", "front_end": "a"}],
            {},
            "which has a transverter",
        ),
        ([{}], {"front_ends": [{"name": "x"}]}, "'x'; expected one of direct"),
        ([{}], {"front_ends": [{"name": "direct"}] * 2}, "used twice"),
        (
            [{}, BEHIND | {"name": "b"}],
            {
                "front_ends": [
                    {"name": "direct", "contact": CONTACT},
                    {"name": "b", "contact": CONTACT | {"name": "other"}},
                ]
            },
            "same line",
        ),
        ([{"outputs": ["relay"]}], {}, "outputs: invalid value 'relay'; expected"),
        ([{"min_tx_elevation_deg": -1.0}], {}, "expected at least 0"),
    ],
)
def test_front_ends_that_cannot_be_meant(
    bands: list[dict[str, Any]], tables: dict[str, Any], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        front_ends(*bands, **tables)


def test_the_contact_of_a_front_end_is_no_line_of_the_sequence() -> None:
    radio = {"kind": "radio"}
    keying = {"outputs": [radio], "inputs": [CONTACT | {"name": "foot switch"}]}
    proof = [{"name": "direct", "contact": CONTACT}]
    with pytest.raises(InputError, match="same line"):
        front_ends({}, keying=keying, front_ends=proof)
