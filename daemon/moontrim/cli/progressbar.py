"""A progress bar for work on one partner after the other, on standard error."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from rich.console import Console
from rich.progress import Progress


class ProgressBar:
    """A bar on the terminal, shown only inside `shown`. Where standard error is no terminal, or if
    not wanted, there is none."""

    def __init__(self, names: Sequence[str], wanted: bool) -> None:
        self._names = names
        self._done = 0
        # Standard output is for results: it must not be redirected to the bar's terminal.
        self._progress = Progress(
            console=Console(stderr=True),
            transient=True,
            redirect_stdout=False,
            disable=not (wanted and sys.stderr.isatty()),
        )
        self._task = self._progress.add_task(names[0], total=float(len(names)))

    @contextmanager
    def shown(self) -> Iterator[None]:
        """Shows the bar; it is gone at the end."""
        self._progress.start()
        try:
            yield
        finally:
            self._progress.stop()

    def work(self, fraction: float) -> None:
        """Tells how much of the present partner's work is done, 0 to 1."""
        self._progress.update(self._task, completed=self._done + fraction)

    def next(self) -> None:
        """Goes on to the next partner."""
        self._done += 1
        name = self._names[min(self._done, len(self._names) - 1)]
        self._progress.update(self._task, completed=float(self._done), description=name)
