"""All targets by name, and the surfaces they belong to: those that the same attacker can reach."""

from __future__ import annotations

from fuzz import (
    calendars,
    connections,
    control,
    files,
    pages,
    programs,
    radios,
    typed,
    wires,
    witnesses,
)
from fuzz.target import Target

TARGETS: dict[str, Target] = {
    target.name: target
    for part in (
        *(wires, radios, programs, connections, control, pages, witnesses, files, calendars, typed),
    )
    for target in part.TARGETS
}

SURFACES: dict[str, tuple[str, ...]] = {
    "socket client": ("socket-answers", "socket-driver"),
    "socket server": ("share-lines", "share-clients"),
    "civ bus": ("civ-frames", "civ-exchange", "civ-driver"),
    "ascii bus": ("ascii-messages", "ascii-exchange", "ascii-driver"),
    "MQTT": ("mqtt-command", "mqtt-topics"),
    "page": ("http",),
    "control socket": ("control",),
    "GPS and time": ("nmea", "gpsd", "chrony"),
    "files and typing": (
        *("config", "session", "band-plan", "passwords", "recording", "earth-table", "calendar"),
        *("typed-commands", "place", "instant", "frequency"),
    ),
    "journal": ("journal",),
}
