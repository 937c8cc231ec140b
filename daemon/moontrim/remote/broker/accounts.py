"""Who may do what at the broker: account names, the access list and the password file of our own
one, both as text. Pure but for the salt.

The broker lets each user write commands only under its own name, so that a command topic says
truthfully who it is from. The daemon checks again."""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Mapping

from moontrim.config.remote import RemoteSettings
from moontrim.remote.published.topics import Topics

DAEMON, PHONE, VIEWER, HUB, LOCAL = "daemon", "phone", "viewer", "hub", "local"
HASH_ROUNDS = 101  # what the broker's own password tool uses; our passwords are long and random


def given_passwords(remote: RemoteSettings) -> tuple[str, ...]:
    """The accounts that need a password of their own at our own broker."""
    return (PHONE, VIEWER, HUB) if remote.discovery else (PHONE, VIEWER)


def commanders(remote: RemoteSettings) -> frozenset[str]:
    """Who may command. `local`, which needs no password, only at a broker that only this machine
    reaches, or at another broker that asks none of us either."""
    named = {PHONE, HUB} if remote.discovery else {PHONE}
    return frozenset({*named, LOCAL} if trusts_local(remote) else named)


def trusts_local(remote: RemoteSettings) -> bool:
    return not remote.lan if remote.broker is None else remote.user is None


def access_list(remote: RemoteSettings, topics: Topics, relays: tuple[str, ...] = ()) -> str:
    """The broker's access list; also what README tells to put into another broker's. relays: the
    topics of networked relays, which viewers may read, so that a relay can be one."""
    lines = []
    read_relays = [f"topic read {topic}" for topic in relays]
    if trusts_local(remote):  # rules before the first `user` are those of the anonymous
        lines += _commands(topics, LOCAL) + read_relays
    lines += [f"user {DAEMON}", f"topic readwrite {topics.base}/#"]
    lines += [f"topic write {topic}" for topic in relays]
    if remote.discovery:
        prefix = remote.discovery_prefix
        lines += [f"topic write {prefix}/device/#", f"topic read {prefix}/status"]
    lines += [f"user {PHONE}", *_commands(topics, PHONE)]
    lines += [f"user {VIEWER}", *_reads(topics), *read_relays]
    if remote.discovery:
        prefix = remote.discovery_prefix
        lines += [f"user {HUB}", *_commands(topics, HUB)]
        lines += [f"topic read {prefix}/#", f"topic write {prefix}/status"]
    return "\n".join(lines) + "\n"


def _reads(topics: Topics) -> list[str]:
    seen = (topics.availability, topics.info, topics.state, topics.outlook, topics.trace)
    return [f"topic read {topic}" for topic in (*seen, topics.event, topics.value("+"))]


def _commands(topics: Topics, account: str) -> list[str]:
    return [
        *_reads(topics),
        f"topic write {topics.command(account, '+')}",
        f"topic read {topics.base}/reply/{account}/+",
    ]


def password_file(passwords: Mapping[str, str]) -> str:
    """The broker's password file: PBKDF2 with SHA-512, a salt of 12 bytes and 64 bytes of hash."""
    return "".join(f"{account}:{_hashed(word)}\n" for account, word in passwords.items())


def _hashed(password: str) -> str:
    salt = os.urandom(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, HASH_ROUNDS, 64)
    salt_text, digest_text = (base64.b64encode(part).decode() for part in (salt, digest))
    return f"$7${HASH_ROUNDS}${salt_text}${digest_text}"
