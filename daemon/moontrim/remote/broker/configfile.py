"""The configuration file of the child broker (mosquitto), as text. Pure.

It has three listeners: a Unix socket for the daemon, one for the pages behind the web server, and a
port on loopback. Without `remote.lan`, port and pages' socket need no password. With it every
listener does, and there is one more, with TLS, for other machines; and where `remote.plain_port`
is set one without, which knows the account `viewer` alone, so that nobody can command in clear
text. Limits keep a faulty client from filling the memory."""

from __future__ import annotations

from pathlib import Path

from moontrim.config.remote import RemoteSettings
from moontrim.remote.broker.accounts import trusts_local

LARGEST_PACKET = 16 * 1024  # chosen: above the largest message, ten minutes of residuals
MOST_CLIENTS = 256  # chosen: for each listener
DAEMON_SOCKET, PAGE_SOCKET = "daemon", "page"
CONFIG, PASSWORDS, ACCESS = "broker.conf", "passwords", "access"
VIEWER_PASSWORDS = "viewer-passwords"
LOOPBACK = "127.0.0.1"


def broker_config(
    remote: RemoteSettings,
    folder: Path,
    port: int,
    as_user: str | None,
    server_file: Path | None = None,
) -> str:
    """Returns the whole file.

    folder: the private one, with sockets, passwords and access list. as_user: the user to stay, for
    a broker started as root, which would otherwise change to one that may not read the folder; None
    where it cannot change it. server_file: key and certificate for other machines; needed with
    `remote.lan`."""
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
        "connection_messages true",  # refused log-ins are among them
        "log_dest stderr",
        "log_timestamp false",
        "log_type error",
        "log_type warning",
        "log_type notice",
        *_listener(f"0 {folder / DAEMON_SOCKET}", folder, anonymous=False),
        *_listener(f"0 {folder / PAGE_SOCKET}", folder, anonymous=anonymous),
        *_listener(f"{port} {LOOPBACK}", folder, anonymous=anonymous),
    ]
    if remote.lan and server_file is not None:
        lines += [
            *_listener(f"{remote.tls_port} {remote.lan_address}", folder, anonymous=False),
            f"certfile {server_file}",
            f"keyfile {server_file}",
            "tls_version tlsv1.2",
        ]
    if remote.plain_port is not None:
        where = f"{remote.plain_port} {remote.lan_address}"
        lines += _listener(where, folder, anonymous=False, passwords=VIEWER_PASSWORDS)
    return "\n".join(lines) + "\n"


def _listener(
    where: str, folder: Path, *, anonymous: bool, passwords: str = PASSWORDS
) -> list[str]:
    return [
        f"listener {where}",
        f"max_connections {MOST_CLIENTS}",
        f"allow_anonymous {'true' if anonymous else 'false'}",
        f"password_file {folder / passwords}",
        f"acl_file {folder / ACCESS}",
    ]
