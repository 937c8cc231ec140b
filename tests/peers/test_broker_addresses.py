"""A broker whose host has two addresses, of which the first never answers: a real mosquitto, and a
socket with a full queue, so that the kernel drops what would connect to it."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from moontrim.path import Ephemeris
from moontrim.remote.wire.addresses import Gateway
from moontrim.remote.wire.brokertls import broker_tls
from moontrim.remote.wire.websocket import open_broker
from support.broker_certificates import make_authority, sign
from support.mosquitto import Watch, other_broker, require_mosquitto, station
from support.rigctld import free_port

pytestmark = pytest.mark.peers

SILENT, SPEAKS, HOST = "127.0.0.2", "127.0.0.1", "shack"


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> int:
    """A free port; HOST has two addresses."""
    require_mosquitto()
    port = free_port()
    look_up = socket.getaddrinfo

    def two(host: Any, *others: Any, **named: Any) -> Any:
        if host != HOST:
            return look_up(host, *others, **named)
        return [one for name in (SILENT, SPEAKS) for one in look_up(name, *others, **named)]

    monkeypatch.setattr(socket, "getaddrinfo", two)
    return port


@contextmanager
def silent(port: int) -> Iterator[None]:
    """The first address accepts nothing and refuses nothing at this port. To be entered once the
    broker listens: whether it does is looked up by the port alone."""
    with ExitStack() as at_exit:
        silent = at_exit.enter_context(socket.socket())
        silent.bind((SILENT, port))
        silent.listen(0)
        for _ in range(4):
            one = at_exit.enter_context(socket.socket())
            one.setblocking(False)
            one.connect_ex((SILENT, port))
        yield


def test_the_first_address_never_answers(tmp_path: Path, ephemeris: Ephemeris, port: int) -> None:
    async def main() -> None:
        async with (
            other_broker(tmp_path, port=port),
            Watch.on(port) as watch,
        ):
            with silent(port):
                async with station(tmp_path, ephemeris, broker=HOST, port=port):
                    await watch.online(4.0)

    asyncio.run(main())


# The client library leaves a socket whose TLS handshake failed to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(("certified", "connects"), [(HOST, True), (SPEAKS, False)])
def test_by_tls_the_certificate_is_verified_for_the_name(
    tmp_path: Path, ephemeris: Ephemeris, port: int, certified: str, connects: bool
) -> None:
    """Not for the address that is connected to. The page gets through by the same rule."""
    certificate, key = sign(tmp_path, make_authority(tmp_path, "ca"), certified)
    plain = free_port()
    options = (
        f"allow_anonymous true\ncertfile {certificate}\nkeyfile {key}\nlistener {plain} 127.0.0.1"
    )
    remote = {"broker": HOST, "port": port, "tls": True, "tls_ca_file": str(tmp_path / "ca.pem")}

    async def main() -> None:
        async with (
            other_broker(tmp_path, port=port, options=options),
            Watch.on(plain) as watch,
        ):
            with silent(port):
                async with station(tmp_path, ephemeris, **remote) as here:
                    tls = broker_tls(here.daemon.settings.remote)
                    gateway = Gateway(HOST, port, None, True, "moontrim", "station", tls)
                    if connects:
                        await watch.online(4.0)
                        writer = (await open_broker(gateway)).writer
                        writer.close()
                        await writer.wait_closed()
                    else:
                        with pytest.raises(AssertionError, match="not seen"):
                            await watch.online(4.0)
                        with pytest.raises(ssl.SSLCertVerificationError):
                            await open_broker(gateway)

    asyncio.run(main())
