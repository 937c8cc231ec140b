"""`moontrim access`: shows the way to the phone page, also while the daemon runs."""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from moontrim.cli.arguments import add_config, settings_of
from moontrim.cli.parser import add_command
from moontrim.cli.statefolders import state_folders
from moontrim.errors import InputError


def add(commands: Any) -> None:
    command = add_command(commands, "access", call, example="--config my.toml")
    add_config(command)
    command.add_argument("--json", action="store_true", help="print JSON, without QR codes")


def call(options: argparse.Namespace) -> int:
    from moontrim.remote.broker.accounts import accounts_with_passwords
    from moontrim.remote.broker.passwords import kept_passwords
    from moontrim.remote.wire.certificates import kept_fingerprint
    from moontrim.remote.wire.welcome import page_urls, welcome

    settings = settings_of(options, home_by_gps=True)
    remote = settings.remote
    if not remote.enabled:
        print("no phone page: remote.enabled is false in the config", file=sys.stderr)
        return 1
    if remote.broker is not None:
        urls = page_urls(remote.page_address, remote.http_port)
        _print(options, urls, {}, "", f"The password is that of the broker {remote.broker}.")
        return 0
    passwords, fingerprint = {}, ""
    for folder in state_folders(options):
        try:
            passwords = kept_passwords(folder, accounts_with_passwords(remote))
            fingerprint = kept_fingerprint(folder)
        except PermissionError:
            raise InputError(
                "state_dir", str(folder), problem=f"no permission to read {folder}; use sudo"
            ) from None
        if passwords and fingerprint:
            break
    if not (passwords and fingerprint):
        urls = page_urls("127.0.0.1", remote.http_port)
        _print(options, urls, {}, "", "On this machine only; moontrim run --lan opens it.")
        return 0
    # Passwords are made for `lan` alone, which `moontrim run --lan` turns on without the config.
    address = remote.lan_address
    urls = page_urls(address, remote.https_port, "https")
    plain = page_urls(address, remote.http_port)
    if options.json:
        _print(options, urls, passwords, fingerprint, "")
    else:
        print(welcome(urls, passwords, plain, fingerprint))
    return 0


def _print(
    options: argparse.Namespace,
    urls: list[str],
    passwords: dict[str, str],
    fingerprint: str,
    remark: str,
) -> None:
    if options.json:
        shown = {"urls": urls, "passwords": passwords, "fingerprint": fingerprint}
        print(json.dumps(shown, indent=1))
        return
    for url in urls:
        print(f"Phone page: {url}")
    print(remark)
