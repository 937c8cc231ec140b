"""The web server without a browser: who may come in, what it carries, and what it withstands."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import aiohttp
import pytest

from moontrim.clock.system import SystemClock
from moontrim.remote.wire import assets, webserver, websocket
from moontrim.remote.wire.addresses import Gateway
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
    given = {"password_needed": False, "root": "moontrim", "station": "station", **changes}
    return Gateway("127.0.0.1", port, given.pop("unix_path", None), **given)


@asynccontextmanager
async def served(gateway: Gateway, daemon: Watched | None = None) -> AsyncIterator[str]:
    """The address of a running server."""
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        webserver.serve(daemon or Watched(), gateway, "127.0.0.1", 0, on_ready=ready.set_result)
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


async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while data := await reader.read(65536):
        writer.write(data[::-1])
        await writer.drain()


@asynccontextmanager
async def browser() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(auto_decompress=True) as session:
        yield session


def own_origin(url: str) -> dict[str, str]:
    return {"Origin": url.rstrip("/")}


# --- files ----------------------------------------------------------------------------------------


def test_page_and_files() -> None:
    async def main() -> None:
        async with served(gateway_to(station="north-1")) as url, browser() as session:
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
            for path in (
                "static/none.js",
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
    monkeypatch.setattr(websocket, "FIRST_MESSAGE_S", 0.1)
    monkeypatch.setattr(websocket, "IDLE_S", 0.1)
    monkeypatch.setattr(webserver, "FIRST_REQUEST_S", 0.1)

    async def main() -> None:
        async with broker(echo) as port, served(gateway_to(port)) as url, browser() as session:
            for speak in (False, True):
                socket = await session.ws_connect(
                    f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
                )
                if speak:
                    await socket.send_bytes(b"x")
                    assert await socket.receive_bytes(timeout=3.0) == b"x"
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
            host = url.removeprefix("http://").rstrip("/")
            writer.write(
                f"GET /mqtt HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
                "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
                "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
                "Sec-WebSocket-Protocol: mqtt\r\n\r\n".encode()
            )
            async with within(10.0):
                await dropped.wait()
            writer.transport.abort()
            del reader

    asyncio.run(main())
    # The kernel's socket buffers on a loopback connection, four of them, are most of this.
    assert 0 < handed_over < 24e6, handed_over


def test_one_connection_too_many_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webserver, "MOST_CONNECTIONS", 3)
    monkeypatch.setattr(webserver, "MOST_BRIDGES", 1)

    async def main() -> None:
        async with broker(echo) as port, served(gateway_to(port)) as url, browser() as session:
            first = await session.ws_connect(
                f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url)
            )
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await session.ws_connect(f"{url}mqtt", protocols=("mqtt",), headers=own_origin(url))
            assert refused.value.status == 503
            opened = [await open_raw(url) for _ in range(4)]
            reader, _ = opened[-1]
            async with within(3.0):
                assert await reader.read() == b""
            for _, writer in opened:
                writer.close()
            await first.close()

    asyncio.run(main())
