"""The routes of the running session's report: `POST /report` makes it, for those who are logged in,
and answers with its path; `GET` of that path shows it.

Two steps, because a link that a browser opens in a tab carries no log-in. The path holds 144 random
bits and is good for a minute."""

from __future__ import annotations

import hmac
import secrets
from typing import Protocol

from aiohttp import web

from moontrim.clock.system import SystemClock
from moontrim.errors import BusyError, MoontrimError
from moontrim.remote.wire.addresses import ForbidAccess
from moontrim.remote.wire.door import Doors
from moontrim.remote.wire.loggedin import logged_in, require_page_of_this_server

TICKET_BYTES = 18
GOOD_FOR_S = 60.0  # chosen: for a phone to open it, and to open it again from its list of tabs
POLICY = "Content-Security-Policy"
# The page needs nothing but its own style; nothing in it runs.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)

# The network runs in real time, also in a rehearsal.
_clock = SystemClock()


class Reporter(Protocol):
    """Makes the report of the running session as HTML. Raises BusyError, MoontrimError."""

    async def make(self) -> bytes: ...


class ReportRoutes:
    """Both routes. access: who may see it; None: nobody. reporter: None: there is no journal."""

    def __init__(
        self, access: ForbidAccess | None, reporter: Reporter | None, doors: Doors
    ) -> None:
        self._access = access
        self._reporter = reporter
        self._doors = doors
        self._ticket = ""
        self._html = b""
        self._until_s = 0.0

    def add_to(self, app: web.Application) -> None:
        """Adds them to an application."""
        app.router.add_post("/report", self._make)
        app.router.add_get("/report/{ticket}", self._show)

    async def _make(self, request: web.Request) -> web.StreamResponse:
        """Answers with the path of a new report: 403 to a wrong password, 409 while another is
        being made, 502 if it failed."""
        require_page_of_this_server(request)
        access = self._access
        if access is None or self._reporter is None:
            raise web.HTTPNotFound(text="no report by this server; use moontrim report\n")
        logins = {**access.passwords, **access.viewers}
        if not access.account and await logged_in(request, logins, self._doors) is None:
            return _problem(403, "wrong account or password")
        try:
            self._html = await self._reporter.make()
        except BusyError as error:
            return _problem(409, str(error))
        except MoontrimError as error:
            return _problem(502, str(error))
        self._ticket = secrets.token_urlsafe(TICKET_BYTES)
        self._until_s = _clock.monotonic_s() + GOOD_FOR_S
        return web.json_response({"path": f"/report/{self._ticket}"})

    async def _show(self, request: web.Request) -> web.StreamResponse:
        ticket = request.match_info["ticket"].encode()
        late = _clock.monotonic_s() > self._until_s
        if late or not hmac.compare_digest(ticket, self._ticket.encode()):
            raise web.HTTPNotFound(text="this report has expired; open it again from the page\n")
        headers = {
            POLICY: REPORT_POLICY,
            "Content-Disposition": 'inline; filename="moontrim-report.html"',
        }
        return web.Response(
            body=self._html, headers=headers, content_type="text/html", charset="utf-8"
        )


def _problem(status: int, message: str) -> web.Response:
    return web.json_response({"message": message}, status=status)
