"""The route `POST /forbid` of the page's server: inhibits transmit without the broker.

Accounts and passwords are those of the broker (see `loggedin`). Where it needs no password, neither
does this."""

from __future__ import annotations

from aiohttp import web

from moontrim.remote.wire.addresses import ForbidAccess
from moontrim.remote.wire.door import Doors
from moontrim.remote.wire.loggedin import logged_in


async def forbid_by_request(
    request: web.Request, access: ForbidAccess, doors: Doors
) -> web.Response:
    """Carries a request out. Answers 200 once transmit is inhibited, 502 if that failed, 403 to a
    wrong password."""
    account = access.account or await logged_in(request, access.passwords, doors)
    if account is None:
        return _reply(403, "wrong account or password")
    outcome = await access.forbid(account)
    return _reply(200 if outcome.ok else 502, outcome.text)


def _reply(status: int, text: str) -> web.Response:
    return web.json_response({"ok": status == 200, "message": text}, status=status)
