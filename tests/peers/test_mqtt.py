"""The remote side with the real broker and its command-line clients: what a phone can do, what it
cannot, and what happens when one of the parts dies."""

import asyncio
import json
import os
import signal
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from moontrim.clock.virtual import VirtualClock
from moontrim.config.remote import RemoteSettings
from moontrim.keying.modemlines import OutputError
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED
from moontrim.remote.broker.accounts import access_list, password_file
from moontrim.remote.published.topics import Topics
from moontrim.state.snapshot import Tracking
from support.broker_certificates import make_authority, sign
from support.moonup import longitude_under_the_moon
from support.mosquitto import (
    BASE,
    Station,
    Watch,
    other_broker,
    require_mosquitto,
    run,
    station,
    station_process,
)
from support.processor import within
from support.rigctld import free_port

pytestmark = pytest.mark.peers


@pytest.fixture(autouse=True)
def _mosquitto() -> None:
    require_mosquitto()


# --- what a phone can do --------------------------------------------------------------------------


def test_every_command_reaches_the_radio_and_comes_back(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def main() -> None:
        # So seldom read that what is turned by hand shows because of `readback` and nothing else.
        async with (
            station(
                tmp_path, ephemeris, tables={"radio": EMBEDDED["radio"] | {"poll_s": 5.0}}
            ) as here,
            Watch.on(here.port) as watch,
        ):
            await watch.online()
            radio, ask = here.radio, here.request
            before = await watch.state(lambda s: s["tracking"] == "on frequency", 5.0)

            def dials_near(rx_hz: float, tx_hz: float, by_hz: float = 15.0) -> bool:
                """Near: the Moon moves on while we look."""
                tx_dial_hz = radio.tx_dial_hz or 0
                return abs(radio.rx_dial_hz - rx_hz) < by_hz and abs(tx_dial_hz - tx_hz) < by_hz

            rx_hz, tx_hz = before["rx"]["dial_hz"], before["tx"]["dial_hz"]
            reply = await ask("frequency", {"hz": 10_368_105_000})
            assert reply == {
                "ok": True, "id": None, "result": {"sked_hz": 10_368_105_000},
                "saved": True, "unsaved": None,
            }  # fmt: skip
            state = await watch.state(lambda s: abs(s["rx"]["dial_hz"] - rx_hz - 5000) < 15)
            assert dials_near(rx_hz + 5000, tx_hz + 5000)
            assert state["last_change"]["by"] == "local"
            assert state["last_change"]["what"] == "sked 10 368 105 000 Hz"

            await ask("nudge", {"by_hz": -4000})
            await watch.state(lambda s: abs(s["rx"]["dial_hz"] - rx_hz - 1000) < 15)
            assert dials_near(rx_hz + 1000, tx_hz + 1000)

            await ask("trim", {"rx_hz": 300, "tx_hz": -200})
            await watch.state(lambda s: abs(s["tx"]["dial_hz"] - tx_hz - 800) < 15)
            assert dials_near(rx_hz + 1300, tx_hz + 800)
            await ask("trim", {"rx_hz": 0, "tx_hz": 0})

            await ask("agreement", "partner")
            state = await watch.state(
                lambda s: s["agreement"] == "partner" and s["rx"]["dial_hz"] == 144_101_000
            )
            assert dials_near(144_101_000, 144_101_000, 1.0), "both stay on the sked frequency"

            await ask("agreement", "receiver")
            await watch.state(lambda s: s["agreement"] == "receiver")
            # Fifty degrees east the Moon sets: some 10 kHz, whatever the Moon itself does.
            east_deg = (longitude_under_the_moon() + 230.0) % 360.0 - 180.0
            await ask("partner", f"0.0,{east_deg:.3f},50")
            await until(lambda: abs(radio.rx_dial_hz - 144_101_000) > 1000)
            with_partner_hz = radio.rx_dial_hz
            await ask("partner", "self")
            await watch.state(lambda s: s["partner"] == "self")
            await until(lambda: abs(radio.rx_dial_hz - with_partner_hz) > 20)

            await ask("band", "24 GHz")
            state = await watch.state(lambda s: s["band"] == "24 GHz")
            assert state["sked_hz"] == 24_048_100_000
            await until(lambda: abs((radio.tx_dial_hz or 0) - 144_100_000) < 1)
            await ask("band", {"band": "10 GHz"})
            await watch.state(lambda s: s["sked_hz"] == 10_368_101_000)

            await ask("correction", {"on": False})
            await watch.state(lambda s: s["tracking"] == "paused")
            radio.turn_dial(777)
            turned_hz = radio.rx_dial_hz
            await ask("readback")
            await watch.state(lambda s: s["rx"]["dial_hz"] == turned_hz)
            await ask("correction", "on")
            await watch.state(lambda s: s["tracking"] == "on frequency")
            assert radio.rx_dial_hz != turned_hz

            radio.key(True)
            await ask("readback")
            await watch.state(lambda s: s["transmitting"])
            # by a command of ours, since a foot switch held down cannot be undone
            radio.set_transmit(True)
            radio.key(False)
            await ask("transmit", {"allowed": False})
            await watch.state(lambda s: not s["tx_allowed"] and s["transmitting"] is False)
            assert not radio.transmitting
            first = await ask("transmit", {"allowed": True})
            assert first["error"]["code"] == "confirm"
            assert watch.json("state")["tx_allowed"] is False
            again = {"allowed": True, "confirm": first["error"]["confirm_token"]}
            assert (await ask("transmit", again))["ok"]
            await watch.state(lambda s: s["tx_allowed"])
            assert not radio.transmitting, "permitted is not keyed"

            sked = {"name": "north", "band": "24 GHz", "sked_hz": 24_048_200_000}
            assert (await ask("save_sked", sked))["ok"]
            assert (await ask("sked", "north"))["ok"]
            state = await watch.state(lambda s: s["sked"] == "north")
            assert (state["band"], state["sked_hz"]) == ("24 GHz", 24_048_200_000)
            assert (await ask("undo"))["ok"]
            await watch.state(lambda s: s["sked"] == "" and s["band"] == "10 GHz")
            assert (await ask("remove_sked", {"sked": "north"}))["ok"]

            assert watch.latest[f"{BASE}/value/sked_hz"] == b"10368101000"
            assert watch.json("info")["bands"][1]["name"] == "24 GHz"
            await watch.until(lambda: len(watch.json("trace")["rx_hz"]) > 1, 6.0)
            fred = {"name": "Fred", "band": "10 GHz", "sked_hz": 10_368_102_000}
            steps = ("save_sked", fred), ("sked", "Fred"), ("undo", {}), ("remove_sked", "Fred")
            for name, payload in steps:
                assert (await ask(name, payload))["ok"], name

            def all_of_them() -> bool:
                events = [json.loads(p) for t, p in watch.history if t == f"{BASE}/event"]
                names = {e["name"] for e in events if e["what"] == "command"}
                return names == set(watch.json("info")["commands"])

            await watch.until(all_of_them)

    asyncio.run(main())


async def until(is_so: Any, within_s: float = 3.0) -> None:
    async with within(within_s):
        while not is_so():
            await asyncio.sleep(0.01)


def test_skeds_by_mqtt(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Saved, chosen, undone; acknowledged once it is on disk, listed on a retained topic."""
    sked = {"name": "Fred", "band": "10 GHz", "sked_hz": 10_368_123_000, "note": "they begin"}

    async def main() -> None:
        async with station(tmp_path, ephemeris) as here, Watch.on(here.port) as watch:
            await watch.online()
            before = await watch.state(lambda s: s["tracking"] == "on frequency", 5.0)
            assert (await watch.until(lambda: watch.json("skeds")))["skeds"] == []
            reply = await here.request("save_sked", sked)
            assert (reply["ok"], reply["saved"]) == (True, True)

            def saved() -> dict[str, Any]:
                return dict(
                    json.loads((tmp_path / "state" / "session.json").read_text())["session"]
                )

            assert saved()["skeds"][0]["name"] == "Fred"
            (listed,) = await watch.until(lambda: watch.json("skeds")["skeds"])
            assert listed.items() >= (sked | {"made": True, "problem": ""}).items()
            reply = await here.request("sked", "fred")
            assert reply["saved"] is True and reply["result"]["sked"] == "Fred"
            assert saved()["sked"] == "Fred"
            state = await watch.state(lambda s: s["sked"] == "Fred" and s["undo_until_ms"])
            assert state["sked_hz"] == state["tx_sked_hz"] == 10_368_123_000
            assert (state["last_change"]["by"], state["last_change"]["what"]) == (
                "local",
                "sked fred",
            )
            reply = await here.request("undo", {})
            assert reply["saved"] is True and reply["result"]["sked"] == ""
            state = await watch.state(lambda s: s["sked"] == "")
            assert state["sked_hz"] == before["sked_hz"] and state["undo_until_ms"] is None
            refused = await here.request("undo", {})
            assert refused["error"]["code"] == "not_now"
            assert (await here.request("remove_sked", {"sked": "FRED"}))["saved"] is True
            assert saved()["skeds"] == []

    asyncio.run(main())


def test_refused_with_a_reason_and_nothing_changes(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        async with station(tmp_path, ephemeris) as here, Watch.on(here.port) as watch:
            await watch.online()
            await watch.state(lambda s: s["tracking"] == "on frequency", 5.0)
            before = here.daemon.session

            async def code(name: str, payload: object, *options: str) -> str:
                reply = await here.request(name, payload, *options)
                assert here.daemon.session == before
                return str(reply["error"]["code"])

            # mosquitto_rr cannot retain
            reply_to = ("-V", "5", "-D", "publish", "response-topic", f"{BASE}/reply/local/r")
            await here.publish("cmd/local/nudge", "10", "-r", *reply_to)
            reply = await watch.until(lambda: watch.json("reply/local/r"))
            assert reply["error"]["code"] == "retained"
            assert here.daemon.session == before
            assert await code("frequency", "1") == "out_of_range"
            assert await code("frequency", '{"hz":') == "bad_json"
            assert await code("frequency", '{"mhz":10368}') == "bad_value"
            assert await code("fire", "{}") == "unknown_command"
            assert await code("nudge", '{"by_hz":10,"x":"' + "y" * 5000 + '"}') == "too_large"
            nudge = ("nudge", {"by_hz": 10, "id": "n1"})
            replies = [await here.request(*nudge) for _ in range(3)]
            assert replies[0] == replies[1] == replies[2]
            assert replies[0]["result"] == {"sked_hz": 10_368_100_010}, "done once"
            before = here.daemon.session

            # The broker's own limit: such a client is thrown out, and the daemon stays.
            await here.publish("cmd/local/nudge", "1" * 20_000)
            # Anywhere else but under its own name, a client is not heard at all.
            for topic in ("cmd/phone/nudge", "cmd/daemon/nudge", "state", "availability"):
                await here.publish(topic, "10")
            # The retained one was cleared: nobody finds it later.
            code_, output = await run(
                *("mosquitto_sub", "-p", str(here.port), "-t", f"{BASE}/cmd/#", "-v", "-W", "1")
            )
            assert (code_, output) == (27, "Timed out\n"), output
            assert here.daemon.session == before
            assert watch.latest[f"{BASE}/availability"] == b"online"
            assert watch.json("state")["schema"] == 1

    asyncio.run(main())


def test_a_reply_goes_nowhere_but_below_its_own_topic(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        async with station(tmp_path, ephemeris) as here, Watch.on(here.port, "#") as watch:
            await watch.online()
            before = here.daemon.session
            for topic in (f"{BASE}/state", f"{BASE}/reply/phone/x", "elsewhere", f"{BASE}/reply"):
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                properties.ResponseTopic = topic
                watch.history.clear()
                await watch.client.publish(
                    f"{BASE}/cmd/local/nudge", b"10", 1, properties=properties
                )
                event = json.loads((await seen_event(watch))[1])
                assert event["ok"] is False
                assert "invalid reply topic" in event["text"]
                assert all(b'"ok"' not in p for t, p in watch.history if not t.endswith("/event"))
            assert here.daemon.session == before

    asyncio.run(main())


async def seen_event(watch: Watch) -> tuple[str, bytes]:
    def events() -> tuple[str, bytes] | None:
        return next(
            ((t, p) for t, p in watch.history if t == f"{BASE}/event" and b'"by"' in p), None
        )

    found: tuple[str, bytes] = await watch.until(events)
    return found


def test_clients_of_the_older_protocol(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """MQTT 3.1.1 has no response topic: `id` and `reply_to` stand in the payload."""

    async def main() -> None:
        async with station(tmp_path, ephemeris) as here, Watch.on(here.port) as watch:
            await watch.online()
            reply_to = f"{BASE}/reply/local/old"
            listener = await asyncio.create_subprocess_exec(
                *(
                    "stdbuf",
                    "-oL",
                    "mosquitto_sub",
                    "-d",
                    "-V",
                    "311",
                    "-p",
                    str(here.port),
                    "-t",
                    reply_to,
                ),
                *("-C", "2", "-W", "20"),
                stdout=asyncio.subprocess.PIPE,
            )
            assert listener.stdout is not None
            while b"Subscribed" not in (line := await listener.stdout.readline()):
                assert line, "it ended"
            for body in ({"by_hz": 25, "id": 1}, {"by_hz": "x", "id": 2}):
                payload = json.dumps({**body, "reply_to": reply_to})
                await here.publish("cmd/local/nudge", payload, "-V", "311")
            output, _ = await listener.communicate()
            replies = [json.loads(line) for line in output.splitlines() if line.startswith(b"{")]
            # The reply to what is carried out waits for the disk; a refusal may come before it.
            good, bad = sorted(replies, key=lambda reply: int(reply["id"]))
            assert good == {
                "ok": True, "id": 1, "result": {"sked_hz": 10_368_100_025},
                "saved": True, "unsaved": None,
            }  # fmt: skip
            assert (bad["id"], bad["error"]["field"]) == (2, "by_hz")
            async with Watch.on(here.port, protocol=aiomqtt.ProtocolVersion.V311) as old:
                await old.state(lambda s: s["sked_hz"] == 10_368_100_025)

    asyncio.run(main())


# --- accounts -------------------------------------------------------------------------------------


def test_accounts_on_the_network(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """A viewer sees and cannot command, a phone commands and cannot write state, and without a
    password there is nothing at all."""

    async def main() -> None:
        lan: dict[str, Any] = {"lan": True, "lan_address": "127.0.0.1"}
        async with station(tmp_path, ephemeris, **lan) as here:
            file = tmp_path / "state" / "remote-passwords.json"
            await until(file.exists)
            words = json.loads(file.read_text())
            assert file.stat().st_mode & 0o777 == 0o600
            phone = {"username": "phone", "password": words["phone"]}
            await until(lambda: here.shown, 5.0)
            assert words["phone"] in here.shown[0]
            assert "/#p=" not in here.shown[0], "only in the picture"

            for username, password in (
                (None, None),
                ("phone", "wrong"),
                ("phone", words["viewer"]),
                ("daemon", words["phone"]),
                ("stranger", words["phone"]),
            ):
                with pytest.raises(aiomqtt.MqttError):
                    async with Watch.on(here.port, username=username, password=password):
                        pass
            code, output = await run(
                *("mosquitto_sub", "-p", str(here.port), "-u", "phone", "-P", "wrong"),
                *("-t", "moontrim/#", "-W", "2"),
            )
            assert code != 0
            assert "not authorised" in output.lower()

            async with Watch.on(here.port, **phone) as watch:
                await watch.online()
                await watch.state(lambda s: s["tracking"] == "on frequency", 5.0)
                before = here.daemon.session
                as_viewer = ("-u", "viewer", "-P", words["viewer"])
                for account in ("viewer", "phone", "local"):
                    await here.publish(f"cmd/{account}/nudge", "10", *as_viewer)
                as_phone = ("-u", "phone", "-P", words["phone"])
                for account in ("viewer", "local", "daemon"):
                    await here.publish(f"cmd/{account}/nudge", "10", *as_phone)
                for topic in ("state", "availability", "value/band", "event", "reply/phone/x"):
                    await here.publish(topic, "forged", *as_phone)
                    await here.publish(topic, "forged", *as_viewer)
                reply = await here.request("nudge", "10", *as_phone, account="phone")
                assert reply["result"] == {"sked_hz": 10_368_100_010}, "once: its own"
                assert before.band_choices(here.daemon.settings).sked_hz == 10_368_100_000
                state = await watch.state(lambda s: s["last_change"])
                assert state["last_change"]["by"] == "phone"
                assert not any(b"forged" in payload for _, payload in watch.history)

                viewer = {"username": "viewer", "password": words["viewer"]}
                async with Watch.on(here.port, "#", **viewer) as seen:
                    await seen.state(lambda s: s["sked_hz"] == 10_368_100_010)
                    await here.request("nudge", "1", *as_phone, account="phone")
                    await seen.state(lambda s: s["sked_hz"] == 10_368_100_011)
                    topics = {topic for topic, _ in seen.history}
                    assert not any("/reply/" in topic or "/cmd/" in topic for topic in topics)
        # The password outlives the daemon, and is not shown again unasked.
        async with station(tmp_path, ephemeris, **lan) as here:
            async with Watch.on(here.port, **phone) as watch:
                await watch.online()
            assert here.shown == []

    asyncio.run(main())


def test_password_shown_again_on_request(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        lan: dict[str, Any] = {"lan": True, "lan_address": "127.0.0.1"}
        for _ in range(2):
            async with station(tmp_path, ephemeris, show_password=True, **lan) as here:
                await until(lambda: here.shown, 5.0)
                assert "http://127.0.0.1:" in here.shown[0]
                assert "https://127.0.0.1:" in here.shown[0]

    asyncio.run(main())


# --- when a part dies -----------------------------------------------------------------------------


def own_broker_pid(here: Station) -> int:
    """The broker process below this one that listens for this station."""
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0")
            if not words[0].endswith(b"mosquitto"):
                continue
            text = Path(words[words.index(b"-c") + 1].decode()).read_text()
        except (OSError, ValueError):
            continue
        if f"listener {here.port} " in text:
            return int(folder.name)
    raise AssertionError("no broker of ours")


def test_broker_killed_and_stopped(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """The tick goes on, and the connection comes back by itself."""

    async def back(here: Station, within_s: float) -> float:
        loop = asyncio.get_running_loop()
        began = loop.time()
        async with within(within_s):
            while True:
                try:
                    async with Watch.on(here.port, timeout=1.0) as watch:
                        await watch.state(lambda s: s["tracking"] == "on frequency", 2.0)
                        return loop.time() - began
                except (aiomqtt.MqttError, AssertionError):
                    await asyncio.sleep(0.05)

    async def main() -> None:
        async with station(tmp_path, ephemeris) as here:
            await back(here, 8.0)
            record = here.daemon.record
            os.kill(own_broker_pid(here), signal.SIGKILL)
            took_s = await back(here, 4.0)
            print(f"broker killed: back after {took_s:.2f} s")
            pid = own_broker_pid(here)
            ticks = record.ticks
            os.kill(pid, signal.SIGSTOP)
            await asyncio.sleep(4.0)
            assert record.ticks - ticks >= 4
            assert here.daemon.hub.latest is not None
            assert here.daemon.hub.latest.tracking is Tracking.ON_FREQUENCY
            with suppress(ProcessLookupError):  # it has been replaced meanwhile
                os.kill(pid, signal.SIGCONT)
            took_s = await back(here, 3.0)
            print(f"broker stopped for 4 s: back after {took_s:.2f} s")
            assert record.missed_seconds == 0
            assert [fault.text for fault in record.faults] == []
        assert not Path(f"/proc/{pid}").exists(), "it ends with the daemon"

    asyncio.run(main())


def test_a_broker_that_hangs_for_good_is_replaced(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Within three seconds each time."""

    async def main() -> None:
        loop = asyncio.get_running_loop()
        async with station(tmp_path, ephemeris) as here:
            for _ in range(2):
                async with Watch.on(here.port, within_s=10.0) as watch:
                    await watch.online()
                pid = own_broker_pid(here)
                os.kill(pid, signal.SIGSTOP)
                began_s = loop.time()
                await until(lambda pid=pid: not Path(f"/proc/{pid}").exists(), 3.0)
                print(f"broker hung: replaced after {loop.time() - began_s:.2f} s")
            async with Watch.on(here.port, within_s=10.0) as watch:
                await watch.state(lambda s: s["tracking"] == "on frequency", 10.0)
            assert here.daemon.record.missed_seconds == 0

    asyncio.run(main())


def events(watch: Watch) -> list[str]:
    return [json.loads(p)["text"] for t, p in watch.history if t == f"{BASE}/event"]


def test_daemon_killed_stopped_and_ended(tmp_path: Path) -> None:
    """Killed: offline at once, by its will. Stopped: what was sent meanwhile and has expired is not
    done afterwards. Ended in order: it says so itself."""

    async def main() -> None:
        port = free_port()
        remote: dict[str, Any] = {"broker": "127.0.0.1", "port": port}
        async with other_broker(tmp_path, port=port), Watch.on(port) as watch:
            loop = asyncio.get_running_loop()

            async def offline(within_s: float) -> float:
                began = loop.time()
                await watch.until(
                    lambda: watch.latest[f"{BASE}/availability"] == b"offline", within_s
                )
                return loop.time() - began

            async with station_process(tmp_path, **remote) as daemon:
                await watch.online(10.0)
                daemon.kill()
                took_s = await offline(3.0)
                print(f"daemon killed: offline after {took_s * 1000:.0f} ms")
            async with station_process(tmp_path, **remote) as daemon:
                await watch.online(10.0)
                await watch.state(lambda s: s["tracking"] == "on frequency", 5.0)
                daemon.send_signal(signal.SIGSTOP)
                topic = f"{BASE}/cmd/local/nudge"
                for body, expiry in (('{"by_hz":10}', 2), ('{"by_hz":500}', 60)):
                    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                    properties.MessageExpiryInterval = expiry
                    await watch.client.publish(topic, body, 1, properties=properties)
                await asyncio.sleep(4.0)
                daemon.send_signal(signal.SIGCONT)
                await watch.state(lambda s: s["sked_hz"] == 10_368_100_500, 5.0)
                # The event has a way of its own and may come after the state.
                await watch.until(lambda: any("expired" in text for text in events(watch)), 3.0)
                daemon.send_signal(signal.SIGTERM)
                async with within(8.0):
                    assert await daemon.wait() == 0
                assert watch.latest[f"{BASE}/availability"] == b"offline"

    asyncio.run(main())


def test_own_broker_does_not_outlive_a_killed_daemon(tmp_path: Path) -> None:
    async def main() -> None:
        port = free_port()
        async with station_process(tmp_path, port=port) as daemon:
            async with Watch.on(port, within_s=10.0) as watch:
                await watch.online()
            daemon.kill()
            await daemon.wait()

            async def gone() -> bool:
                try:
                    _, writer = await asyncio.open_connection("127.0.0.1", port)
                except OSError:
                    return True
                writer.transport.abort()
                return False

            async with within(3.0):
                while not await gone():
                    await asyncio.sleep(0.05)

    asyncio.run(main())


def test_without_the_broker_program_the_daemon_goes_on(
    tmp_path: Path,
    ephemeris: Ephemeris,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr("moontrim.remote.broker.process.PROGRAM", "no-such-broker")

    async def main() -> None:
        async with station(tmp_path, ephemeris) as here:
            hub = here.daemon.hub
            await until(lambda: hub.latest and hub.latest.tracking is Tracking.ON_FREQUENCY)
            await asyncio.sleep(1.5)

    asyncio.run(main())
    said = [r.message for r in caplog.records if "not installed" in r.message]
    assert len(said) == 1


def test_a_taken_port(
    tmp_path: Path, ephemeris: Ephemeris, caplog: pytest.LogCaptureFixture
) -> None:
    """One that was asked for is said to be taken; it is had as soon as it is free."""

    async def main() -> None:
        port = free_port()
        server = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", port)
        async with station(tmp_path, ephemeris, port=port):
            await until(lambda: any(str(port) in r.message for r in caplog.records))
            server.close()
            await server.wait_closed()
            async with Watch.on(port, within_s=8.0) as watch:
                await watch.online()

    asyncio.run(main())
    assert sum("cannot listen" in record.message for record in caplog.records) == 1


def test_a_taken_port_of_the_page_is_tried_again(
    tmp_path: Path,
    ephemeris: Ephemeris,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("moontrim.remote.pageserver.RETRY_S", 0.2)

    async def main() -> None:
        port = free_port()
        server = await asyncio.start_server(lambda r, w: w.close(), "127.0.0.1", port)
        async with station(tmp_path, ephemeris, http_port=port):
            await until(lambda: "no phone page" in caplog.text)
            await asyncio.sleep(0.6)
            server.close()
            await server.wait_closed()
            await until(lambda: f"phone page: http://127.0.0.1:{port}/" in caplog.text)

    caplog.set_level("INFO")
    asyncio.run(main())
    assert caplog.text.count("no phone page") == 1


def test_a_rehearsal_publishes_at_the_pace_of_those_who_watch(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Three hundred seconds in each real one: at most five states of them, at least one."""
    clock = VirtualClock(1_795_016_000.25, pace=300.0)  # the Moon is up

    async def main() -> None:
        async with (
            station(tmp_path, ephemeris, clock=clock) as here,
            Watch.on(here.port, f"{BASE}/+") as watch,
        ):
            await watch.online()
            first = await watch.state(lambda s: s["tracking"] == "on frequency")
            watch.history.clear()
            began_s = time.monotonic()
            await watch.state(lambda s: s["at_ms"] - first["at_ms"] > 600_000, 20.0)
            states = [p for t, p in watch.history if t == f"{BASE}/state"]
            assert 1 < len(states) <= 5.0 * (time.monotonic() - began_s) + 1.0
            await watch.until(lambda: len(watch.json("trace")["rx_hz"]) == 600, 8.0)
            assert None not in watch.json("trace")["rx_hz"][-300:], "every second was seen"
            reply = await here.request("nudge", "10")
            assert reply["result"] == {"sked_hz": 10_368_100_010}

    clock.run(main())


# --- another broker -------------------------------------------------------------------------------


# The client library leaves a socket whose TLS handshake failed to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_another_broker_with_password_and_tls(
    tmp_path: Path, ephemeris: Ephemeris, monkeypatch: pytest.MonkeyPatch
) -> None:
    ca, stranger = make_authority(tmp_path, "ca"), make_authority(tmp_path, "stranger")
    certificate, key = sign(tmp_path, ca, "127.0.0.1")
    port = free_port()
    remote: dict[str, Any] = {
        "broker": "127.0.0.1",
        "port": port,
        "user": "daemon",
        "tls": True,
        "tls_ca_file": str(tmp_path / "ca.pem"),
    }
    settings = RemoteSettings(**{**remote, "tls_ca_file": tmp_path / "ca.pem"})
    (tmp_path / "acl").write_text(access_list(settings, Topics("moontrim", "station")))
    (tmp_path / "passwords").write_text(password_file({"daemon": "d-secret", "phone": "p-secret"}))
    options = (
        f"allow_anonymous false\npassword_file {tmp_path}/passwords\nacl_file {tmp_path}/acl\n"
        f"certfile {certificate}\nkeyfile {key}"
    )
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    (credentials / "mqtt_password").write_text("d-secret\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(credentials))
    tls = ("--cafile", str(tmp_path / "ca.pem"))
    phone = ("-u", "phone", "-P", "p-secret", *tls)

    async def main() -> None:
        async with other_broker(tmp_path, port=port, options=options):
            async with station(tmp_path, ephemeris, **remote) as here:
                await until_online(here, *phone)
                reply = await here.request("nudge", "10", *phone, account="phone")
                assert reply["result"] == {"sked_hz": 10_368_100_010}
            # another's authority, or a wrong password: no connection, and the radio is on frequency
            wrongs: tuple[tuple[dict[str, Any], str], ...] = (
                ({"tls_ca_file": str(tmp_path / "stranger.pem")}, "d-secret"),
                ({}, "wrong"),
            )
            for wrong, variable in wrongs:
                monkeypatch.setenv("MOONTRIM_MQTT_PASSWORD", variable)
                async with station(tmp_path, ephemeris, **{**remote, **wrong}) as here:
                    hub = here.daemon.hub
                    await until(lambda: hub.latest and hub.latest.tracking is Tracking.ON_FREQUENCY)  # noqa: B023
                    await asyncio.sleep(1.0)
                    assert await availability(here, *phone) == "offline"

    assert stranger
    asyncio.run(main())


async def availability(here: Station, *options: str) -> str:
    _, output = await run(
        *("mosquitto_sub", "-h", "127.0.0.1", "-p", str(here.port), "-C", "1", "-W", "2"),
        *("-t", f"{BASE}/availability", *options),
    )
    return output.strip()


async def until_online(here: Station, *options: str) -> None:
    async with within(8.0):
        while await availability(here, *options) != "online":
            await asyncio.sleep(0.1)


def test_hubs_are_told_and_can_command(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        port = free_port()
        remote: dict[str, Any] = {"broker": "127.0.0.1", "port": port, "discovery": True}
        topic = "homeassistant/device/moontrim_station/config"
        async with (
            other_broker(tmp_path, port=port),
            station(tmp_path, ephemeris, **remote) as here,
            Watch.on(port, "#") as watch,
        ):
            await watch.online()
            device = json.loads(await watch.until(lambda: watch.latest.get(topic)))
            del watch.latest[topic]
            await watch.client.publish("homeassistant/status", b"online", 1)
            await watch.until(lambda: watch.latest.get(topic))
            parts = device["cmps"]
            for part in parts.values():
                if "state_topic" in part:
                    await watch.until(lambda: part["state_topic"] in watch.latest)  # noqa: B023
            # as a hub does it: the bare option, number or payload
            for key, payload in (
                ("sked_hz", "10368100500.0"),
                ("agreement", "partner"),
                ("correcting", parts["correcting"]["payload_off"]),
                ("inhibit", parts["inhibit"]["payload_press"]),
                ("readback", parts["readback"]["payload_press"]),
                ("band", parts["band"]["options"][1]),
            ):
                await watch.client.publish(parts[key]["command_topic"], payload, 1)
            state = await watch.state(lambda s: s["band"] == "24 GHz")
            assert (state["agreement"], state["correcting"]) == ("partner", False)
            assert state["tx_allowed"] is False
            session = here.daemon.session
            assert session.bands["10 GHz"].sked_hz == 10_368_100_500
            bad = [p for t, p in watch.history if t == f"{BASE}/event" and b'"ok":false' in p]
            assert bad == []

    asyncio.run(main())


def test_a_relay_on_the_network_is_switched_through_the_broker(
    tmp_path: Path, ephemeris: Ephemeris
) -> None:
    """Heard by a client of its own, and not retained: a relay that comes back must not find an old
    `on`."""
    outputs = [
        {"kind": "mqtt", "name": "mast relay", "topic": "mast/relay", "settle_ms": 100},
        {"kind": "radio", "release_ms": 20},
    ]
    # Keying itself needs drive ceilings, and is tested elsewhere.
    tables = {"keying": {"enabled": False, "outputs": outputs}}

    async def main() -> None:
        async with station(tmp_path, ephemeris, tables=tables) as here:
            await until_online(here)
            async with Watch.on(here.port, "mast/relay") as relay:
                switch = here.daemon.transmitting.relays.publish
                await switch("mast/relay", "on")
                await until(lambda: relay.latest.get("mast/relay") == b"on")
                await switch("mast/relay", "off")
                await until(lambda: relay.latest.get("mast/relay") == b"off")
            async with Watch.on(here.port, "mast/relay") as later:
                await asyncio.sleep(0.3)
                assert not later.latest
            here.daemon.stop.set()
        with pytest.raises(OutputError):
            await switch("mast/relay", "on")

    asyncio.run(main())
