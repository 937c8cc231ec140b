"""What a command imports before it does anything. `moontrim unkey` runs when the daemon has died,
while the radio may still be transmitting, so it must not wait for what only others need."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

from moontrim import path
from support.moontrim_process import ENVIRONMENT

HEAVY = {
    "aiohttp",
    "aiomqtt",
    "astropy_iers_data",
    "icalendar",
    "jinja2",
    "jplephem",
    "matplotlib",
    "numpy",
    "rich",
    "scipy",
    "skyfield",
    "soundfile",
    "tomlkit",
}
# All that a config may say of places, and keying that the simulated radio can follow.
CONFIG = """
[home]
locator = "JN88DD55AA"
[partner]
latitude_deg = 60.0
longitude_deg = 25.0
[equipment]
horizon = [[0, 2], [90, 6]]
[equipment.bands."10 GHz"]
dish_diameter_m = 1.2
[[partners]]
name = "north"
locator = "KP20NF11AA"
[forecast.bands."10 GHz"]
max_spread_hz = 15
[[bands]]
name = "10 GHz"
sked_hz = 10_368_100_000
tx_low_hz = 10_368_000_000
tx_high_hz = 10_370_000_000
[keying]
enabled = true
[[keying.outputs]]
kind = "simulated"
name = "relay"
settle_ms = 1
[[keying.outputs]]
kind = "radio"
release_ms = 30
"""
RUN = """
import json, sys
from moontrim.cli.main import main
try:
    code = main(sys.argv[1:])
except SystemExit as ended:
    code = ended.code
print()
print(json.dumps([code, sorted(sys.modules)]))
"""


def imported_by(*arguments: str) -> tuple[str, set[str]]:
    """What a command that must succeed prints, and every module there is afterwards."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, *arguments],
        env=ENVIRONMENT, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    *lines, last = done.stdout.splitlines()
    code, modules = json.loads(last)
    assert code == 0, done.stderr
    return "\n".join(lines), set(modules)


def test_what_is_called_heavy_is_there_to_be_imported() -> None:
    assert all(find_spec(name) for name in HEAVY)


def test_unkey_imports_nothing_heavy(tmp_path: Path) -> None:
    config = tmp_path / "station.toml"
    config.write_text(CONFIG)
    said, modules = imported_by("unkey", "--config", str(config))
    assert "radio: off" in said and "relay: off" in said
    assert "moontrim.keying.unkey" in modules
    assert not modules & HEAVY


def test_help_imports_no_command() -> None:
    said, modules = imported_by("--help")
    assert "unkey" in said and "start here" in said
    assert not modules & (HEAVY | {"asyncio", "pydantic"})
    imported = {name for name in modules if name.startswith("moontrim.cli.")}
    assert imported == {"moontrim.cli.main", "moontrim.cli.parser"}


def test_path_has_the_names_it_promises_and_no_others() -> None:
    assert all(hasattr(path, name) for name in path.__all__)
    assert not hasattr(path, "nosuch")
