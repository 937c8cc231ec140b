"""The live panel must not hold up the daemon."""

import io
import os
import pty
import termios

from moontrim.terminal import takes_output


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
