"""The page's web server beside a daemon, started again while its port is not free."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TYPE_CHECKING

from moontrim.clock.system import Clock
from moontrim.config.remote import RemoteSettings
from moontrim.remote.restarting import RETRY_S
from moontrim.remote.sessionreport import ReportMaker
from moontrim.remote.wire.addresses import ForbidAccess, Gateway
from moontrim.remote.wire.servertls import ServerTls

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)


async def serve_page(
    daemon: Daemon,
    remote: RemoteSettings,
    gateway: Gateway,
    *,
    access: ForbidAccess | None,
    tls: ServerTls | None,
    reporter: ReportMaker | None,
    on_ready: Callable[[str], object],
    on_page: Callable[[], object],
    real: Clock,
) -> None:
    """Serves until cancelled. on_ready: called with the plain address once it can be opened; others
    as for `webserver.serve`."""
    from moontrim.remote.wire.webserver import serve  # late: it takes long to import

    last_error = ""
    secure = None if tls is None else tls.door(remote.https_port)
    while True:
        try:
            return await serve(
                daemon,
                gateway,
                remote.page_address,
                remote.http_port,
                access=access,
                secure=secure,
                reporter=reporter,
                on_ready=on_ready,
                on_page=on_page,
            )
        except OSError as error:
            if str(error) != last_error:
                last_error = str(error)
                log.error("no phone page: %s", last_error)
        await real.sleep(RETRY_S)
