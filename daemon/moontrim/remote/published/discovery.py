"""The message from which home-automation hubs learn what they can show and set. Pure.

One retained message on `<prefix>/device/<id>/config` describes the whole device, as in the "device
discovery" of the MQTT integration documentation of the hub that made this convention; others read
it too. Commands go to the ordinary command topics, as bare values or as their JSON. Allowing
transmit takes a second step and is therefore not offered; inhibiting is.

What changes every second is off until somebody switches it on: a hub keeps each value on disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from moontrim import __version__
from moontrim.config.remote import RemoteSettings
from moontrim.config.settings import Settings
from moontrim.keying.sequence import Phase
from moontrim.remote.published.messages import NONE, RESTLESS, UNKNOWN, Post, encode
from moontrim.remote.published.topics import Topics
from moontrim.rig.view import LinkState
from moontrim.session.session import LARGE_TRIM_HZ
from moontrim.state.snapshot import Tracking
from moontrim.tuning.correction import AGREEMENTS

# What the hub takes for a state that is not known.
_OR_NONE = "{{ 'None' if value in ('" + UNKNOWN + "', '" + NONE + "') else value }}"
HERTZ = {"device_class": "frequency", "unit_of_measurement": "Hz"}
DEGREES = {"unit_of_measurement": "°"}
DECIBELS = {"device_class": "signal_strength", "unit_of_measurement": "dB"}
MEASURED = {"state_class": "measurement"}
DIAGNOSTIC = {"entity_category": "diagnostic"}
# Single values that are numbers or instants: name, and what they are.
_SENSORS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("rx_correction_hz", "Receive correction", HERTZ | MEASURED),
    ("tx_correction_hz", "Transmit correction", HERTZ | MEASURED),
    ("rx_residual_hz", "Receive residual", HERTZ | MEASURED),
    ("tx_residual_hz", "Transmit residual", HERTZ | MEASURED),
    ("rx_dial_hz", "Receive dial", HERTZ | MEASURED),
    ("tx_dial_hz", "Transmit dial", HERTZ | MEASURED),
    ("spread_hz", "Spread", HERTZ | MEASURED),
    ("snr_db", "S/N in 2.5 kHz", DECIBELS | MEASURED),
    ("moon_azimuth_deg", "Moon azimuth", DEGREES | MEASURED),
    ("moon_elevation_deg", "Moon elevation", DEGREES | MEASURED),
    ("moon_rises", "Moon rises", {"device_class": "timestamp"}),
    ("moon_sets", "Moon sets", {"device_class": "timestamp"}),
    ("next_good", "Next good stretch", {"device_class": "timestamp"}),
)
FAST = (RESTLESS | {"rx_dial_hz", "tx_dial_hz"}) - {"moon_elevation_deg"}
EVENTS = ("command", "tracking", "fault")
_EVENT = "{{ {'event_type': value_json.what, 'text': value_json.text} | tojson }}"

# Makes the message for the names of all skeds.
Announce = Callable[[tuple[str, ...]], Post]


def status_topic(remote: RemoteSettings) -> str:
    """Returns the topic on which a hub publishes `online` when it starts and needs the message
    again."""
    return f"{remote.discovery_prefix}/status"


def announcement(
    remote: RemoteSettings,
    settings: Settings,
    topics: Topics,
    account: str,
    page_url: str,
    skeds: tuple[str, ...],
) -> Post:
    """Returns the message that describes the device. account: the one the hub commands with.
    page_url: of the phone page. skeds: their names."""
    ident = f"{topics.root}_{topics.name}"
    parts = _controls(settings, topics, account, skeds) | _states(topics)
    for key, part in parts.items():
        part["unique_id"] = f"{ident}_{key}"
    device = {
        "dev": {
            "ids": [ident],
            "name": f"moontrim {topics.name}",
            "sw": __version__,
            "configuration_url": page_url,
        },
        "o": {"name": "moontrim", "sw": __version__},
        "availability": [{"topic": topics.availability}],
        "qos": 1,
        "cmps": parts,
    }
    return Post(f"{remote.discovery_prefix}/device/{ident}/config", encode(device), 1, True)


def _controls(
    settings: Settings, topics: Topics, account: str, skeds: tuple[str, ...]
) -> dict[str, dict[str, Any]]:
    """Returns what a hub can set, by key."""
    trim_hz = min(LARGE_TRIM_HZ, max(band.largest_trim_hz for band in settings.bands))

    def control(
        platform: str, name: str, command: str, field: str = "", **more: Any
    ) -> dict[str, Any]:
        return {
            "p": platform,
            "name": name,
            "state_topic": topics.value(field or command),
            "command_topic": topics.command(account, command),
            **more,
        }

    def number(
        name: str, command: str, field: str, low_hz: float, high_hz: float, **more: Any
    ) -> dict[str, Any]:
        limits = {"min": low_hz, "max": high_hz, "step": 1, "mode": "box"}
        return control("number", name, command, field) | HERTZ | limits | more

    def trim(name: str, dial: str) -> dict[str, Any]:
        template = '{"' + dial + '_hz": {{ value }}}'
        field = f"{dial}_trim_hz"
        return number(name, "trim", field, -trim_hz, trim_hz, command_template=template)

    def button(name: str, command: str, payload: str) -> dict[str, Any]:
        topic = topics.command(account, command)
        return {"p": "button", "name": name, "command_topic": topic, "payload_press": payload}

    return {
        "sked": control("select", "Sked", "sked", options=list(skeds), value_template=_OR_NONE),
        "band": control("select", "Band", "band", options=[band.name for band in settings.bands]),
        "sked_hz": number(
            "Sked frequency",
            "frequency",
            "sked_hz",
            min(band.tx_low_hz for band in settings.bands),
            max(band.tx_high_hz for band in settings.bands),
        ),
        "partner": control("text", "Partner", "partner", min=1, max=64),
        "agreement": control("select", "Agreement", "agreement", options=list(AGREEMENTS)),
        "rx_trim_hz": trim("Receive trim", "rx"),
        "tx_trim_hz": trim("Transmit trim", "tx"),
        "correcting": control(
            "switch", "Correction", "correction", "correcting", payload_on="on", payload_off="off"
        ),
        "inhibit": button("Inhibit transmit", "transmit", "off"),
        "readback": button("Re-read the radio", "readback", "{}") | DIAGNOSTIC,
    }


def _states(topics: Topics) -> dict[str, dict[str, Any]]:
    """Returns what a hub can show, by key."""

    def enum(name: str, field: str, options: list[str]) -> dict[str, Any]:
        shown = {"p": "sensor", "name": name, "state_topic": topics.value(field)}
        return shown | {"device_class": "enum", "options": options}

    def binary(name: str, field: str) -> dict[str, Any]:
        return {
            "p": "binary_sensor",
            "name": name,
            "state_topic": topics.value(field),
            "payload_on": "on",
            "payload_off": "off",
            "value_template": _OR_NONE,
        }

    parts: dict[str, dict[str, Any]] = {
        "tracking": enum("Tracking", "tracking", [str(tracking) for tracking in Tracking]),
        "keying": enum("Keying", "keying", [str(phase) for phase in Phase]),
        "radio": enum("Radio", "radio", [str(state) for state in LinkState]) | DIAGNOSTIC,
        "on_frequency": binary("On frequency", "on_frequency"),
        "transmitting": binary("Transmitting", "transmitting"),
        "tx_allowed": binary("TX allowed", "tx_allowed"),
        "may_transmit": binary("May transmit", "may_transmit"),
        "event": {
            "p": "event",
            "name": "Event",
            "state_topic": topics.event,
            "event_types": list(EVENTS),
            "value_template": _EVENT,
        },
    }
    for field, name, kind in _SENSORS:
        parts[field] = {
            "p": "sensor",
            "name": name,
            "state_topic": topics.value(field),
            "value_template": _OR_NONE,
            **kind,
        }
        if field in FAST:
            parts[field]["enabled_by_default"] = False
    return parts
