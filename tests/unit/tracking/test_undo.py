"""What can be undone, for how long, and what of it."""

from __future__ import annotations

import pytest

from moontrim.errors import NotNowError
from moontrim.session.commands import (
    AllowTransmit,
    Command,
    Correct,
    NudgeSked,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.session.session import Session, first_session
from moontrim.session.skeds import ChooseSked, SaveSked
from moontrim.tracking.undo import UNDO_S, Undoing
from support.skeds import MADE, SETTINGS

T0 = 1_795_000_000.0


class Desk:
    """A session, and the undoing that takes note of its changes."""

    def __init__(self) -> None:
        self.session = first_session(SETTINGS)
        self.undoing = Undoing()

    def give(self, command: Command | None, at_s: float, *, to: Session | None = None) -> None:
        before = self.session
        self.session = to or (command.apply(before, SETTINGS) if command else before)
        self.undoing.note(command, before, self.session, at_s, T0 + at_s)

    def undo(self, at_s: float) -> None:
        self.give(None, at_s, to=self.undoing.undone(self.session, SETTINGS, at_s))


@pytest.mark.parametrize(
    "command",
    [
        ChooseSked("t", "north"),
        ChooseSked("t", "echoes"),
        SetBand("t", "10 GHz"),
        SetPartner("t", "self"),
        SetAgreement("t", "receiver"),
    ],
    ids=str,
)
def test_a_change_is_undone_within_five_seconds(command: Command) -> None:
    desk = Desk()
    desk.give(SetTrim("t", 5.0, 6.0), 0.0)
    before = desk.session
    desk.give(command, 10.0)
    assert desk.session != before
    assert desk.undoing.until_utc_s(14.9) == T0 + 10.0 + UNDO_S
    assert desk.undoing.until_utc_s(15.0) is None
    with pytest.raises(NotNowError, match="nothing to undo"):
        desk.undoing.undone(desk.session, SETTINGS, 15.0)
    desk.undo(14.9)
    assert desk.session == before
    with pytest.raises(NotNowError, match="nothing to undo"):
        desk.undo(14.9)


def test_it_goes_back_to_what_was_before_the_last_one() -> None:
    desk = Desk()
    desk.give(SetAgreement("t", "receiver"), 0.0)
    desk.give(ChooseSked("t", "north"), 1.0)
    desk.undo(2.0)
    assert (desk.session.band, desk.session.agreement) == ("144 MHz", "receiver")


@pytest.mark.parametrize(
    "command",
    [SetTrim("t", 1.0), NudgeSked("t", 10.0), SetSked("t", 10_368_140_000.0), None],
    ids=str,
)
def test_what_the_operator_goes_on_with_is_not_undone(command: Command | None) -> None:
    desk = Desk()
    desk.give(ChooseSked("t", "north"), 0.0)
    followed = desk.session.with_band_choices(SETTINGS, sked_hz=10_368_140_000.0)
    desk.give(command, 1.0, to=None if command else followed)
    assert desk.undoing.until_utc_s(1.0) is None


def test_what_has_nothing_to_do_with_it_leaves_it_possible() -> None:
    desk = Desk()
    desk.give(ChooseSked("t", "north"), 0.0)
    for command in (Correct("t", False), AllowTransmit("t", False), SaveSked("t", MADE)):
        desk.give(command, 1.0)
    desk.give(SetBand("t", "10 GHz"), 1.0)  # changes nothing
    desk.undo(2.0)
    assert (desk.session.band, desk.session.sked) == ("144 MHz", "")
    assert not desk.session.correcting and desk.session.skeds == (MADE,), "these stay"


def test_the_permission_is_not_undone() -> None:
    desk = Desk()
    desk.give(AllowTransmit("t", True), 0.0)
    desk.give(ChooseSked("t", "north"), 1.0)
    assert not desk.session.tx_allowed
    desk.undo(2.0)
    assert not desk.session.tx_allowed and not desk.session.front_end_confirmed(SETTINGS)


def test_the_way_back_withdraws_a_permission_given_meanwhile() -> None:
    desk = Desk()
    desk.give(ChooseSked("t", "north"), 0.0)
    desk.give(AllowTransmit("t", True), 1.0)
    assert desk.session.front_end == "10 GHz"
    desk.undo(2.0)
    assert desk.session.band == "144 MHz"
    assert not desk.session.tx_allowed and not desk.session.front_end_confirmed(SETTINGS)
