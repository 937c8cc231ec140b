"""The route `POST /access` of the page's server: shows those who are logged in how another phone
reaches the page, with QR codes.

The one with a password is made only where it is asked for (`?qr=password`), and holds only the
account and password that the request itself has logged in with."""

from __future__ import annotations

import asyncio
from itertools import groupby
from typing import Any

import segno
from aiohttp import web

from moontrim.remote.wire.addresses import ForbidAccess, SecureDoor
from moontrim.remote.wire.door import Doors
from moontrim.remote.wire.hosts import as_in_url, name_of
from moontrim.remote.wire.loggedin import logged_in
from moontrim.remote.wire.welcome import page_urls, with_fingerprint, with_password

BORDER = 4  # modules of quiet zone (ISO/IEC 18004)


async def access_by_request(
    request: web.Request, access: ForbidAccess, door: SecureDoor, doors: Doors, host: str, port: int
) -> web.Response:
    """Answers with addresses, fingerprint and QR codes; 403 to a wrong password.

    host, port: where the server listens without TLS."""
    logins = {**access.passwords, **access.viewers}
    account = await logged_in(request, logins, doors)
    if account is None:
        return web.json_response({"message": "wrong account or password"}, status=403)
    visitor = doors.visitor(request)
    if visitor is not None and visitor.secure:  # that other phones reach it too is likely here
        host = name_of(request.host)
        page, certificate = (f"{as_in_url(host)}:{number}/" for number in (door.port, port))
        page, certificate = f"https://{page}", f"http://{certificate}"
    else:
        (page, *_), (certificate, *_) = page_urls(host, door.port, "https"), page_urls(host, port)
    with_fragment = with_fingerprint(certificate, door.fingerprint)
    shown: dict[str, Any] = {
        "account": account,
        "page": page,
        "certificate": certificate,
        "fingerprint": door.fingerprint,
        "certificate_qr": await asyncio.to_thread(qr_outline, with_fragment),
    }
    if request.query.get("qr") == "password":
        text = with_password(page, logins[account], account)
        shown["password_qr"] = await asyncio.to_thread(qr_outline, text)
    return web.json_response(shown)


def qr_outline(text: str) -> dict[str, Any]:
    """Returns the QR code of a text as the outline of its dark modules: `size`, the width in
    modules with the quiet zone, and `path`, for an SVG path."""
    code = segno.make(text, micro=False)
    path = []
    for y, row in enumerate(code.matrix):
        x = 0
        for dark, run in groupby(row):
            length = len(list(run))
            if dark:
                path.append(f"M{x + BORDER} {y + BORDER}h{length}v1h-{length}z")
            x += length
    return {"size": len(code.matrix) + 2 * BORDER, "path": "".join(path)}
