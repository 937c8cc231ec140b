"""The accounts at the broker, and the child broker's access list and password file as text. Pure
but for the salt.

The broker lets each user write commands only under that user's name, so that a command topic shows
reliably who sent it. The daemon checks again."""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import os
from collections.abc import Mapping

from moontrim.config.remote import RemoteSettings
from moontrim.remote.published.topics import Topics

DAEMON, PHONE, VIEWER, HUB, LOCAL = "daemon", "phone", "viewer", "hub", "local"
# As in the broker's password tool; few are enough for passwords that are long and random.
HASH_ROUNDS = 101


def accounts_with_passwords(remote: RemoteSettings) -> tuple[str, ...]:
    """Returns the accounts at the child broker that log in with a password, the daemon's apart."""
    return (PHONE, VIEWER, HUB) if remote.discovery else (PHONE, VIEWER)


def commanders(remote: RemoteSettings) -> frozenset[str]:
    """Returns the accounts that may command. `local`, which needs no password, is one of them only
    where `trusts_local`."""
    named = {PHONE, HUB} if remote.discovery else {PHONE}
    return frozenset({*named, LOCAL} if trusts_local(remote) else named)


def trusts_local(remote: RemoteSettings) -> bool:
    """May clients without a password command? Only at a child broker that no other machine reaches,
    or at another broker that the daemon itself uses without a password."""
    return not remote.lan if remote.broker is None else remote.user is None


def carries_clear_text(remote: RemoteSettings) -> bool:
    """Do commands come over a network without TLS? Only with another broker, on another machine."""
    if remote.broker is None or remote.tls:
        return False
    try:
        return not ipaddress.ip_address(remote.broker).is_loopback
    except ValueError:
        return remote.broker != "localhost"


def access_list(remote: RemoteSettings, topics: Topics, relays: tuple[str, ...] = ()) -> str:
    """Returns the broker's access list, which README shows for another broker as well.

    relays: topics of networked relays. Viewers may read them, so that a relay can log in as one."""
    lines = []
    read_relays = [f"topic read {topic}" for topic in relays]
    if trusts_local(remote):  # rules before the first `user` line apply to anonymous clients
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
    retained = (topics.availability, topics.info, topics.state, topics.trace, topics.log)
    others = (topics.outlook, topics.tonight, topics.skeds, topics.event, topics.value("+"))
    # The page of all stations on a broker reads these of each.
    every = (Topics(topics.root, "+").availability, Topics(topics.root, "+").state)
    return [f"topic read {topic}" for topic in (*retained, *others, *every)]


def _commands(topics: Topics, account: str) -> list[str]:
    return [
        *_reads(topics),
        f"topic write {topics.command(account, '+')}",
        f"topic read {topics.base}/reply/{account}/+",
    ]


def password_file(passwords: Mapping[str, str]) -> str:
    """Returns the broker's password file: PBKDF2 with SHA-512, a salt of 12 bytes and 64 bytes of
    hash."""
    return "".join(f"{account}:{_hashed(password)}\n" for account, password in passwords.items())


def _hashed(password: str) -> str:
    salt = os.urandom(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, HASH_ROUNDS, 64)
    salt_text, digest_text = (base64.b64encode(part).decode() for part in (salt, digest))
    return f"$7${HASH_ROUNDS}${salt_text}${digest_text}"
