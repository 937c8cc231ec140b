"""The message of all skeds and of the agenda. Pure."""

from __future__ import annotations

from itertools import accumulate
from typing import Any

from moontrim.remote.published.agendalist import entry_list
from moontrim.remote.published.messages import encode
from moontrim.state.snapshot import Snapshot

LARGEST = 15_000  # bytes; chosen: below the largest packet of the broker, 16 KiB


def listed(now: Snapshot) -> object:
    """Returns what the message depends on."""
    return now.skeds, now.made, now.sked_problems, now.agenda.entries if now.agenda else ()


def sked_list(now: Snapshot) -> dict[str, Any]:
    """Returns the message, the skeds of the config first. Where it would become too long, the notes
    are left out, and then the last skeds; `more` is their number."""
    problems = dict(now.sked_problems)
    skeds: list[dict[str, Any]] = [
        {
            "name": sked.name,
            "band": sked.band,
            "sked_hz": sked.sked_hz,
            "tx_sked_hz": sked.tx_sked_hz,
            "partner": sked.partner,
            "agreement": sked.agreement,
            "over_s": sked.over_s,
            "note": sked.note,
            "made": sked.name in now.made,
            "problem": problems.get(sked.name, ""),
        }
        for sked in now.skeds
    ]
    agenda = entry_list(now.agenda)
    message = {"skeds": skeds, "agenda": agenda, "more": 0}
    if len(encode(message)) > LARGEST:
        skeds = [one | {"note": ""} for one in skeds]
        lengths = accumulate(len(encode(one)) + 1 for one in skeds)
        room = LARGEST - 100 - len(encode(agenda))
        fitting = sum(length < room for length in lengths)
        message |= {"skeds": skeds[:fitting], "more": len(skeds) - fitting}
    return message
