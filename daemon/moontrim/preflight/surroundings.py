"""Broker and disk: the daemon runs without them, but phones and records need them."""

from __future__ import annotations

import asyncio
import os
import shutil
import tempfile
from collections.abc import Iterator

from moontrim.clock.system import Clock
from moontrim.config.settings import Settings
from moontrim.preflight.finding import Finding
from moontrim.remote.broker.process import BrokerMissing, broker_command

CONNECT_S = 3.0  # chosen: the broker is in the same network
FULL_MB, SHORT_MB = 20.0, 200.0  # chosen: a night's journal takes a few MB


async def broker_findings(settings: Settings, clock: Clock) -> list[Finding]:
    """Returns a line for the broker: whether phones can reach the daemon."""
    remote = settings.remote
    if not remote.enabled:
        return [Finding("ok", "broker", "off: no MQTT and no phone page")]
    if remote.broker is None:
        try:
            program = broker_command()[-1]
        except BrokerMissing as error:
            return [Finding("note", "broker", str(error))]
        return [Finding("ok", "broker", f"built-in, {program}, started with the daemon")]
    where = f"{remote.broker}:{remote.broker_port}"
    try:
        async with clock.timeout(CONNECT_S):
            _, writer = await asyncio.open_connection(remote.broker, remote.broker_port)
        writer.transport.abort()
    except ConnectionRefusedError:
        reason = f"connection refused by {where}"
    except (OSError, TimeoutError) as error:
        reason = f"{where}: " + (str(error) or f"no reply within {CONNECT_S:.0f} s")
    else:
        return [Finding("ok", "broker", f"{where} reached")]
    return [Finding("fail", "broker", f"{reason}; the radio works without it")]


def disk_findings(settings: Settings) -> Iterator[Finding]:
    """Returns a line for the disk: whether it takes session and journal."""
    folder = settings.state_path()
    nearest = folder  # it or the nearest folder above it that exists
    while not nearest.exists():
        nearest = nearest.parent
    try:
        if nearest == folder:
            with tempfile.TemporaryFile(dir=folder) as trial:
                trial.write(b"moontrim")
                trial.flush()
        elif not os.access(nearest, os.W_OK):
            raise PermissionError(13, "not writable", str(nearest))
        free_mb = shutil.disk_usage(nearest).free / 1e6
    except OSError as error:
        yield Finding(
            "fail",
            "disk",
            f"{folder} not writable ({error.strerror}); choices and journal are lost at exit. Set "
            "another state_dir",
        )
        return
    text = f"{_size(free_mb)} free for {folder}"
    if free_mb < FULL_MB:
        yield Finding("fail", "disk", f"{text}: free some, or choices and journal are lost")
    elif free_mb < SHORT_MB:
        yield Finding("note", "disk", f"{text}: a night's journal takes a few MB")
    else:
        yield Finding("ok", "disk", text)


def _size(mb: float) -> str:
    return f"{mb / 1000.0:.0f} GB" if mb >= 1000.0 else f"{mb:.0f} MB"
