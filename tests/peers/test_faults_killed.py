"""`moontrim run` killed with SIGKILL at random moments, again and again: at its start, on
frequency, while it saves, while relays move and while it keys the radio.

The radio is on a pseudo-terminal of this process, so that it survives; the key is asked for through
the share, as another program does. How long it takes to be back is judged by the dials of the radio
and the exact path. 8 kills; with MOONTRIM_LONG=1, 200."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import random
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]
import pytest

from moontrim.config.settings import Settings, load_settings
from moontrim.path import Ephemeris
from moontrim.remote.commands.permitting import PermitQuestion
from moontrim.remote.wire.controlsocket import NotRunning, request_permit, request_question
from moontrim.session.session import Session
from moontrim.session.sessionfile import NAME, load_session
from moontrim_drivers.simulated.pty import SimPty
from support.effort import MOST
from support.keyed_station import OFFSET_HZ, SKED_HZ, Ideal, station_config
from support.moontrim_process import ENVIRONMENT, LEAST_CONFIG
from support.moonup import under_the_moon
from support.processor import all_waited_for_processor_s, waited_for_processor_s, within
from support.rigctld import free_port
from support.serial_bench import serial_radio

pytestmark = pytest.mark.peers

STATIONS = 4 if MOST else 2  # at a time
KILLS = 50 if MOST else 4  # of each
BACK_S = 3.0  # from the start of the process, less what it waited for a processor
RIGHT_HZ = 2.0  # the dials move by 1 Hz in a second
GIVE_UP_S = 300.0 if MOST else 60.0
RELAYS_S = 0.3
LET_GO_S = 2.0  # chosen: much longer than a child takes from its making to its own program
UNTIL_SAVED_S = 1.0  # a change older than this is on disk
TURNED_HZ = -5000
OUTPUTS = """
[[keying.outputs]]
kind = "simulated"
name = "waveguide switch"
settle_ms = 200
[[keying.outputs]]
kind = "simulated"
name = "amplifier"
settle_ms = 100
[[keying.outputs]]
kind = "radio"
"""
MOMENTS = ("keyed", "saving", "starting", "relays", "keyed", "steady")


@dataclass
class Asked:
    """A sked frequency that was asked for, and since when it is known to have been taken."""

    hz: float
    taken_s: float | None = None
    waited_s: float = 0.0  # that the daemon had by then, for a processor


@dataclass
class Victim:
    """The config, the radio, and the daemon that lives now."""

    config: Path
    state: Path
    settings: Settings
    line: SimPty
    share_port: int
    ideal: Ideal
    draw: random.Random
    asked: list[Asked]
    may_key: bool = False
    lived_before: bool = False  # so that it was killed
    faults: list[str] = field(default_factory=list)
    back_s: list[float] = field(default_factory=list)
    wall_s: list[float] = field(default_factory=list)
    unkeyed_s: list[float] = field(default_factory=list)
    keyed_kills: int = 0
    process: asyncio.subprocess.Process | None = None
    _writer: asyncio.StreamWriter | None = None
    _reader: asyncio.StreamReader | None = None

    def changed(self, at_s: float, rx_hz: int, tx_hz: int | None, transmitting: bool) -> None:
        if transmitting and not self.may_key:
            self.faults.append("keyed, and nobody had asked")
        if not self.settings.bands[0].band().allows(OFFSET_HZ + float(tx_hz or rx_hz)):
            self.faults.append(f"transmit dial {tx_hz} outside the range")

    async def start(self) -> None:
        self.lived_before = (self.state / NAME).exists()
        with (self.config.parent / "log").open("ab") as log:
            self.process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "moontrim", "run", "--quiet"),
                *("--config", str(self.config)),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=ENVIRONMENT,
                start_new_session=True,  # as a service manager starts it
            )

    def session(self) -> Session:
        return load_session(self.state, self.settings)

    async def back(self, began_s: float) -> None:
        """Wait until the radio receives and both dials are right, and note how long that took."""
        assert self.process is not None
        sked_hz = self.session().band_choices(self.settings).sked_hz
        radio, was_keyed = self.line.radio, self.line.radio.transmitting
        while True:
            took_s = time.monotonic() - began_s
            if was_keyed and not radio.transmitting:
                was_keyed = False
                self.unkeyed_s.append(took_s)
            rx_hz, tx_hz = self.ideal.dials_hz(sked_hz, time.time())
            at_rx_hz, at_tx_hz = radio.rx_dial_hz, radio.tx_dial_hz
            if (
                not radio.transmitting
                and at_tx_hz is not None
                and max(abs(at_rx_hz - rx_hz), abs(at_tx_hz - tx_hz)) <= RIGHT_HZ
            ):
                break
            assert took_s < GIVE_UP_S, (at_rx_hz - rx_hz, at_tx_hz, self.log())
            assert self.process.returncode is None, self.log()
            await asyncio.sleep(0.01)
        self.wall_s.append(took_s)
        self.back_s.append(took_s - waited_for_processor_s(self.process.pid))

    def log(self) -> str:
        return (self.config.parent / "log").read_text()[-4000:]

    async def tell(self, command: str) -> None:
        """Through the share, which may open a moment after the dials are right."""
        if self._writer is None:
            deadline_s = time.monotonic() + GIVE_UP_S
            while True:
                try:
                    opened = await asyncio.open_connection("127.0.0.1", self.share_port)
                    break
                except ConnectionError:
                    assert time.monotonic() < deadline_s, self.log()
                    await asyncio.sleep(0.02)
            self._reader, self._writer = opened
        self._writer.write(f"{command}\n".encode())

    async def answer(self) -> str:
        assert self._reader is not None
        async with within(GIVE_UP_S):
            return (await self._reader.readline()).decode().strip()

    def hang_up(self) -> None:
        if self._writer is not None:
            self._writer.transport.abort()
            self._writer = self._reader = None

    async def permit(self) -> None:
        """As the operator does: after a kill transmit is inhibited, also without phones."""
        deadline_s = time.monotonic() + GIVE_UP_S
        while True:
            assert time.monotonic() < deadline_s, self.log()
            try:
                answer = await asyncio.to_thread(request_question, self.state)
            except NotRunning:
                await asyncio.sleep(0.02)
                continue
            if isinstance(answer, PermitQuestion) or answer.ok:
                break
            await asyncio.sleep(0.02)
        assert isinstance(answer, PermitQuestion) is self.lived_before
        if isinstance(answer, PermitQuestion):
            outcome = await asyncio.to_thread(request_permit, self.state, answer.token)
            assert outcome.ok and "not saved" not in outcome.text, outcome

    async def key(self) -> None:
        """The dials may be right a moment before moontrim knows."""
        deadline_s = time.monotonic() + GIVE_UP_S
        said = ""
        while said != "RPRT 0":
            await self.tell("T 1")
            said = await self.answer()
            assert said and time.monotonic() < deadline_s, (said, self.process, self.log())
            await asyncio.sleep(0.02)
        assert self.line.radio.transmitting

    # --- when it is killed --------------------------------------------------------------------

    async def at_a_moment(self, moment: str, began_s: float) -> None:
        """Live until then. But for `starting`, on frequency first."""
        if moment == "starting":
            longest_s = max(self.wall_s, default=2.0)
            await asyncio.sleep(self.draw.uniform(0.0, longest_s))
            return
        await self.back(began_s)
        match moment:
            case "steady":
                await asyncio.sleep(self.draw.uniform(0.0, 1.0))
            case "saving":
                asked = Asked(SKED_HZ + 10.0 * self.draw.randrange(1, 1000))
                self.asked.append(asked)
                await self.tell(f"F {asked.hz:.0f}")
                if self.draw.random() < 0.5:
                    # Right after a start the daemon may not know yet that the radio is unkeyed.
                    while (said := await self.answer()) == "RPRT -9":
                        await self.tell(f"F {asked.hz:.0f}")
                        await asyncio.sleep(0.02)
                    assert said == "RPRT 0"
                    assert self.process is not None
                    asked.taken_s = time.monotonic()
                    asked.waited_s = all_waited_for_processor_s(self.process.pid)
                await asyncio.sleep(self.draw.uniform(0.0, 0.03))
            case "relays":
                await self.permit()
                self.may_key = True
                await self.tell("T 1")
                await asyncio.sleep(self.draw.uniform(0.0, RELAYS_S))
            case "keyed":
                await self.permit()
                self.may_key = True
                await self.key()
                await asyncio.sleep(self.draw.uniform(0.0, 0.3))
                if self.draw.random() < 0.3:  # on its way down
                    await self.tell("T 0")
                    await asyncio.sleep(self.draw.uniform(0.0, 0.05))

    async def kill(self) -> None:
        assert self.process is not None and self.process.returncode is None, self.log()
        waited_s = all_waited_for_processor_s(self.process.pid)
        # The guard process with it, as a service manager does, before it can unkey: what is shown
        # is that the next start, or `moontrim unkey`, does. `test_guard` shows the guard.
        guards = [
            child
            for child in psutil.Process(self.process.pid).children()
            if "moontrim.guard.process" in child.cmdline()
        ]
        for guard in guards:
            guard.suspend()
        self.process.kill()
        for guard in guards:
            guard.kill()
        await self.process.wait()
        while any(guard.is_running() and guard.status() != "zombie" for guard in guards):
            await asyncio.sleep(0.01)
        killed_s = time.monotonic()
        self.may_key = False
        self.hang_up()
        await self.port_is_let_go()
        self.state_is_whole(killed_s, waited_s)

    async def port_is_let_go(self) -> None:
        """Nobody holds it, so lines that hang up with the last one who holds a port have fallen. A
        child that was being made at the kill has all descriptors until it runs its own program."""
        descriptor = os.open(self.line.path, os.O_RDWR | os.O_NOCTTY)
        try:
            async with within(LET_GO_S):
                while not locked(descriptor):
                    await asyncio.sleep(0.01)
        finally:
            os.close(descriptor)

    def state_is_whole(self, killed_s: float, waited_s: float) -> None:
        """The session is the one from before the last change or the one after. waited_s: for a
        processor, while the daemon lived."""
        if not (self.state / NAME).exists():
            return
        found_hz = self.session().band_choices(self.settings).sked_hz
        assert not list(self.state.glob("*unusable*")), sorted(self.state.iterdir())
        kept = [
            a
            for a in self.asked
            if a.taken_s and a.taken_s + waited_s - a.waited_s < killed_s - UNTIL_SAVED_S
        ]
        allowed = self.asked[self.asked.index(kept[-1]) if kept else 0 :]
        assert found_hz in [one.hz for one in allowed], found_hz
        # What was saved when it was killed is what the next one begins with.
        self.asked = [Asked(found_hz, killed_s)]

    async def unkey(self) -> None:
        """As the service manager does once the daemon is dead."""
        began_s = time.monotonic()
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "moontrim", "unkey", "--config", str(self.config)),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
            env=ENVIRONMENT,
        )
        async with within(GIVE_UP_S):
            said, _ = await process.communicate()
        assert process.returncode == 0, said.decode()
        assert not self.line.radio.transmitting
        self.unkeyed_s.append(time.monotonic() - began_s)


@asynccontextmanager
async def victim(folder: Path, ephemeris: Ephemeris, seed: int) -> AsyncIterator[Victim]:
    home = under_the_moon()
    link, share_port = folder / "radio", free_port()
    start = SKED_HZ - OFFSET_HZ
    async with serial_radio("civ", latency_s=0.002, start_rx_hz=start, start_tx_hz=start) as line:
        link.symlink_to(line.path)
        config = folder / "station.toml"
        options = f'port = "{link}", address = 0xA2'
        config.write_text(station_config(folder, share_port, "civ", options, OUTPUTS))
        made = Victim(
            config,
            folder / "state",
            load_settings(config),
            line,
            share_port,
            Ideal(ephemeris, home),
            random.Random(seed),
            [Asked(SKED_HZ, 0.0)],
        )
        line.radio.on_change = made.changed
        try:
            yield made
        finally:
            made.hang_up()
            if made.process is not None and made.process.returncode is None:
                made.process.kill()
                await made.process.wait()
            with contextlib.suppress(FileNotFoundError):
                link.unlink()


def locked(descriptor: int) -> bool:
    """Locks a file, unless somebody else has it locked."""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


async def killed_again_and_again(folder: Path, ephemeris: Ephemeris, seed: int) -> Victim:
    folder.mkdir()
    async with victim(folder, ephemeris, seed) as it:
        for number in range(KILLS):
            began_s = time.monotonic()
            await it.start()
            await it.at_a_moment(MOMENTS[(seed + number) % len(MOMENTS)], began_s)
            await it.kill()
            if it.line.radio.transmitting:
                it.keyed_kills += 1
                if it.keyed_kills % 2:
                    await it.unkey()
            if not it.line.radio.transmitting:
                it.line.radio.turn_dial(TURNED_HZ)
            assert not it.faults, it.faults
            if MOST:
                took_s = it.back_s[-1:], it.wall_s[-1:], it.unkeyed_s[-1:]
                print(f"station {seed}: {number + 1} kills, {took_s} s", flush=True)
        began_s = time.monotonic()
        await it.start()
        await it.back(began_s)
        await it.kill()
        assert not it.faults, it.faults
        assert b"Traceback" not in (folder / "log").read_bytes(), it.log()
        return it


def show(what: str, took_s: list[float]) -> None:
    shares = (0.0, 0.5, 0.9, 0.99, 1.0)
    found = zip(("least", "50%", "90%", "99%", "most"), np.quantile(took_s, shares), strict=True)
    words = ", ".join(f"{name} {s:.2f} s" for name, s in found)
    print(f"{what}: {len(took_s)} times, {words}")


@pytest.mark.timeout(7200 if MOST else 300)
def test_killed_at_random_moments(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> list[Victim]:
        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(killed_again_and_again(tmp_path / str(seed), ephemeris, seed))
                for seed in range(STATIONS)
            ]
        return [task.result() for task in tasks]

    stations = asyncio.run(main())
    back_s = [s for it in stations for s in it.back_s]
    show("from start to both dials right, less waiting for a processor", back_s)
    show("from start to both dials right, on the wall", [s for it in stations for s in it.wall_s])
    unkeyed_s = [s for it in stations for s in it.unkeyed_s]
    show("from start of moontrim or of unkey to unkeyed, on the wall", unkeyed_s)
    keyed = sum(it.keyed_kills for it in stations)
    print(f"{STATIONS * KILLS} kills, {keyed} of them with the radio keyed")
    assert keyed >= STATIONS * KILLS // 8, "else it was not killed while it transmitted"
    assert max(back_s) <= BACK_S


def test_stopped_while_it_keys(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """SIGTERM: unkeyed, then the dials go back to the sked frequency, and it ends in order."""

    async def main() -> None:
        (tmp_path / "it").mkdir()
        async with victim(tmp_path / "it", ephemeris, 0) as it:
            began_s = time.monotonic()
            await it.start()
            await it.back(began_s)
            it.may_key = True
            await it.key()
            assert it.process is not None and it.line.radio.transmitting
            told_s = time.monotonic()
            it.process.terminate()
            while it.line.radio.transmitting:
                assert time.monotonic() - told_s < GIVE_UP_S, it.log()
                await asyncio.sleep(0.005)
            unkeyed_s = time.monotonic() - told_s
            async with within(GIVE_UP_S):
                code = await it.process.wait()
            ended_s = time.monotonic() - told_s
            print(f"unkeyed {unkeyed_s:.2f} s after SIGTERM, ended {ended_s:.2f} s")
            assert code == 0, it.log()
            dials = it.line.radio.rx_dial_hz, it.line.radio.tx_dial_hz
            assert dials == (SKED_HZ - OFFSET_HZ, SKED_HZ - OFFSET_HZ), "back at the sked"
            assert it.session().band_choices(it.settings).sked_hz == SKED_HZ

    asyncio.run(main())


def test_a_config_with_a_mistake_touches_no_radio(tmp_path: Path) -> None:
    """It is found before anything is opened."""

    async def main() -> None:
        async with serial_radio("civ") as line:
            heard: list[bytes] = []
            line.received = heard.append  # type: ignore[method-assign, assignment]
            config = tmp_path / "station.toml"
            config.write_text(f"""
state_dir = "{tmp_path}/state"
[home]
locator = "JN88"
[radio]
driver = "civ"
options = {{ port = "{line.path}", address = 0xA2 }}
[[bands]]
name = "144 MHz"
sked_hz = 144_100_000
tx_low_hz = 145_000_000
tx_high_hz = 146_000_000
""")
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "moontrim", "run", "--quiet", "--config", str(config)),
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
                env=ENVIRONMENT,
            )
            async with within(GIVE_UP_S):
                _, said = await process.communicate()
            assert process.returncode == 2
            assert b"sked_hz" in said and b"Traceback" not in said, said.decode()
            assert not heard
            assert not (tmp_path / "state").exists()

    asyncio.run(main())


def test_the_same_config_runs_once(tmp_path: Path) -> None:
    """Two would follow each other's dials, and save over each other's choices. One that was killed
    is in nobody's way."""
    config = tmp_path / "station.toml"
    config.write_text(f'state_dir = "{tmp_path}/state"\n{LEAST_CONFIG}')

    async def started() -> asyncio.subprocess.Process:
        return await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "moontrim", "run", "--quiet", "--config", str(config)),
            stdin=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            env=ENVIRONMENT,
        )

    async def connected(process: asyncio.subprocess.Process) -> None:
        assert process.stderr is not None
        async with within(GIVE_UP_S):
            while b"radio connected" not in (line := await process.stderr.readline()):
                assert line, "it ended"

    async def main() -> None:
        first = await started()
        try:
            await connected(first)
            second = await started()
            async with within(GIVE_UP_S):
                _, said = await second.communicate()
            assert second.returncode == 2
            assert said.count(b"\n") == 1 and b"state_dir" in said, said.decode()
            first.kill()
            await first.wait()
            first = await started()
            await connected(first)
        finally:
            first.kill()
            await first.wait()

    asyncio.run(main())
