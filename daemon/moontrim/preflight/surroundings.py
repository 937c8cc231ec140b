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
        return [Finding("ok", "broker", f"our own, {program}, started with the daemon")]
    where = f"{remote.broker} port {remote.broker_port}"
    try:
        async with clock.timeout(CONNECT_S):
            _, writer = await asyncio.open_connection(remote.broker, remote.broker_port)
        writer.transport.abort()
    except (OSError, TimeoutError) as error:
        reason = str(error) or f"no answer in {CONNECT_S:.0f} s"
        return [Finding("wrong", "broker", f"{where}: {reason}; the radio works without it")]
    return [Finding("ok", "broker", f"{where} answers")]


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
            "wrong",
            "disk",
            f"nothing can be kept in {folder} ({error.strerror}); choices and journal are lost at "
            "the end. Name another state_dir",
        )
        return
    text = f"{free_mb:.0f} MB free for {folder}"
    if free_mb < FULL_MB:
        yield Finding("wrong", "disk", f"{text}: make room, or choices and journal are lost")
    elif free_mb < SHORT_MB:
        yield Finding("note", "disk", f"{text}: a night's journal takes a few")
    else:
        yield Finding("ok", "disk", text)
