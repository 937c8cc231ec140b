"""What tests of the agenda share: a station with skeds on three bands, two of them behind the same
transverter."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from moontrim.config.settings import Settings, settings_from
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.session.agenda import AgendaEntry, new_entry
from moontrim.session.agendacommands import AddToAgenda
from moontrim.session.session import Session, first_session

LOW = {  # behind the same transverter as 10 GHz
    "name": "432 MHz",
    "front_end": "10 GHz",
    "transverter_offset_hz": 288_000_000,
    "sked_hz": 432_070_000,
    "tx_low_hz": 432_000_000,
    "tx_high_hz": 433_000_000,
}
DIRECT = {
    "name": "144 MHz",
    "sked_hz": 144_120_000,
    "tx_low_hz": 144_000_000,
    "tx_high_hz": 146_000_000,
}
NORTH = {
    "name": "north",
    "band": "10 GHz",
    "sked_hz": 10_368_150_000,
    "partner": "KP20NF11AA",
    "agreement": "receiver",
}
ECHOES = {"name": "echoes", "band": "432 MHz", "sked_hz": 432_065_000}
PLAIN = {"name": "plain", "band": "144 MHz", "sked_hz": 144_130_000}
SKEDS: list[dict[str, Any]] = [NORTH, ECHOES, PLAIN]


def station(**tables: Any) -> Settings:
    """Returns the settings of the station. tables: changed ones."""
    raw = deepcopy(EMBEDDED) | {"skeds": SKEDS} | tables
    raw["bands"] += [LOW, DIRECT]
    return settings_from(raw, "test")


STATION = station()


def with_agenda(*entries: AgendaEntry, settings: Settings = STATION) -> Session:
    """Returns a first session with these entries, at which transmit is allowed."""
    first = first_session(settings).model_copy(update={"tx_allowed": True, "front_end": "10 GHz"})
    return AddToAgenda("test", entries).apply(first, settings)


def minutes(sked: str, start_utc_s: float, duration_min: float) -> AgendaEntry:
    """Returns an entry of so many minutes."""
    return new_entry(sked, start_utc_s, start_utc_s + 60.0 * duration_min)
