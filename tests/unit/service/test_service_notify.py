"""What the service manager is told, as its socket gets it. The datagrams are those of
sd_notify(3), section "Notes"."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from moontrim.keying.sequence import Phase
from moontrim.keying.view import KeyingView
from moontrim.path import Ephemeris
from moontrim.service.notify import Notifier
from moontrim.service.watchdog import is_ready, watchdog
from support.stage import Stage, play


class Manager:
    """The socket of a service manager."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address.replace("@", "\0", 1))
        self._socket.setblocking(False)

    def heard(self) -> list[str]:
        """Everything since the last time."""
        messages = []
        while True:
            try:
                messages.append(self._socket.recv(65536).decode())
            except BlockingIOError:
                return messages

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(str(tmp_path / "notify"))
    yield made
    made.close()


def test_a_word_is_one_datagram_of_lines(manager: Manager) -> None:
    assert Notifier(manager.address).tell(READY=1, STATUS="on frequency")
    assert manager.heard() == ["READY=1\nSTATUS=on frequency"]


def test_a_reason_of_several_lines_smuggles_nothing_in(manager: Manager) -> None:
    Notifier(manager.address).tell(STATUS="no contact with radio:\nSTOPPING=1\n")
    assert manager.heard() == ["STATUS=no contact with radio: STOPPING=1"]


def test_abstract_socket() -> None:
    manager = Manager(f"@moontrim-test-{id(object())}")
    try:
        assert Notifier(manager.address).tell(WATCHDOG=1)
        assert manager.heard() == ["WATCHDOG=1"]
    finally:
        manager.close()


def test_the_way_there_is_not_inherited(manager: Manager) -> None:
    environment = {
        "NOTIFY_SOCKET": manager.address,
        "WATCHDOG_USEC": "10000000",
        "WATCHDOG_PID": "1",
        "HOME": "/",
    }
    notifier = Notifier.claimed(environment)
    assert environment == {"HOME": "/"}
    assert notifier.listening and notifier.tell(READY=1)


@pytest.mark.parametrize("address", ["", "vsock:2:1234", "relative"])
def test_without_a_manager_nothing_happens(address: str) -> None:
    notifier = Notifier.claimed({"NOTIFY_SOCKET": address} if address else {})
    assert not notifier.listening and not notifier.tell(READY=1)


def test_a_manager_that_does_not_read_is_not_waited_for(manager: Manager) -> None:
    notifier = Notifier(manager.address)
    sent = [notifier.tell(WATCHDOG=1) for _ in range(2000)]
    assert sent[0] and not sent[-1], "the queue of the kernel is full at some time"
    manager.heard()
    assert notifier.tell(WATCHDOG=1)


def test_a_manager_that_is_gone(tmp_path: Path) -> None:
    assert not Notifier(str(tmp_path / "gone")).tell(WATCHDOG=1)


# --- what the daemon tells it ---------------------------------------------------------------------


def beats(messages: list[str]) -> int:
    return sum("WATCHDOG=1" in message.splitlines() for message in messages)


def test_ready_then_one_beat_a_second_then_stopping(
    manager: Manager, tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(stage: Stage) -> None:
        task = asyncio.create_task(watchdog(Notifier(manager.address))(stage.daemon))
        await stage.clock.sleep(10.0)
        messages = manager.heard()
        assert "READY=1" in messages[0].splitlines()
        assert sum("READY=1" in message for message in messages) == 1
        assert beats(messages) == 11, "the present second, and ten more"
        statuses = [m for m in messages if "STATUS=" in m]
        assert "STATUS=on frequency" in statuses[0] and len(statuses) == 1, "only what is new"
        task.cancel()
        await asyncio.wait([task])
        assert manager.heard() == ["STOPPING=1\nSTATUS=stopping"]

    play(tmp_path, ephemeris, scene)


def test_a_word_that_did_not_get_through_is_said_again(
    tmp_path: Path, ephemeris: Ephemeris, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unheard, READY was never said again, and the manager gave the start up after 90 s."""
    lost: list[dict[str, str | int]] = []
    tell = Notifier.tell

    def full_at_first(notifier: Notifier, **values: str | int) -> bool:
        if not lost:
            lost.append(values)
            return False
        return tell(notifier, **values)

    monkeypatch.setattr(Notifier, "tell", full_at_first)

    async def scene(stage: Stage) -> None:
        task = asyncio.create_task(watchdog(Notifier(manager.address))(stage.daemon))
        await stage.clock.sleep(3.0)
        messages = manager.heard()
        assert "READY" in lost[0]
        assert sum("READY=1" in message for message in messages) == 1
        assert sum("STATUS=on frequency" in message for message in messages) == 1
        task.cancel()
        await asyncio.wait([task])

    play(tmp_path, ephemeris, scene)


def test_news_between_seconds_is_no_beat(
    manager: Manager, tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(stage: Stage) -> None:
        task = asyncio.create_task(watchdog(Notifier(manager.address))(stage.daemon))
        await stage.clock.sleep(3.0)
        manager.heard()
        snapshot = stage.snapshot
        for _ in range(50):
            stage.daemon.hub.publish(snapshot)  # the same second again
            await asyncio.sleep(0)
        assert beats(manager.heard()) == 0
        task.cancel()
        await asyncio.wait([task])

    play(tmp_path, ephemeris, scene)


def test_ready_without_a_radio_and_with_its_reason(
    manager: Manager, tmp_path: Path, ephemeris: Ephemeris
) -> None:
    async def scene(stage: Stage) -> None:
        stage.radio.power_cycle()
        task = asyncio.create_task(watchdog(Notifier(manager.address))(stage.daemon))
        await stage.clock.sleep(5.0)
        heard = "\n".join(manager.heard())
        assert "READY=1" in heard and "STATUS=no contact with radio: " in heard
        task.cancel()
        await asyncio.wait([task])

    play(tmp_path, ephemeris, scene, unreachable_s=30.0)


def test_not_ready_before_the_key_is_dropped(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def scene(stage: Stage) -> None:
        lowering = stage.snapshot._replace(keying=KeyingView(Phase.RELEASING))
        assert not is_ready(lowering)
        assert is_ready(stage.snapshot._replace(keying=KeyingView(Phase.RELEASED)))
        stuck = KeyingView(Phase.RELEASING, stuck=("radio does not switch off: no answer",))
        assert is_ready(stage.snapshot._replace(keying=stuck)), (
            "known, said and tried again for ever"
        )
        assert not is_ready(stage.snapshot._replace(ticks=0))

    play(tmp_path, ephemeris, scene)
