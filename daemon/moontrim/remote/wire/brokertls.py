"""TLS to a broker that is not the built-in one."""

from __future__ import annotations

import ssl
from typing import Any

from moontrim.config.remote import RemoteSettings
from moontrim.errors import InputError, reason_of


class NameVerifyingContext(ssl.SSLContext):
    """Verifies the certificate for the name in the config, also where the MQTT client connects to
    one of the addresses of that name (see `client.answering_address`) and passes the address.

    verified_name: that name; also an IP address, if the config has one."""

    verified_name: str

    def wrap_socket(self, sock: Any, *args: Any, **named: Any) -> ssl.SSLSocket:
        """Wraps a socket as the base class does, but for `verified_name`."""
        return super().wrap_socket(sock, *args, **named | {"server_hostname": self.verified_name})


def broker_tls(remote: RemoteSettings) -> ssl.SSLContext | None:
    """Returns the TLS context for another broker, None without TLS. Raises InputError for a CA file
    that cannot be read."""
    if not remote.tls or remote.broker is None:
        return None
    path = remote.tls_ca_file
    # For a client this verifies chain and name; the flags are what the library sets besides.
    context = NameVerifyingContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_flags = ssl.create_default_context().verify_flags
    context.verified_name = remote.broker
    try:
        if path is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(str(path))
    except (OSError, ValueError) as error:
        problem = f"cannot read {path} as PEM certificates ({reason_of(error)})"
        raise InputError("remote.tls_ca_file", str(path), problem=problem) from None
    return context
