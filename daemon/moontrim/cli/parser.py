"""A command-line parser whose mistakes are one line in moontrim's own words."""

from __future__ import annotations

import argparse
import re
import sys
from typing import Any, NoReturn

from moontrim.cli import COMMANDS

# What argparse says, and the same in words that all messages of moontrim have.
_EXPECTED = {"int": "a whole number", "float": "a number", "Path": "a path"}
_WORDS = (
    (r"the following arguments are required: (.*)", r"\1: missing"),
    (r"unrecognized arguments: (.*)", r"unknown option or argument: \1"),
    (r"argument (\S+): expected one argument", r"\1: value missing"),
    (r"argument COMMAND: invalid choice: (.*) \(choose from (.*)\)",
     r"unknown command \1; expected one of \2"),
    (r"argument (\S+): invalid choice: (.*) \(choose from (.*)\)",
     r"\1: invalid value \2; expected one of \3"),
    (r"argument (\S+): not allowed with argument (\S+)", r"\1: not valid with \2"),
    (r"argument (\S+): ignored explicit argument .*", r"\1: takes no value"),
)  # fmt: skip


class Parser(argparse.ArgumentParser):
    """The parser of `moontrim` and of each command. Options are not abbreviated: a later option
    would change what an abbreviation means."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options, allow_abbrev=False)

    def error(self, message: str) -> NoReturn:
        """Prints the mistake and exits with code 2."""
        print(f"moontrim: {own_words(message)}; see {self.prog} --help", file=sys.stderr)
        sys.exit(2)


def own_words(message: str) -> str:
    """Returns what argparse says of a mistake, reworded."""
    for pattern, replacement in _WORDS:
        if match := re.fullmatch(pattern, message):
            text = match.expand(replacement)
            if "expected one of " in text:
                head, choices = text.split("expected one of ", 1)
                text = f"{head}expected one of {choices.replace(chr(39), '')}"
            return text
    if match := re.fullmatch(r"argument (\S+): invalid (\w+) value: (.*)", message):
        expected = _EXPECTED[match[2]]
        return f"{match[1]}: invalid value {match[3]}; expected {expected}"
    return message.removeprefix("argument ")


def add_command(
    commands: Any, name: str, call: Any, *, example: str, epilog: str = ""
) -> argparse.ArgumentParser:
    """Declares a command of the table `COMMANDS` and returns its parser.

    call: takes the parsed options, returns the exit code. example: its arguments, for the help."""
    about = COMMANDS[name]
    text = f"example:\n  moontrim {name} {example}".rstrip() + "\n"
    command: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=about[0].upper() + about[1:] + ".",
        epilog=f"{epilog}\n{text}" if epilog else text,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.set_defaults(call=call)
    return command
