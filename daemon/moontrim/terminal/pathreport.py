"""The output of `moontrim path` for a terminal."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table

from moontrim.formats import LEG_LABELS, grouped


def show_path(report: dict[str, Any]) -> None:
    """Prints three tables: the ends, the legs and the error budget."""
    console = Console()
    console.print(
        f"[bold]{report['at']}[/bold]  {grouped(report['frequency_hz'])} Hz", highlight=False
    )
    ends = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    place = ("", "latitude °", "longitude °", "height m", "azimuth °", "elevation °", "Moon km")
    for heading in place:
        ends.add_column(heading, justify="right" if heading else "left")
    for name in ("home", "partner"):
        end = report[name]
        ends.add_row(
            name,
            f"{end['latitude_deg']:.5f}",
            f"{end['longitude_deg']:.5f}",
            f"{end['height_m']:.0f}",
            f"{end['azimuth_deg']:.2f}",
            f"{end['elevation_deg']:.2f}",
            grouped(end["distance_km"], 1),
        )
    console.print(ends)
    # Doppler at 122 GHz, and these headings, just fit into 80 columns.
    legs = Table(box=None, header_style="dim", padding=(0, 2, 0, 0), pad_edge=False)
    for name, unit in (
        ("", ""),
        ("delay", "s"),
        ("Doppler", "Hz"),
        ("Doppler rate", "Hz/s"),
        ("troposphere", "Hz"),
        ("limb spread", "Hz"),
    ):
        legs.add_column(f"{name}\n{unit}", justify="right" if name else "left", no_wrap=True)
    for name, label in LEG_LABELS.items():
        leg = report["legs"][name]
        legs.add_row(
            label,
            f"{leg['delay_s']:.6f}",
            grouped(leg["doppler_hz"], 3, sign=True),
            grouped(leg["doppler_rate_hz_per_s"], 4, sign=True),
            grouped(leg["troposphere_hz"], 3, sign=True),
            grouped(leg["spread_hz"], 2),
        )
    console.print(legs)
    for end in ("home", "partner"):
        if report[end]["elevation_deg"] < 0.0:
            console.print(f"The Moon is below the horizon at {end}.", style="yellow")
    _show_budget(console, report["error_budget"], report["agreement"])


def _show_budget(console: Console, budget: dict[str, Any], agreement: str) -> None:
    """Prints the error budget of both dials, and what would make it smaller."""
    rx, tx = budget["rx"], budget["tx"]
    console.print(f"[bold]Error budget[/bold], agreement {agreement}, Hz")
    table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    for heading in ("", "receive 1 sigma", "max", "transmit 1 sigma", "max"):
        table.add_column(heading, justify="right" if heading else "left", no_wrap=True)
    by_name = [{cause["name"]: cause for cause in side["causes"]} for side in (rx, tx)]
    for name in by_name[1] | by_name[0]:  # in the order of the transmit dial, which has every cause
        table.add_row(name, *_sizes(by_name[0].get(name)), *_sizes(by_name[1].get(name)))
    sigmas, errors = (
        (grouped(rx[key], 3), "", grouped(tx[key], 3), "") for key in ("sigma_hz", "error_95_hz")
    )
    table.add_row("known causes (RSS)", *sigmas)
    table.add_row("frequency error (95 %)", *errors, style="bold")
    console.print(table)
    same = rx["advice"] == tx["advice"]
    for dial, side in (("", rx),) if same else (("Receive: ", rx), ("Transmit: ", tx)):
        console.print(dial + side["advice"], highlight=False)
    unknown = {
        one["name"]: one["advice"]
        for side in (tx, rx)
        for one in side["causes"]
        if one["sigma_hz"] is None
    }
    for sentence in unknown.values():
        console.print(sentence, style="dim", highlight=False)


def _sizes(cause: dict[str, Any] | None) -> tuple[str, str]:
    """Returns one sigma and the maximum error of a cause, as text."""
    if cause is None:
        return "", ""
    if cause["sigma_hz"] is None:
        return "unknown", ""
    return grouped(cause["sigma_hz"], 3), grouped(cause["max_hz"], 3)
