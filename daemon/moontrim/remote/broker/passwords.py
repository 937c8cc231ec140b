"""Where passwords come from and where they stay. They are never on a command line, never in the
config, and never in a log.

Another broker's: $MOONTRIM_MQTT_PASSWORD, else the systemd credential `mqtt_password`. Our own
broker's accounts: made once at random and kept in the state folder, readable by its owner only, so
that a restart does not lock the phones out."""

from __future__ import annotations

import json
import os
import secrets
from pathlib import Path

from moontrim.errors import InputError
from moontrim.service.hiddenpasswords import hide

VARIABLE, CREDENTIAL = "MOONTRIM_MQTT_PASSWORD", "mqtt_password"
FILE = "remote-passwords.json"
# Without characters that look alike, in print or on a phone: 31 of them, 12 make 59 bits.
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"


def broker_password() -> str | None:
    """The password for another broker, None if there is none. Raises InputError for a credential
    that cannot be read."""
    if given := os.environ.get(VARIABLE):
        return hide(given)
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        return None
    path = Path(folder) / CREDENTIAL
    try:
        return hide(path.read_text().rstrip("\r\n"))
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(CREDENTIAL, str(path), f"a readable credential ({error})") from None


def new_password() -> str:
    """A random password that can be read out and typed."""
    groups = ("".join(secrets.choice(_ALPHABET) for _ in range(4)) for _ in range(3))
    return hide("-".join(groups))


def kept_passwords(folder: Path, accounts: tuple[str, ...]) -> tuple[dict[str, str], bool]:
    """The passwords of these accounts, and whether any had to be made just now. Raises OSError
    when they cannot be kept: then phones would be locked out by the next restart."""
    path = folder / FILE
    kept = _read(path)
    missing = [account for account in accounts if account not in kept]
    if missing:
        kept |= {account: new_password() for account in missing}
        _write(path, kept)
    return {account: hide(kept[account]) for account in accounts}, bool(missing)


def _read(path: Path) -> dict[str, str]:
    try:
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)
        kept = json.loads(path.read_text())
    except (FileNotFoundError, ValueError, RecursionError):
        return {}
    if not isinstance(kept, dict):
        return {}
    return {k: v for k, v in kept.items() if isinstance(v, str) and _can_be_one(v)}


def _can_be_one(password: str) -> bool:
    return 8 <= len(password) <= 128 and password.isprintable()


def _write(path: Path, kept: dict[str, str]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    new = path.with_suffix(".new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with open(descriptor, "w") as file:  # noqa: PTH123 (a descriptor, for its mode)
        json.dump(kept, file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
