"""A full disk and a read-only one, for real: a small file system in memory, mounted in a mount
namespace of its own (needs root or user namespaces; skipped without)."""

import asyncio
import json
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from moontrim.journal.writer import Writer
from support.journals import T0, journal_file, recorder, rows, seconds, utc_seconds
from support.processor import unloaded_s
from support.unshared import on_small_disk


def test_a_full_disk_is_survived_reported_and_recovered(tmp_path: Path) -> None:
    seen = on_small_disk(__file__, tmp_path, "full", "1m", 60)
    print(seen)
    assert seen["before"] == ""
    assert seen["full"].startswith("journal: disk full; ") and " s waiting" in seen["full"]
    assert 100 <= int(seen["full"].split()[3]) <= 1000
    assert seen["after"] == ""
    assert seen["found"] == seen["put"] == 1000, "what waited was written"
    assert seen["integrity"] == "ok"
    assert seen["longest_put_s"] < 0.1, "the disk held nobody up"


def test_a_read_only_disk(tmp_path: Path) -> None:
    seen = on_small_disk(__file__, tmp_path, "read_only", "1m", 60)
    print(seen)
    assert seen["refused"] == "journal: read-only file system; 200 s waiting"
    assert seen["after"] == ""
    assert seen["found"] == seen["put"] == 200
    assert seen["integrity"] == "ok"


# --- the scenes, in a process of their own --------------------------------------------------------


class Act:
    """A journal on the small disk, and how long handing over took at worst."""

    def __init__(self, folder: Path) -> None:
        self.writer = Writer(folder / "state", journal_file(folder / "state"))
        self.writer.start()
        self._recorder = recorder()
        self._count = 0
        self.results: dict[str, Any] = {"longest_put_s": 0.0}

    async def put(self, count: int, flush_every: int) -> None:
        for n, records in enumerate(seconds(self._recorder, T0 + self._count, count)):
            began_s = unloaded_s()
            self.writer.put(records)
            took_s = unloaded_s() - began_s
            self.results["longest_put_s"] = max(self.results["longest_put_s"], took_s)
            if n % flush_every == 0:
                await self.writer.flush()
        self._count += count
        await self.writer.flush()

    async def end(self, folder: Path) -> None:
        await self.writer.flush()
        self.results["after"] = self.writer.problem
        await self.writer.close()
        self.results["put"] = self._count
        self.results["found"] = len(utc_seconds(folder / "state"))
        ((self.results["integrity"],),) = rows(folder / "state", "PRAGMA integrity_check")


async def full(act: Act, folder: Path) -> None:
    await act.put(100, 10)
    act.results["before"] = act.writer.problem
    with (folder / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
        while True:
            ballast.write(bytes(512))
    await act.put(900, 100)
    act.results["full"] = act.writer.problem
    (folder / "ballast").unlink()


async def read_only(act: Act, folder: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    await act.put(200, 50)
    act.results["refused"] = act.writer.problem
    subprocess.run(["mount", "-o", "remount,rw", str(folder)], check=True)


async def main(scene: str, folder: Path) -> None:
    act = Act(folder)
    await {"full": full, "read_only": read_only}[scene](act, folder)
    await act.end(folder)
    print(json.dumps(act.results))


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], Path(sys.argv[2])))
