"""What a seed determines: a station, its radio's habits, the start, and the faults that may occur.
Pure but for the random generator it takes."""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from moontrim.config.settings import Settings, settings_from
from moontrim.path import Ephemeris, moon_from, parse_site

# An invented pair: the first is the simulated station, the others are who it may talk to.
HOME = "JN88DD55AA"
PARTNERS = ("self", "KP20NF11AA", "IM12MR55MM", "FN31AA00AA", "QF56OD44KK")
FIRST_UTC_S, DAYS = 1_790_000_000.0, 60  # September 2026
GRID_S = 600.0

BANDS: dict[str, dict[str, Any]] = {
    "144 MHz": {
        "sked_hz": 144_120_000,
        "tx_low_hz": 144_000_000,
        "tx_high_hz": 146_000_000,
    },
    "432 MHz": {
        "sked_hz": 432_070_000,
        "tx_low_hz": 432_000_000,
        "tx_high_hz": 433_000_000,
    },
    "1296 MHz": {
        "sked_hz": 1_296_100_000,
        "tx_low_hz": 1_296_000_000,
        "tx_high_hz": 1_297_000_000,
    },
    "10 GHz": {
        "sked_hz": 10_368_100_000,
        "tx_low_hz": 10_368_000_000,
        "tx_high_hz": 10_370_000_000,
        "transverter_offset_hz": 10_224_000_000,
    },
}


class Mix(NamedTuple):
    """What runs are drawn from, each entry as often as it occurs. calm: factor on the times between
    faults, overs and commands, 1 for the wildest. contacts: the share of runs with contacts, which
    take long because they are read fifty times a second."""

    name: str
    first_bands: tuple[str, ...]
    calm: tuple[float, ...]
    poll_s: tuple[float, ...]
    contacts: float


# One run in thirty-two wild, two unquiet; in the others most seconds pass as in a real night. Most
# hours on the band with the fewest steps: those are the cheapest to simulate.
QUIET = Mix(
    "quiet",
    ("144 MHz",) * 108 + ("432 MHz",) * 8 + ("1296 MHz",) * 8 + ("10 GHz",),
    (1.0,) + (6.0,) * 2 + (60.0,) * 29,
    (5.0,) * 60 + (2.0, 2.0, 0.5),
    0.005,
)
# What finds most in an hour, and takes ten times as long for it.
WILD = Mix("wild", tuple(BANDS), (1.0, 1.0, 3.0), (5.0, 2.0, 0.5, 0.2), 0.05)
MIXES = {mix.name: mix for mix in (QUIET, WILD)}


@dataclass(frozen=True)
class Plan:
    """One run. kinds: of the faults that may occur. calm: as in `Mix`."""

    seed: int
    settings: Settings
    start_utc_s: float
    duration_s: float
    kinds: tuple[str, ...]
    keyed_by_line: bool
    contacts: bool
    calm: float

    def describe(self) -> str:
        radio, keying = self.settings.radio, self.settings.keying
        band = self.settings.bands[0]
        return (
            f"seed {self.seed}: {self.duration_s / 3600:g} h from {self.start_utc_s:.2f} on "
            f"{band.name}, {self.settings.defaults.agreement}, {band.while_transmitting}, "
            f"{radio.on_manual_tuning}, keying {keying.enabled}, options {radio.options}, "
            f"calm {self.calm:g}, misfortunes: {', '.join(self.kinds)}"
        )


def draw(
    seed: int,
    folder: str,
    duration_s: float,
    kinds: tuple[str, ...],
    ephemeris: Ephemeris,
    mix: Mix = QUIET,
) -> Plan:
    """Draws everything that is decided before the run. kinds: all there are; a quarter is
    enabled."""
    chance = random.Random(f"plan {seed}")
    keying = chance.random() < 0.75
    split = chance.random() < 0.8
    by_line = keying and chance.random() < 0.25
    reports = by_line or chance.random() < 0.9
    contacts = chance.random() < mix.contacts
    first = chance.choice(mix.first_bands)
    names = [first, *(name for name in BANDS if name != first and name != "10 GHz")]
    if chance.random() < 0.1 and first != "10 GHz":
        names.append("10 GHz")
    retunes = chance.random() < 0.5
    habits = {
        "split": split,
        "latency_s": chance.choice([0.0, 0.005, 0.03, 0.03]),
        "effect_fraction": chance.choice([0.0, 0.5, 1.0]),
        "retunes_while_transmitting": retunes,
        "reports_transmit": reports,
        "sets_power": chance.random() < 0.8,
        "seed": seed,
    }
    policies = ("hold", "mid_over", "step") if retunes else ("hold", "mid_over")
    raw = {
        "home": {"locator": HOME, "height_m": 300.0},
        "partner": _partner(partner := chance.choice(PARTNERS)),
        "bands": [_band(name, chance, policies) for name in names],
        "radio": {
            "driver": "simulated",
            "options": habits,
            "poll_s": chance.choice(mix.poll_s),
            "on_manual_tuning": chance.choice(["follow", "restore"]),
            "on_exit": chance.choice(["sked", "leave"]),
        },
        "defaults": {
            "agreement": _agreement(partner, chance),
        },
        "keying": _keying(chance, by_line=by_line) if keying else {},
        "equipment": {"min_elevation_deg": 0.0},
        "remote": {"enabled": True},
        "state_dir": folder,
        "troposphere": chance.random() < 0.25,
    }
    usable = [kind for kind in kinds if contacts or kind != "contact chatter"]
    enabled = tuple(kind for kind in usable if chance.random() < 0.25)
    return Plan(
        seed=seed,
        settings=settings_from(raw, "soak"),
        start_utc_s=_start(chance, ephemeris, duration_s),
        duration_s=duration_s,
        kinds=enabled or (chance.choice(usable),),
        keyed_by_line=by_line,
        contacts=contacts,
        calm=chance.choice(mix.calm),
    )


def _agreement(partner: str, chance: random.Random) -> str:
    agreement = chance.choice(["halves", "halves", "receiver", "transmitter", "home"])
    return "transmitter" if partner == "self" and agreement == "home" else agreement


def _partner(text: str) -> Any:
    return text if text == "self" else {"locator": text, "height_m": 60.0}


def _band(name: str, chance: random.Random, policies: tuple[str, ...]) -> dict[str, Any]:
    band = {"name": name, "while_transmitting": chance.choice(policies), **BANDS[name]}
    if "transverter_offset_hz" in band or chance.random() < 0.3:
        band["drive_ceiling"] = chance.choice([0.1, 0.2])
    if chance.random() < 0.3:
        band["mode"] = "USB"
    return band


def _keying(chance: random.Random, *, by_line: bool) -> dict[str, Any]:
    relays = [
        {
            "kind": "simulated",
            "name": f"relay {index}",
            "settle_ms": chance.choice([0, 30, 100, 800]),
            "release_ms": chance.choice([0, 30, 50]),
        }
        for index in range(chance.choice([0, 1, 2, 2, 3]))
    ]
    key: dict[str, Any] = {"release_ms": chance.choice([10, 20, 50])}
    if by_line:
        key |= {"kind": "simulated", "name": "key line", "keys_radio": True, "settle_ms": 10}
    else:
        key |= {"kind": "radio"}
    return {
        "enabled": True,
        "outputs": [*relays, key],
        "min_tx_elevation_deg": 5.0,
        "longest_over_s": chance.choice([5.0, 20.0, 60.0]),
    }


def _start(chance: random.Random, ephemeris: Ephemeris, duration_s: float) -> float:
    """Draws the start: half of the runs across a rise or a set of the Moon at the keying's limit,
    most others with the Moon up. Always within a second, not at its beginning."""
    elevation_deg = _elevation_deg(ephemeris)
    up = elevation_deg > 5.0
    cells = max(1, int(duration_s / GRID_S))
    if chance.random() < 0.5:
        edges = np.flatnonzero(up[1:] != up[:-1])
        cell = int(chance.choice(edges.tolist())) - chance.randrange(cells)
    else:
        cell = int(chance.choice(np.flatnonzero(up).tolist()))
    return FIRST_UTC_S + max(0, cell) * GRID_S + chance.uniform(0.0, GRID_S)


@lru_cache(maxsize=2)
def _elevation_deg(ephemeris: Ephemeris) -> Any:
    utc_s = FIRST_UTC_S + np.arange(0.0, DAYS * 86400.0, GRID_S)
    return moon_from(ephemeris, parse_site(HOME, "home"), utc_s).elevation_deg
