"""Which front end is confirmed, and what withdraws it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings, settings_from
from moontrim.errors import InputError
from moontrim.session.commands import AllowTransmit, Command, SetBand
from moontrim.session.saver import SessionSaver
from moontrim.session.session import Session, first_session
from moontrim.session.sessionfile import MARK, NAME, load_session, save_session


def band(name: str, low_hz: int, offset_hz: int = 0, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "sked_hz": low_hz + 100_000,
        "tx_low_hz": low_hz,
        "tx_high_hz": low_hz + 2_000_000,
        "transverter_offset_hz": offset_hz,
        **more,
    }


LOW, HIGH = band("144 MHz", 144_000_000), band("432 MHz", 432_000_000)
TEN = band("10 GHz", 10_368_000_000, 10_224_000_000)
CROSS = band("10 GHz split", 10_450_000_000, 10_306_000_000, front_end="10 GHz")


def settings(*bands: dict[str, Any], **tables: Any) -> Settings:
    return settings_from({"home": {"locator": "JN88"}, "bands": list(bands), **tables}, "test")


ALL = settings(LOW, HIGH, TEN, CROSS)
DIRECT_ONLY = settings(LOW, HIGH)


def apply(session: Session, *commands: Command, known: Settings = ALL) -> Session:
    for command in commands:
        session = command.apply(session, known)
    return session


def permitted(name: str, known: Settings = ALL) -> Session:
    chosen = SetBand("test", name)
    return apply(first_session(known), chosen, AllowTransmit("test", True), known=known)


def test_one_front_end_needs_no_confirmation() -> None:
    first = first_session(DIRECT_ONLY)
    assert first.tx_allowed and first.front_end_confirmed(DIRECT_ONLY)


def test_of_several_none_is_confirmed_at_first() -> None:
    first = first_session(ALL)
    assert not first.tx_allowed and not first.front_end_confirmed(ALL)


@pytest.mark.parametrize(
    ("before", "after", "stays"),
    [
        ("144 MHz", "432 MHz", True),
        ("10 GHz", "10 GHz split", True),
        ("144 MHz", "144 MHz", True),
        ("144 MHz", "10 GHz", False),
        ("10 GHz split", "432 MHz", False),
    ],
)
def test_only_another_front_end_withdraws_the_permission(
    before: str, after: str, stays: bool
) -> None:
    session = apply(permitted(before), SetBand("test", after))
    assert session.tx_allowed is session.front_end_confirmed(ALL) is stays
    back = apply(session, SetBand("test", before))
    assert back.tx_allowed is back.front_end_confirmed(ALL) is stays


def test_forbidding_leaves_the_front_end_confirmed() -> None:
    session = apply(permitted("10 GHz"), AllowTransmit("test", False))
    assert not session.tx_allowed and session.front_end_confirmed(ALL)


def test_permitting_is_for_the_front_end_asked_for() -> None:
    session = apply(permitted("10 GHz"), SetBand("test", "144 MHz"))
    with pytest.raises(InputError, match="direct, that of 144 MHz"):
        apply(session, AllowTransmit("test", True, "10 GHz"))
    assert apply(session, AllowTransmit("test", True, "direct")).tx_allowed
    assert str(AllowTransmit("test", True, "direct")) != str(AllowTransmit("test", True, "x"))


COMMANDS = st.lists(
    st.one_of(
        st.sampled_from(ALL.bands).map(lambda one: SetBand("test", one.name)),
        st.booleans().map(lambda on: AllowTransmit("test", on)),
    ),
    max_size=12,
)


@given(COMMANDS)
def test_permitted_is_always_for_the_front_end_last_confirmed(commands: list[Command]) -> None:
    session, confirmed = first_session(ALL), ""
    for command in commands:
        before = session.present_front_end(ALL)
        session = command.apply(session, ALL)
        if session.present_front_end(ALL) != before:
            confirmed = ""
        if isinstance(command, AllowTransmit) and command.on:
            confirmed = session.present_front_end(ALL)
        assert session.front_end_confirmed(ALL) is bool(confirmed)
        assert not session.tx_allowed or confirmed == session.present_front_end(ALL)


# --- on disk ---


def load(folder: Path, session: Session | dict[str, Any], known: Settings) -> Session:
    if isinstance(session, Session):
        save_session(folder, session)
    else:
        (folder / NAME).write_text(json.dumps({"version": 1, "session": session}))
    return load_session(folder, known)


def test_it_outlives_a_restart(tmp_path: Path) -> None:
    assert load(tmp_path, permitted("10 GHz"), ALL) == permitted("10 GHz")


@pytest.mark.parametrize(
    "known",
    [
        pytest.param(settings(LOW, TEN | {"front_end": "other"}), id="renamed"),
        pytest.param(settings(TEN | {"front_end": "other"}), id="the only one, renamed"),
        pytest.param(settings(LOW), id="band gone"),
        pytest.param(settings(LOW | {"name": "10 GHz"}), id="transverter gone"),
    ],
)
def test_a_changed_config_takes_over_no_permission(tmp_path: Path, known: Settings) -> None:
    session = load(tmp_path, permitted("10 GHz"), known)
    assert not session.tx_allowed


def test_a_file_without_it_counts_where_there_is_only_one(tmp_path: Path) -> None:
    old = {"band": "144 MHz", "agreement": "halves", "tx_allowed": True}
    assert load(tmp_path, old, DIRECT_ONLY).tx_allowed
    assert not load(tmp_path, old, ALL).tx_allowed


@pytest.mark.parametrize("orderly", [True, False])
def test_an_unclean_end_leaves_none_confirmed(tmp_path: Path, orderly: bool) -> None:
    """The last choice may not be on disk: what is connected may be another by now."""
    save_session(tmp_path, apply(permitted("10 GHz"), AllowTransmit("test", False)))
    if orderly:
        (tmp_path / MARK).touch()
    loaded = SessionSaver(tmp_path, ALL, SystemClock()).loaded
    assert loaded.front_end_confirmed(ALL) is orderly
