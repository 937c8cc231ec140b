"""TLS to a broker that is not the built-in one."""

from __future__ import annotations

import ssl

from moontrim.config.remote import RemoteSettings
from moontrim.errors import InputError


def broker_tls(remote: RemoteSettings) -> ssl.SSLContext | None:
    """Returns the TLS context for another broker, None without TLS. Raises InputError for a CA file
    that cannot be read."""
    if not remote.tls:
        return None
    path = remote.tls_ca_file
    try:
        return ssl.create_default_context(cafile=None if path is None else str(path))
    except (OSError, ValueError) as error:
        allowed = f"a readable file of PEM certificates ({error})"
        raise InputError("remote.tls_ca_file", str(path), allowed) from None
