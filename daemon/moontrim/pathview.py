"""The path report as a person reads it. Prints; computes nothing."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table

LEG_WORDS = {
    "to_moon": "home to Moon",
    "from_moon": "Moon to home",
    "echo": "own echo",
    "from_partner": "partner to home",
    "to_partner": "home to partner",
}


def show_path(report: dict[str, Any]) -> None:
    """Two tables: the ends and the legs."""
    console = Console()
    frequency_mhz = report["frequency_hz"] / 1e6
    console.print(f"[bold]{report['at']}[/bold]  {frequency_mhz:.6f} MHz", highlight=False)
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
            f"{end['distance_km']:,.1f}",
        )
    console.print(ends)
    legs = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    for heading in ("", "delay s", "shift Hz", "rate Hz/s", "air's part Hz", "limb spread Hz"):
        legs.add_column(heading, justify="right" if heading else "left", no_wrap=True)
    for name, words in LEG_WORDS.items():
        leg = report["legs"][name]
        legs.add_row(
            words,
            f"{leg['delay_s']:.6f}",
            f"{leg['shift_hz']:+,.3f}",
            f"{leg['shift_rate_hz_per_s']:+.4f}",
            f"{leg['troposphere_hz']:+.3f}",
            f"{leg['spread_hz']:.2f}",
        )
    console.print(legs)
    for end in ("home", "partner"):
        if report[end]["elevation_deg"] < 0.0:
            console.print(f"The Moon is below the horizon at {end}.", style="yellow")
