"""One daemon of this machine on a rig-control server."""

from __future__ import annotations

import pytest

from moontrim.errors import InputError
from moontrim.session.radiolock import only_daemon_on, share_at
from moontrim_drivers.rigctld.options import SocketOptions
from moontrim_drivers.serial.options import SerialOptions
from moontrim_drivers.simulated.options import SimulatedOptions

ADDRESS = "localhost port 1"


def test_a_second_is_refused_while_the_first_runs() -> None:
    with only_daemon_on(ADDRESS):
        with (
            pytest.raises(InputError, match="no other moontrim uses") as refused,
            only_daemon_on(ADDRESS),
        ):
            raise AssertionError
        assert "localhost port 1" in str(refused.value)
        with only_daemon_on("localhost port 2"), only_daemon_on(""), only_daemon_on(""):
            pass
    with only_daemon_on(ADDRESS):
        pass


def test_the_share_of_a_daemon_is_no_radio_for_another(caplog: pytest.LogCaptureFixture) -> None:
    """Whether it has that name or not, the share runs."""
    with share_at(1):
        with (
            pytest.raises(InputError, match="no other moontrim uses or is"),
            only_daemon_on(ADDRESS),
        ):
            raise AssertionError
        with share_at(1):
            assert "no lock for the share at port 1" in caplog.text
    with only_daemon_on(ADDRESS):
        pass


def test_a_name_that_the_kernel_does_not_take_locks_nothing(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with only_daemon_on("x" * 200):
        pass
    assert "no lock for" in caplog.text


@pytest.mark.parametrize(
    ("host", "address"),
    [
        ("127.0.0.1", "localhost port 4532"),
        ("127.1.2.3", "localhost port 4532"),
        ("::1", "localhost port 4532"),
        ("LocalHost", "localhost port 4532"),
        ("Shack.local.", "shack.local port 4532"),
        ("192.0.2.7", "192.0.2.7 port 4532"),
    ],
)
def test_one_address_has_one_name(host: str, address: str) -> None:
    assert SocketOptions(host=host).shared_address == address


def test_a_port_of_its_own_needs_no_lock() -> None:
    assert SimulatedOptions().shared_address == ""
    assert not SerialOptions.shared_address.fget(None)  # type: ignore[attr-defined]
