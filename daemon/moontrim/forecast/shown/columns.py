"""Columns of short texts on a terminal. Thousands of rows cost little, unlike those of a table that
weighs every cell against every other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions
from rich.segment import Segment

# A piece of text and its style; a line of a cell; a cell.
Piece = tuple[str, str]
Line = Sequence[Piece]
Cell = Sequence[Line]
HEADER_STYLE = "dim"


def cell(text: str, style: str = "") -> Cell:
    """Returns a cell of one style, with a line for each of the text's."""
    return [[(line, style)] for line in text.split("\n")]


@dataclass
class Columns:
    """Rows below headings, as wide as their widest text. Longer than the terminal, a row is cut.

    headings: text, with line breaks, and whether the column is aligned to the right."""

    headings: Sequence[tuple[str, bool]]
    padding: int = 1
    rows: list[Sequence[Cell]] = field(default_factory=list)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        header = [cell(text, HEADER_STYLE) for text, _ in self.headings]
        # A heading stands at the bottom of its column's head.
        high = max(len(one) for one in header)
        header = [[*cell("\n" * (high - len(one) - 1)), *one] if len(one) < high else one
                  for one in header]  # fmt: skip
        rows = [header, *self.rows]
        widths = [
            max(_width(line) for row in rows for line in row[k]) for k in range(len(self.headings))
        ]
        names = {style for row in rows for one in row for line in one for _, style in line}
        styles = {name: console.get_style(name) if name else None for name in {"", *names}}
        for row in rows:
            for k in range(max(len(one) for one in row)):
                pieces: list[Piece] = []
                for one, width, (_, right) in zip(row, widths, self.headings, strict=True):
                    line = one[k] if k < len(one) else []
                    room = " " * (width - _width(line))
                    before, after = (room, "") if right else ("", room)
                    pieces += [(before, ""), *line, (after + " " * self.padding, "")]
                # Each segment costs: neighbours of one style are one.
                for style, run in groupby(pieces, itemgetter(1)):
                    yield Segment("".join([text for text, _ in run]), styles[style])
                yield Segment.line()


def _width(line: Line) -> int:
    return sum([len(text) if text.isascii() else cell_len(text) for text, _ in line])
