"""The message for home-automation hubs: valid by the hub's own documentation, and its commands and
values such as moontrim takes and publishes."""

from __future__ import annotations

import json
from copy import deepcopy
from datetime import datetime
from functools import partial
from typing import Any

import jsonschema
import pytest
from jinja2 import Environment

from moontrim.config.remote import RemoteSettings
from moontrim.config.settings import settings_from
from moontrim.config.sked import Sked
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.broker.configfile import LARGEST_PACKET
from moontrim.remote.commands.parsing import read_command
from moontrim.remote.commands.payload import read_body
from moontrim.remote.published import messages
from moontrim.remote.published.discovery import FAST, announcement
from moontrim.remote.published.feed import Feed
from moontrim.remote.published.messages import NONE, UNKNOWN, Post
from moontrim.remote.published.topics import Topics
from moontrim.state.snapshot import DialView, Fault, MoonView, Outlook, Tracking
from support.hubschema import DEVICE
from support.snapshots import WELL

T0 = 1_795_000_000.0
TOPICS = Topics("moontrim", "station")
SETTINGS = settings_from(EMBEDDED, "test")
PAGE = "https://192.0.2.7:8146/"
DIAL = DialView(10_368_099_550.4, -449.6, 0.98, 144_099_550.4, 144_099_550, -0.4)
SNAPSHOT = WELL._replace(
    tx_trim_hz=-12.5,
    transmitting=None,
    moon=MoonView(123.456, 12.345, None),
    rx=DIAL,
    tx=DIAL,
    outlook=Outlook(
        T0,
        T0 + 3600,
        None,
        (),
        T0,
        60.0,
        (1.25,),
        (0.0,),
        spread_hz=70.25,
        snr_db=-9.9,
        next_good_utc_s=T0 + 600,
    ),
)


def announced(*skeds: str, settings: Any = SETTINGS) -> Post:
    remote = RemoteSettings(discovery=True)
    return announcement(remote, settings, TOPICS, "hub", PAGE, skeds)


def device(*skeds: str) -> dict[str, Any]:
    return dict(json.loads(announced(*skeds).payload))


def parts(platform: str = "") -> dict[str, dict[str, Any]]:
    every = device("north", "south")["cmps"]
    return {key: part for key, part in every.items() if part["p"] == platform or not platform}


def problems(message: dict[str, Any]) -> list[str]:
    validator = jsonschema.Draft202012Validator(DEVICE)
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(message)]


def rendered(template: str, value: str) -> str:
    """As a hub does it."""
    values: dict[str, Any] = {"value": value}
    if value.startswith("{"):
        values["value_json"] = json.loads(value)
    return Environment(autoescape=False).from_string(template).render(values)


def test_it_is_valid_by_the_documentation_of_the_hub() -> None:
    jsonschema.Draft202012Validator.check_schema(DEVICE)
    for skeds in ((), ("north",), ("north", "south")):
        assert problems(device(*skeds)) == []


@pytest.mark.parametrize(
    ("key", "change"),
    [
        ("spread_hz", {"unit_of_measurement": "hertz"}),
        ("spread_hz", {"state_class": "measured"}),
        ("spread_hz", {"device_class": "signal_strength"}),
        ("snr_db", {"unit_of_measurement": None}),
        ("tracking", {"options": None}),
        ("tracking", {"state_class": "measurement"}),
        ("moon_sets", {"unit_of_measurement": "s"}),
        ("moon_sets", {"device_class": "date_time"}),
        ("sked_hz", {"maximum": 5}),
        ("sked_hz", {"step": 0}),
        ("sked", {"options": None}),
        ("event", {"event_types": None}),
        ("event", {"event_types": []}),
        ("inhibit", {"state_topic": "x"}),
        ("band", {"command_topic": "moontrim/+/cmd"}),
        ("band", {"unique_id": None}),
        ("partner", {"p": "input_text"}),
        ("partner", {"max": 256}),
    ],
)
def test_a_mistake_would_be_noticed(key: str, change: dict[str, Any]) -> None:
    message = device("north")
    part = message["cmps"][key]
    part |= change
    message["cmps"][key] = {name: value for name, value in part.items() if value is not None}
    assert problems(message) != []


def test_a_device_without_its_page_or_with_a_strange_one() -> None:
    message = device()
    assert message["dev"]["configuration_url"] == PAGE
    message["dev"]["configuration_url"] = "javascript:alert(1)"
    assert problems(message) != []


def test_every_part_is_once_and_commands_are_of_one_account() -> None:
    post = announced("north")
    assert (post.topic, post.retain) == ("homeassistant/device/moontrim_station/config", True)
    every = parts()
    assert len({part["unique_id"] for part in every.values()}) == len(every)
    assert len({part["name"] for part in every.values()}) == len(every)
    for part in every.values():
        if "command_topic" in part:
            assert TOPICS.account_and_command(part["command_topic"])[0] == "hub"  # type: ignore[index]


def test_many_skeds_and_bands_fit_the_largest_packet() -> None:
    raw = deepcopy(EMBEDDED)
    raw["bands"] = [EMBEDDED["bands"][0] | {"name": f"band {n}"} for n in range(12)]
    names = tuple(f"{n:040}" for n in range(100))
    post = announced(*names, settings=settings_from(raw, "test"))
    assert len(post.payload) < LARGEST_PACKET


# --- what is shown --------------------------------------------------------------------------------


def test_every_value_that_it_names_is_published() -> None:
    values = messages.values(SNAPSHOT)
    for key, part in parts().items():
        topic = part.get("state_topic", "")
        if topic and topic != TOPICS.event:
            assert topic.removeprefix(TOPICS.value("")) in values, key


def test_the_values_are_such_as_each_kind_takes() -> None:
    values = messages.values(SNAPSHOT._replace(moon=None, rx=None))
    for key, part in parts().items():
        if part.get("state_topic", TOPICS.event) == TOPICS.event:
            continue
        value = values[part["state_topic"].removeprefix(TOPICS.value(""))]
        shown = rendered(part.get("value_template", "{{ value }}"), value)
        if shown == "None":
            assert value in (UNKNOWN, NONE)
            continue
        match part["p"], part.get("device_class"):
            case _, "timestamp":
                assert datetime.fromisoformat(shown).tzinfo is not None, key
            case _, "enum":
                assert shown in part["options"], key
            case "select", _:
                assert shown in part["options"], key
            case (("binary_sensor" | "switch"), _):
                assert shown in (part["payload_on"], part["payload_off"]), key
            case "number", _:
                assert part["min"] <= float(shown) <= part["max"], key
            case "sensor", _:
                float(shown)


def test_every_state_is_an_option() -> None:
    every = parts()
    for tracking in Tracking:
        assert (
            messages.values(SNAPSHOT._replace(tracking=tracking))["tracking"]
            in (every["tracking"]["options"])
        )
    on = {
        tracking
        for tracking in Tracking
        if messages.values(SNAPSHOT._replace(tracking=tracking))["on_frequency"] == "on"
    }
    assert on == {Tracking.ON_FREQUENCY, Tracking.HELD_KEYED}
    no_sked = messages.values(SNAPSHOT)["sked"]
    assert rendered(every["sked"]["value_template"], no_sked) == "None"
    chosen = messages.values(SNAPSHOT._replace(sked="north"))["sked"]
    assert rendered(every["sked"]["value_template"], chosen) == "north"


def test_may_transmit_needs_a_keyer_and_no_interlock() -> None:
    def value(**changes: Any) -> str:
        return messages.values(SNAPSHOT._replace(**changes))["may_transmit"]

    assert value() == "off"
    assert value(keying_enabled=True) == "on"
    assert value(keying_enabled=True, interlocks=("transmit is inhibited",)) == "off"


def test_events_become_events_of_the_hub() -> None:
    part = parts()["event"]
    feed = Feed(TOPICS, "0badcafe")
    feed.add(SNAPSHOT, 0.0)
    lost = SNAPSHOT._replace(
        tracking=Tracking.NO_CONTACT, reason='no "answer"', faults=(Fault(T0, "gone"),)
    )
    posts = feed.add(lost, 1.0)
    posts.append(Post(TOPICS.event, b'{"at_ms":1,"what":"command","ok":false,"text":"no"}'))
    assert [post.topic for post in posts] == [part["state_topic"]] * 3
    events = [json.loads(rendered(part["value_template"], p.payload.decode())) for p in posts]
    assert [event["event_type"] for event in events] == ["tracking", "fault", "command"]
    assert events[0]["text"] == 'no contact with radio: no "answer"'
    assert {event["event_type"] for event in events} == set(part["event_types"])


def test_what_changes_every_second_is_off_at_first() -> None:
    off = {key for key, part in parts().items() if not part.get("enabled_by_default", True)}
    assert off == FAST
    assert {"rx_correction_hz", "tx_residual_hz", "rx_dial_hz", "moon_azimuth_deg"} <= off
    assert not off & {"tracking", "on_frequency", "spread_hz", "moon_sets", "sked_hz"}


# --- what is set ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value", "command"),
    [
        ("band", "10 GHz", "band 10 GHz"),
        ("sked", "north", "sked north"),
        ("sked_hz", "10368100500.0", "sked 10 368 100 500 Hz"),
        ("agreement", "receiver", "agreement receiver"),
        ("partner", "KP20nf", "partner KP20nf"),
        ("rx_trim_hz", "50", "trim receive +50 Hz"),
        ("tx_trim_hz", "-12.0", "trim transmit -12 Hz"),
        ("correcting", "off", "correction off"),
        ("inhibit", "off", "transmit inhibited"),
        ("readback", "{}", "read back"),
    ],
)
def test_commands_of_a_hub_are_understood(key: str, value: str, command: str) -> None:
    part = parts()[key]
    payload = rendered(part["command_template"], value) if "command_template" in part else value
    name = TOPICS.account_and_command(part["command_topic"])
    assert name is not None
    request = read_command(name[1], read_body(payload.encode()), name[0])
    assert str(request.command) == command
    assert request.needs_confirming == "", "a hub has no second step"


def test_no_number_of_a_hub_needs_a_second_step() -> None:
    for key in ("rx_trim_hz", "tx_trim_hz"):
        part = parts()[key]
        for value in (part["min"], part["max"]):
            payload = rendered(part["command_template"], str(value))
            assert read_command("trim", read_body(payload.encode()), "hub").needs_confirming == ""


def test_nothing_allows_transmit() -> None:
    for part in parts().values():
        if part.get("command_topic", "").endswith("/transmit"):
            assert (part["p"], part["payload_press"]) == ("button", "off")


def test_a_sked_made_meanwhile_is_among_the_options_and_a_hub_that_starts_is_told() -> None:
    remote = RemoteSettings(discovery=True)
    feed = Feed(TOPICS, "0badcafe", partial(announcement, remote, SETTINGS, TOPICS, "hub", PAGE))

    def options(at_s: float) -> list[list[str]]:
        posts = [p for p in feed.take(at_s) if p.topic.startswith("homeassistant/")]
        return [json.loads(post.payload)["cmps"]["sked"]["options"] for post in posts]

    north, south = (Sked(name=name, band="10 GHz", sked_hz=1) for name in ("north", "south"))
    feed.add(SNAPSHOT._replace(skeds=(north,)), 0.0)
    assert options(0.0) == [["north"]]
    feed.add(SNAPSHOT._replace(skeds=(north,)), 1.0)
    assert options(1.0) == []
    feed.add(SNAPSHOT._replace(skeds=(north, south)), 2.0)
    assert options(2.0) == [["north", "south"]]
    feed.announce_again()
    assert feed.wait_s(2.5) == 0.0
    assert options(2.5) == [["north", "south"]]
    feed.start_over()
    assert options(3.0) == [["north", "south"]], "the broker may be a new one"
