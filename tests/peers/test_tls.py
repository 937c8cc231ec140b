"""Page and broker for other machines: TLS with the station's own certificate, in real sockets, by
the machine's own address on the network; and nothing that commands without it."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import socket
import ssl
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiohttp
import aiomqtt
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from moontrim.clock.system import SystemClock
from moontrim.path import Ephemeris
from moontrim.remote.wire import servertls
from moontrim.remote.wire.certificates import Certificates
from moontrim.remote.wire.welcome import interface_addresses
from support.browser import chromium, phone, require_chromium
from support.effort import missing
from support.mosquitto import BASE, Station, require_mosquitto, run, station
from support.processor import within
from support.rigctld import free_port, listening

pytestmark = pytest.mark.peers


@pytest.fixture(autouse=True)
def _mosquitto() -> None:
    require_mosquitto()


@pytest.fixture
def address() -> str:
    """The machine's own address on a network, by which it is to itself as another machine is."""
    addresses = interface_addresses()
    if not addresses:
        missing("a network interface")
    return addresses[0]


@asynccontextmanager
async def on_the_network(
    folder: Path, ephemeris: Ephemeris, address: str, **remote: Any
) -> AsyncIterator[tuple[Station, ssl.SSLContext, dict[str, str]]]:
    """A daemon, a client's TLS context that trusts the certificate it offers, and passwords."""
    async with station(folder, ephemeris, lan=True, show_password=True, **remote) as running:
        settings = running.daemon.settings.remote
        await listening(settings.http_port)
        async with aiohttp.ClientSession() as session:
            url = f"http://{address}:{settings.http_port}/moontrim-ca.pem"
            async with session.get(url) as answer:
                assert answer.status == 200
                pem = await answer.text()
        shown = running.shown[0]
        certificate = x509.load_pem_x509_certificate(pem.encode())
        digest = hashlib.sha256(certificate.public_bytes(Encoding.DER)).hexdigest()
        assert digest in shown.replace(":", "").lower(), "the fingerprint is shown"
        (folder / "ca.pem").write_text(pem)
        passwords = json.loads((folder / "state" / "remote-passwords.json").read_text())
        yield running, ssl.create_default_context(cadata=pem), passwords


def test_the_page_by_tls_and_only_the_certificate_without(
    tmp_path: Path, ephemeris: Ephemeris, address: str
) -> None:
    async def main() -> None:
        async with on_the_network(tmp_path, ephemeris, address) as (here, trust, passwords):
            remote = here.daemon.settings.remote
            plain = f"http://{address}:{remote.http_port}"
            secure = f"https://{address}:{remote.https_port}"
            basic = base64.b64encode(f"phone:{passwords['phone']}".encode()).decode()
            login = {"Authorization": f"Basic {basic}"}
            async with aiohttp.ClientSession() as session:
                async with session.get(f"{plain}/") as answer:
                    text = await answer.text()
                    assert f"{secure}/" in text and "fingerprint" in text.lower()
                    assert "mqtt" not in text
                async with session.get(f"{plain}/moontrim-ca.crt") as answer:
                    assert answer.content_type == "application/x-x509-ca-cert"
                    x509.load_der_x509_certificate(await answer.read())
                for path in ("static/page.js", "healthz", "mqtt"):
                    async with session.get(f"{plain}/{path}", headers={"Origin": plain}) as answer:
                        assert answer.status == 404, path
                forbid = {**login, "Origin": plain}
                async with session.post(f"{plain}/forbid", headers=forbid) as answer:
                    assert answer.status == 403
                assert here.daemon.session.tx_allowed
                with pytest.raises(aiohttp.WSServerHandshakeError):
                    await session.ws_connect(
                        f"{plain}/mqtt", protocols=("mqtt",), headers={"Origin": plain}
                    )

                async with session.get(f"{secure}/static/page.js", ssl=trust) as answer:
                    assert answer.status == 200
                with pytest.raises(aiohttp.ClientConnectorCertificateError):
                    await session.get(f"{secure}/")  # trusts the usual authorities
                other = Certificates(tmp_path / "other", (address,), SystemClock().utc_s())
                wrong = ssl.create_default_context(cadata=other.authority_pem.decode())
                with pytest.raises(aiohttp.ClientConnectorCertificateError):
                    await session.get(f"{secure}/", ssl=wrong)
                forbid = {**login, "Origin": secure}
                async with session.post(f"{secure}/forbid", headers=forbid, ssl=trust) as answer:
                    assert answer.status == 200
                assert not here.daemon.session.tx_allowed
                local = f"http://127.0.0.1:{remote.http_port}/static/page.js"
                async with session.get(local) as answer:
                    assert answer.status == 200, "loopback stays as it is"
            done = await run(
                *("openssl", "s_client", "-connect", f"{address}:{remote.https_port}"),
                *("-CAfile", str(tmp_path / "ca.pem"), "-verify_return_error"),
                *("-verify_ip", address, "-tls1_1", "-cipher", "ALL@SECLEVEL=0"),
            )
            assert done[0] != 0, "TLS 1.1 is refused"

    asyncio.run(main())


def test_half_a_handshake_keeps_nobody_out(
    tmp_path: Path, ephemeris: Ephemeris, address: str
) -> None:
    async def main() -> None:
        async with on_the_network(tmp_path, ephemeris, address) as (here, trust, _):
            remote = here.daemon.settings.remote
            held = []
            for number in range(80):
                held.append(
                    await asyncio.open_connection(
                        "127.0.0.1", remote.https_port, local_addr=(f"127.0.0.{2 + number % 8}", 0)
                    )
                )
            url = f"https://{address}:{remote.https_port}/static/page.js"
            async with (
                within(3.0),
                aiohttp.ClientSession() as session,
                session.get(url, ssl=trust) as answer,
            ):
                assert answer.status == 200
            async with within(8.0):
                for reader, _ in held:
                    with suppress(ConnectionResetError):
                        assert await reader.read() == b""
            for _, writer in held:
                writer.close()

    asyncio.run(main())


def test_mqtt_from_another_machine(
    tmp_path: Path, ephemeris: Ephemeris, address: str, caplog: pytest.LogCaptureFixture
) -> None:
    async def main() -> None:
        plain_port = free_port()
        network = on_the_network(tmp_path, ephemeris, address, plain_port=plain_port)
        async with network as (here, _, passwords):
            remote = here.daemon.settings.remote
            await listening(here.port)
            ca = str(tmp_path / "ca.pem")
            request = ("-V", "5", "-q", "1", "-W", "5", "-e", f"{BASE}/reply/phone/rr")
            as_phone = ("-u", "phone", "-P", passwords["phone"])
            as_viewer = ("-u", "viewer", "-P", passwords["viewer"])
            nudge = ("-t", f"{BASE}/cmd/phone/nudge", "-m", "10")
            secure = ("-h", address, "-p", str(remote.tls_port), "--cafile", ca)
            code, output = await run("mosquitto_rr", *secure, *request, *as_phone, *nudge)
            assert (code, json.loads(output)["ok"]) == (0, True)

            other = Certificates(tmp_path / "other", (address,), SystemClock().utc_s())
            wrong = tmp_path / "wrong.pem"
            wrong.write_bytes(other.authority_pem)
            code, _ = await run(
                *("mosquitto_rr", "-h", address, "-p", str(remote.tls_port), "--cafile"),
                *(str(wrong), *request, *as_phone, *nudge),
            )
            assert code != 0, "a wrong CA"
            with pytest.raises(OSError), socket.socket() as probe:
                probe.settimeout(2.0)
                probe.connect((address, here.port))

            sked_hz = here.daemon.session.band_choices(here.daemon.settings).sked_hz
            plain = ("-h", address, "-p", str(plain_port))
            state = ("-t", f"{BASE}/state", "-C", "1", "-W", "5")
            code, _ = await run("mosquitto_sub", *plain, *as_viewer, *state)
            assert code == 0, "reading is allowed"
            code, _ = await run("mosquitto_sub", *plain, *as_phone, *state)
            assert code != 0, "the account that may command is not known without TLS"
            assert "broker: log-in refused" in caplog.text
            for account in ("phone", "viewer", "local"):
                await run(
                    *("mosquitto_pub", "-V", "5", *plain, *as_viewer, "-q", "1"),
                    *("-t", f"{BASE}/cmd/{account}/nudge", "-m", "10"),
                )
            await asyncio.sleep(0.5)
            choices = here.daemon.session.band_choices(here.daemon.settings)
            assert choices.sked_hz == sked_hz

    asyncio.run(main())


def test_renewed_while_it_runs(
    tmp_path: Path, ephemeris: Ephemeris, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Page and broker show the new one; a connection that is open stays open."""
    monkeypatch.setattr(servertls, "LOOK_S", 0.3)

    def serial(trust: ssl.SSLContext, port: int) -> str:
        with (
            socket.create_connection((address, port), 5.0) as plain,
            trust.wrap_socket(plain, server_hostname=address) as connection,
        ):
            certificate = connection.getpeercert()
        assert certificate is not None
        return str(certificate["serialNumber"])

    async def main() -> None:
        async with on_the_network(tmp_path, ephemeris, address) as (here, trust, passwords):
            remote = here.daemon.settings.remote
            await listening(here.port)
            ports = (remote.https_port, remote.tls_port)
            before = [await asyncio.to_thread(serial, trust, port) for port in ports]
            assert before[0] == before[1]
            async with aiomqtt.Client(
                address,
                remote.tls_port,
                username="viewer",
                password=passwords["viewer"],
                tls_context=trust,
            ) as client:
                (tmp_path / "state" / "tls" / "server.pem").unlink()
                async with within(10.0):
                    for port, old in zip(ports, before, strict=True):
                        new = old
                        while new == old:
                            # The broker ends a handshake that is under way when it reloads.
                            with suppress(ssl.SSLError, ConnectionError):
                                new = await asyncio.to_thread(serial, trust, port)
                            await asyncio.sleep(0.1)
                await client.subscribe(f"{BASE}/state")
                async with within(3.0):
                    await anext(aiter(client.messages))

    asyncio.run(main())


def test_a_browser(tmp_path: Path, ephemeris: Ephemeris, address: str) -> None:
    """With the server's key pinned it opens the page, which commands; with another key it does
    not."""
    require_chromium()

    async def main() -> None:
        async with on_the_network(tmp_path, ephemeris, address) as (here, _, passwords):
            remote = here.daemon.settings.remote
            url = f"https://{address}:{remote.https_port}/#p={passwords['phone']}"
            pem = (tmp_path / "state" / "tls" / "server.pem").read_bytes()
            key = x509.load_pem_x509_certificate(pem).public_key()
            spki = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
            pin = base64.b64encode(hashlib.sha256(spki).digest()).decode()
            async with (
                chromium(f"--ignore-certificate-errors-spki-list={pin}") as browser,
                phone(browser) as held,
            ):
                await held.open(url)
                await held.until_link("live")
                assert await held.page.evaluate("isSecureContext") is True
                assert any(each.startswith("wss://") for each in held.requested)
                await held.tap('[data-nudge="10"]')
                await held.page.wait_for_selector('#sked[aria-label="10 368 100 010 hertz"]')
            other = base64.b64encode(hashlib.sha256(b"another").digest()).decode()
            async with chromium(f"--ignore-certificate-errors-spki-list={other}") as browser:
                async with phone(browser) as held:
                    with pytest.raises(Exception, match="ERR_CERT_AUTHORITY_INVALID"):
                        await held.open(url)
                async with phone(browser) as held:
                    await held.open(f"http://{address}:{remote.http_port}/")
                    assert "CA certificate" in await held.text("body")

    asyncio.run(main())


def test_a_disk_that_takes_no_certificate(
    tmp_path: Path,
    ephemeris: Ephemeris,
    address: str,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The page is there, with a certificate for this run, of which nothing is left."""
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "tls").write_text("in the way")
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))

    async def main() -> None:
        async with on_the_network(tmp_path, ephemeris, address) as (here, trust, _):
            port = here.daemon.settings.remote.https_port
            async with (
                aiohttp.ClientSession() as session,
                session.get(f"https://{address}:{port}/static/page.js", ssl=trust) as answer,
            ):
                assert answer.status == 200
            assert list(temporary.glob("moontrim-*/tls/server.pem"))

    asyncio.run(main())
    assert "certificate not saved" in caplog.text
    assert list(temporary.iterdir()) == []
