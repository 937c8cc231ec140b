"""The driver of DEVELOPERS.md is taken out of the guide, installed by its entry point, and kept on
frequency by the real daemon."""

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
    clock = VirtualClock(1_795_000_000.0)

    async def main() -> None:
        daemon = Daemon(settings, clock, ephemeris, seed=1)

        async def watch(daemon: Daemon) -> None:
            await clock.sleep(30.0)
            seen = daemon.hub.latest
            daemon.stop.set()
            assert seen is not None
            assert seen.tracking is Tracking.ON_FREQUENCY, seen.reason
            ideal = daemon.tracker.ideal(clock.utc_s())
            rx_hz, tx_hz = map(int, dials.read_text().split())
            assert rx_hz == pytest.approx(ideal.rx_hz, abs=0.8)
            assert tx_hz == pytest.approx(ideal.tx_hz, abs=0.8)

        await daemon.run(watch)

    clock.run(main())
    assert dials.read_text() == "1296100000 1296100000\n", "put back to the sked on exit"
    sys.modules.pop("textfile_driver", None)
