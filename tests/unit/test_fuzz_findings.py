"""What the fuzz targets have found, each as one small input that once did harm."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlsplit

import astropy_iers_data
import pytest

from fuzz.peer import Peer
from moontrim.clock.system import SystemClock
from moontrim.config.bandplan import load_band_plan
from moontrim.config.settings import load_settings
from moontrim.errors import CoverageError, InputError
from moontrim.journal.opening import open_to_write
from moontrim.journal.readonly import open_journal, sessions
from moontrim.journal.schema import NAME
from moontrim.path import Ephemeris
from moontrim.remote.broker.passwords import FILE, stored_passwords
from moontrim.remote.wire.addresses import Gateway
from moontrim.remote.wire.webserver import serve
from moontrim.share.connection import MOST_WAITING, Client
from moontrim.share.protocol import REJECTED, ClientCommand, read_line
from moontrim.share.view import Abilities, ShareView
from moontrim.state.hub import StateHub
from moontrim_drivers.contract import RigDetails, RigGarbled
from moontrim_drivers.rigctld.wire import Answers, ask
from support.journals import T0, journal_file, recorder, seconds

HEAD = '[home]\nlocator = "JN88"\n'


@pytest.mark.parametrize("value", ["9" * 4400, "[" * 3000], ids=["digits", "depth"])
def test_toml_that_python_cannot_hold_is_one_line(tmp_path: Path, value: str) -> None:
    path = tmp_path / "a.toml"
    path.write_text(f"{HEAD}x = {value}")
    for load in (load_settings, load_band_plan):
        with pytest.raises(InputError, match=r"invalid TOML|nested too deeply"):
            load(path)


def test_a_path_with_a_nul_is_refused_with_its_key(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text(f'state_dir = "a\\u0000b"\n{HEAD}')
    with pytest.raises(
        InputError, match=r"state_dir: invalid value .* expected a path without NUL"
    ):
        load_settings(path)


def _rows() -> list[bytes]:
    return Path(astropy_iers_data.IERS_A_FILE).read_bytes().splitlines()


@pytest.mark.parametrize("first", [7000, 18_000], ids=["from 1992", "of late"])
def test_a_later_part_of_the_earth_table_is_refused(tmp_path: Path, first: int) -> None:
    """IERS publishes such files too. Leap seconds would be miscounted by as many as came before."""
    path = tmp_path / "finals"
    path.write_bytes(b"\n".join(_rows()[first:]))
    with pytest.raises(CoverageError, match="begins in 1973"):
        Ephemeris.load(finals_path=path)


@pytest.mark.parametrize(
    ("start", "end"), [(18, 27), (37, 46), (58, 68), (68, 78)], ids=["x", "y", "UT1", "sigma"]
)
def test_a_number_that_is_none_spoils_the_earth_table(tmp_path: Path, start: int, end: int) -> None:
    rows = _rows()
    row = rows[15_000]
    rows[15_000] = row[:start] + b"nan".rjust(end - start) + row[end:]
    path = tmp_path / "finals"
    path.write_bytes(b"\n".join(rows))
    with pytest.raises(CoverageError):
        Ephemeris.load(finals_path=path)


@pytest.mark.parametrize(
    "content", ["[" * 3000, json.dumps({"phone": "\ud800aaaaaaaa"}), '{"phone": "a\\nb:cdefgh"}']
)
def test_passwords_that_are_none_are_made_anew(tmp_path: Path, content: str) -> None:
    (tmp_path / FILE).write_text(content)
    kept, made = stored_passwords(tmp_path, ("phone",))
    assert made and kept["phone"].isascii() and kept["phone"].isprintable()


def _journal(folder: Path) -> Path:
    file = journal_file(folder)
    for records in seconds(recorder(), T0, 5):
        file.write(records)
    file.close()
    made = sqlite3.connect(folder / NAME)
    made.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    made.close()
    return folder / NAME


def test_a_journal_of_an_unknown_format_is_set_aside(tmp_path: Path) -> None:
    """Byte 47 of SQLite's header: the schema format, 1 to 4."""
    path = _journal(tmp_path)
    whole = bytearray(path.read_bytes())
    whole[47] = 250
    path.write_bytes(whole)
    open_to_write(tmp_path, float(T0), check=True).close()
    assert [kept.read_bytes() for kept in tmp_path.glob("*.unusable-*Z")] == [bytes(whole)]


@pytest.mark.parametrize("word", [b"contexts", b"CREATE"])
def test_a_schema_that_is_no_text_is_one_line_and_set_aside(tmp_path: Path, word: bytes) -> None:
    path = _journal(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole.replace(word, b"\xbc" * len(word), 1))
    with pytest.raises(InputError, match="journal"):
        sessions(open_journal(path))
    open_to_write(tmp_path, float(T0), check=True).close()
    assert list(tmp_path.glob("*.unusable-*Z"))


@pytest.mark.parametrize(
    "station",
    ["CAST(x'7bff' AS TEXT)", "'{'", "x'ff'", f"'{'[' * 3000}'"],
    ids=["text", "json", "bytes", "depth"],
)
def test_a_damaged_row_of_the_journal_is_one_line(tmp_path: Path, station: str) -> None:
    path = _journal(tmp_path)
    made = sqlite3.connect(path)
    with made:
        made.execute(f"UPDATE sessions SET station_json = {station}")
    made.close()
    opened = open_journal(path)
    try:
        with pytest.raises(InputError, match=r"journal: damaged \("):
            sessions(opened)
    finally:
        opened.close()


@pytest.mark.parametrize(
    ("level", "fraction"), [("1.004", 1.0), ("7e9", 1.0), ("0.25", 0.25), ("-0.1", None)]
)
def test_power_is_a_fraction_of_full_or_no_answer(level: str, fraction: float | None) -> None:
    """Less than nothing would be below every ceiling."""
    exchange = Answers((ask("l", "VFOA", "RFPOWER"),))
    answer = f"get_level: VFOA RFPOWER\n{level}\nRPRT 0\n".encode()
    if fraction is None:
        with pytest.raises(RigGarbled):
            exchange.feed(answer)
    else:
        exchange.feed(answer)
        assert exchange.answers[0].values == (fraction,)


@pytest.mark.parametrize("passband", ["-1", "1000001", "1e300"])
def test_a_passband_that_is_none_is_no_answer(passband: str) -> None:
    exchange = Answers((ask("m", "VFOA"),))
    with pytest.raises(RigGarbled):
        exchange.feed(f"get_mode: VFOA\nMode: USB\nPassband: {passband}\nRPRT 0\n".encode())


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        (b"Host: 127.0.0.1\r\nOrigin: http://[\r\n", 403),
        (b"Host: [::::]\r\n", 403),
        (b"Host: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nUpgrade: websocket\r\n"
         b"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Protocol: mqtt\r\n"
         b"Sec-WebSocket-Key: \xe2\x84\x80\r\n", 400),
    ],
    ids=["origin", "host", "key"],
)  # fmt: skip
def test_a_header_that_cannot_be_is_refused(
    headers: bytes, status: int, caplog: pytest.LogCaptureFixture
) -> None:
    async def main() -> bytes:
        ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        gateway = Gateway("127.0.0.1", 1, None, False, "moontrim", "station")
        daemon = SimpleNamespace(hub=StateHub(), clock=SystemClock())
        page = asyncio.create_task(
            serve(daemon, gateway, "127.0.0.1", 0, on_ready=ready.set_result)
        )
        port = urlsplit(await ready).port
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /mqtt HTTP/1.1\r\n" + headers + b"\r\n")
        line = await reader.readline()
        writer.transport.abort()
        page.cancel()
        await asyncio.gather(page, return_exceptions=True)
        return line

    assert asyncio.run(main()).startswith(f"HTTP/1.1 {status} ".encode())
    assert not caplog.records


def test_refused_transmit_requests_do_not_open_a_full_buffer() -> None:
    """A transmit request reads on, to notice the end of whoever keys. Refused, and with too much
    waiting behind it, the client must wait again, or each request lets in more."""
    view = ShareView(
        "10 GHz", 1, 1, False, True, "", (), (), Abilities(keys=True, reads_details=True)
    )

    async def main() -> None:
        look = asyncio.Event()

        async def details() -> RigDetails:
            await look.wait()
            look.clear()
            return RigDetails("USB", 2400, None)

        async def key(who: str, dropped: asyncio.Event) -> int:
            return REJECTED

        radio: Any = SimpleNamespace(clock=SystemClock(), view=lambda: view, key=key)
        radio.details, radio.unkey = details, lambda who: None
        client = Client(radio, "share 1", may_transmit=True, ended=lambda _: None)
        peer = Peer("127.0.0.1", asyncio.get_running_loop())
        peer.set_protocol(client)
        client.connection_made(peer)
        client.data_received(b"m\nT 1\nm\n" + b"v\n" * MOST_WAITING)
        assert peer.paused
        look.set()
        while not peer.written.endswith(b"RPRT -9\n"):
            await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert peer.paused
        peer.vanish()
        assert client.task is not None
        await asyncio.gather(client.task, return_exceptions=True)

    asyncio.run(main())


def test_a_flood_of_transmit_requests_is_not_read_over_and_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each request is judged by what waits behind it: looked at, not parsed, or a second's worth of
    requests holds up the tracker for minutes."""
    read: list[bytes] = []

    def counted(line: bytes, names_vfo: bool) -> tuple[ClientCommand, ...]:
        read.append(line)
        return read_line(line, names_vfo)

    monkeypatch.setattr("moontrim.share.connection.read_line", counted)
    view = ShareView("10 GHz", 1, 1, False, True, "", (), (), Abilities(keys=True))

    async def main() -> None:
        async def key(who: str, dropped: asyncio.Event) -> int:
            return REJECTED

        radio: Any = SimpleNamespace(clock=SystemClock(), view=lambda: view, key=key)
        radio.unkey = lambda who: None
        client = Client(radio, "share 1", may_transmit=True, ended=lambda _: None)
        peer = Peer("127.0.0.1", asyncio.get_running_loop())
        peer.set_protocol(client)
        client.connection_made(peer)
        client.data_received(b"T 1\n" * 5000)
        client.eof_received()
        assert client.task is not None
        await client.task
        assert peer.written == b"RPRT -9\n" * 5000

    asyncio.run(main())
    assert len(read) == 5000
