"""Columns of short texts on a terminal. Thousands of rows cost little, unlike those of a table that
weighs every cell against every other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, groupby, islice
from operator import itemgetter

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions
from rich.segment import Segment

# A piece of text and its style; a line of a cell; a cell.
Piece = tuple[str, str]
Line = Sequence[Piece]
Cell = Sequence[Line]
HEADER_STYLE = "dim"
# Chosen: printed at once; bounds the memory of a long list.
ROWS_AT_ONCE = 500


def cell(text: str, style: str = "") -> Cell:
    """Returns a cell of one style, with a line for each of the text's."""
    return [[(line, style)] for line in text.split("\n")]


def show_columns(
    console: Console,
    headings: Sequence[tuple[str, bool]],
    rows: Iterable[Sequence[Cell]],
    padding: int = 1,
) -> None:
    """Prints rows below headings, in columns as wide as their widest text. Rows that are longer
    than the terminal is wide are cut.

    headings: text, with line breaks, and whether the column is aligned to the right.
    rows: gone through twice, so that only some of them need be in memory."""
    header = [cell(text, HEADER_STYLE) for text, _ in headings]
    # A heading stands at the bottom of its column's head.
    high = max(len(one) for one in header)
    header = [[*([[]] * (high - len(one))), *one] for one in header]
    widths = [max(map(_width, one)) for one in header]
    for row in rows:
        widths = [max(width, *map(_width, one)) for width, one in zip(widths, row, strict=True)]
    rights = [right for _, right in headings]
    for batch in _batches(chain([header], rows)):
        console.print(_Rows(batch, widths, rights, padding), end="")


def _batches(rows: Iterable[Sequence[Cell]]) -> Iterator[list[Sequence[Cell]]]:
    """Yields rows, some hundred at a time."""
    rest = iter(rows)
    while batch := list(islice(rest, ROWS_AT_ONCE)):
        yield batch


@dataclass
class _Rows:
    rows: Sequence[Sequence[Cell]]
    widths: Sequence[int]
    rights: Sequence[bool]
    padding: int

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        names = {style for row in self.rows for one in row for line in one for _, style in line}
        styles = {name: console.get_style(name) if name else None for name in {"", *names}}
        for row in self.rows:
            for k in range(max(len(one) for one in row)):
                pieces: list[Piece] = []
                for one, width, right in zip(row, self.widths, self.rights, strict=True):
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
