"""The daemon's broker: a mosquitto as a child process, started, watched, restarted when it ends,
and stopped with the daemon.

Owns that process and the private folder with its configuration. Knows nothing of what is published
through it."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import logging
import os
import shutil
import signal
from collections.abc import Mapping
from pathlib import Path

from moontrim.clock.system import Clock
from moontrim.config.remote import RemoteSettings
from moontrim.remote.broker.accounts import VIEWER, access_list, password_file
from moontrim.remote.broker.configfile import (
    ACCESS,
    CONFIG,
    DAEMON_SOCKET,
    PAGE_SOCKET,
    PASSWORDS,
    VIEWER_PASSWORDS,
    broker_config,
)
from moontrim.remote.broker.ports import usable_port
from moontrim.remote.broker.processoruse import processor_use
from moontrim.remote.published.topics import Topics
from moontrim.remote.wire.resilience import Backoff
from moontrim.service.privatefolder import PrivateFolder

log = logging.getLogger(__name__)

REFUSED = "disconnected, not authorised."  # the end of mosquitto's line for a refused log-in
PROGRAM, PACKAGE = "mosquitto", "mosquitto"
START_S = 5.0  # chosen: to accept clients after its start
STOP_S = 2.0  # chosen: to end after SIGTERM
POLL_S = 0.02  # chosen: between attempts to connect while it starts
STEADY_S = 60.0  # chosen: a run of this length resets the waits between restarts
LONGEST_UNIX_PATH = 107  # Linux: sun_path holds 108 bytes, the last of them zero


class BrokerMissing(Exception):
    """Raised where the broker's program is not installed."""


class ChildBroker:
    """Keeps one broker running inside `async with ChildBroker(...)`. Raises BrokerMissing
    on entry.

    passwords: by account, that of the daemon included. relays: topics of networked relays.
    server_file: key and certificate for other machines; needed with `remote.lan`. `ready` is set
    while the broker accepts clients."""

    def __init__(
        self,
        remote: RemoteSettings,
        topics: Topics,
        passwords: Mapping[str, str],
        real: Clock,
        relays: tuple[str, ...] = (),
        server_file: Path | None = None,
    ) -> None:
        self.port = remote.broker_port
        self.ready = asyncio.Event()
        self._remote = remote
        self._topics = topics
        self._relays = relays
        self._passwords = passwords
        self._server_file = server_file
        self._real = real
        self._folder = Path()
        self._command: list[str] = []
        self._process: asyncio.subprocess.Process | None = None
        self._processor_ns: int | None = None  # that it had used when last asked
        self._watcher: asyncio.Task[None] | None = None

    @property
    def daemon_socket(self) -> Path:
        """Path of the Unix socket for the daemon itself."""
        return self._folder / DAEMON_SOCKET

    @property
    def page_socket(self) -> Path:
        """Path of the Unix socket for the phone pages, behind the web server."""
        return self._folder / PAGE_SOCKET

    async def __aenter__(self) -> ChildBroker:
        self._command = broker_command()
        self._private = _broker_folder()
        self._folder = self._private.path
        self._watcher = asyncio.create_task(self._keep_running(), name="broker")
        return self

    async def __aexit__(self, *raised: object) -> None:
        assert self._watcher is not None
        self._watcher.cancel()
        await asyncio.gather(self._watcher, return_exceptions=True)
        self._private.remove()

    def replace(self) -> None:
        """Ends a broker that accepts clients but does not answer them; another one is started."""
        if self._process is not None and self._process.returncode is None and self.ready.is_set():
            log.warning("the broker is not responding; restarting it")
            self.kill()

    def has_run(self) -> bool:
        """Returns whether the broker ran, or waited for a processor, since this was last called."""
        before, self._processor_ns = self._processor_ns, None
        if self._process is None or self._process.returncode is not None:
            return False
        self._processor_ns, waits = processor_use(self._process.pid)
        return waits or self._processor_ns != before

    def renewed(self) -> None:
        """Tells the broker that its certificate was renewed (mosquitto(8), SIGHUP)."""
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.send_signal(signal.SIGHUP)

    def kill(self) -> None:
        """Ends the broker at once, as a crash does; another one is started."""
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()

    async def _keep_running(self) -> None:
        backoff = Backoff()
        while True:
            began_s = self._real.monotonic_s()
            try:
                reason = await self._run_once()
            except OSError as error:
                reason = str(error)
            self.ready.clear()
            if self._real.monotonic_s() - began_s > STEADY_S:
                backoff.reset()
            if backoff.news(reason):
                log.warning("the broker exited (%s); restarting it", reason)
            await self._real.sleep(backoff.next_s())

    async def _run_once(self) -> str:
        """Starts the broker and waits until it ends; returns why. Raises OSError."""
        self.port = usable_port(self._remote)
        self._write_files()
        process = await asyncio.create_subprocess_exec(
            *self._command,
            *("-c", str(self._folder / CONFIG)),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            cwd=self._folder,
            start_new_session=True,  # so that Ctrl-C reaches the daemon only, which stops it last
        )
        self._process = process
        assert process.stderr is not None
        last = [""]
        reader = asyncio.create_task(_drain(process.stderr, last), name="broker log")
        try:
            await self._wait_until_ready(process)
            code = await process.wait()
            await asyncio.wait([reader], timeout=POLL_S)
            return last[0] or (f"signal {-code}" if code < 0 else f"exit code {code}")
        finally:
            self.ready.clear()
            await self._stop(process)
            reader.cancel()
            await asyncio.gather(reader, return_exceptions=True)

    async def _wait_until_ready(self, process: asyncio.subprocess.Process) -> None:
        """Sets `ready` once it accepts clients; kills it if it does not in time."""
        try:
            async with self._real.timeout(START_S):
                while process.returncode is None:
                    if await _accepts(self.daemon_socket):
                        self.ready.set()
                        return
                    await self._real.sleep(POLL_S)
        except TimeoutError:
            process.kill()

    async def _stop(self, process: asyncio.subprocess.Process) -> None:
        """Asks it to end; kills it if it does not in time."""
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        try:
            async with self._real.timeout(STOP_S):
                await process.wait()
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    def _write_files(self) -> None:
        # As root it would change to a user that may not read the private folder.
        as_user = getpass.getuser() if os.geteuid() == 0 else None
        files = {
            CONFIG: broker_config(
                self._remote, self._folder, self.port, as_user, self._server_file
            ),
            ACCESS: access_list(self._remote, self._topics, self._relays),
            PASSWORDS: password_file(self._passwords),
            VIEWER_PASSWORDS: password_file(
                {name: text for name, text in self._passwords.items() if name == VIEWER}
            ),
        }
        for name, text in files.items():
            path = self._folder / name
            path.touch(0o600)
            path.write_text(text)
        for path in (self.daemon_socket, self.page_socket):
            path.unlink(missing_ok=True)  # left by one that was killed


def broker_command() -> list[str]:
    """Returns the command that starts the broker, so that it ends with the daemon even if that is
    killed. Raises BrokerMissing."""
    path = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"))
    program = shutil.which(PROGRAM, path=path)
    if program is None:
        raise BrokerMissing(
            f"{PROGRAM} is not installed (Debian: apt install {PACKAGE}), so there is no phone "
            "page and no MQTT; the radio is kept on frequency all the same"
        )
    setpriv = shutil.which("setpriv", path=path)  # of util-linux
    return [setpriv, "--pdeathsig", "TERM", "--", program] if setpriv else [program]


def _broker_folder() -> PrivateFolder:
    """Makes a folder that only this user can read, with a path short enough for a Unix socket."""
    runtime_folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]  # by systemd
    for base in (Path(runtime_folder) if runtime_folder else None, None):
        folder = PrivateFolder(base)
        if len(str(folder.path / DAEMON_SOCKET).encode()) <= LONGEST_UNIX_PATH:
            return folder
        folder.remove()
    return PrivateFolder(Path("/tmp"))  # noqa: S108 (private, and the shortest path)


async def _accepts(path: Path) -> bool:
    """Does the Unix socket accept connections?"""
    try:
        _, writer = await asyncio.open_unix_connection(path)
    except OSError:
        return False
    writer.transport.abort()
    return True


async def _drain(stream: asyncio.StreamReader, last: list[str]) -> None:
    """Reads its log, so that it does not block on a full pipe, and logs refused log-ins, whose
    addresses it does not tell. last[0]: its last error."""
    refused = 0
    while True:
        try:
            line = await stream.readline()
        except ValueError:  # a line beyond the reader's limit
            continue
        if not line:
            return
        text = line.decode(errors="replace").strip()
        log.debug("broker: %s", text)
        if text.startswith("Error"):
            last[0] = text
        if text.endswith(REFUSED):
            refused += 1
            if refused & (refused - 1) == 0:  # the first, and each doubling: the log must not fill
                log.warning(
                    "broker: log-in refused, wrong account or password (%d so far)", refused
                )
