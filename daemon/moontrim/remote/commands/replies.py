"""Replies to commands, and how messages become bytes. Pure."""

from __future__ import annotations

from typing import Any

from moontrim.remote.commands.payload import Refusal


def done(ident: str | int | None, changed: dict[str, Any]) -> dict[str, Any]:
    return {"ok": True, "id": ident, "result": changed}


def refused(ident: str | int | None, refusal: Refusal) -> dict[str, Any]:
    """With code `confirm`, `allowed` is the token of the second step."""
    error = {
        "code": refusal.code,
        "message": refusal.message,
        "field": refusal.field,
        "value": refusal.value,
        "allowed": refusal.allowed,
    }
    return {"ok": False, "id": ident, "error": error}
