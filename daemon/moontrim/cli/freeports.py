"""The ports of a rehearsal: those of the config, or free ones where a daemon uses them."""

from __future__ import annotations

import socket
from collections.abc import Callable

from moontrim.config.remote import BUILT_IN_PORT, RemoteSettings

TRIED = 20  # chosen: ports, from the one of the config on
NAMES = {
    "http_port": "page",
    "port": "MQTT",
    "https_port": "page by TLS",
    "tls_port": "MQTT by TLS",
}


def remote_on_free_ports(
    configured: RemoteSettings, *, lan: bool, say: Callable[[str], object]
) -> RemoteSettings:
    """Returns settings for page and built-in broker: on the ports of the config, or on the next
    free ones, with a line to `say` for each of those. lan: open to the network, by TLS and with a
    password; otherwise on this machine only."""
    if not configured.enabled:
        return RemoteSettings(enabled=False)
    wanted = {
        "http_port": configured.http_port,
        "port": BUILT_IN_PORT if configured.broker is not None else configured.broker_port,
    }
    if lan:
        wanted |= {"https_port": configured.https_port, "tls_port": configured.tls_port}
    address = configured.lan_address if lan else "127.0.0.1"
    ports: dict[str, int] = {}
    for name, port in wanted.items():
        others = (*ports.values(), *(other for other in wanted.values() if other != port))
        ports[name] = free_port(address, port, but=others)
        if ports[name] != port:
            say(f"Port {port} of the config is in use; {NAMES[name]}: {ports[name]}")
    remote = RemoteSettings(
        root=configured.root, name=configured.name, lan=lan, lan_address=configured.lan_address
    )
    return remote.model_copy(update=ports)


def free_port(address: str, wanted: int, but: tuple[int, ...] = ()) -> int:
    """Returns this port or one of the next that no program listens on at an address."""
    for port in range(wanted, min(wanted + TRIED, 65536)):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, port))
            except OSError:
                continue
            if port not in but:
                return port
    return wanted
