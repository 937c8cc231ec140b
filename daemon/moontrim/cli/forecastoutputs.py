"""What `moontrim forecast` prints and writes, partner by partner."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import TYPE_CHECKING, Protocol

from moontrim.errors import InputError
from moontrim.forecast.compute import Forecast
from moontrim.forecast.good import GoodStretch, good_stretches

if TYPE_CHECKING:
    from moontrim.cli.progressbar import ProgressBar


class _Output(Protocol):
    def finish(self) -> list[str]:
        """Prints or writes what is left, and returns a line for each file."""
        ...


class _WindowOutput(_Output, Protocol):
    def add(self, forecast: Forecast) -> None: ...


class _StretchOutput(_Output, Protocol):
    def add_stretches(self, forecast: Forecast, stretches: Sequence[GoodStretch]) -> None: ...


@dataclass
class WindowOutputs:
    """Outputs of all windows.

    prints: whether any of them prints, which a progress bar would disturb.
    listed: number of windows so far."""

    outputs: Sequence[_WindowOutput]
    prints: bool
    listed: int = 0

    def add(self, forecast: Forecast) -> None:
        """Prints and writes the windows of a partner."""
        for output in self.outputs:
            output.add(forecast)
        self.listed += len(forecast.windows)


@dataclass
class StretchOutputs:
    """Outputs of good stretches, which print at the end, when all are ranked.

    listed: number of stretches so far."""

    outputs: Sequence[_StretchOutput]
    prints: bool = False
    listed: int = 0

    def add(self, forecast: Forecast) -> None:
        """Prints and writes the good stretches of a partner, as far as they need not be ranked."""
        stretches = good_stretches(forecast)
        for output in self.outputs:
            output.add_stretches(forecast, stretches)
        self.listed += len(stretches)


def window_outputs(
    options: argparse.Namespace, zone: tzinfo | None, several: bool, bar: ProgressBar
) -> WindowOutputs:
    """Returns what the options request. Raises InputError.

    several: whether there is more than one partner."""
    outputs: list[_WindowOutput] = []
    if options.csv is not None:
        from moontrim.forecast.shown.csvfile import CsvFile

        outputs.append(CsvFile(options.csv))
    if options.calendar is not None:
        from moontrim.forecast.shown.calendar import CalendarFile

        outputs.append(CalendarFile(options.calendar, zone))
    if options.plot is not None:
        from moontrim.forecast.shown.pages import Pages

        outputs.append(Pages(options.plot, zone, several, bar.work))
    prints = options.json or options.table or not outputs
    if options.json:
        from moontrim.forecast.shown.plain import JsonWindows

        outputs.append(JsonWindows(sys.stdout))
    elif prints:
        from moontrim.forecast.shown.terminal import Tables

        outputs.append(Tables(zone))
    return WindowOutputs(outputs, prints)


def stretch_outputs(options: argparse.Namespace, zone: tzinfo | None) -> StretchOutputs:
    """Returns what the options request with --good. Raises InputError."""
    for name in ("csv", "plot"):
        if getattr(options, name) is not None:
            problem = f"not with --{name}; use --table, --json or --calendar"
            raise InputError("--good", None, problem=problem)
    outputs: list[_StretchOutput] = []
    if options.calendar is not None:
        from moontrim.forecast.shown.calendar import CalendarFile

        outputs.append(CalendarFile(options.calendar, zone))
    if options.json:
        from moontrim.forecast.shown.goodstretches import GoodJson

        outputs.append(GoodJson(sys.stdout))
    elif options.table or not outputs:
        from moontrim.forecast.shown.goodstretches import GoodTable

        outputs.append(GoodTable(zone))
    return StretchOutputs(outputs)
