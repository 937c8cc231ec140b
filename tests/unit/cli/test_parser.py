"""Mistakes on the command line that the parser finds: one line each, in moontrim's own words; and
the help of every command: complete phrases, and an example that parses."""

import argparse
import re
import shlex

import pytest

from moontrim.cli import COMMANDS
from moontrim.cli.main import main, parser

COMMAND_LIST = ", ".join(COMMANDS)
AGREEMENTS = "halves, receiver, transmitter, home, partner"
SEE = "see moontrim {} --help"


@pytest.mark.parametrize(
    ("arguments", "answer"),
    [
        ("", "COMMAND: missing; see moontrim --help"),
        ("pathh", f"unknown command 'pathh'; expected one of {COMMAND_LIST}; see moontrim --help"),
        ("path --home JN88", f"--partner, --at, --frequency: missing; {SEE.format('path')}"),
        ("run --config", f"--config: value missing; {SEE.format('run')}"),
        ("run --conf x", "unknown option or argument: --conf x; see moontrim --help"),
        ("run --quiet=3", f"--quiet: takes no value; {SEE.format('run')}"),
        ("ports --x", "unknown option or argument: --x; see moontrim --help"),
        ("schema x", "unknown option or argument: x; see moontrim --help"),
        ("rehearse --minutes x", "--minutes: invalid value 'x'; expected a number; "
         + SEE.format("rehearse")),
        ("simulate --bus civ --baud x", "--baud: invalid value 'x'; expected a whole number; "
         + SEE.format("simulate")),
        ("simulate --bus x", "--bus: invalid value 'x'; expected one of civ, asciicat, socket; "
         + SEE.format("simulate")),
        ("simulate", f"--bus: missing; {SEE.format('simulate')}"),
        ("rehearse --agreement x", f"--agreement: invalid value 'x'; expected one of {AGREEMENTS}; "
         + SEE.format("rehearse")),
        ("forecast --band a --frequency 1e9", "--frequency: not valid with --band; "
         + SEE.format("forecast")),
        ("tone --sideband am", "--sideband: invalid value 'am'; expected one of usb, lsb; "
         + SEE.format("tone")),
        ("report --config a --journal b", f"--journal: not valid with --config; "
         f"{SEE.format('report')}"),
        ("install-service", f"--config: missing; {SEE.format('install-service')}"),
    ],
)  # fmt: skip
def test_one_line_in_our_own_words(
    arguments: str, answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments.split())
    assert ended.value.code == 2
    assert capsys.readouterr().err == f"moontrim: {answer}\n"


def command_parser(name: str) -> argparse.ArgumentParser:
    """The parser of one command."""
    (commands,) = (a for a in parser([name])._actions if isinstance(a, argparse._SubParsersAction))
    command = commands.choices[name]
    assert isinstance(command, argparse.ArgumentParser)
    return command


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_has_a_complete_phrase(name: str) -> None:
    """A phrase begins small and has no full stop; a default stands in brackets at its end."""
    for action in command_parser(name)._actions:
        text = action.help or ""
        assert re.match(r"[a-zA-Z]", text), (name, action.dest)
        assert len(text.split()) >= 2, (name, action.dest, text)
        assert not text.endswith("."), (name, action.dest)
        assert "left out" not in text, (name, action.dest)
        defaults = re.findall(r"\(default[^)]*\)", text)
        assert text.count("default") == sum(one.count("default") for one in defaults), text
        if action.default not in (None, False, argparse.SUPPRESS, []):
            assert defaults, (name, action.dest, text)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_an_example_that_parses(name: str) -> None:
    text = command_parser(name).format_help()
    (example,) = re.findall(r"^  (moontrim .*)$", text.split("example:\n")[1], re.MULTILINE)
    words = shlex.split(example.split(" > ")[0].removesuffix(" >"))
    options = parser(words[1:]).parse_args(words[1:])
    assert words[1] == name and callable(options.call)
