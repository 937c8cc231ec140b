"""The remote side beside a daemon: starts broker, MQTT and phone page.

A companion (see `app`) that never ends the daemon: what fails is logged and started again."""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from moontrim.clock.system import Clock, SystemClock
from moontrim.config.keyingports import MqttOutput
from moontrim.config.remote import RemoteSettings
from moontrim.remote.broker.accounts import (
    DAEMON,
    HUB,
    LOCAL,
    VIEWER,
    carries_clear_text,
    commanders,
    trusts_local,
)
from moontrim.remote.broker.passwords import broker_password
from moontrim.remote.broker.process import BrokerMissing, ChildBroker
from moontrim.remote.commands.admission import Admission
from moontrim.remote.commands.commanding import Commanding
from moontrim.remote.commands.forbidding import Forbidding
from moontrim.remote.commands.guards import SecondStep
from moontrim.remote.commands.parsing import COMMANDS
from moontrim.remote.commands.permitting import Permitting
from moontrim.remote.operatornotice import OperatorNotice
from moontrim.remote.pageserver import serve_page
from moontrim.remote.published import messages
from moontrim.remote.published.discovery import announcement, status_topic
from moontrim.remote.published.feed import Feed
from moontrim.remote.published.messages import Post, encode
from moontrim.remote.published.topics import Topics
from moontrim.remote.restarting import restart_on_failure
from moontrim.remote.sessionreport import REPORT_PATH, ReportMaker
from moontrim.remote.wire.addresses import BrokerAddress, ForbidAccess, Gateway
from moontrim.remote.wire.brokertls import broker_tls
from moontrim.remote.wire.controlsocket import serve_control
from moontrim.remote.wire.mqtt import MqttConnection
from moontrim.remote.wire.servertls import ServerTls
from moontrim.service.hiddenpasswords import hide

if TYPE_CHECKING:
    from moontrim.app.daemon import Daemon

log = logging.getLogger(__name__)


class Remote:
    """Broker, MQTT and page of one daemon. Raises InputError where the config names a file that
    cannot be read, so that it is noticed at the start.

    show: prints passwords and QR code at the terminal, when a password is new or with
    show_password; None never shows them. on_page: called with each address of the page once it can
    be opened. journal: from which the page's report is made; None: there is none. rehearsal: this
    is one. secrets_folder: of passwords and certificates; None: the state folder. `broker` is the
    child broker, once it is started."""

    def __init__(
        self,
        remote: RemoteSettings,
        *,
        show: Callable[[str], object] | None = None,
        show_password: bool = False,
        on_page: Callable[[str], object] = lambda url: None,
        journal: Path | None = None,
        rehearsal: bool = False,
        secrets_folder: Path | None = None,
    ) -> None:
        self._remote = remote
        self._journal, self._rehearsal = journal, rehearsal
        self._secrets_folder = secrets_folder
        self._notice = OperatorNotice(remote, show, show_password, on_page)
        self._topics = Topics(remote.root, remote.name)
        self.broker: ChildBroker | None = None
        self._real: Clock = SystemClock()
        self._tls = broker_tls(remote)
        self._second_step = SecondStep()
        self._forbidding: Forbidding  # once it runs
        self._password = broker_password() if remote.user is not None else None

    async def run(self, daemon: Daemon) -> None:
        """Runs all parts beside the daemon until cancelled; if not enabled, only the socket for
        the command line."""
        self._forbidding = Forbidding(daemon, self._real, self._second_step)
        permitting = Permitting(daemon, self._real, self._second_step)
        commanding = Commanding(daemon, self._real)
        folder = daemon.settings.state_path()
        async with asyncio.TaskGroup() as group:
            group.create_task(
                restart_on_failure(
                    lambda: serve_control(folder, self._forbidding.forbid, permitting, commanding),
                    self._real,
                ),
                name="control socket",
            )
            if self._remote.enabled:
                group.create_task(self._phones(daemon), name="phones")

    async def _phones(self, daemon: Daemon) -> None:
        """Runs broker, MQTT and page until cancelled."""

        async def run() -> None:
            tls = await self._server_tls(daemon)
            try:
                if self._remote.broker is None:
                    await self._with_child_broker(daemon, tls)
                else:
                    await self._with_other_broker(daemon, self._remote.broker, tls)
            finally:
                if tls is not None:
                    tls.close()

        await restart_on_failure(run, self._real)

    async def _with_child_broker(self, daemon: Daemon, tls: ServerTls | None) -> None:
        remote = self._remote
        daemon_password = hide(secrets.token_urlsafe(24))
        passwords = {DAEMON: daemon_password}
        if tls is not None:
            passwords |= self._notice.passwords(self._folder_of_secrets(daemon), tls)
        relays = tuple(
            output.topic
            for output in daemon.settings.keying.outputs
            if isinstance(output, MqttOutput)
        )
        try:
            async with ChildBroker(
                remote,
                self._topics,
                passwords,
                self._real,
                relays,
                None if tls is None else tls.certificates.server_file,
            ) as broker:
                self.broker = broker
                address = BrokerAddress(
                    unix_path=broker.daemon_socket,
                    user=DAEMON,
                    password=daemon_password,
                    ready=broker.ready,
                    on_hung=broker.replace,
                    has_run=broker.has_run,
                )
                may_command = commanders(remote) & passwords.keys()
                access = ForbidAccess(
                    self._forbidding.forbid,
                    LOCAL if trusts_local(remote) else None,
                    {account: passwords[account] for account in may_command},
                    {VIEWER: passwords[VIEWER]} if VIEWER in passwords else {},
                )
                await self._with_broker(
                    daemon, address, broker.page_socket, access, tls, broker.renewed
                )
        except BrokerMissing as error:
            log.warning("%s", error)

    async def _with_other_broker(self, daemon: Daemon, host: str, tls: ServerTls | None) -> None:
        remote = self._remote
        address = BrokerAddress(
            host, remote.broker_port, None, remote.user, self._password, self._tls
        )
        # The passwords of another broker's accounts are not known to the daemon.
        local = ForbidAccess(self._forbidding.forbid, LOCAL, {})
        await self._with_broker(
            daemon,
            address,
            None,
            local if trusts_local(remote) else None,
            tls,
        )

    async def _with_broker(
        self,
        daemon: Daemon,
        address: BrokerAddress,
        page_socket: Path | None,
        access: ForbidAccess | None,
        tls: ServerTls | None,
        on_renewed: Callable[[], object] = lambda: None,
    ) -> None:
        """Runs MQTT connection and page with a broker. page_socket: the broker's Unix socket for
        pages, None to use the address. access: who may forbid by a request to the page's server.
        tls: for other machines. on_renewed: called when its certificate was renewed."""
        remote, topics, settings = self._remote, self._topics, daemon.settings
        boot = secrets.token_hex(4)
        reporter = None
        if access is not None and self._journal is not None:
            reporter = ReportMaker(self._journal, settings.data, daemon.clock.utc_s, self._real)
        info = messages.info(
            settings,
            boot,
            COMMANDS,
            rehearsal=self._rehearsal,
            report=None if reporter is None else REPORT_PATH,
        )
        greeting = (Post(topics.info, encode(info), 1, True),)
        announce = None
        if remote.discovery:
            account = LOCAL if trusts_local(remote) else HUB
            (url, *_) = self._notice.page_urls()
            announce = partial(announcement, remote, settings, topics, account, url)
        admission = Admission(
            topics,
            settings,
            lambda: daemon.session,
            commanders(remote),
            self._real,
            self._second_step,
            in_clear_text=carries_clear_text(remote),
        )
        connection = MqttConnection(
            daemon,
            address,
            topics,
            admission,
            Feed(topics, boot, announce),
            greeting,
            status_topic(remote) if remote.discovery else None,
            self._real,
        )
        gateway = Gateway(
            address.host,
            address.port,
            page_socket,
            password_needed=not trusts_local(remote),
            root=remote.root,
            name=remote.name,
            tls=self._tls,
        )
        relays = daemon.transmitting.relays
        relays.attach(connection.switch)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(restart_on_failure(connection.run, self._real), name="mqtt")
                group.create_task(
                    restart_on_failure(
                        lambda: serve_page(
                            daemon,
                            remote,
                            gateway,
                            access=access,
                            tls=tls,
                            reporter=reporter,
                            on_ready=self._notice.page_ready,
                            on_page=connection.refresh,
                            real=self._real,
                        ),
                        self._real,
                    ),
                    name="page",
                )
                if tls is not None:
                    group.create_task(
                        restart_on_failure(lambda: tls.keep_valid(on_renewed), self._real),
                        name="certificate",
                    )
        finally:
            relays.detach()

    async def _server_tls(self, daemon: Daemon) -> ServerTls | None:
        """Returns the TLS for other machines; None where none may reach the daemon."""
        if not self._remote.lan:
            return None
        folder = self._folder_of_secrets(daemon)
        return await ServerTls.load(folder, self._remote.page_address, self._real)

    def _folder_of_secrets(self, daemon: Daemon) -> Path:
        return self._secrets_folder or daemon.settings.state_path()
