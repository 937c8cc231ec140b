"""The entries of the agenda in the published list of skeds. Pure."""

from __future__ import annotations

from itertools import accumulate
from typing import Any

from moontrim.remote.published.messages import encode, ms
from moontrim.state.agendaview import AgendaView, EntryView

COMING, OUTCOMES = 20, 10  # entries; chosen: what can be looked through on a phone
LARGEST_AGENDA_BYTES = 6000  # chosen: leaves more than half of the message to the skeds


def entry_list(agenda: AgendaView | None) -> list[dict[str, Any]]:
    """Returns the last outcomes and the entries to come, in order of time, as many as fit."""
    entries = () if agenda is None else agenda.entries
    outcomes = [one for one in entries if one.outcome][-OUTCOMES:]
    coming = [one for one in entries if not one.outcome][:COMING]
    plain = [_plain(one) for one in (*coming, *reversed(outcomes))]
    lengths = accumulate(len(encode(one)) + 1 for one in plain)
    fitting = sum(length <= LARGEST_AGENDA_BYTES for length in lengths)
    return sorted(plain[:fitting], key=lambda one: int(one["start_ms"]))


def _plain(entry: EntryView) -> dict[str, Any]:
    return {
        "id": entry.id,
        "sked": entry.sked,
        "band": entry.band,
        "start_ms": ms(entry.start_utc_s),
        "end_ms": ms(entry.end_utc_s),
        "outcome": entry.outcome,
    }
