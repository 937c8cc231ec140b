"""The TLS of page and broker towards other machines: loads the certificates, and renews that of the
server before it ends and when names or addresses of this machine change."""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from moontrim.clock.system import Clock
from moontrim.remote.wire.addresses import SecureDoor
from moontrim.remote.wire.welcome import names_of_machine
from moontrim.service.privatefolder import PrivateFolder

if TYPE_CHECKING:
    from moontrim.remote.wire.certificates import Certificates

log = logging.getLogger(__name__)

LOOK_S = 30.0  # chosen: a hot-spot that was switched on is reached so soon


class ServerTls:
    """Certificates and TLS context of one daemon.

    host: the address that is listened on. temporary: the folder of certificates that are for this
    run only."""

    def __init__(
        self,
        certificates: Certificates,
        host: str,
        real: Clock,
        temporary: PrivateFolder | None = None,
    ) -> None:
        self.certificates = certificates
        self._host = host
        self._temporary = temporary
        self._real = real
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.minimum_version = ssl.TLSVersion.TLSv1_2
        self.context.load_cert_chain(certificates.server_file)

    @classmethod
    async def load(cls, state_folder: Path, host: str, real: Clock) -> ServerTls:
        """Reads or makes the certificates. On a disk that takes none, they are for this run only,
        which is logged."""
        return await asyncio.to_thread(cls._load, state_folder, host, real)

    @classmethod
    def _load(cls, state_folder: Path, host: str, real: Clock) -> ServerTls:
        from moontrim.remote.wire.certificates import Certificates  # late: takes long to import

        names = names_of_machine(host)
        try:
            certificates = Certificates(state_folder, names, real.utc_s())
        except OSError as error:
            log.warning("certificate not saved (%s); the next start needs another one", error)
            temporary = PrivateFolder()
            certificates = Certificates(temporary.path, names, real.utc_s())
            return cls(certificates, host, real, temporary)
        return cls(certificates, host, real)

    def close(self) -> None:
        """Removes what is for this run only."""
        if self._temporary is not None:
            self._temporary.remove()

    def door(self, port: int) -> SecureDoor:
        """Returns how other machines reach the page. port: of HTTPS."""
        signed = self.certificates
        return SecureDoor(
            self.context, port, signed.fingerprint, signed.authority_der, signed.authority_pem
        )

    async def keep_valid(self, on_renewed: Callable[[], object]) -> None:
        """Renews the server's certificate when that is due, until cancelled. New connections then
        get the new one. on_renewed: called after each renewal."""
        problem, left_out = "", self.certificates.left_out
        self._warn(left_out)
        while True:
            await self._real.sleep(LOOK_S)
            try:
                if await asyncio.to_thread(self._renew):
                    log.info("certificate of page and broker renewed")
                    on_renewed()
                problem = ""
            except OSError as error:
                if str(error) != problem:
                    problem = str(error)
                    log.warning("certificate not renewed: %s; retrying", problem)
            if self.certificates.left_out != left_out:
                left_out = self.certificates.left_out
                self._warn(left_out)

    def _renew(self) -> bool:
        if not self.certificates.renew(names_of_machine(self._host), self._real.utc_s()):
            return False
        self.context.load_cert_chain(self.certificates.server_file)
        return True

    def _warn(self, left_out: tuple[str, ...]) -> None:
        if left_out:
            log.warning(
                "certificate not valid for %s, which the station's CA does not include; to make "
                "another CA, stop moontrim and remove %s",
                ", ".join(left_out),
                self.certificates.server_file.parent,
            )
