"""The live panel must not hold up the daemon, and shows every number whole."""

import io
import os
import pty
import termios

import pytest
from rich.console import Console

from moontrim.state.agendaview import AgendaView, NextEntry
from moontrim.state.snapshot import DialView
from moontrim.terminal.livepanel import panel, status_line, takes_output
from support.journals import T0, snapshot


def test_a_stopped_terminal_takes_nothing_until_it_goes_on() -> None:
    """What Ctrl-S and Ctrl-Q do."""
    user, ours = pty.openpty()
    try:
        with os.fdopen(ours, "w") as terminal:
            assert takes_output(terminal)
            termios.tcflow(terminal, termios.TCOOFF)
            assert not takes_output(terminal)
            termios.tcflow(terminal, termios.TCOON)
            assert takes_output(terminal)
    finally:
        os.close(user)


def test_what_is_no_terminal_is_written_to() -> None:
    assert takes_output(io.StringIO())


# The longest numbers: a dial that was turned to another band, and the highest band that there is.
WIDE_DIAL = DialView(
    10_368_110_294.5, -25_000.4, -0.235, 10_368_110_294.5, 28_000_000, -1.0340110e10
)
HIGHEST = DialView(122_250_300_000.5, 300_000.5, -11.235, 122_250_300_000.5, 122_250_300_000, -0.5)


@pytest.mark.parametrize("columns", [80, 95, 96, 100, 200])
@pytest.mark.parametrize("dial", [None, WIDE_DIAL, HIGHEST])
def test_no_number_is_cut_or_broken(columns: int, dial: DialView | None) -> None:
    view = snapshot(T0, 1)
    if dial is not None:
        view = view._replace(rx=dial, tx=dial)
    assert view.rx is not None
    console = Console(file=io.StringIO(), width=columns, height=24)
    with console.capture() as shown:
        console.print(panel(view, columns))
    lines = shown.get().splitlines()
    assert max(map(len, lines)) <= min(columns, 100)
    assert "…" not in shown.get()
    at = next(n for n, line in enumerate(lines) if "on the air" in line)
    head = lines[at]
    for name in ("correction", "rate", "dial", "residual"):
        assert name in head
    assert lines[at + 1].split()[1:6] == ["Hz", "Hz", "Hz/s", "Hz", "Hz"]
    assert ("low   ok   high" in lines[at + 1]) is (columns >= 96)
    receive = next(line for line in lines if "receive" in line)
    for number in (
        f"{view.rx.on_air_hz:,.1f}",
        f"{view.rx.correction_hz:+,.1f}",
        f"{view.rx.dial_hz:,}",
    ):
        assert number.replace(",", " ") in receive
    assert f"{view.rx.residual_hz:+,.2f}".replace(",", " ") in receive


@pytest.mark.parametrize("permitted", [True, False])
def test_inhibited_it_says_how_to_permit(permitted: bool) -> None:
    console = Console(file=io.StringIO(), width=100, height=40)
    with console.capture() as shown:
        console.print(panel(snapshot(T0, 1, tx_allowed=permitted), 100))
    assert ("inhibited; to allow: moontrim permit" in shown.get()) is not permitted


def test_sked_and_partner_show_by_name() -> None:
    view = snapshot(T0, 1, sked="[north]", partner="[/b] north", partner_place="KP20nf")
    console = Console(file=io.StringIO(), width=100, height=24)
    with console.capture() as shown:
        console.print(panel(view, 100))
    assert "10 368 100 000 Hz  [north]" in shown.get()
    assert "[/b] north (KP20nf)" in shown.get()
    assert "10 GHz sked [north] 10 368 100 000 Hz" in status_line(view)


def test_the_next_entry_of_the_agenda_is_shown() -> None:
    entry = NextEntry("1", "north", "10 GHz", T0 + 2520.0, T0 + 6000.0, 2.0)
    for waits_for, text in (
        ("", "north in 0:43, 10 GHz, spread 2.0 Hz"),
        ("an over", "north in 0:43, 10 GHz, spread 2.0 Hz, waits for an over"),
    ):
        agenda = AgendaView((), entry._replace(waits_for=waits_for))
        console = Console(file=io.StringIO(), width=100, height=40)
        with console.capture() as shown:
            console.print(panel(snapshot(T0, 1, agenda=agenda), 100))
        assert text in shown.get()
    console = Console(file=io.StringIO(), width=100, height=40)
    with console.capture() as shown:
        console.print(panel(snapshot(T0, 1, agenda=AgendaView()), 100))
    assert "next" not in shown.get()
