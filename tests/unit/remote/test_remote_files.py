"""What the remote side keeps and writes: settings, passwords, the broker's configuration."""

import base64
import hashlib
import json
import socket
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from moontrim.config.remote import RemoteSettings
from moontrim.errors import InputError
from moontrim.remote.broker.accounts import (
    HUB,
    LOCAL,
    PHONE,
    access_list,
    commanders,
    password_file,
)
from moontrim.remote.broker.configfile import broker_config
from moontrim.remote.broker.passwords import FILE, broker_password, new_password, stored_passwords
from moontrim.remote.broker.ports import usable_port
from moontrim.remote.companion import Remote
from moontrim.remote.published.topics import Topics
from moontrim.remote.wire.resilience import FIRST_S, LONGEST_S, Backoff
from moontrim.remote.wire.welcome import page_urls, welcome, with_password
from support.rigctld import free_port

TOPICS = Topics("moontrim", "station")


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"name": "Upper"}, "\nname\n"),
        ({"name": "a/b"}, "\nname\n"),
        ({"name": "+"}, "\nname\n"),
        ({"name": "x" * 33}, "\nname\n"),
        ({"root": ""}, "root"),
        ({"port": 0}, "port"),
        ({"http_port": 65536}, "http_port"),
        ({"lan_address": "everywhere"}, "lan_address"),
        ({"lan_address": "10.0.0.256"}, "lan_address"),
        ({"user": "daemon"}, "user is for another broker"),
        ({"tls": True}, "tls is for another broker"),
        ({"broker": "b", "tls_ca_file": "/x"}, "needs tls = true"),
        ({"broker": "a b"}, "broker"),
        ({"broker": "a\nb"}, "broker"),
        ({"password": "x"}, "password"),
        ({"discovery_prefix": "a/#"}, "discovery_prefix"),
    ],
)
def test_settings_refused(table: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError) as error:
        RemoteSettings.model_validate(table)
    assert says in str(error.value)


def test_ports_and_addresses() -> None:
    assert RemoteSettings().broker_port == 8145
    assert RemoteSettings(broker="b").broker_port == 1883
    assert RemoteSettings(broker="b", tls=True).broker_port == 8883
    assert RemoteSettings(broker="b", tls=True, port=99).broker_port == 99
    assert RemoteSettings().page_address == "127.0.0.1"
    assert RemoteSettings(lan_address="10.42.0.1").page_address == "127.0.0.1", "only with lan"
    assert RemoteSettings(lan=True, lan_address="10.42.0.1").page_address == "10.42.0.1"


def test_a_certificate_authority_that_cannot_be_read_is_refused_at_the_start(
    tmp_path: Path,
) -> None:
    (tmp_path / "empty.pem").write_text("")
    for name in ("missing.pem", "empty.pem"):
        remote = RemoteSettings(broker="b", tls=True, tls_ca_file=tmp_path / name)
        with pytest.raises(InputError, match="tls_ca_file"):
            Remote(remote)


def test_who_may_command() -> None:
    assert commanders(RemoteSettings()) == {PHONE, LOCAL}
    assert commanders(RemoteSettings(lan=True)) == {PHONE}
    assert commanders(RemoteSettings(lan=True, discovery=True)) == {PHONE, HUB}
    assert commanders(RemoteSettings(broker="b", user="daemon")) == {PHONE}
    assert LOCAL in commanders(RemoteSettings(broker="b"))


def rules(text: str) -> dict[str, set[str]]:
    """The access list by user; `` for the anonymous."""
    found: dict[str, set[str]] = {"": set()}
    user = ""
    for line in text.splitlines():
        if line.startswith("user "):
            user = line.removeprefix("user ")
            found[user] = set()
        else:
            found[user].add(line)
    return found


def test_access_list() -> None:
    local = rules(access_list(RemoteSettings(), TOPICS))
    assert "topic write moontrim/station/cmd/local/+" in local[""]
    lan = rules(access_list(RemoteSettings(lan=True), TOPICS))
    assert lan[""] == set(), "nothing without a name"
    assert all(rule.startswith("topic read ") for rule in lan["viewer"])
    writes = {rule for rule in lan["phone"] if not rule.startswith("topic read ")}
    assert writes == {"topic write moontrim/station/cmd/phone/+"}
    assert not any("/cmd/" in rule for rule in lan["viewer"])
    every = {"topic read moontrim/+/state", "topic read moontrim/+/availability"}
    assert every <= lan["viewer"] & lan["phone"] & local[""], "the page of all stations"
    assert "hub" not in lan
    hub = rules(access_list(RemoteSettings(lan=True, discovery=True), TOPICS))
    assert "topic write homeassistant/device/#" in hub["daemon"]
    assert "topic write moontrim/station/cmd/hub/+" in hub["hub"]


def test_password_file() -> None:
    (line,) = password_file({"phone": "k7mf-p2xd-9qwh"}).splitlines()
    account, stored = line.split(":")
    assert account == "phone"
    _, kind, rounds, salt, digest = stored.split("$")
    assert kind == "7"
    expected = hashlib.pbkdf2_hmac(
        "sha512", b"k7mf-p2xd-9qwh", base64.b64decode(salt), int(rounds), 64
    )
    assert base64.b64decode(digest) == expected
    assert password_file({"phone": "k7mf-p2xd-9qwh"}) != line + "\n", "salted"


def test_broker_configuration() -> None:
    folder = Path("/run/x")
    lines = broker_config(RemoteSettings(), folder, 8145, None).splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("listener"))
    assert not any(
        line.startswith(("max_connections", "allow_anonymous")) for line in lines[:first]
    ), "before the first listener it would open one on all interfaces"
    assert "listener 8145 127.0.0.1" in lines
    assert [line for line in lines if line.startswith("allow_anonymous")] == [
        "allow_anonymous false",  # the daemon's own door
        "allow_anonymous true",
        "allow_anonymous true",
    ]
    assert not any(line.startswith("user ") for line in lines)
    lan = RemoteSettings(lan=True, lan_address="10.42.0.1")
    text = broker_config(lan, folder, 8145, "root", Path("/state/tls/server.pem"))
    assert "allow_anonymous true" not in text
    assert "user root" in text
    assert "listener 8145 127.0.0.1" in text, "without TLS on this machine only"
    encrypted = text[text.index("listener 8883 10.42.0.1") :]
    assert "certfile /state/tls/server.pem" in encrypted
    assert "keyfile /state/tls/server.pem" in encrypted
    assert text.count("10.42.0.1") == 1

    lan = RemoteSettings(lan=True, plain_port=1883)
    text = broker_config(lan, folder, 8145, None, Path("/state/tls/server.pem"))
    plain = text[text.index("listener 1883 0.0.0.0") :]
    assert "password_file /run/x/viewer-passwords" in plain
    assert "certfile" not in plain


def test_a_taken_port() -> None:
    port = free_port()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        with pytest.raises(OSError, match=f"port {port}"):
            usable_port(RemoteSettings(port=port))
    assert usable_port(RemoteSettings(port=port)) == port


def test_the_usual_port_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        monkeypatch.setattr("moontrim.config.remote.BUILT_IN_PORT", port)
        assert usable_port(RemoteSettings()) not in (0, port)


def test_passwords_are_kept_privately_and_made_once(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    first, made = stored_passwords(folder, ("phone", "viewer"))
    assert made
    assert (folder / FILE).stat().st_mode & 0o777 == 0o600
    assert len({*first.values()}) == 2
    assert stored_passwords(folder, ("phone", "viewer")) == (first, False)
    more, made = stored_passwords(folder, ("phone", "viewer", "hub"))
    assert made
    assert more["phone"] == first["phone"]
    (folder / FILE).chmod(0o644)
    stored_passwords(folder, ("phone",))
    assert (folder / FILE).stat().st_mode & 0o777 == 0o600
    for damage in ("", "[]", '{"phone": 5}', '{"phone": ""}'):
        (folder / FILE).write_text(damage)
        again, made = stored_passwords(folder, ("phone",))
        assert made
        assert len(again["phone"]) == 14
        assert json.loads((folder / FILE).read_text())["phone"] == again["phone"]
    with pytest.raises(OSError):
        stored_passwords(Path("/proc/nowhere"), ("phone",))


def test_new_passwords_can_be_typed() -> None:
    words = {new_password() for _ in range(200)}
    assert len(words) == 200
    assert all(len(word) == 14 and not set(word) & set("il1o0 ") for word in words)


def test_the_other_brokers_password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MOONTRIM_MQTT_PASSWORD", raising=False)
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    assert broker_password() is None
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert broker_password() is None
    (tmp_path / "mqtt_password").write_text("from the credential\n")
    assert broker_password() == "from the credential"
    monkeypatch.setenv("MOONTRIM_MQTT_PASSWORD", "from the environment")
    assert broker_password() == "from the environment"
    monkeypatch.delenv("MOONTRIM_MQTT_PASSWORD")
    (tmp_path / "mqtt_password").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="mqtt_password"):
        broker_password()


def test_welcome_shows_addresses_passwords_and_a_picture() -> None:
    text = welcome(
        ["https://10.42.0.1:8146/"],
        {"phone": "k7mf-p2xd-9qwh", "viewer": "v"},
        ["http://10.42.0.1:8144/"],
        "AB:CD",
    )
    assert "https://10.42.0.1:8146/" in text
    assert "http://10.42.0.1:8144/" in text
    assert "SHA-256 fingerprint: AB:CD" in text
    assert "k7mf-p2xd-9qwh" in text
    assert "█" in text
    assert page_urls("10.42.0.1", 80) == ["http://10.42.0.1:80/"]
    assert all("0.0.0.0" not in url for url in page_urls("0.0.0.0", 80))
    assert with_password("http://h/", "a&b#c") == "http://h/#p=a%26b%23c"


def test_backoff_grows_to_its_limit_and_says_each_reason_once() -> None:
    backoff = Backoff()
    waits_s = [backoff.next_s() for _ in range(12)]
    assert 0.8 * FIRST_S <= waits_s[0] <= 1.2 * FIRST_S
    assert all(wait_s <= LONGEST_S for wait_s in waits_s)
    assert waits_s[-1] >= 0.8 * LONGEST_S
    assert [backoff.news(reason) for reason in ("a", "a", "b", "a")] == [True, False, True, True]
    backoff.reset()
    assert backoff.next_s() <= 1.2 * FIRST_S
    assert backoff.news("a")
