"""A rehearsal beside a daemon: on the ports of the config, unless they are in use."""

import contextlib
import socket
from collections.abc import Iterator

from moontrim.cli.freeports import free_port, remote_on_free_ports
from moontrim.config.remote import RemoteSettings
from support import rigctld


@contextlib.contextmanager
def taken(port: int) -> Iterator[None]:
    with socket.create_server(("127.0.0.1", port)):
        yield


def configured(**changes: object) -> RemoteSettings:
    ports = {name: rigctld.free_port() for name in ("http_port", "port", "https_port", "tls_port")}
    return RemoteSettings.model_validate(ports | changes)


def test_those_of_the_config_while_they_are_free() -> None:
    lines: list[str] = []
    remote = configured(root="dx", name="hill")
    used = remote_on_free_ports(remote, lan=False, say=lines.append)
    assert (used.http_port, used.port) == (remote.http_port, remote.port)
    assert (used.root, used.name, used.lan) == ("dx", "hill", False)
    assert lines == []


def test_the_next_free_one_is_said_in_a_line() -> None:
    lines: list[str] = []
    remote = configured()
    with taken(remote.http_port):
        used = remote_on_free_ports(remote, lan=False, say=lines.append)
    assert used.http_port != remote.http_port and used.port == remote.port
    assert lines == [f"Port {remote.http_port} of the config is in use; page: {used.http_port}"]


def test_open_to_the_network_only_where_that_is_wanted() -> None:
    """Whatever the config says."""
    remote = configured(lan=True, lan_address="127.0.0.1", plain_port=rigctld.free_port())
    closed = remote_on_free_ports(remote, lan=False, say=lambda text: None)
    assert not closed.lan and closed.plain_port is None and closed.page_address == "127.0.0.1"
    opened = remote_on_free_ports(remote, lan=True, say=lambda text: None)
    assert opened.lan and opened.lan_address == "127.0.0.1" and opened.plain_port is None
    assert (opened.https_port, opened.tls_port) == (remote.https_port, remote.tls_port)
    # What one part must keep to, it keeps to.
    RemoteSettings.model_validate(opened.model_dump())


def test_another_broker_is_not_the_rehearsals() -> None:
    remote = RemoteSettings(broker="hub.local", user="moontrim", tls=True, discovery=True)
    used = remote_on_free_ports(remote, lan=False, say=lambda text: None)
    assert used.broker is None and not used.tls and used.user is None and not used.discovery
    off = remote_on_free_ports(RemoteSettings(enabled=False), lan=True, say=lambda text: None)
    assert not off.enabled


def test_no_port_twice() -> None:
    port = rigctld.free_port()
    assert free_port("127.0.0.1", port) == port
    assert free_port("127.0.0.1", port, but=(port,)) != port
