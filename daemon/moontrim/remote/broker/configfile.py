"""The configuration file of the child broker (mosquitto), as text. Pure.

It has three listeners: a Unix socket for the daemon, one for the pages behind the web server, and a
port. Without `remote.lan` the port is on loopback and, like the pages' socket, needs no password;
with it, every listener does. Limits keep a faulty client from filling the memory."""

from __future__ import annotations

from pathlib import Path

from moontrim.config.remote import RemoteSettings
from moontrim.remote.broker.accounts import trusts_local

LARGEST_PACKET = 16 * 1024  # chosen: above the largest message, ten minutes of residuals
MOST_CLIENTS = 256  # chosen: for each listener
DAEMON_SOCKET, PAGE_SOCKET = "daemon", "page"
CONFIG, PASSWORDS, ACCESS = "broker.conf", "passwords", "access"


def broker_config(remote: RemoteSettings, folder: Path, port: int, as_user: str | None) -> str:
    """Returns the whole file.

    folder: the private one, with sockets, passwords and access list. as_user: the user to stay, for
    a broker started as root, which would otherwise change to one that may not read the folder; None
    where it cannot change it."""
    anonymous = trusts_local(remote)
    # Every option of a listener stands after its `listener` line: one before the first would open
    # a listener on all interfaces.
    lines = [
        "per_listener_settings true",
        *([f"user {as_user}"] if as_user else []),
        "persistence false",
        "set_tcp_nodelay true",
        f"max_packet_size {LARGEST_PACKET}",
        "max_queued_messages 100",
        "max_inflight_messages 20",
        "persistent_client_expiration 1h",
        "connection_messages false",
        "log_dest stderr",
        "log_timestamp false",
        "log_type error",
        "log_type warning",
        *_listener(f"0 {folder / DAEMON_SOCKET}", folder, anonymous=False),
        *_listener(f"0 {folder / PAGE_SOCKET}", folder, anonymous=anonymous),
        *_listener(f"{port} {remote.page_address}", folder, anonymous=anonymous),
    ]
    return "\n".join(lines) + "\n"


def _listener(where: str, folder: Path, *, anonymous: bool) -> list[str]:
    return [
        f"listener {where}",
        f"max_connections {MOST_CLIENTS}",
        f"allow_anonymous {'true' if anonymous else 'false'}",
        f"password_file {folder / PASSWORDS}",
        f"acl_file {folder / ACCESS}",
    ]
