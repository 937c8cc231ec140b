"""Checks published messages against their schema."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from jsonschema import Draft202012Validator

from support.messagetypes import SCHEMA

NAMES = {  # by the last level of a topic
    "state": "State",
    "info": "Info",
    "outlook": "Outlook",
    "trace": "Trace",
    "skeds": "Skeds",
    "tonight": "Tonight",
    "log": "Log",
    "event": "Event",
}


@cache
def _validator(name: str) -> Draft202012Validator:
    schema: dict[str, Any] = json.loads(SCHEMA.read_text())
    return Draft202012Validator({"$ref": f"#/$defs/{name}", "$defs": schema["$defs"]})


def mistakes(name: str, message: Any) -> list[str]:
    """Returns where a message is not as its definition in the schema says."""
    found = _validator(name).iter_errors(message)
    return [f"{name}{error.json_path[1:]}: {error.message[:300]}" for error in found]
