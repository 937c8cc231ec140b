"""What is acknowledged is on disk, and a permission to transmit outlives only an orderly end: on a
full, slow or read-only disk, and when the process or the power goes at any instant."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import shutil
import threading
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings
from moontrim.rehearsal.rehearsal import embedded_settings
from moontrim.session.commands import AllowTransmit, SetSked
from moontrim.session.saver import SAVE_S, SessionSaver
from moontrim.session.session import Session, first_session
from moontrim.session.sessionfile import MARK, NAME, UNUSABLE, load_session, save_session
from support.processor import within

SETTINGS = embedded_settings()
ALONE = SETTINGS.model_copy(
    update={"remote": SETTINGS.remote.model_copy(update={"enabled": False})}
)
PERMITTED = first_session(SETTINGS)
FORBIDDEN = AllowTransmit("test", False).apply(PERMITTED, SETTINGS)
CLOCK = SystemClock()


def saver_on(folder: Path, settings: Settings = SETTINGS) -> SessionSaver:
    return SessionSaver(folder, settings, CLOCK)


async def running(saver: SessionSaver, scene: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Runs a scene beside a saver, which is killed at its end: nothing more is written."""
    task = asyncio.create_task(saver.run())
    try:
        async with within(20.0):
            await scene()
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def ended_in_order(folder: Path, session: Session = PERMITTED) -> None:
    async def main() -> None:
        saver = saver_on(folder)
        await saver.begin()
        saver.put(session)
        await saver.finish()

    asyncio.run(main())
    assert (folder / MARK).exists()


def begins(folder: Path, settings: Settings = SETTINGS) -> bool:
    """Whether a start on this folder allows transmit. Leaves the folder as it is."""
    return saver_on(folder, settings).loaded.tx_allowed


def refuse(monkeypatch: pytest.MonkeyPatch, *names: str, number: int = errno.ENOSPC) -> None:
    """Has calls of the operating system fail as on a disk that is full, or read-only."""

    def refused(*given: Any, **more: Any) -> Any:
        raise OSError(number, os.strerror(number))

    for name in names:
        monkeypatch.setattr(os, name, refused)


# --- acknowledged -------------------------------------------------------------------------------


def test_a_change_counts_as_saved_only_once_file_and_folder_are_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save_session(tmp_path, PERMITTED)
    may_sync, calls = threading.Semaphore(0), list[str]()
    fsync, replace = os.fsync, os.replace

    def slow_fsync(descriptor: int) -> None:
        assert may_sync.acquire(timeout=20.0)
        calls.append("folder" if Path(f"/proc/self/fd/{descriptor}").is_dir() else "file")
        fsync(descriptor)

    def noted_replace(*given: Any) -> None:
        calls.append("replace")
        replace(*given)

    async def main() -> None:
        saver = saver_on(tmp_path)

        async def scene() -> None:
            saver.put(FORBIDDEN)
            waiting = asyncio.create_task(saver.unsaved(CLOCK))
            for step in ("file", "folder"):
                await asyncio.sleep(0.05)
                assert not waiting.done(), f"acknowledged before the fsync of the {step}"
                may_sync.release()
            assert await waiting == ""
            assert calls == ["file", "replace", "folder"]
            assert not load_session(tmp_path, SETTINGS).tx_allowed

        await running(saver, scene)

    monkeypatch.setattr(os, "fsync", slow_fsync)
    monkeypatch.setattr(os, "replace", noted_replace)
    asyncio.run(main())


def test_a_disk_that_refuses_or_is_slow_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asleep = threading.Event()
    fsync = os.fsync

    async def main() -> None:
        saver = saver_on(tmp_path)
        await saver.begin()

        async def scene() -> None:
            with monkeypatch.context() as full:
                refuse(full, "fsync")
                saver.put(FORBIDDEN)
                assert "no space left" in await saver.unsaved(CLOCK)
            assert "no space left" in await saver.unsaved(CLOCK), "nor has it been saved since"
            saver.put(FORBIDDEN)
            assert await saver.unsaved(CLOCK) == "", "a newer change is tried at once"
            monkeypatch.setattr(os, "fsync", lambda fd: (asleep.wait(20.0), fsync(fd)))
            saver.put(PERMITTED)
            began_s = CLOCK.monotonic_s()
            assert "no reply from the disk" in await saver.unsaved(CLOCK)
            assert CLOCK.monotonic_s() - began_s < SAVE_S + 2.0
            asleep.set()
            assert await saver.unsaved(CLOCK) == ""

        await running(saver, scene)

    asyncio.run(main())


def test_one_that_is_stopped_while_it_writes_saves_the_newest_and_then_marks_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fsync = os.fsync
    newest = SetSked("test", SETTINGS.bands[0].sked_hz + 10.0).apply(PERMITTED, SETTINGS)

    async def main() -> None:
        saver = saver_on(tmp_path)
        await saver.begin()
        monkeypatch.setattr(os, "fsync", lambda fd: (threading.Event().wait(0.05), fsync(fd)))

        async def scene() -> None:
            saver.put(FORBIDDEN)
            await asyncio.sleep(0.02)
            saver.put(newest)

        await running(saver, scene)
        await saver.finish()

    asyncio.run(main())
    assert load_session(tmp_path, SETTINGS) == newest
    assert begins(tmp_path)


# --- the next start -----------------------------------------------------------------------------


def test_the_first_start_permits_and_so_does_one_after_an_orderly_end(tmp_path: Path) -> None:
    assert begins(tmp_path / "none yet")
    ended_in_order(tmp_path)
    assert begins(tmp_path)
    ended_in_order(tmp_path, FORBIDDEN)
    assert not begins(tmp_path), "forbidden stays forbidden"


def test_killed_the_next_start_is_inhibited_until_permitted(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def killed(*sessions: Session) -> None:
        saver = saver_on(tmp_path)
        assert await saver.begin()
        assert not saver.allow_refused()
        for session in sessions:
            saver.put(session)
            await saver.flush()

    asyncio.run(killed())
    assert json_permits(tmp_path) and not begins(tmp_path)
    assert "transmit inhibited: last run not ended in order" in caplog.text
    asyncio.run(killed(PERMITTED))
    assert not begins(tmp_path)
    assert not begins(tmp_path, ALONE), "without phones, too: `moontrim forbid` may have forbidden"


def json_permits(folder: Path) -> bool:
    return load_session(folder, SETTINGS).tx_allowed


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS])
def test_forbidden_on_a_disk_that_refuses_it_stays_forbidden_after_a_kill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    ended_in_order(tmp_path)

    async def main() -> None:
        saver = saver_on(tmp_path)
        assert saver.loaded.tx_allowed and await saver.begin()
        refuse(monkeypatch, "open", "fsync", "unlink", "replace", number=number)
        saver.put(FORBIDDEN)
        await saver.flush()
        await saver.finish()
        assert saver.problem

    asyncio.run(main())
    monkeypatch.undo()
    assert json_permits(tmp_path), "what is on disk is from before"
    assert not begins(tmp_path)


def test_on_a_full_disk_the_mark_is_removed_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended_in_order(tmp_path)
    refuse(monkeypatch, "replace")  # nothing new, but removing works

    async def main() -> None:
        saver = saver_on(tmp_path)
        assert await saver.begin() and saver.loaded.tx_allowed

    asyncio.run(main())
    assert not begins(tmp_path)


@pytest.mark.parametrize("first", [True, False])
def test_a_disk_that_refuses_at_the_start_inhibits_until_it_is_writable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first: bool
) -> None:
    monkeypatch.setattr("moontrim.session.saver.RETRY_S", 0.05)
    if not first:
        ended_in_order(tmp_path)

    async def main() -> None:
        saver = saver_on(tmp_path)
        assert saver.loaded.tx_allowed
        with monkeypatch.context() as read_only:
            refuse(read_only, "open", "unlink", "replace", number=errno.EROFS)
            assert not await saver.begin()
        assert "read-only file system" in saver.allow_refused()
        assert "not writable" in saver.inhibited

        async def scene() -> None:
            while saver.allow_refused():
                await asyncio.sleep(0.01)

        await running(saver, scene)
        saver.put(PERMITTED)
        assert not saver.inhibited

    asyncio.run(main())
    assert not begins(tmp_path), "killed"


def test_a_slow_disk_at_the_start_inhibits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("moontrim.session.saver.START_S", 0.05)
    go_on, fsync = threading.Event(), os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (go_on.wait(20.0), fsync(fd)))

    async def main() -> None:
        saver = saver_on(tmp_path)
        assert not await saver.begin()
        assert "no reply from the disk" in saver.allow_refused()
        go_on.set()
        await saver.finish()
        assert not saver.allow_refused()

    asyncio.run(main())


def test_a_session_set_aside_is_no_first_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Set aside on a full disk, nothing takes its place: it may have forbidden."""
    (tmp_path / NAME).write_bytes(b"{")
    refuse(monkeypatch, "fsync")

    async def main() -> None:
        saver = saver_on(tmp_path)
        await saver.begin()
        assert not saver.loaded.tx_allowed

    asyncio.run(main())
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == [UNUSABLE]
    assert not begins(tmp_path)


# --- at any instant -----------------------------------------------------------------------------


class Killed(BaseException):
    """The process is gone, before one of its calls of the operating system."""


class Machine:
    """Ends at a call. power: whether what no fsync of the folder has made durable is lost too."""

    def __init__(self, folder: Path, at_call: int, *, power: bool) -> None:
        self.folder, self.left, self.power = folder, at_call, power
        self.durable = folder.with_name("durable")
        self.acknowledged = True  # permitted, by the last one that was acknowledged
        self.dead = False

    def install(self, patch: pytest.MonkeyPatch) -> None:
        for name in ("open", "fsync", "unlink", "replace"):
            patch.setattr(os, name, self._counted(getattr(os, name), name))

        async def inline(call: Callable[..., Any], *given: Any) -> Any:
            return call(*given)

        patch.setattr(asyncio, "to_thread", inline)

    def _counted(self, call: Callable[..., Any], name: str) -> Callable[..., Any]:
        def counted(*given: Any, **more: Any) -> Any:
            if self.left == 0 or self.dead:
                self.dead = True
                raise Killed
            self.left -= 1
            done = call(*given, **more)
            if name == "fsync" and Path(f"/proc/self/fd/{given[0]}").is_dir():
                self.keep()
            return done

        return counted

    def keep(self) -> None:
        """What is in the folder now outlives a power cut."""
        with pytest.MonkeyPatch.context() as patch:
            for name, call in ORIGINAL.items():
                patch.setattr(os, name, call)
            shutil.rmtree(self.durable, ignore_errors=True)
            shutil.copytree(self.folder, self.durable)

    def restore(self) -> None:
        if self.power:
            shutil.rmtree(self.folder)
            shutil.copytree(self.durable, self.folder)


ORIGINAL = {name: getattr(os, name) for name in ("open", "fsync", "unlink", "replace")}


@pytest.mark.parametrize("power", [False, True])
def test_gone_at_any_call_it_comes_back_inhibited_or_as_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, power: bool
) -> None:
    """Starts, forbids, permits, forbids and ends in order; ends before each call in turn."""

    async def night(machine: Machine) -> None:
        saver = saver_on(machine.folder)
        machine.acknowledged = saver.loaded.tx_allowed
        await saver.begin()
        for session in (FORBIDDEN, PERMITTED, FORBIDDEN, PERMITTED):
            saver.put(session)
            await saver.flush()
            if not await saver.unsaved(CLOCK):
                machine.acknowledged = session.tx_allowed
        await saver.finish()

    came_back = []
    for at_call in range(200):
        folder = tmp_path / f"{at_call}" / "state"
        folder.mkdir(parents=True)
        ended_in_order(folder)
        machine = Machine(folder, at_call, power=power)
        machine.keep()
        with monkeypatch.context() as patch:
            machine.install(patch)
            with contextlib.suppress(Killed):
                asyncio.run(night(machine))
        machine.restore()
        permitted = begins(folder)
        assert machine.acknowledged or not permitted, f"permitted after call {at_call}"
        came_back.append(permitted)
        if not machine.dead:
            break
    assert came_back[0] and came_back[-1], "before the start and after the orderly end permitted"
    first = came_back.index(False)
    last = len(came_back) - 1 - came_back[::-1].index(False)
    assert last - first > 20 and True not in came_back[first:last], "and in between inhibited"
