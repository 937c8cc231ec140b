"""The message from which home-automation hubs learn what they can show and set. Pure.

One retained message on `<prefix>/device/<id>/config` describes the whole device, as in the "device
discovery" of the MQTT integration documentation of the hub that made this convention; others read
it too. Commands go to the ordinary command topics as bare values. Allowing transmit takes a
second step and is therefore not offered; inhibiting is."""

from __future__ import annotations

from typing import Any

from moontrim import __version__
from moontrim.config.remote import RemoteSettings
from moontrim.config.settings import Settings
from moontrim.remote.published.messages import UNKNOWN, Post, encode
from moontrim.remote.published.topics import Topics
from moontrim.state.snapshot import Tracking
from moontrim.tuning.correction import AGREEMENTS

_OR_NONE = "{{ 'None' if value == '" + UNKNOWN + "' else value }}"
_SENSORS = (
    ("rx_correction_hz", "Receive correction", "Hz"),
    ("tx_correction_hz", "Transmit correction", "Hz"),
    ("rx_residual_hz", "Receive residual", "Hz"),
    ("tx_residual_hz", "Transmit residual", "Hz"),
    ("rx_dial_hz", "Receive dial", "Hz"),
    ("tx_dial_hz", "Transmit dial", "Hz"),
    ("moon_azimuth_deg", "Moon azimuth", "°"),
    ("moon_elevation_deg", "Moon elevation", "°"),
)


def status_topic(remote: RemoteSettings) -> str:
    """Returns the topic on which a hub publishes `online` when it starts and needs the message
    again."""
    return f"{remote.discovery_prefix}/status"


def announcement(remote: RemoteSettings, settings: Settings, topics: Topics, account: str) -> Post:
    """Returns the message that describes the device. account: the one the hub commands with."""
    ident = f"{topics.root}_{topics.name}"
    parts: dict[str, dict[str, Any]] = {
        "band": _control(topics, account, "select", "Band", "band")
        | {"options": [band.name for band in settings.bands]},
        "sked_hz": _control(topics, account, "number", "Sked frequency", "frequency", "sked_hz")
        | {
            "min": min(band.tx_low_hz for band in settings.bands),
            "max": max(band.tx_high_hz for band in settings.bands),
            "step": 1,
            "mode": "box",
            "unit_of_measurement": "Hz",
        },
        "agreement": _control(topics, account, "select", "Agreement", "agreement")
        | {"options": list(AGREEMENTS)},
        "correcting": _control(topics, account, "switch", "Correction", "correction", "correcting")
        | {"payload_on": "on", "payload_off": "off"},
        "inhibit": {
            "p": "button",
            "name": "Inhibit transmit",
            "command_topic": topics.command(account, "transmit"),
            "payload_press": "off",
        },
        "readback": {
            "p": "button",
            "name": "Re-read the radio",
            "command_topic": topics.command(account, "readback"),
            "payload_press": "{}",
        },
        "tracking": {
            "p": "sensor",
            "name": "Tracking",
            "state_topic": topics.value("tracking"),
            "device_class": "enum",
            "options": [str(tracking) for tracking in Tracking],
        },
        "partner": {"p": "sensor", "name": "Partner", "state_topic": topics.value("partner")},
        "radio": {"p": "sensor", "name": "Radio", "state_topic": topics.value("radio")},
        "transmitting": _binary_sensor(topics, "transmitting", "Transmitting"),
        "tx_allowed": _binary_sensor(topics, "tx_allowed", "TX allowed"),
    }
    for field, name, unit in _SENSORS:
        parts[field] = {
            "p": "sensor",
            "name": name,
            "state_topic": topics.value(field),
            "unit_of_measurement": unit,
            "value_template": _OR_NONE,
        }
    for key, part in parts.items():
        part["unique_id"] = f"{ident}_{key}"
    device = {
        "dev": {"ids": [ident], "name": f"moontrim {topics.name}", "sw": __version__},
        "o": {"name": "moontrim", "sw": __version__},
        "availability": [{"topic": topics.availability}],
        "qos": 1,
        "cmps": parts,
    }
    return Post(f"{remote.discovery_prefix}/device/{ident}/config", encode(device), 1, True)


def _control(
    topics: Topics, account: str, platform: str, name: str, command: str, field: str | None = None
) -> dict[str, Any]:
    """Returns a component that shows a value and sends a command. field: the value, where its name
    is not that of the command."""
    return {
        "p": platform,
        "name": name,
        "state_topic": topics.value(field or command),
        "command_topic": topics.command(account, command),
    }


def _binary_sensor(topics: Topics, field: str, name: str) -> dict[str, Any]:
    """Returns a component that shows an on-or-off value."""
    return {
        "p": "binary_sensor",
        "name": name,
        "state_topic": topics.value(field),
        "payload_on": "on",
        "payload_off": "off",
        "value_template": _OR_NONE,
    }
