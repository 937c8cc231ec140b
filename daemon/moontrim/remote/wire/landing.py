"""The plain http pages for other machines: the certificate for phones, and what to do with it.
Nothing else: no page, no state, no command travels in clear text."""

from __future__ import annotations

import html
from importlib.resources import files

from aiohttp import web

from moontrim.remote.wire.addresses import SecureDoor
from moontrim.remote.wire.hosts import as_in_url, name_of


def landing(request: web.Request, door: SecureDoor, name: str) -> web.Response:
    """Answers a request of another machine that came without TLS."""
    if request.method not in ("GET", "HEAD"):
        return web.Response(status=403, text="refused without TLS; use the https address\n")
    if request.path == "/":
        page = f"https://{as_in_url(name_of(request.host))}:{door.port}/"
        text = (files("moontrim.remote") / "page" / "landing.html").read_text()
        for mark, value in (
            ("{{name}}", name),
            ("{{fingerprint}}", door.fingerprint),
            ("{{page}}", page),
        ):
            text = text.replace(mark, html.escape(value))
        return web.Response(text=text, content_type="text/html")
    if request.path == "/moontrim-ca.crt":
        # The type by which phones offer to install it.
        return web.Response(body=door.authority_der, content_type="application/x-x509-ca-cert")
    if request.path == "/moontrim-ca.pem":
        return web.Response(body=door.authority_pem, content_type="application/x-pem-file")
    return web.Response(status=404, text="only the certificate is here; use the https address\n")
