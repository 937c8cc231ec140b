"""Where passwords come from and where they are stored. They are never on a command line, never in
the config, and never in a log.

The one for another broker is $MOONTRIM_MQTT_PASSWORD, else the systemd credential `mqtt_password`.
Those of the child broker's accounts are made once at random and stored in the state folder,
readable by its owner only, so that a restart does not lock the phones out."""

from __future__ import annotations

import json
import os
import secrets
from pathlib import Path

from moontrim.errors import InputError, reason_of
from moontrim.service.hiddenpasswords import hide

VARIABLE, CREDENTIAL = "MOONTRIM_MQTT_PASSWORD", "mqtt_password"
FILE = "remote-passwords.json"
# Chosen: no characters that look alike in print or on a phone. 12 out of these 31 make 59 bits.
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"


def broker_password() -> str | None:
    """Returns the password for another broker, None if there is none. Raises InputError for a
    credential that cannot be read."""
    if password := os.environ.get(VARIABLE):
        return hide(password)
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        return None
    path = Path(folder) / CREDENTIAL
    try:
        return hide(path.read_text().rstrip("\r\n"))
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            CREDENTIAL, str(path), problem=f"cannot read {path} ({reason_of(error)})"
        ) from None


def new_password() -> str:
    """Returns a random password that is easy to read out and type."""
    groups = ("".join(secrets.choice(_ALPHABET) for _ in range(4)) for _ in range(3))
    return hide("-".join(groups))


def stored_passwords(folder: Path, accounts: tuple[str, ...]) -> tuple[dict[str, str], bool]:
    """Returns the passwords by account, and whether any of them is new. Missing ones are made and
    stored. Raises OSError if they cannot be stored: the next restart would lock the phones out."""
    path = folder / FILE
    stored = _read(path)
    missing = [account for account in accounts if account not in stored]
    if missing:
        stored |= {account: new_password() for account in missing}
        _write(path, stored)
    return {account: hide(stored[account]) for account in accounts}, bool(missing)


def kept_passwords(folder: Path, accounts: tuple[str, ...]) -> dict[str, str]:
    """Returns the passwords of accounts as they are stored, and changes nothing; empty if any is
    missing. Raises PermissionError."""
    try:
        stored = json.loads((folder / FILE).read_text())
        passwords = {account: hide(str(stored[account])) for account in accounts}
    except (FileNotFoundError, NotADirectoryError, ValueError, RecursionError, LookupError):
        return {}
    except TypeError:  # another kind of JSON
        return {}
    return passwords if all(map(_is_usable, passwords.values())) else {}


def _read(path: Path) -> dict[str, str]:
    try:
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)
        stored = json.loads(path.read_text())
    except (FileNotFoundError, ValueError, RecursionError):
        return {}
    if not isinstance(stored, dict):
        return {}
    return {k: v for k, v in stored.items() if isinstance(v, str) and _is_usable(v)}


def _is_usable(password: str) -> bool:
    return 8 <= len(password) <= 128 and password.isprintable()


def _write(path: Path, passwords: dict[str, str]) -> None:
    """Replaces the file in one step, readable by its owner only. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    new = path.with_suffix(".new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with open(descriptor, "w") as file:  # noqa: PTH123 (a descriptor, for its mode)
        json.dump(passwords, file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
