"""The web server without a browser: who may come in, what it carries, and what it withstands."""

from __future__ import annotations

import asyncio
import base64
import json
import re
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import aiohttp
import numpy as np
import pytest
import segno

from moontrim.clock.system import SystemClock
from moontrim.errors import BusyError, MoontrimError
from moontrim.remote.commands.forbidding import Outcome
from moontrim.remote.wire import assets, door, limits, webserver, websocket
from moontrim.remote.wire.accessroute import qr_outline
from moontrim.remote.wire.addresses import ForbidAccess, Gateway, SecureDoor
from moontrim.remote.wire.connack import login_result
from moontrim.remote.wire.reportroute import GOOD_FOR_S, Reporter
from moontrim.remote.wire.welcome import with_password
from moontrim.state.hub import StateHub
from moontrim.state.snapshot import Tracking
from support.processor import within


class Watched:
    """As much of a daemon as the server looks at."""

    def __init__(self) -> None:
        self.hub = StateHub()
        self.clock = SystemClock()

    def ticked(self, ago_s: float) -> None:
        self.hub.latest = SimpleNamespace(  # type: ignore[assignment]
            utc_s=self.clock.utc_s() - ago_s, tracking=Tracking.ON_FREQUENCY
        )


def gateway_to(port: int = 1, **changes: Any) -> Gateway:
    given = {"password_needed": False, "root": "moontrim", "name": "station", **changes}
    return Gateway("127.0.0.1", port, given.pop("unix_path", None), **given)


@asynccontextmanager
async def served(
    gateway: Gateway,
    daemon: Watched | None = None,
    access: ForbidAccess | None = None,
    secure: SecureDoor | None = None,
    reporter: Reporter | None = None,
) -> AsyncIterator[str]:
    """The address of a running server."""
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        webserver.serve(
            daemon or Watched(),
            gateway,
            "127.0.0.1",
            0,
            access=access,
            secure=secure,
            reporter=reporter,
            on_ready=ready.set_result,
        )
    )
    try:
        yield await asyncio.wait_for(ready, 5.0)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def broker(handler: Handler, unix_path: Path | None = None) -> AsyncIterator[int]:
    """Something that listens where a broker would; its port."""
    done: set[asyncio.Task[None]] = set()

    async def tracked(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        done.add(task)
        try:
            await handler(reader, writer)
        except ConnectionError:
            pass
        finally:
            writer.transport.abort()

    if unix_path is not None:
        server = await asyncio.start_unix_server(tracked, unix_path)
    else:
        server = await asyncio.start_server(tracked, "127.0.0.1", 0)
    try:
        yield 0 if unix_path is not None else server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in done:
            task.cancel()
        await asyncio.gather(*done, return_exceptions=True)


CONNACK = b"\x20\x02\x00\x00"  # accepted (MQTT 3.1.1, 3.2)


async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Accepts the log-in, which is the first message, and sends back what follows, reversed."""
    if await reader.read(65536):
        writer.write(CONNACK)
    while data := await reader.read(65536):
        writer.write(data[::-1])
        await writer.drain()


async def log_in(socket: aiohttp.ClientWebSocketResponse) -> None:
    await socket.send_bytes(b"CONNECT")
    assert await socket.receive_bytes(timeout=3.0) == CONNACK


@asynccontextmanager
async def browser() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(auto_decompress=True) as session:
        yield session


def own_origin(url: str) -> dict[str, str]:
    return {"Origin": url.rstrip("/")}


# --- files ----------------------------------------------------------------------------------------


def test_page_and_files() -> None:
    async def main() -> None:
        async with served(gateway_to(name="north-1")) as url, browser() as session:
            async with session.get(url) as answer:
                text = await answer.text()
                assert answer.status == (200 if assets_complete() else 503)
                assert "north-1" in text and "{{" not in text
                policy = answer.headers["Content-Security-Policy"]
                assert "default-src 'none'" in policy and "unsafe" not in policy
                assert answer.headers["X-Content-Type-Options"] == "nosniff"
                assert answer.headers["Cache-Control"] == "no-cache"
            async with session.get(f"{url}static/page.js") as answer:
                assert answer.status == 200
                assert answer.headers["Content-Encoding"] == "gzip"
                assert answer.content_type == "text/javascript"
                etag, body = answer.headers["ETag"], await answer.text()
                assert body.startswith("//")
            known = {"If-None-Match": etag}
            async with session.get(f"{url}static/page.js", headers=known) as answer:
                assert (answer.status, await answer.read()) == (304, b"")
            known["If-None-Match"] = '"another"'
            async with session.get(f"{url}static/page.js", headers=known) as answer:
                assert answer.status == 200
            lasting = re.search(r"static/joined/page\.[0-9a-f]+\.js", text)
            assert lasting is not None
            async with session.get(url + lasting[0]) as answer:
                assert answer.status == 200
                assert "immutable" in answer.headers["Cache-Control"]
            for path in (
                "static/none.js",
                "static/page.0123456789ab.js",
                "static/../companion.py",
                "static/%2e%2e/companion.py",
                "static/",
            ):
                async with session.get(url + path) as answer:
                    assert answer.status == 404, path
            async with session.post(url) as answer:
                assert answer.status == 405

    asyncio.run(main())


def assets_complete() -> bool:
    return assets.load_assets(gateway_to()).complete


def test_nothing_in_the_page_comes_from_elsewhere() -> None:
    page = Path(assets.__file__).parents[1] / "page"
    for file in (*page.glob("*.html"), *page.glob("*.css"), *page.glob("*.js")):
        text = file.read_text()
        assert "//" not in text.replace("// ", "").replace("${scheme}://${location.host}", ""), file


def test_without_its_library_the_page_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = Path(assets.__file__).parents[1] / "page"
    for name in ("index.html", "missing.html", "page.css"):
        (tmp_path / name).write_bytes((source / name).read_bytes())
    monkeypatch.setattr(
        webserver, "load_assets", lambda gateway: assets.load_assets(gateway, tmp_path)
    )

    async def main() -> None:
        async with served(gateway_to()) as url, browser() as session, session.get(url) as answer:
            assert answer.status == 503
            text = await answer.text()
            assert "MQTT library" in text and "pip install" in text

    asyncio.run(main())


# --- who may come in ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "http://example.org"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1"},
        {"Origin": "http://127.0.0.1:1"},
    ],
)
def test_a_foreign_origin_is_refused(headers: dict[str, str]) -> None:
    async def main() -> None:
        async with (
            broker(echo) as port,
            served(gateway_to(port)) as url,
            browser() as session,
        ):
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(f"{url}mqtt", protocols=("mqtt",), headers=headers)
            assert refused.value.status == 403

    asyncio.run(main())


def test_without_a_password_a_foreign_name_for_our_address_is_refused() -> None:
    async def main() -> None:
        async with served(gateway_to()) as url, browser() as session:
            for host, status in (("example.org", 403), ("localhost:1", 200), ("a b", 400)):
                async with session.get(f"{url}static/page.css", headers={"Host": host}) as answer:
                    assert answer.status == status, host
        async with served(gateway_to(password_needed=True)) as url, browser() as session:
            named = {"Host": "rig.example.org"}
            async with session.get(f"{url}static/page.css", headers=named) as answer:
                assert answer.status == 200

    asyncio.run(main())


def test_never_open_to_a_network_without_a_password(caplog: pytest.LogCaptureFixture) -> None:
    async def main() -> None:
        ready: list[str] = []
        await webserver.serve(Watched(), gateway_to(), "0.0.0.0", 0, on_ready=ready.append)
        assert ready == []

    asyncio.run(asyncio.wait_for(main(), 5.0))
    assert "no password" in caplog.text


def test_a_taken_port_is_named() -> None:
    async def main() -> None:
        async with broker(echo) as port:
            with pytest.raises(OSError, match=rf"cannot listen on 127\.0\.0\.1 port {port}: "):
                await webserver.serve(Watched(), gateway_to(), "127.0.0.1", port)

    asyncio.run(asyncio.wait_for(main(), 5.0))


def test_healthz() -> None:
    async def main() -> None:
        daemon = Watched()
        async with served(gateway_to(), daemon) as url, browser() as session:

            async def health() -> tuple[int, Any]:
                async with session.get(f"{url}healthz") as answer:
                    return answer.status, await answer.json()

            assert await health() == (503, {"tracking": None, "tick_age_s": None})
            daemon.ticked(0.5)
            status, body = await health()
            assert (status, body["tracking"]) == (200, "on frequency")
            assert body["tick_age_s"] == pytest.approx(0.5, abs=0.3)
            daemon.ticked(30.0)
            assert (await health())[0] == 503

    asyncio.run(main())


# --- the way to the broker ------------------------------------------------------------------------


@pytest.mark.parametrize("by_unix_socket", [False, True])
def test_bytes_go_both_ways_unchanged(tmp_path: Path, by_unix_socket: bool) -> None:
    path = tmp_path / "socket" if by_unix_socket else None

    async def main() -> None:
        async with (
            broker(echo, path) as port,
            served(gateway_to(port, unix_path=path)) as url,
            browser() as session,
            session.ws_connect(
                f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
            ) as socket,
        ):
            assert socket.protocol == "mqtt"
            await log_in(socket)
            sent = bytes(range(256)) * 64
            await socket.send_bytes(sent)
            got = b""
            while len(got) < len(sent):
                got += await socket.receive_bytes(timeout=3.0)
            assert sorted(got) == sorted(sent)
            await socket.send_bytes(b"abc")
            assert await socket.receive_bytes(timeout=3.0) == b"cba"

    asyncio.run(main())


def test_no_broker_is_said_before_the_socket_opens() -> None:
    async def main() -> None:
        async with broker(echo) as port:
            pass  # nobody listens there any more
        async with served(gateway_to(port)) as url, browser() as session:
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url))
            assert refused.value.status == 502

    asyncio.run(main())


def test_what_is_not_mqtt_over_websocket_is_refused() -> None:
    async def main() -> None:
        async with broker(echo) as port, served(gateway_to(port)) as url, browser() as session:
            async with session.get(f"{url}mqtt", headers=own_origin(url)) as answer:
                assert answer.status == 400
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(f"{url}mqtt", headers=own_origin(url))
            assert refused.value.status == 400
            for send in ("text", "large"):
                async with session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                ) as socket:
                    if send == "text":
                        await socket.send_str("hello")
                    else:
                        await socket.send_bytes(bytes(websocket.LARGEST_MESSAGE + 1))
                    message = await socket.receive(timeout=3.0)
                    assert message.type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)

    asyncio.run(main())


def test_either_end_closing_closes_the_other() -> None:
    gone = asyncio.Event()

    async def until_gone(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(100):
            writer.write(b"one")
        gone.set()

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)

    async def main() -> None:
        async with browser() as session:
            async with broker(until_gone) as port, served(gateway_to(port)) as url:
                socket = await session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                )
                await socket.send_bytes(b"x")
                assert await socket.receive_bytes(timeout=3.0) == b"one"
                await socket.close()
                async with within(3.0):
                    await gone.wait()
            async with broker(hang_up) as port, served(gateway_to(port)) as url:
                socket = await session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                )
                await socket.send_bytes(b"x")
                message = await socket.receive(timeout=3.0)
                assert message.type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)

    asyncio.run(main())


def test_silence_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(websocket, "LOGIN_S", 0.1)
    monkeypatch.setattr(websocket, "IDLE_S", 0.1)
    monkeypatch.setattr(door, "HEAD_S", 0.1)

    async def main() -> None:
        async with broker(echo) as port, served(gateway_to(port)) as url, browser() as session:
            for speak in (False, True):
                socket = await session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                )
                if speak:
                    await log_in(socket)
                message = await socket.receive(timeout=3.0)
                assert message.type in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED)
            reader, writer = await open_raw(url)
            async with within(3.0):
                assert await reader.read() == b""
            writer.close()

    asyncio.run(main())


async def open_raw(url: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    host, port = url.removeprefix("http://").rstrip("/").split(":")
    return await asyncio.open_connection(host, int(port))


def test_a_page_that_does_not_read_stops_the_flow_and_is_dropped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What the broker could hand over is all that anybody holds for the page."""
    monkeypatch.setattr(websocket, "SLOW_S", 0.5)
    handed_over = 0
    dropped = asyncio.Event()

    async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal handed_over
        try:
            while True:
                writer.write(bytes(16384))
                await writer.drain()
                handed_over += 16384
        finally:
            dropped.set()

    async def main() -> None:
        async with broker(flood) as port, served(gateway_to(port)) as url:
            reader, writer = await open_raw(url)
            writer.transport.pause_reading()  # type: ignore[attr-defined]
            writer.write(handshake(url))
            async with within(10.0):
                await dropped.wait()
            writer.transport.abort()
            del reader

    asyncio.run(main())
    # The kernel's socket buffers on a loopback connection, four of them, are most of this.
    assert 0 < handed_over < 24e6, handed_over


def test_one_connection_too_many_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest that has not logged in; one that has is never dropped for another."""
    monkeypatch.setattr(limits, "WAITING_MOST", 3)
    monkeypatch.setattr(limits, "LOGGED_IN_MOST", 1)

    async def main() -> None:
        async with broker(echo) as port, served(gateway_to(port)) as url, browser() as session:
            first = await session.ws_connect(
                f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
            )
            await log_in(first)
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url))
            assert refused.value.status == 503
            opened = [await open_raw(url) for _ in range(5)]
            async with within(3.0):
                assert await opened[0][0].read() == b""
                assert await opened[1][0].read() == b""
            for reader, _ in opened[2:]:
                assert not reader.at_eof()
            await first.send_bytes(b"ab")
            assert await first.receive_bytes(timeout=3.0) == b"ba"
            for _, writer in opened:
                writer.close()
            await first.close()

    asyncio.run(main())


# --- those who keep others out --------------------------------------------------------------------


async def from_address(url: str, address: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    host, port = url.removeprefix("http://").rstrip("/").split(":")
    return await asyncio.open_connection(host, int(port), local_addr=(address, 0))


def test_half_sent_requests_keep_nobody_out() -> None:
    async def main() -> None:
        async with served(gateway_to()) as url, browser() as session:
            held = []
            for number in range(80):
                reader, writer = await from_address(url, f"127.0.0.{2 + number % 8}")
                writer.write(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")
                held.append((reader, writer))
            async with within(2.0), session.get(f"{url}static/page.js") as answer:
                assert answer.status == 200
                assert await answer.read()
            for _, writer in held:
                writer.transport.abort()

    asyncio.run(main())


def test_the_second_head_has_a_deadline_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webserver, "KEEP_ALIVE_S", 0.3)

    async def main() -> None:
        async with served(gateway_to()) as url:
            reader, writer = await open_raw(url)
            writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\nGET / HT")
            async with within(5.0):
                assert (await reader.read()).startswith(b"HTTP/1.1 503")
            writer.close()

    asyncio.run(main())


def test_silent_sockets_and_such_without_a_log_in_keep_nobody_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """More than there are places, some with a byte each, which is no log-in."""
    monkeypatch.setattr(websocket, "LOGIN_S", 1.0)

    async def main() -> None:
        async with broker(echo) as port, served(gateway_to(port)) as url, browser() as session:
            held = []
            for number in range(40):
                reader, writer = await from_address(url, f"127.0.0.{2 + number % 4}")
                writer.write(handshake(url) + b"\x82\x81\x00\x00\x00\x00\x10" * (number % 2))
                held.append((reader, writer))
            async with within(3.0):
                socket = await session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                )
                await log_in(socket)
            for reader, _ in held[::2]:  # the silent ones do not stay
                async with within(4.0):
                    await reader.read()
            await socket.send_bytes(b"ab")
            assert await socket.receive_bytes(timeout=3.0) == b"ba", "it stays"
            await socket.close()
            for _, writer in held:
                writer.transport.abort()

    asyncio.run(main())


def handshake(url: str) -> bytes:
    host = url.removeprefix("http://").rstrip("/")
    return (
        f"GET /mqtt HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
        "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
        "Sec-WebSocket-Protocol: mqtt\r\n\r\n"
    ).encode()


def test_failed_log_ins_are_logged_and_slowed(caplog: pytest.LogCaptureFixture) -> None:
    async def refuses(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)
        writer.write(b"\x20\x03\x00\x87\x00")  # not authorized (MQTT 5.0, 3.2.2.2)
        await reader.read()

    async def main() -> list[float]:
        took_s = []
        clock = SystemClock()
        async with broker(refuses) as port, served(gateway_to(port)) as url, browser() as session:
            for _ in range(6):
                began_s = clock.monotonic_s()
                socket = await session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                )
                await socket.send_bytes(b"x")
                assert (await socket.receive(timeout=5.0)).data[3] == 0x87
                assert (await socket.receive(timeout=5.0)).type is not aiohttp.WSMsgType.BINARY
                await socket.close()
                took_s.append(clock.monotonic_s() - began_s)
        return took_s

    took_s = asyncio.run(main())
    assert max(took_s[:3]) < 0.4
    assert took_s[3] > 0.5 and took_s[4] > 1.0 and took_s[5] > 2.0
    lines = [record.message for record in caplog.records if "log-in refused" in record.message]
    assert len(lines) == 3 and "127.0.0.1" in lines[0] and "4 times" in lines[-1]


@pytest.mark.parametrize(
    ("start", "result"),
    [
        (b"", None),
        (b"\x20", None),
        (b"\x20\x02\x00", None),
        (b"\x20\x02\x00\x00", True),
        (b"\x20\x02\x00\x05", False),
        (b"\x20\x80\x01\x00", None),
        (b"\x20\x80\x01\x00\x00", True),
        (b"\x20\x80\x80\x80\x80\x01", False),
        (b"\x30\x02\x00\x00", False),
    ],
)
def test_the_answer_to_a_log_in(start: bytes, result: bool | None) -> None:
    assert login_result(start) is result


# --- forbidding without the broker ----------------------------------------------------------------


def basic(account: str, password: str) -> str:
    return "Basic " + base64.b64encode(f"{account}:{password}".encode()).decode()


def test_forbidding_by_a_request(caplog: pytest.LogCaptureFixture) -> None:
    forbidden: list[str] = []

    async def forbid(by: str) -> Outcome:
        forbidden.append(by)
        return Outcome(True, "transmit inhibited")

    async def post(url: str, session: aiohttp.ClientSession, **headers: str) -> int:
        async with session.post(f"{url}forbid", headers=headers) as answer:
            assert (await answer.text()).startswith(("{", "only"))
            return answer.status

    async def main() -> None:
        access = ForbidAccess(forbid, None, {"phone": "right-one"})
        async with browser() as session:
            async with served(gateway_to(password_needed=True), access=access) as url:
                origin = own_origin(url)
                right = {"Authorization": basic("phone", "right-one")}
                assert await post(url, session, **right) == 403, "no page of this server"
                foreign = {"Origin": "http://example.org"}
                assert await post(url, session, **right, **foreign) == 403
                assert forbidden == []
                assert await post(url, session, **right, **origin) == 200
                assert forbidden == ["phone"]
                for header in (
                    "",
                    "Basic",
                    "Basic ****",
                    basic("viewer", "right-one"),
                ):
                    wrong = {"Authorization": header}
                    assert await post(url, session, **wrong, **origin) == 403, header
                assert forbidden == ["phone"]
                assert await post(url, session, **right, **origin) == 200, "never held up"
                assert forbidden == ["phone", "phone"]
                forbidden.clear()
            async with served(gateway_to(), access=ForbidAccess(forbid, "local", {})) as url:
                assert await post(url, session, **own_origin(url)) == 200
                assert forbidden == ["local"]
        async with (
            served(gateway_to()) as url,
            browser() as session,
            session.post(f"{url}forbid", headers=own_origin(url)) as answer,
        ):
            assert answer.status == 404 and "moontrim forbid" in await answer.text()

    asyncio.run(main())
    assert "right-one" not in caplog.text


# --- how another phone reaches the page -----------------------------------------------------------


def test_access_is_shown_to_those_logged_in_and_holds_their_own_password_only() -> None:
    async def forbid(by: str) -> Outcome:
        raise AssertionError

    async def post(
        url: str, session: aiohttp.ClientSession, path: str, **headers: str
    ) -> tuple[int, str]:
        async with session.post(f"{url}{path}", headers=headers) as answer:
            return answer.status, await answer.text()

    logins = {"phone": "phone-secret"}, {"viewer": "viewer-secret"}
    access = ForbidAccess(forbid, None, *logins)
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    door = SecureDoor(tls, 0, "AB:CD", b"", b"")

    async def main() -> None:
        gateway = gateway_to(password_needed=True)
        async with browser() as session:
            async with served(gateway, access=access, secure=door) as url:
                origin = own_origin(url)
                phone = {"Authorization": basic("phone", "phone-secret")}
                foreign = {"Origin": "http://example.org"}
                assert (await post(url, session, "access", **phone, **foreign))[0] == 403
                wrong = {"Authorization": basic("phone", "viewer-secret")}
                assert (await post(url, session, "access?qr=password", **wrong, **origin))[0] == 403
                assert (await post(url, session, "access?qr=password", **origin))[0] == 403
                status, text = await post(url, session, "access", **phone, **origin)
                shown = json.loads(text)
                assert status == 200 and "password_qr" not in shown
                assert shown["certificate"] == url and shown["page"].startswith("https://")
                for account, password in (logins[0] | logins[1]).items():
                    header = {"Authorization": basic(account, password)}
                    _, text = await post(url, session, "access?qr=password", **header, **origin)
                    assert "secret" not in text, "as a picture only"
                    shown = json.loads(text)
                    address = with_password(shown["page"], password, account)
                    assert shown["password_qr"] == qr_outline(address)
            async with served(gateway, access=access) as url:
                status, text = await post(url, session, "access", **phone, **own_origin(url))
                assert status == 404 and "moontrim access" in text

    asyncio.run(main())


@pytest.mark.parametrize("length", [10, 60, 200])
def test_the_outline_of_a_qr_code_is_its_dark_modules(length: int) -> None:
    text = "x" * length
    outline = qr_outline(text)
    drawn = np.zeros((outline["size"], outline["size"]), dtype=int)
    for x, y, run in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", outline["path"]):
        drawn[int(y), int(x) : int(x) + int(run)] += 1
    expected = np.pad(np.array(segno.make(text, micro=False).matrix), 4)
    assert np.array_equal(drawn, expected)


# --- the report of the running session ------------------------------------------------------------


class Reports:
    """A reporter. problem: what it raises."""

    def __init__(self, problem: MoontrimError | None = None) -> None:
        self.problem = problem
        self.made = 0

    async def make(self) -> bytes:
        if self.problem is not None:
            raise self.problem
        self.made += 1
        return f"<style>p{{}}</style><p>report {self.made}".encode()


async def no_forbid(by: str) -> Outcome:
    raise AssertionError


async def ask_for_report(
    url: str, session: aiohttp.ClientSession, **headers: str
) -> tuple[int, Any]:
    async with session.post(f"{url}report", headers=headers) as answer:
        text = await answer.text()
        return answer.status, json.loads(text) if text.startswith("{") else text


def test_a_report_is_for_those_logged_in() -> None:
    access = ForbidAccess(no_forbid, None, {"phone": "one"}, {"viewer": "two"})

    async def main() -> None:
        reports = Reports()
        gateway = gateway_to(password_needed=True)
        async with browser() as session, served(gateway, access=access, reporter=reports) as url:
            origin = own_origin(url)
            phone = {"Authorization": basic("phone", "one")}
            foreign = {"Origin": "http://example.org"}
            for headers in (phone, phone | foreign, origin, foreign):
                status, _ = await ask_for_report(url, session, **headers)
                assert status == 403, headers
            wrong = {"Authorization": basic("phone", "two")}
            assert (await ask_for_report(url, session, **wrong, **origin))[0] == 403
            assert reports.made == 0
            for account, password in (("phone", "one"), ("viewer", "two")):
                header = {"Authorization": basic(account, password)}
                status, shown = await ask_for_report(url, session, **header, **origin)
                assert status == 200
                async with session.get(url.rstrip("/") + shown["path"]) as answer:
                    assert answer.status == 200 and answer.content_type == "text/html"
                    assert f"report {reports.made}" in await answer.text()
                    policy = answer.headers["Content-Security-Policy"]
                    assert "sandbox" in policy and "script-src" not in policy
                    assert answer.headers["Cache-Control"] == "no-store"
                    assert answer.headers["Referrer-Policy"] == "no-referrer"

    asyncio.run(main())


def test_the_path_of_a_report_cannot_be_guessed_and_expires(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    access = ForbidAccess(no_forbid, "local", {})

    async def main() -> None:
        async with (
            browser() as session,
            served(gateway_to(), access=access, reporter=Reports()) as url,
        ):

            async def status(path: str) -> int:
                async with session.get(url.rstrip("/") + path) as answer:
                    return answer.status

            for path in ("/report", "/report/", "/report/x", "/report/%00", "/report/%C3%A9"):
                assert await status(path) in (404, 405), path
            _, first = await ask_for_report(url, session, **own_origin(url))
            assert len(first["path"]) >= len("/report/") + 24
            assert await status(first["path"]) == 200
            assert await status(first["path"]) == 200, "opened again from the list of tabs"
            _, second = await ask_for_report(url, session, **own_origin(url))
            assert second["path"] != first["path"]
            assert await status(first["path"]) == 404
            now_s = SystemClock().monotonic_s()
            monkeypatch.setattr(
                "moontrim.clock.system.SystemClock.monotonic_s", lambda self: now_s + GOOD_FOR_S + 1
            )
            assert await status(second["path"]) == 404

    asyncio.run(main())


def test_no_report_is_said_with_the_reason() -> None:
    access = ForbidAccess(no_forbid, "local", {})

    async def main() -> None:
        async with browser() as session:
            for problem, code in ((BusyError("try again"), 409), (MoontrimError("no disk"), 502)):
                async with served(gateway_to(), access=access, reporter=Reports(problem)) as url:
                    status, shown = await ask_for_report(url, session, **own_origin(url))
                    assert (status, shown) == (code, {"message": str(problem)})
            async with served(gateway_to(), access=access) as url:
                status, text = await ask_for_report(url, session, **own_origin(url))
                assert status == 404 and "moontrim report" in text
            async with served(gateway_to(), reporter=Reports()) as url:
                assert (await ask_for_report(url, session, **own_origin(url)))[0] == 404

    asyncio.run(main())
