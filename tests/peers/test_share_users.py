"""Who may use the share: real processes of other users of this machine, Hamlib's rigctl among
them. Needs root, to start processes as other users."""

from __future__ import annotations

import asyncio
import os
import pwd
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from moontrim.config.share import ShareSettings
from moontrim.errors import InputError
from moontrim.path import Ephemeris
from moontrim.share.peeruser import TABLES, AllowedUsers, peer_uid
from moontrim.share.server import Share
from support.effort import missing
from support.processor import within
from support.shared import SKED_HZ, Stand, play_shared, require_rigctl

pytestmark = pytest.mark.peers

OTHER = "daemon"  # an ordinary user that every Debian has
NAMELESS = 12_345  # a user number without a name


@pytest.fixture
def scene(tmp_path: Path, ephemeris: Ephemeris) -> Callable[..., None]:
    def run(scene: Any, **options: Any) -> None:
        asyncio.run(play_shared(tmp_path, ephemeris, scene, **options))

    require_rigctl()
    if os.geteuid() != 0:
        missing("root")
    return run


async def rigctl(port: int, uid: int, *command: str) -> str:
    """Runs Hamlib's rigctl as a user and returns what it prints."""
    process = await asyncio.create_subprocess_exec(
        *("rigctl", "-m", "2", "-r", f"127.0.0.1:{port}", *command),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
        user=uid,
        group=uid,
        extra_groups=[],
    )
    async with within(30.0):
        output, _ = await process.communicate()
    return output.decode()


def test_only_the_users_that_are_allowed_can_connect(
    scene: Callable[..., None], caplog: pytest.LogCaptureFixture
) -> None:
    other = pwd.getpwnam(OTHER).pw_uid

    async def by_default(s: Stand) -> None:
        assert str(SKED_HZ) in await rigctl(s.port, 0, "f")
        for uid in (other, NAMELESS):
            assert str(SKED_HZ) not in await rigctl(s.port, uid, "f")
            await rigctl(s.port, uid, "F", "10368200000")
            await rigctl(s.port, uid, "T", "1")
        assert s.snapshot.sked_hz == SKED_HZ
        assert s.keying.log == []

    async def named(s: Stand) -> None:
        assert str(SKED_HZ) in await rigctl(s.port, other, "f")
        await rigctl(s.port, other, "T", "1")
        assert s.keying.log and s.keying.log[0].startswith("raise share")
        assert str(SKED_HZ) not in await rigctl(s.port, NAMELESS, "f")

    async def everyone(s: Stand) -> None:
        assert str(SKED_HZ) in await rigctl(s.port, NAMELESS, "f")

    scene(by_default)
    assert f'user {OTHER} is not allowed; add "{OTHER}" to share.users' in caplog.text
    assert f"user number {NAMELESS} is not allowed" in caplog.text
    scene(named, share={"users": [OTHER]})
    scene(everyone, share={"users": ["*"]})


def test_with_lan_another_user_may_tune_but_not_key(scene: Callable[..., None]) -> None:
    async def tuned(s: Stand) -> None:
        await rigctl(s.port, NAMELESS, "F", "10368200000")
        assert s.snapshot.sked_hz == 10_368_200_000
        await rigctl(s.port, NAMELESS, "T", "1")
        assert s.keying.log == []

    scene(tuned, share={"lan": True, "lan_address": "127.0.0.1"})


@pytest.mark.parametrize(("family", "host"), [("AF_INET", ""), ("AF_INET6", "::ffff:")])
def test_a_socket_that_nobody_holds_is_not_taken_for_root(family: str, host: str) -> None:
    """The kernel shows one that its program has closed as root's."""
    with socket.socket() as listening, socket.socket(getattr(socket, family)) as program:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        program.connect((f"{host}127.0.0.1", listening.getsockname()[1]))
        accepted, _ = listening.accept()
        with accepted:
            ends = accepted.getpeername(), accepted.getsockname()
            assert peer_uid(*ends) == os.geteuid()
            program.sendall(b"T 1\n")
            program.close()
            assert peer_uid(*ends) is None
            assert "cannot tell" in AllowedUsers(()).objection(*ends)
            assert AllowedUsers(("*",)).objection(*ends) == ""


def test_who_cannot_be_told_is_refused(tmp_path: Path) -> None:
    """Without the kernel's table, with one that makes no sense, or in another user namespace."""
    ends = ("127.0.0.1", 40_000), ("127.0.0.1", 4534)
    table = tmp_path / "tcp"
    row = " 0: 0100007F:9C40 0100007F:11B6 01 0:0 00:0 0 {uid} 0 77 1\n"
    for text, uid in (
        ("", None),
        ("nonsense\n 0100007F:9C40 0100007F:11B6 01\n", None),
        ("head\n" + row.format(uid=65_534), None),
        ("head\n" + row.format(uid=7), 7),
    ):
        table.write_text(text)
        assert peer_uid(*ends, (table,)) == uid, text
    assert AllowedUsers((), (tmp_path / "none",)).objection(*ends)
    assert all(table.exists() for table in TABLES[:1])


def test_an_unknown_user_is_refused_at_the_start() -> None:
    with pytest.raises(InputError, match=r"share\.users"):
        Share(ShareSettings(users=("no such user",)))
