"""The route `POST /forbid` of the page's server: forbids transmitting without the broker.

Accounts and passwords are those of the broker (HTTP Basic, RFC 7617); a wrong one counts as a
failed log-in. Where the broker needs no password, neither does this."""

from __future__ import annotations

import base64
import binascii
import hmac
from collections.abc import Mapping

from aiohttp import web

from moontrim.remote.wire.addresses import ForbidAccess
from moontrim.remote.wire.door import Doors


async def forbid_by_request(
    request: web.Request, access: ForbidAccess, doors: Doors
) -> web.Response:
    """Carries a request out. Answers 200 once transmit is inhibited, 502 if that failed, 403 to a
    wrong password."""
    visitor = doors.visitor(request)
    address = "" if visitor is None else visitor.address
    account = access.account
    if account is None:
        account = _account(request.headers.get("Authorization", ""), access.passwords)
        if account is None:
            await doors.failed_login(address)
            return _reply(403, "wrong account or password")
        doors.failed_logins.forget(address)
    outcome = await access.forbid(account)
    return _reply(200 if outcome.ok else 502, outcome.text)


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


def _reply(status: int, text: str) -> web.Response:
    return web.json_response({"ok": status == 200, "message": text}, status=status)
