"""Skeds: one choice of band, frequency, partner and agreement, kept on disk whatever becomes of the
config."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings, settings_from
from moontrim.errors import InputError, NotNowError
from moontrim.session.agenda import AgendaEntry
from moontrim.session.commands import (
    AllowTransmit,
    Command,
    NudgeSked,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.session.offline import change_saved
from moontrim.session.saver import SessionSaver
from moontrim.session.selection import selection_of
from moontrim.session.session import Session, first_session
from moontrim.session.sessionfile import (
    MARK,
    NAME,
    UNUSABLE,
    load_session,
    nobody_else,
    save_session,
    stored_session,
)
from moontrim.session.skeds import (
    MOST_SKEDS,
    ChooseSked,
    RemoveSked,
    SaveSked,
    all_skeds,
)
from moontrim.share.sked import TuneTo
from support.skeds import BAND, MADE, RAW, SETTINGS

ENTRY = AgendaEntry(id="1", sked="Made", start_utc_s=1.0, end_utc_s=2.0)


def apply(*commands: Command, session: Session | None = None) -> Session:
    session = session or first_session(SETTINGS)
    for command in commands:
        session = command.apply(session, SETTINGS)
    return session


def choose(name: str) -> ChooseSked:
    return ChooseSked("test", name)


def test_choosing_is_one_change_of_all() -> None:
    session = apply(SetTrim("t", 5.0, 6.0), choose(" NORTH "))
    choices = session.band_choices(SETTINGS)
    assert (session.sked, session.band, session.agreement) == ("north", "10 GHz", "receiver")
    assert (choices.sked_hz, choices.rx_trim_hz, choices.tx_trim_hz) == (10_368_120_000, 0, 0)
    assert session.tx_sked_hz(SETTINGS) == 10_368_121_000
    assert session.band_settings(SETTINGS).over_s == 30
    now = selection_of(session, SETTINGS)
    assert (now.partner, now.partner_place) == ("North", "KP20nf")
    assert now.partner_site is not None and now.partner_site.height_m == 60.0
    assert session.bands["144 MHz"].rx_trim_hz == 5.0, "of another band"


def test_choosing_again_takes_the_trims_away() -> None:
    session = apply(choose("north"), SetTrim("t", 5.0, 6.0), choose("north"))
    assert session.bands["10 GHz"].tx_trim_hz == 0.0


def test_the_next_sked_leaves_nothing_of_the_last() -> None:
    made = MADE.model_copy(update={"band": "10 GHz", "sked_hz": 10_368_090_000})
    session = apply(SaveSked("t", made), choose("north"), choose("made"))
    assert session.tx_sked_hz(SETTINGS) == 10_368_090_000
    assert session.band_settings(SETTINGS).over_s == 60.0


@pytest.mark.parametrize("command", [SetSked("t", 10_368_130_000.0), TuneTo("t", 10_368_130_000)])
def test_a_frequency_entered_leaves_what_the_sked_had_beside_its_own(command: Command) -> None:
    session = apply(choose("north"), command)
    assert session.tx_sked_hz(SETTINGS) == 10_368_130_000
    assert session.band_settings(SETTINGS).over_s == 60.0
    nudged = apply(choose("north"), NudgeSked("t", 10.0))
    assert nudged.tx_sked_hz(SETTINGS) == 10_368_121_010, "both move together"


def test_a_transmit_frequency_alone_is_a_change_of_frequency() -> None:
    session = apply(choose("north"))
    moved = session.with_band_choices(SETTINGS, tx_shift_hz=2000.0)
    assert moved.retuned_from(session, SETTINGS)
    longer = session.with_band_choices(SETTINGS, over_s=90.0)
    assert not longer.retuned_from(session, SETTINGS)


@pytest.mark.parametrize(
    ("shift_hz", "expected"), [(3e6, "to 10 367 000 000 Hz"), (-10_368_120_000.0, "on 10 GHz")]
)
def test_a_transmit_frequency_that_is_not_allowed_is_refused(
    shift_hz: float, expected: str
) -> None:
    with pytest.raises(InputError, match=expected):
        apply(choose("north")).with_band_choices(SETTINGS, tx_shift_hz=shift_hz)


def test_a_receive_frequency_that_no_dial_shows_is_refused() -> None:
    low = MADE.model_copy(update={"band": "10 GHz", "sked_hz": 1, "tx_sked_hz": 10_368_100_000})
    with pytest.raises(InputError, match="a frequency with a dial above 0 Hz on 10 GHz"):
        apply(SaveSked("t", low))
    with pytest.raises(InputError, match="a frequency with a dial above 0 Hz"):
        apply(choose("north")).with_band_choices(
            SETTINGS, sked_hz=1.0, tx_shift_hz=10_368_100_000.0
        )


def test_another_front_end_withdraws_the_permission_and_the_same_does_not() -> None:
    permitted = apply(AllowTransmit("t", True))
    assert apply(choose("echoes"), session=permitted).tx_allowed
    there = apply(choose("north"), session=permitted)
    assert not there.tx_allowed and not there.front_end_confirmed(SETTINGS)
    assert not apply(choose("echoes"), session=there).tx_allowed, "nor does the way back permit"


def test_an_unknown_one_names_those_that_there_are() -> None:
    with pytest.raises(InputError, match="sked: invalid value 'x'; expected north, Echoes, made"):
        apply(SaveSked("t", MADE), choose("x"))


# --- those that are made ---


def test_made_replaced_and_removed() -> None:
    session = apply(SaveSked("t", MADE))
    assert [sked.name for sked in all_skeds(session, SETTINGS)] == ["north", "Echoes", "made"]
    other = MADE.model_copy(update={"name": "MADE", "sked_hz": 144_126_000})
    session = apply(SaveSked("t", other), session=session)
    assert session.skeds == (other,)
    assert apply(RemoveSked("t", "Made"), session=session).skeds == ()


def test_a_partner_is_kept_as_the_config_writes_it() -> None:
    for text, name in (("NORTH", "North"), ("kp20nf", "kp20nf")):
        session = apply(SaveSked("t", MADE.model_copy(update={"partner": text})))
        assert session.skeds[0].partner == name


@pytest.mark.parametrize("again", [True, False])
def test_a_chosen_one_that_is_changed_or_removed_is_not_chosen_any_more(again: bool) -> None:
    chosen = apply(SaveSked("t", MADE), choose("made"))
    other = MADE.model_copy(update={"sked_hz": 144_126_000})
    assert apply(SaveSked("t", MADE if again else other), session=chosen).sked == "made" * again
    gone = apply(RemoveSked("t", "made"), session=chosen)
    assert gone.sked == "" and gone.bands == chosen.bands, "the dials stay"


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": "NORTH"}, "name"),
        ({"band": "11 GHz"}, "band"),
        ({"sked_hz": 147_000_000}, "sked_hz"),
        ({"tx_sked_hz": 147_000_000}, "tx_sked_hz"),
        ({"partner": "nowhere"}, "partner"),
        ({"partner": "self", "agreement": "home"}, "agreement"),
    ],
)
def test_one_that_cannot_be_chosen_is_not_kept(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as refused:
        apply(SaveSked("t", MADE.model_copy(update=changes)))
    assert refused.value.field == field


def test_there_is_a_limit_to_their_number() -> None:
    many = [MADE.model_copy(update={"name": f"{number}"}) for number in range(MOST_SKEDS)]
    session = apply(*(SaveSked("t", sked) for sked in many))
    with pytest.raises(InputError, match="at most 100 skeds"):
        apply(SaveSked("t", MADE), session=session)
    assert len(apply(SaveSked("t", many[0]), session=session).skeds) == MOST_SKEDS


def test_what_is_in_the_config_or_the_agenda_is_not_removed() -> None:
    session = apply(SaveSked("t", MADE))
    with pytest.raises(InputError, match="sked: invalid value 'north'; expected made"):
        apply(RemoveSked("t", "north"), session=session)
    due = session.model_copy(update={"agenda": (ENTRY,)})
    with pytest.raises(NotNowError, match="sked made is in the agenda"):
        apply(RemoveSked("t", "made"), session=due)
    over = session.model_copy(update={"agenda": (ENTRY.model_copy(update={"outcome": "done"}),)})
    assert apply(RemoveSked("t", "made"), session=over).skeds == ()


# --- on disk ---


def config(**changes: Any) -> Settings:
    return settings_from(RAW | changes, "test")


def test_they_survive_a_restart(tmp_path: Path) -> None:
    session = apply(SaveSked("t", MADE), choose("made")).model_copy(update={"agenda": (ENTRY,)})
    save_session(tmp_path, session)
    assert load_session(tmp_path, SETTINGS) == session


def test_a_file_from_before_has_none(tmp_path: Path) -> None:
    old = {"band": "144 MHz", "agreement": "halves", "bands": {"144 MHz": {"sked_hz": 144.2e6}}}
    (tmp_path / NAME).write_text(json.dumps({"version": 1, "session": old}))
    session, problem = stored_session(tmp_path, SETTINGS)
    assert problem == "" and session.skeds == () and session.bands["144 MHz"].sked_hz == 144.2e6


def test_a_config_that_fits_no_more_loses_none(tmp_path: Path) -> None:
    """Its band is renamed: the session begins anew, with the skeds, the agenda and the inhibition;
    also where the first run after that is killed before anything is changed."""
    chosen = apply(choose("north"), SaveSked("t", MADE), SetBand("t", "144 MHz"))
    session = chosen.model_copy(update={"agenda": (ENTRY,), "tx_allowed": False})
    save_session(tmp_path, session)
    renamed = config(bands=[BAND | {"name": "2 m"}], skeds=[])
    saver = SessionSaver(tmp_path, renamed, SystemClock())
    assert (saver.loaded.band, saver.loaded.sked) == ("2 m", "")
    assert saver.loaded.skeds == (MADE,) and saver.loaded.agenda == (ENTRY,)
    assert not saver.loaded.tx_allowed
    assert (tmp_path / UNUSABLE).exists() and not (tmp_path / NAME).exists()
    asyncio.run(saver.flush())
    assert load_session(tmp_path, renamed).skeds == (MADE,)
    back = load_session(tmp_path, SETTINGS)
    assert back.skeds == (MADE,), "and once the config is put right"


def test_one_of_a_band_that_is_gone_is_shown_with_its_problem(tmp_path: Path) -> None:
    gone = MADE.model_copy(update={"name": "gone", "band": "11 GHz"})
    lost = MADE.model_copy(update={"name": "lost", "partner": "South"})
    session = apply().model_copy(update={"skeds": (gone, lost, MADE)})
    save_session(tmp_path, session)
    loaded = load_session(tmp_path, SETTINGS)
    assert loaded.skeds == session.skeds
    known = selection_of(loaded, SETTINGS)
    assert known.made == {"gone", "lost", "made"}
    problems = dict(known.sked_problems)
    assert set(problems) == {"gone", "lost"}
    assert problems["gone"] == "band: invalid value '11 GHz'; expected 144 MHz, 10 GHz"
    assert problems["lost"].startswith("partner: invalid value 'South'; expected self, North, or")
    with pytest.raises(InputError, match="11 GHz"):
        apply(choose("gone"), session=loaded)
    assert apply(RemoveSked("t", "gone"), session=loaded).skeds == (lost, MADE)


def test_one_of_the_config_hides_a_made_one_of_its_name(tmp_path: Path) -> None:
    save_session(tmp_path, apply(SaveSked("t", MADE), choose("made")))
    taken = config(skeds=[{"name": "MADE", "band": "144 MHz", "sked_hz": 144_111_000}])
    session = load_session(tmp_path, taken)
    assert [sked.sked_hz for sked in all_skeds(session, taken)] == [144_111_000]
    assert session.skeds == (MADE,) and session.sked == "", "it is another one"
    assert all_skeds(RemoveSked("t", "made").apply(session, taken), SETTINGS)[-1].name != "made"


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({}, "north"),
        ({"note": "other"}, "north"),
        ({"sked_hz": 10_368_119_000}, ""),
        ({"tx_sked_hz": 10_368_119_000}, ""),
        ({"name": "other"}, ""),
        ({"partner": "KP20NF"}, ""),
    ],
)
def test_the_name_is_left_where_the_config_has_changed(
    tmp_path: Path, changes: dict[str, Any], name: str
) -> None:
    session = apply(choose("north"))
    save_session(tmp_path, session)
    loaded = load_session(tmp_path, config(skeds=[RAW["skeds"][0] | changes]))
    assert loaded == session.model_copy(update={"sked": name})


def test_a_partner_whose_name_is_gone_begins_anew(tmp_path: Path) -> None:
    save_session(tmp_path, apply(SetPartner("t", "north"), SaveSked("t", MADE)))
    session, problem = stored_session(tmp_path, config(partners=[], skeds=[]))
    assert problem.startswith("partner: invalid value 'north'")
    assert session.partner is None and session.skeds == (MADE,)


# --- without a daemon ---


def test_what_was_saved_is_changed_and_the_next_start_is_as_before(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    one = settings_from(RAW | {"bands": RAW["bands"][:1], "skeds": []}, "test")
    change_saved(folder, one, SaveSked("t", MADE))
    assert SessionSaver(folder, one, SystemClock()).loaded.tx_allowed, "as at a first start"
    (folder / MARK).unlink()
    change_saved(folder, one, RemoveSked("t", "made"))
    assert not (folder / MARK).exists(), "of a run that was killed"
    assert not SessionSaver(folder, one, SystemClock()).loaded.tx_allowed
    with pytest.raises(InputError, match="expected a sked that is not in the config"):
        change_saved(folder, one, RemoveSked("t", "made"))


def test_what_a_daemon_uses_is_not_changed_behind_its_back(tmp_path: Path) -> None:
    with nobody_else(tmp_path), pytest.raises(InputError, match="in use by another moontrim"):
        change_saved(tmp_path, SETTINGS, SaveSked("t", MADE))
    assert not (tmp_path / NAME).exists()


def test_a_disk_that_refuses_is_one_line(tmp_path: Path) -> None:
    folder = tmp_path / "file"
    folder.write_text("")
    with pytest.raises(InputError, match="cannot write"):
        change_saved(folder, SETTINGS, SaveSked("t", MADE))
