"""The MQTT client of one connection to a broker, and one message through it."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import ipaddress
import logging
import secrets
import socket

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from moontrim.clock.system import Clock
from moontrim.remote.published.messages import Post
from moontrim.remote.wire.addresses import STAGGER_S, BrokerAddress
from moontrim.remote.wire.resilience import end_if_cancelled

_quiet = logging.getLogger(__name__)
_quiet.setLevel(logging.CRITICAL)  # errors are raised, and logged once by the connection

KEEPALIVE_S = 10  # chosen: the broker publishes `offline` after 1.5 times this (MQTT 5.0, 3.1.2.10)
ANSWER_S = 5.0  # chosen: for the broker to answer
OWN_ANSWER_S = 1.0  # chosen: for one on this machine to accept the connection


async def answering_address(address: BrokerAddress, real: Clock) -> BrokerAddress:
    """Returns the same broker by the IP address of its host that accepts a connection first: the
    MQTT client itself would wait for each one until it gives up. They are tried STAGGER_S apart.
    One with a Unix socket or an IP address is returned as it is. A certificate is verified for the
    name all the same (see `brokertls`).

    Raises OSError."""
    if address.unix_path is not None:
        return address
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(address.host)
        return address
    async with real.timeout(ANSWER_S):
        _, writer = await asyncio.open_connection(
            address.host, address.port, happy_eyeballs_delay=STAGGER_S
        )
    host = str(writer.get_extra_info("peername")[0])
    writer.transport.abort()
    return dataclasses.replace(address, host=host)


def new_client(address: BrokerAddress, will_topic: str, most_incoming: int) -> aiomqtt.Client:
    """Returns a client that is not yet connected. Its identifier is random, so that no other client
    can take over the session by using the same.

    will_topic: where the broker publishes `offline` if the connection is lost. most_incoming: how
    many messages may wait to be read."""
    # Nagle's algorithm would hold back every small message for 40 ms (RFC 896; measured).
    nodelay = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    return aiomqtt.Client(
        str(address.unix_path) if address.unix_path else address.host,
        address.port or 1883,
        transport="unix" if address.unix_path else "tcp",
        username=address.user,
        password=address.password,
        tls_context=address.tls,
        protocol=aiomqtt.ProtocolVersion.V5,
        identifier=f"moontrim-{secrets.token_hex(8)}",
        clean_start=True,
        will=aiomqtt.Will(will_topic, b"offline", 1, True),
        keepalive=KEEPALIVE_S,
        timeout=ANSWER_S if address.ready is None else OWN_ANSWER_S,
        max_queued_incoming_messages=most_incoming,
        socket_options=[] if address.unix_path else nodelay,
        logger=_quiet,
    )


async def publish(client: aiomqtt.Client, post: Post) -> None:
    """Publishes one message. Raises aiomqtt.MqttError."""
    properties = None
    if post.correlation is not None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.CorrelationData = post.correlation
    await client.publish(post.topic, post.payload, post.qos, post.retain, properties)
    end_if_cancelled()
