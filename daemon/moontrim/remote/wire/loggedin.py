"""Which account a request is from, by the broker's accounts and passwords (HTTP Basic, RFC
7617), and whether it is from a page of this server."""

from __future__ import annotations

import base64
import binascii
import hmac
from collections.abc import Mapping

from aiohttp import web

from moontrim.remote.wire.door import Doors
from moontrim.remote.wire.hosts import host_of


async def logged_in(request: web.Request, passwords: Mapping[str, str], doors: Doors) -> str | None:
    """Returns the account that a request logs in; None for a wrong account or password, which
    counts as a failed log-in and is answered late."""
    visitor = doors.visitor(request)
    address = "" if visitor is None else visitor.address
    account = _account(request.headers.get("Authorization", ""), passwords)
    if account is None:
        await doors.failed_login(address)
    else:
        doors.failed_logins.forget(address)
    return account


def _account(header: str, passwords: Mapping[str, str]) -> str | None:
    """Returns the account that a header logs in; None for a wrong account or password."""
    scheme, _, packed = header.partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        account, _, password = base64.b64decode(packed, validate=True).partition(b":")
    except (binascii.Error, ValueError):
        return None
    # Every password is compared, in constant time, so that the answer's delay tells nothing.
    matches = [
        name
        for name, right in passwords.items()
        if hmac.compare_digest(password, right.encode())
        & hmac.compare_digest(account, name.encode())
    ]
    return matches[0] if matches else None


def require_page_of_this_server(request: web.Request) -> None:
    """Raises HTTPForbidden for a request from a page of another site, or from no page."""
    origin = host_of(request.headers.get("Origin", ""))
    if not origin or origin.lower() != request.host.lower():
        raise web.HTTPForbidden(text="only the page of this very server may connect here\n")
