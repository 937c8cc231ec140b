"""DEVELOPERS.md is true: its map is that of the tree, it is short, and its driver, installed by its
entry point, is kept on frequency by the real daemon."""

import importlib
import re
import sys
import textwrap
import tomllib
from pathlib import Path

import pytest

from moontrim.app.daemon import Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.config.settings import settings_from
from moontrim.path import Ephemeris
from moontrim.state.snapshot import Tracking
from moontrim_drivers import registry
from support.tree import ROOT

GUIDE = ROOT / "DEVELOPERS.md"
MOST_BYTES = 16_000  # chosen: what a newcomer reads in one go


def blocks(language: str) -> list[str]:
    section = GUIDE.read_text().split("## Write a driver", 1)[1].split("\n## ", 1)[0]
    return [
        textwrap.dedent(block)
        for block in re.findall(
            rf"^ *```{language}\n(.*?)^ *```", section, re.DOTALL | re.MULTILINE
        )
    ]


def test_the_guides_driver_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ephemeris: Ephemeris
) -> None:
    (module,) = blocks("python")
    entry, config = blocks("toml")
    (tmp_path / "textfile_driver.py").write_text(module)
    declared = tomllib.loads(entry)["project"]["entry-points"]["moontrim.drivers"]
    installed = tmp_path / "textfile_driver-1.0.dist-info"
    installed.mkdir()
    (installed / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: textfile-driver\nVersion: 1.0\n"
    )
    lines = "".join(f"{name} = {target}\n" for name, target in declared.items())
    (installed / "entry_points.txt").write_text(f"[moontrim.drivers]\n{lines}")
    monkeypatch.syspath_prepend(str(tmp_path))
    importlib.invalidate_caches()
    monkeypatch.setattr(registry, "_targets", registry._targets.__wrapped__)
    monkeypatch.chdir(tmp_path)
    dials = tmp_path / "dials.txt"
    dials.write_text("1 1\n")

    settings = settings_from(
        tomllib.loads(config) | {"state_dir": str(tmp_path / "state")}, "guide"
    )
    clock = VirtualClock(1_795_020_000.0)  # the Moon is up at both ends

    async def main() -> None:
        daemon = Daemon(settings, clock, ephemeris, seed=1)

        async def watch(daemon: Daemon) -> None:
            await clock.sleep(30.0)
            snapshot = daemon.hub.latest
            daemon.stop.set()
            assert snapshot is not None
            assert snapshot.tracking is Tracking.ON_FREQUENCY, snapshot.reason
            ideal = daemon.planning.ideal(clock.utc_s())
            rx_hz, tx_hz = map(int, dials.read_text().split())
            assert rx_hz == pytest.approx(ideal.rx_hz, abs=0.8)
            assert tx_hz == pytest.approx(ideal.tx_hz, abs=0.8)

        await daemon.run(watch)

    clock.run(main())
    assert dials.read_text() == "1296100000 1296100000\n", "put back to the sked on exit"
    sys.modules.pop("textfile_driver", None)


def floors_of_map(text: str) -> list[set[str]]:
    """The rooms of each floor in the guide's map, from the top down; a row without a number is on
    the floor of the row above it."""
    floors: list[set[str]] = []
    for number, room in re.findall(r"^\| (\d+ )?\| (\w+) \| ", text, re.MULTILINE):
        if number:
            floors.append(set())
        floors[-1].add(room)
    return floors


def floors_of_contract(layers: list[str]) -> list[set[str]]:
    """The same of import-linter's layers."""
    return [{room.strip() for room in layer.split("|")} for layer in layers]


def test_the_map_is_the_house() -> None:
    text = GUIDE.read_text()
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
    (layers,) = [one["layers"] for one in contracts["contracts"] if one["name"].startswith("rooms")]
    assert floors_of_map(text) == floors_of_contract(layers)[1:], "all below __main__"
    numbers = [int(number) for number in re.findall(r"^\| (\d+) \|", text, re.MULTILINE)]
    assert numbers == list(range(len(layers) - 1, 0, -1))
    drivers = ROOT / "drivers" / "moontrim_drivers"
    rooms = {
        path.stem + "/" * path.is_dir() for path in drivers.iterdir() if path.suffix != ".typed"
    }
    assert {room for room in rooms if room[0] != "_" and f"`{room}`" not in text} == set()


def test_another_map_is_detected() -> None:
    house = floors_of_contract(["cli", "rig | tuning", "clock"])
    head = "| floor | room | what |\n| --- | --- | --- |\n| 3 | cli | x |\n| 2 | rig | x |\n"
    assert floors_of_map(head + "| | tuning | x |\n| 1 | clock | x |\n") == house
    assert floors_of_map(head + "| 2 | tuning | x |\n| 1 | clock | x |\n") != house
    assert floors_of_map(head + "| | tuning | x |\n| | clock | x |\n") != house
    assert floors_of_map(head + "| 1 | clock | x |\n") != house


def test_it_can_be_read_once() -> None:
    assert GUIDE.stat().st_size <= MOST_BYTES
