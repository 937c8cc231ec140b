"""What a home-automation hub accepts as a device's discovery message, as a JSON Schema (draft
2020-12) written down from the hub's public documentation, read in November 2026:

    https://www.home-assistant.io/integrations/mqtt/   "Device discovery payload", origin,
                                                       availability, abbreviations
    .../integrations/{sensor,binary_sensor,number,select,switch,text,button,event}.mqtt/
                                                       "Configuration variables" of each platform
    .../integrations/{sensor,number}/                  "Device class" and its units
    https://developers.home-assistant.io/docs/core/entity/sensor/  "Available device classes"

The hub ignores keys that it does not know; here they are refused, since they are misspelt."""

from __future__ import annotations

from typing import Any

TEXT = {"type": "string", "minLength": 1}
TOPIC = {"type": "string", "pattern": "^[^+#\u0000]+$", "maxLength": 65535}
TEMPLATE = {"type": "string", "pattern": r"\{\{.*\}\}"}
NUMBER = {"type": "number"}
OPTIONS = {"type": "array", "items": TEXT, "uniqueItems": True}
# Device classes used by moontrim, and the units that each may have.
UNITS = {
    "frequency": ["Hz", "kHz", "MHz", "GHz"],
    "signal_strength": ["dB", "dBm"],
}
STATE_CLASSES = ["measurement", "measurement_angle", "total", "total_increasing"]

# Of every entity.
COMMON: dict[str, Any] = {
    "p": {
        "enum": [
            "sensor", "binary_sensor", "number", "select", "switch", "text", "button", "event"
        ]
    },
    "unique_id": {"type": "string", "pattern": "^[A-Za-z0-9_-]+$"},
    "name": TEXT,
    "enabled_by_default": {"type": "boolean"},
    "entity_category": {"enum": ["config", "diagnostic"]},
    "icon": {"type": "string", "pattern": "^mdi:"},
    "qos": {"enum": [0, 1, 2]},
}  # fmt: skip


def platform(
    name: str, required: tuple[str, ...], *rules: dict[str, Any], **keys: dict[str, Any]
) -> dict[str, Any]:
    """Returns the schema of one platform's configuration variables."""
    return {
        "properties": COMMON | keys | {"p": {"const": name}},
        "required": ["p", "unique_id", *required],
        "additionalProperties": False,
        **({"allOf": list(rules)} if rules else {}),
    }


def has_unit(device_class: str) -> dict[str, Any]:
    """A device class goes with its units."""
    return {
        "if": {
            "properties": {"device_class": {"const": device_class}},
            "required": ["device_class"],
        },
        "then": {
            "properties": {"unit_of_measurement": {"enum": UNITS[device_class]}},
            "required": ["unit_of_measurement"],
        },
    }


def without_number(device_class: str, *required: str) -> dict[str, Any]:
    """A device class whose state is no number has neither a unit nor statistics."""
    return {
        "if": {
            "properties": {"device_class": {"const": device_class}},
            "required": ["device_class"],
        },
        "then": {
            "properties": {"unit_of_measurement": False, "state_class": False},
            "required": list(required),
        },
    }


STATE = {"state_topic": TOPIC, "value_template": TEMPLATE}
COMMAND = {"command_topic": TOPIC, "command_template": TEMPLATE}
ENTITIES = [
    platform(
        "sensor",
        ("state_topic",),
        *map(has_unit, UNITS),
        without_number("timestamp"),
        without_number("enum", "options"),
        {"dependentRequired": {"state_class": ["unit_of_measurement"]}},
        {
            "if": {"required": ["options"]},
            "then": {"properties": {"device_class": {"const": "enum"}}},
        },
        **STATE,
        device_class={"enum": [*UNITS, "timestamp", "enum"]},
        state_class={"enum": STATE_CLASSES},
        unit_of_measurement=TEXT,
        options=OPTIONS | {"minItems": 1},
        expire_after={"type": "integer", "minimum": 0},
    ),
    platform(
        "binary_sensor",
        ("state_topic",),
        **STATE,
        device_class={"enum": ["connectivity", "problem", "running", "safety"]},
        payload_on=TEXT,
        payload_off=TEXT,
    ),
    platform(
        "number",
        ("command_topic",),
        *map(has_unit, UNITS),
        **STATE,
        **COMMAND,
        device_class={"enum": list(UNITS)},
        unit_of_measurement=TEXT,
        min=NUMBER,
        max=NUMBER,
        step={"type": "number", "minimum": 0.001},
        mode={"enum": ["auto", "box", "slider"]},
    ),
    platform("select", ("command_topic", "options"), **STATE, **COMMAND, options=OPTIONS),
    platform("switch", ("command_topic",), **STATE, **COMMAND, payload_on=TEXT, payload_off=TEXT),
    platform(
        "text",
        ("command_topic",),
        **STATE,
        **COMMAND,
        min={"type": "integer", "minimum": 0},
        max={"type": "integer", "maximum": 255},
        mode={"enum": ["text", "password"]},
    ),
    platform("button", ("command_topic",), command_topic=TOPIC, payload_press=TEXT),
    platform(
        "event",
        ("state_topic", "event_types"),
        **STATE,
        event_types=OPTIONS | {"minItems": 1},
        device_class={"enum": ["button", "doorbell", "motion"]},
    ),
]

DEVICE: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "required": ["dev", "o", "cmps"],
    "additionalProperties": False,
    "properties": {
        "dev": {
            "type": "object",
            "required": ["ids", "name"],
            "additionalProperties": False,
            "properties": {
                "ids": {"type": ["string", "array"], "items": TEXT, "minItems": 1},
                "name": TEXT,
                "sw": TEXT,
                "configuration_url": {
                    "type": "string",
                    "pattern": r"^https?://(\[[0-9a-f:]+\]|[A-Za-z0-9.-]+)(:[0-9]+)?/",
                },
            },
        },
        "o": {
            "type": "object",
            "required": ["name"],
            "additionalProperties": False,
            "properties": {"name": TEXT, "sw": TEXT, "url": TEXT},
        },
        "availability": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["topic"],
                "additionalProperties": False,
                "properties": {
                    "topic": TOPIC,
                    "payload_available": TEXT,
                    "payload_not_available": TEXT,
                },
            },
        },
        "qos": {"enum": [0, 1, 2]},
        "cmps": {
            "type": "object",
            "minProperties": 1,
            "propertyNames": {"pattern": "^[A-Za-z0-9_-]+$"},
            "additionalProperties": {
                "type": "object",
                "required": ["p"],
                "properties": {"p": COMMON["p"]},
                "allOf": [
                    {
                        "if": {"properties": {"p": entity["properties"]["p"]}},
                        "then": entity,
                    }
                    for entity in ENTITIES
                ],
            },
        },
    },
}
