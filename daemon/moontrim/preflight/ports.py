"""The TCP ports that the daemon listens on: whether one is given twice, or taken by a program."""

from __future__ import annotations

import errno
import socket
from collections.abc import Iterator
from dataclasses import dataclass

from moontrim.config.settings import Settings
from moontrim.preflight.finding import Finding


@dataclass(frozen=True, slots=True)
class ListeningPort:
    """A port of the config. key: its name there. may_move: another one is taken instead."""

    key: str
    port: int
    address: str
    may_move: bool = False


def port_findings(settings: Settings, *, daemon_runs: bool) -> Iterator[Finding]:
    """Returns a line for each port with a problem, else one for all. daemon_runs: the daemon of
    this config has them, so whether they are taken is not looked at."""
    ports = _ports(settings)
    keys: dict[int, str] = {}
    problems = 0
    for one in ports:
        if one.port in keys:
            problems += 1
            text = f"{one.port} is also {keys[one.port]}; choose another port for one of them"
            yield Finding("fail", one.key, text)
            continue
        keys[one.port] = one.key
        if not daemon_runs and (reason := _taken(one)):
            problems += 1
            if one.may_move:
                text = f"{one.port} {reason}; the broker will listen on a free port instead"
                yield Finding("note", one.key, text)
            else:
                text = f"{one.port} {reason}; end that program, or choose another port"
                yield Finding("fail", one.key, text)
    if ports and not problems:
        listed = ", ".join(f"{one.key} {one.port}" for one in ports)
        yield Finding("ok", "ports", listed + ("" if daemon_runs else ": free"))


def _ports(settings: Settings) -> list[ListeningPort]:
    remote, share = settings.remote, settings.share
    ports = []
    if remote.enabled:
        address = remote.page_address
        ports.append(ListeningPort("remote.http_port", remote.http_port, address))
        if remote.broker is None:
            may_move = remote.port is None
            ports.append(ListeningPort("remote.port", remote.broker_port, address, may_move))
    if share.enabled:
        ports.append(ListeningPort("share.port", share.port, share.addresses[0]))
    return ports


def _taken(one: ListeningPort) -> str:
    """Returns why it cannot be listened on; empty if it can."""
    with socket.socket(socket.AF_INET6 if ":" in one.address else socket.AF_INET) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((one.address, one.port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                return f"at {one.address} is in use by another program"
            return f"at {one.address}: {(error.strerror or str(error)).lower()}"
    return ""
