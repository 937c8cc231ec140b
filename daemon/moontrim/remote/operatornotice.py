"""What the operator at the terminal is shown of the way to the page: addresses, passwords,
certificate. Passwords go to the terminal alone, never to the log."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from moontrim.config.remote import RemoteSettings
from moontrim.remote.broker.accounts import accounts_with_passwords
from moontrim.remote.broker.passwords import new_password, stored_passwords
from moontrim.remote.wire.servertls import ServerTls
from moontrim.remote.wire.welcome import page_urls, welcome

log = logging.getLogger(__name__)


class OperatorNotice:
    """Shows and logs the addresses of the page, and shows passwords.

    show: prints at the terminal; None never shows passwords. show_password: also such as are not
    new. on_page: called with each address of the page once it can be opened."""

    def __init__(
        self,
        remote: RemoteSettings,
        show: Callable[[str], object] | None,
        show_password: bool,
        on_page: Callable[[str], object],
    ) -> None:
        self._remote = remote
        self._show = show
        self._show_password = show_password
        self._on_page = on_page

    def page_ready(self, url: str) -> None:
        """Logs and reports the addresses of a page that can now be opened."""
        parts = urlsplit(url)
        plain = page_urls(parts.hostname or "127.0.0.1", parts.port or 80)
        for each in self._secure_urls() if self._remote.lan else plain:
            log.info("phone page: %s", each)
            self._on_page(each)

    def page_urls(self) -> list[str]:
        """Returns the addresses of the page by the config."""
        remote = self._remote
        return (
            self._secure_urls() if remote.lan else page_urls(remote.page_address, remote.http_port)
        )

    def _secure_urls(self) -> list[str]:
        return page_urls(self._remote.page_address, self._remote.https_port, "https")

    def passwords(self, folder: Path, tls: ServerTls) -> dict[str, str]:
        """Returns the passwords of the child broker's accounts. Shows them when they or the
        certificate are new, or on request."""
        accounts = accounts_with_passwords(self._remote)
        try:
            passwords, new = stored_passwords(folder, accounts)
        except OSError as error:
            log.warning("passwords not saved (%s); the next start will make new ones", error)
            passwords, new = {account: new_password() for account in accounts}, True
        new = new or tls.certificates.new
        if self._show is not None and (new or self._show_password):
            plain = page_urls(self._remote.page_address, self._remote.http_port)
            fingerprint = tls.certificates.fingerprint
            self._show(welcome(self._secure_urls(), passwords, plain, fingerprint))
        elif new:
            log.info("new password for the page; to see it: moontrim run --show-password")
        return passwords
