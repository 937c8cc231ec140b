"""The types of the published messages for the type check of the phone page, from their JSON schema.

`python messagetypes.py FILE` writes them as a TypeScript declaration file, with a global namespace
`Published`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SCHEMA = ROOT / "docs" / "messages.schema.json"
NAMES = {"string": "string", "boolean": "boolean", "null": "null"}
NAMES |= {"number": "number", "integer": "number"}


def declarations(schema: dict[str, Any]) -> str:
    """Returns an exported type for each definition of a schema."""
    lines = ["declare namespace Published {"]
    for name, definition in schema["$defs"].items():
        if "description" in definition:
            lines.append(f"  /** {definition['description']} */")
        lines.append(f"  type {name} = {type_of(definition)};")
    return "\n".join([*lines, "}", ""])


def type_of(schema: dict[str, Any]) -> str:
    """Returns a schema as a type. Raises KeyError for what it does not know."""
    if not schema.keys() - {"description"}:
        return "unknown"
    if "$ref" in schema:
        return str(schema["$ref"]).removeprefix("#/$defs/")
    if "const" in schema:
        return json.dumps(schema["const"])
    if "enum" in schema:
        return _either(json.dumps(value) for value in schema["enum"])
    if "anyOf" in schema:
        return _either(type_of(one) for one in schema["anyOf"])
    kinds = schema["type"]
    return _either(_one(kind, schema) for kind in ([kinds] if isinstance(kinds, str) else kinds))


def _one(kind: str, schema: dict[str, Any]) -> str:
    if kind == "array":
        return f"Array<{type_of(schema['items'])}>"
    if kind != "object":
        return NAMES[kind]
    rest = schema.get("additionalProperties", {})
    if "properties" not in schema:
        return f"Record<string, {type_of(rest)}>"
    if rest is not False:
        raise KeyError("additionalProperties beside properties")
    fields = (
        f"{name}{'' if name in schema['required'] else '?'}: {type_of(field)}"
        for name, field in schema["properties"].items()
    )
    return "{ " + "; ".join(fields) + " }"


def _either(types: Any) -> str:
    return " | ".join(dict.fromkeys(types))


if __name__ == "__main__":
    out = Path(sys.argv[1])
    out.parent.mkdir(exist_ok=True)
    out.write_text(declarations(json.loads(SCHEMA.read_text())))
