"""The session on a full disk and on a read-only one, for real: a small file system in memory, in a
mount namespace of its own (needs root or user namespaces; skipped without)."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from moontrim.path import Ephemeris
from moontrim.session.commands import SetSked
from moontrim.session.sessionfile import NAME, load_session
from moontrim.state.snapshot import Tracking
from support.stage import SKED_HZ, Stage, play
from support.unshared import on_small_disk


@pytest.mark.parametrize("scene", ["full", "read_only"])
def test_it_runs_on_from_memory_and_the_old_session_stays(tmp_path: Path, scene: str) -> None:
    seen = on_small_disk(__file__, tmp_path, scene, "64k", 90)
    reason = {"full": "no space left on device", "read_only": "read-only file system"}[scene]
    assert reason in seen["problem"]
    assert seen["steady"], "on frequency all the while"
    assert seen["memory_hz"] == SKED_HZ + 2000, "the daemon has the new choice"
    assert seen["disk_hz"] == SKED_HZ + 1000, "the disk the old one, whole"
    assert seen["litter"] == [NAME], "nothing half-written is left"
    assert seen["after_problem"] is None and seen["after_hz"] == SKED_HZ + 3000, "and it recovers"


# --- the scenes, in a process of their own --------------------------------------------------------


def spoil(scene: str, folder: Path) -> None:
    if scene == "read_only":
        subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
        return
    with (folder / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
        while True:
            ballast.write(bytes(512))


def mend(scene: str, folder: Path) -> None:
    if scene == "read_only":
        subprocess.run(["mount", "-o", "remount,rw", str(folder)], check=True)
    else:
        (folder / "ballast").unlink()


def main(scene: str, folder: Path) -> None:
    seen: dict[str, Any] = {}
    state = folder / "state"

    async def act(s: Stage) -> None:
        settings = s.daemon.settings

        def on_disk_hz() -> float:
            return load_session(state, settings).band_choices(settings).sked_hz

        async def choose(hz: float, tried: Callable[[], bool]) -> None:
            await s.daemon.ask(SetSked("test", hz))
            while not tried():  # the disk is written by a thread, in real time
                await asyncio.sleep(0.01)
            await s.steady(2)

        await s.until(Tracking.ON_FREQUENCY, 5.0)
        await choose(SKED_HZ + 1000, lambda: on_disk_hz() == SKED_HZ + 1000)
        spoil(scene, folder)
        await choose(SKED_HZ + 2000, lambda: s.daemon.saver.problem is not None)
        seen["problem"] = s.daemon.saver.problem
        await s.steady(10)
        seen["steady"] = True
        seen["memory_hz"] = s.daemon.session.band_choices(settings).sked_hz
        seen["disk_hz"] = on_disk_hz()
        # A thread tries again now and then, in real time; what it began it takes away.
        while (litter := sorted(p.name for p in state.iterdir())) != [NAME]:
            await asyncio.sleep(0.01)
        seen["litter"] = litter
        mend(scene, folder)
        saver = s.daemon.saver
        await choose(
            SKED_HZ + 3000, lambda: saver.problem is None and on_disk_hz() == SKED_HZ + 3000
        )
        seen["after_problem"], seen["after_hz"] = s.daemon.saver.problem, on_disk_hz()

    play(state, Ephemeris.load(), act)
    print(json.dumps(seen))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
