"""Mistakes in a config file: question and answer, over all tables. Each answer says where, what was
found and what was expected, in moontrim's own words, whatever the library says."""

import datetime
import tomllib
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest

from moontrim.config.settings import Settings, settings_from
from moontrim.errors import InputError

HEAD = '[home]\nlocator = "JN88"\n'
BAND = """[[bands]]
name = "144 MHz"
sked_hz = 144_120_000
tx_low_hz = 144_000_000
tx_high_hz = 146_000_000
"""
B = '[[bands]] "144 MHz": '
SKED = "[[skeds]]\nname = 'north'\nband = '144 MHz'\nsked_hz = 144_125_000\n"
S = '[[skeds]] "north": '
COAX = '[[keying.outputs]]\nkind = "rts"\nname = "coax"\nport = "/dev/ttyS0"\n'
LOCATOR = (
    "expected a locator of 4, 6, 8, 10 or 12 characters (AA00AA00AA00 to RR99XX99XX99), or lat,lon "
    "or lat,lon,height_m with latitude -90 to 90, longitude -180 to 180, height -500 to 9000"
)
PORT = (
    "expected a device path, a link in /dev/serial/by-id, or usb:VENDOR:PRODUCT[:SERIAL] in "
    "hexadecimal such as usb:0403:6001"
)

# What stands before the tables, what is added to the band, what follows; and the whole answer.
MISTAKES: list[tuple[str, str, str, str]] = [
    ("partner = 'echo'", "", "", "partner: invalid value 'echo'; expected self, or a table "
     "[partner]"),
    ("partner = 'echo'", "", "[[partners]]\nname = 'North'\nlocator = 'KP20'", "partner: invalid "
     "value 'echo'; expected self, North, or a table [partner]"),
    ("state_dir = 3", "", "", "state_dir: invalid value 3; expected a path in quotes"),
    ("troposphere = 'no'", "", "", "troposphere: invalid value 'no'; expected true or false"),
    ("parnter = 'self'", "", "", "parnter: unknown key; did you mean partner?"),
    ("partner = 3", "", "", "partner: invalid value 3; expected \"self\", the name of one of "
     "[[partners]], or a table [partner] with a locator, or latitude_deg and longitude_deg"),
    # bands
    ("", "sked_mhz = 144.1", "", B + "sked_mhz: unknown key; did you mean "
     "sked_hz?"),
    ("", "drive_ceiling = 2.0", "", B + "drive_ceiling: invalid value 2.0; expected at most 1"),
    ("", "mode = 'usb'", "", B + "mode: invalid value 'usb'; expected up to 12 capital letters and "
     "digits, such as USB"),
    ("", "commands = ['NB0;']", "", B + "commands: driver 'simulated' has none"),
    ("", "commands = 'NB0;'", "", B + "commands: invalid value 'NB0;'; expected a list in square "
     "brackets"),
    ("", "transverter_sense = 'minus'", "", B + 'transverter_sense = "minus" needs a '
     "transverter_offset_hz"),
    ("", "transverter_offset_hz = 1.5", "", B + "transverter_offset_hz: invalid value 1.5; "
     "expected whole hertz such as 144_120_000"),
    ("", "transverter_offset_hz = 145_000_000", "", B + "tx_low_hz would need a dial of "
     "-1 000 000 Hz; check transverter_offset_hz"),
    ("", "dial_error_hz = nan", "", B + "dial_error_hz: invalid value nan; expected a finite "
     "number"),
    ("", "while_transmitting = 'stop'", "", B + "while_transmitting: invalid value 'stop'; "
     "expected one of hold, mid_over, step"),
    ("", "trim_limit_hz = true", "", B + "trim_limit_hz: invalid value true; expected a whole "
     "number"),
    ("", "reference_error_ppb = 1e9", "", B + "reference_error_ppb: invalid value 1000000000.0; "
     "expected at most 100 000"),
    ("", "tx_sked_hz = 147_000_000", "", B + "tx_sked_hz 147 000 000 is outside tx_low_hz "
     "144 000 000 to tx_high_hz 146 000 000"),
    ("", "", BAND, "[[bands]]: name '144 MHz' used twice"),
    ("", "", BAND.replace("144 MHz", ""), "[[bands]] no. 2: name: invalid value ''; expected at "
     "least 1 character"),
    # keying
    ("", "", "[keying]\nenabled = true", "keying: outputs: missing; needed with enabled = true"),
    ("", "", "[keying]\noutputs = 3", "keying.outputs: invalid value 3; expected a list in square "
     "brackets"),
    ("", "", "[[keying.outputs]]\nkind = 'relay'", "[[keying.outputs]] no. 1: kind: invalid value "
     "'relay'; expected one of radio, rts, dtr, gpio, mqtt, simulated"),
    ("", "", "[[keying.outputs]]\nname = 'coax'", '[[keying.outputs]] "coax": kind: missing'),
    ("", "", COAX, '[[keying.outputs]] "coax": settle_ms: missing'),
    ("", "", COAX + "settle_ms = 9999", '[[keying.outputs]] "coax": settle_ms: invalid value 9999; '
     "expected at most 5 000"),
    ("", "", COAX + "settle_ms = 20", "keying: the last output must key the radio (kind radio, or "
     "keys_radio = true), so that no RF comes before a relay; 'coax' does not"),
    ("", "", "[[keying.inputs]]\nkind = 'gpio'\nname = 'foot'\nchip = 'x'\nline = 4",
     '[[keying.inputs]] "foot": chip: invalid value \'x\'; expected a device path such as '
     "/dev/gpiochip0"),
    ("", "transverter_offset_hz = 116_000_000",
     "[keying]\nenabled = true\n[[keying.outputs]]\nkind = 'radio'\nrelease_ms = 30",
     B + "drive_ceiling: missing; needed with keying, since full power would destroy the "
     "transverter"),
    # radio and its driver
    ("", "", "[radio]\ndriver = 'foo'", "radio: driver 'foo': unknown; available: asciicat, civ, "
     "simulated, socket"),
    ("", "", "[radio]\npoll_s = 0.0", "radio.poll_s: invalid value 0.0; expected at least 0.05"),
    ("", "", "[radio]\ndriver = 'civ'\noptions = {port = 'COM3', address = 0x94}",
     f"radio.options.port: invalid value 'COM3'; {PORT}"),
    ("", "", "[radio]\ndriver = 'civ'\noptions = {port = '/dev/ttyS0', address = 300}",
     "radio.options.address: invalid value 300; expected at most 223"),
    ("", "", "[radio]\ndriver = 'socket'\noptions = {rx_vfo = 'VFOB'}", "radio.options: rx_vfo "
     "VFOB and tx_vfo VFOB are the same VFO; in split they must differ"),
    # places, partners, forecast
    ("", "", "[defaults]\nagreement = 'home'", "defaults.agreement: invalid value 'home'; expected "
     "halves, receiver or transmitter, with yourself as partner"),
    ("", "", "[home.place]", "home.place: unknown key"),
    ("", "", "[keying]\nlongest_overs = 3.0", "keying.longest_overs: unknown key; did you mean "
     "longest_over_s?"),
    ("", "", COAX + "setle_ms = 20", '[[keying.outputs]] "coax": settle_ms: missing; '
     '[[keying.outputs]] "coax": setle_ms: unknown key; did you mean settle_ms?'),
    ("", "", "[radio.options]\nlatency = 0.1", "radio.options.latency: unknown key; did you mean "
     "latency_s?"),
    ("", "", "[equipment.bands.'144 MHz']\npower_watt = 3", 'equipment.bands."144 MHz": '
     "power_watt: unknown key; did you mean power_w?"),
    ("", "", "[partner]\nlocator = 'JP'", f"partner.locator: invalid value 'JP'; {LOCATOR}"),
    ("", "", "[partner]\nlocator = 'KP20'\nhight_m = 3.0", "partner.hight_m: unknown key; "
     "did you mean height_m?"),
    ("", "", "[partner]\nlatitude_deg = 98.0\nlongitude_deg = 0.0", "partner.latitude_deg: invalid "
     "value 98.0; expected at most 90"),
    ("", "", "[partner]\nlocator = 'KP20'\nlatitude_deg = 48.0", "partner: locator and coordinates "
     "given; expected only one of them"),
    ("", "", "[partner]\nlatitude_deg = 48.0", "partner: locator missing, or both latitude_deg and "
     "longitude_deg"),
    ("", "", "[[partners]]\nname = 'self'\nlocator = 'KP20'", '[[partners]] "self": name: invalid '
     "value 'self'; expected a name other than self and home"),
    ("", "", "[[partners]]\nlocator = 'KP20'", "[[partners]] no. 1: name: missing"),
    ("", "", "[[partners]]\nname = 'HOME'\nlocator = 'KP20'", '[[partners]] "HOME": name: invalid '
     "value 'HOME'; expected a name other than self and home"),
    ("", "", "[[partners]]\nname = 'a'\nlocator = 'KP20'\n[[partners]]\nname = 'A'\nlocator = "
     "'KP20'", "[[partners]]: name 'a' used twice"),
    ("", "", "[[partners]]\nname = 'self '\nlocator = 'KP20'", '[[partners]] "self ": name: '
     "invalid value 'self '; expected 1 to 40 characters without blanks at the ends"),
    # skeds
    ("", "", SKED.replace("144 MHz", "2 m"), S + "band: invalid value '2 m'; expected 144 MHz"),
    ("", "", SKED + SKED.replace("north", "NORTH"), "[[skeds]]: name 'NORTH' used twice"),
    ("", "", SKED.replace("'north'", "' '"), "[[skeds]] \" \": name: invalid value ' '; expected 1 "
     "to 40 characters without blanks at the ends"),
    ("", "", SKED.replace("144_125", "147_125"), S + "sked_hz: invalid value 147 125 000 Hz; "
     "expected 144 000 000 to 146 000 000 Hz on 144 MHz"),
    ("", "", SKED + "tx_sked_hz = 1", S + "tx_sked_hz: invalid value 1 Hz; expected 144 000 000 to "
     "146 000 000 Hz on 144 MHz"),
    ("", "", SKED + "partner = 'south'", S + "partner: invalid value 'south'; expected self, or "
     + LOCATOR.removeprefix("expected ")),
    ("", "", SKED + "agreement = 'home'", S + "agreement: invalid value 'home'; expected halves, "
     "receiver or transmitter, with yourself as partner"),
    ("", "", SKED + "over_s = 0", S + "over_s: invalid value 0; expected more than 0"),
    ("", "", SKED + "notes = 'x'", S + "notes: unknown key; did you mean note?"),
    ("", "", "[equipment]\nhorizon = [[10, 2], [5, 3]]", "equipment.horizon: invalid value "
     "(5.0, 3.0); expected azimuths from 0 to below 360 degrees, each above the last"),
    ("", "", "[equipment]\nhorizon = [[1, 2, 4]]", "equipment.horizon, entry 1: expected at most 2 "
     "entries"),
    ("", "", "[equipment]\nantenna_gain_dbi = 23\ndish_diameter_m = 3", "equipment: "
     "antenna_gain_dbi and dish_diameter_m given; expected only one of them"),
    ("", "", "[equipment.bands.'144 MHz']\npower_w = -3", 'equipment.bands."144 MHz": power_w: '
     "invalid value -3; expected more than 0"),
    ("", "", "[equipment.bands.'10 GHz']\npower_w = 3", "table for band '10 GHz', which is not in "
     "[[bands]]"),
    ("", "", "[forecast]\ndays = 0", "forecast.days: invalid value 0; expected more than 0"),
    # the others
    ("", "", "[defaults]\nband = '10 GHz'", "defaults.band: invalid value '10 GHz'; expected one "
     "of 144 MHz"),
    ("", "", "[defaults]\nagreement = 'half'", "defaults.agreement: invalid value 'half'; expected "
     "one of halves, receiver, transmitter, home, partner"),
    ("", "", "[data]\nephemeris_file = 3", "data.ephemeris_file: invalid value 3; expected a "
     "path in quotes"),
    ("", "", "[clock]\ntrust = 'yes'", "clock.trust: invalid value 'yes'; expected one of "
     "required, any"),
    ("", "", "[gps]\nsource = 'nmea'", 'gps: source = "nmea" needs a device'),
    ("", "", "[gps]\nhost = 'a b'", "gps.host: invalid value 'a b'; expected a name without spaces "
     "and control characters"),
    ("", "", "[journal]\nenabled = 'yes'", "journal.enabled: invalid value 'yes'; expected true or "
     "false"),
    ("", "", "[remote]\nroot = 'Moon Trim'", "remote.root: invalid value 'Moon Trim'; expected 1 "
     "to 32 small letters, digits and -"),
    ("", "", "[remote]\ntls = true", "remote: tls is for another broker, but broker is missing"),
    ("", "", "[remote]\nport = '8145'", "remote.port: invalid value '8145'; expected a whole "
     "number"),
    ("", "", "[share]\nlan_transmit = true", "share: lan_transmit = true needs lan = true"),
    ("", "", "[share]\nusers = [1000]", "share.users, entry 1: invalid value 1000; expected text "
     "in quotes"),
]  # fmt: skip


@pytest.mark.parametrize(("top", "band", "tables", "answer"), MISTAKES)
def test_question_and_answer(top: str, band: str, tables: str, answer: str) -> None:
    raw = tomllib.loads("\n".join((top, HEAD, BAND, band, tables)))
    with pytest.raises(InputError) as caught:
        settings_from(raw, "my.toml")
    assert str(caught.value) == f"config my.toml: {answer}"


def test_all_mistakes_are_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        settings_from({"home": {"locator": "JN88"}, "bands": [{"name": "144 MHz"}]}, "my.toml")
    for key in ("sked_hz", "tx_low_hz", "tx_high_hz"):
        assert f"{B}{key}: missing" in str(caught.value)


def test_the_value_of_an_unknown_key_is_not_shown() -> None:
    """It may be a password."""
    raw = tomllib.loads(HEAD + BAND + "[remote]\npasword = 'geheim'")
    with pytest.raises(InputError) as caught:
        settings_from(raw, "my.toml")
    assert "pasword: unknown key" in str(caught.value)
    assert "geheim" not in str(caught.value)


# --- no wording of a library ----------------------------------------------------------------------

ODD: tuple[Any, ...] = (
    3, -3, 10**15, 1.5, -1.5, 1e30, float("nan"), float("inf"), True, "", "x", "x" * 5000, "a b",
    "a\0b", [], [3], ["x"], [[]], [{}], {}, {"x": 1}, datetime.date(2026, 11, 30),
    datetime.datetime(2026, 11, 30, 12, tzinfo=datetime.UTC), datetime.time(12),
)  # fmt: skip
LIBRARY = (
    "Input",
    "should be",
    "Value error",
    "pydantic",
    "Unable",
    "tag",
    "discriminator",
    "str ",
)
GOOD = tomllib.loads(HEAD + BAND)


def tables(schema: dict[str, Any], node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The tables that may stand in a place, by the schema."""
    if "$ref" in node:
        node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
    for branch in (*node.get("anyOf", ()), *node.get("oneOf", ())):
        yield from tables(schema, branch)
    if "properties" in node:
        yield node


def places(
    schema: dict[str, Any], node: dict[str, Any], at: tuple[str, ...] = ()
) -> Iterator[tuple[str, ...]]:
    """Every key of every table; `*` for one table of several."""
    for table in tables(schema, node):
        for key, inner in table["properties"].items():
            yield (*at, key)
            yield from places(schema, inner, (*at, key))
            if isinstance(inner.get("items"), dict):
                yield from places(schema, inner["items"], (*at, key, "*"))
            if isinstance(inner.get("additionalProperties"), dict):
                yield from places(schema, inner["additionalProperties"], (*at, key, "144 MHz"))


PLACES = sorted(set(places(Settings.model_json_schema(), Settings.model_json_schema())))


def with_value(at: tuple[str, ...], value: Any) -> dict[str, Any]:
    raw: Any = tomllib.loads(HEAD + BAND)
    node = raw
    for key, after in pairwise(at):
        node = node[0] if key == "*" else node.setdefault(key, [{}] if after == "*" else {})
    node[at[-1]] = value
    return dict(raw)


@pytest.mark.parametrize("at", PLACES, ids=".".join)
def test_no_wording_of_a_library_shows_through(at: tuple[str, ...]) -> None:
    refused = 0
    for value in ODD:
        try:
            settings_from(with_value(at, value), "my.toml")
        except InputError as error:
            refused += 1
            text = str(error)
            assert text.startswith("config my.toml: ")
            for word in LIBRARY:
                assert word not in text, text
    assert refused > len(ODD) / 3


def test_the_schema_names_every_table() -> None:
    first = {at[0] for at in PLACES}
    assert first == set(Settings.model_fields)
    assert ("keying", "outputs", "*", "settle_ms") in PLACES
    assert ("equipment", "bands", "144 MHz", "power_w") in PLACES
    assert ("partners", "*", "equipment", "horizon") in PLACES
    assert ("skeds", "*", "tx_sked_hz") in PLACES
