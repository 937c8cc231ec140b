"""Style, panels and axes of the report's figures, and the SVG that goes into the page.

Colours are variables of the page's style sheet, so that one drawing serves light, dark and paper;
text stays text. Lines differ by stroke as well as by colour. The settings of matplotlib are
restored after each drawing."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import UTC
from itertools import pairwise
from typing import Any

import matplotlib
import numpy as np
from matplotlib import dates
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from moontrim.path.vectors import Array
from moontrim.report.facts import Facts

# Stand-ins that occur nowhere else in an SVG; the page's variables replace them.
INK, GRID, RECEIVE, TRANSMIT, GOOD, BAD = (f"#0a0b{k:02x}" for k in range(1, 7))
VARIABLES = {
    INK: "--ink",
    GRID: "--grid",
    RECEIVE: "--rx",
    TRANSMIT: "--tx",
    GOOD: "--good",
    BAD: "--bad",
}
LINES: dict[str, dict[str, Any]] = {
    "receive": {"color": RECEIVE, "linestyle": "-", "linewidth": 1.4},
    "transmit": {"color": TRANSMIT, "linestyle": (0, (5, 2)), "linewidth": 1.4},
}
STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "moontrim",
    "font.size": 10.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.7,
    "axes.facecolor": "none",
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.xmargin": 0.0,
    "axes.formatter.useoffset": False,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 9.0,
    "path.simplify": True,
}
WIDTH_INCH, LEFT_INCH, RIGHT_INCH, BOTTOM_INCH, LEGEND_INCH = 5.4, 0.95, 0.25, 0.5, 0.3
CHARACTER_INCH, LABEL_INCH = 0.08, 0.6
PARTS = 240  # chosen: the session is drawn in so many parts; more would not show at this width
DAY_S = 86400.0


def drawn(make: Any, *arguments: Any) -> str:
    """Returns a figure as an `svg` element. make: draws on an empty Figure, with the arguments."""
    with matplotlib.rc_context(STYLE):
        figure = Figure()
        FigureCanvasSVG(figure)
        make(figure, *arguments)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", transparent=True, metadata={"Date": None})
    return _for_page(buffer.getvalue(), make.__name__)


def _for_page(svg: str, name: str) -> str:
    """Returns the SVG without prolog and metadata, its ids made unique in the page, its colours
    replaced by the page's, and labelled by the element with the id `name`."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", svg)
    opening = rf'<svg \1 role="img" aria-labelledby="{name}">'
    svg = re.sub(r'<svg [^>]*?(viewBox="[^"]*")[^>]*>', opening, svg, count=1)
    for stand_in, variable in VARIABLES.items():
        svg = svg.replace(stand_in, f"var({variable})")
    return svg


def panels_of(
    figure: Figure,
    count: int,
    panel_inch: float,
    *,
    left_inch: float = LEFT_INCH,
    top_inch: float = LEGEND_INCH,
    gap_inch: float = 0.13,
) -> list[Axes]:
    """Returns so many panels of that height, one above the other; sets the height of the figure."""
    height_inch = top_inch + count * panel_inch + (count - 1) * gap_inch + BOTTOM_INCH
    figure.set_size_inches(WIDTH_INCH, height_inch)
    places = {
        "left": left_inch / WIDTH_INCH,
        "right": 1.0 - RIGHT_INCH / WIDTH_INCH,
        "top": 1.0 - top_inch / height_inch,
        "bottom": BOTTOM_INCH / height_inch,
        "hspace": gap_inch / panel_inch,
    }
    panels = list(np.atleast_1d(figure.subplots(count, 1, sharex=True, gridspec_kw=places)))
    wide_inch = WIDTH_INCH - left_inch - RIGHT_INCH
    for axes in panels:  # labels below each other, whatever the numbers beside them
        axes.yaxis.set_label_coords(-LABEL_INCH / wide_inch, 0.5)
    return panels


def edges_of(facts: Facts, parts: int) -> Array:
    """Returns the edges (UTC seconds) of equal parts of the session, none shorter than a second."""
    return np.linspace(facts.spell.from_utc_s, facts.spell.to_utc_s, min(parts, facts.expected) + 1)


def parts_of(utc_s: Array, values: Array, edges: Array) -> list[Array]:
    """Returns the finite values of each part of the session."""
    cuts = np.searchsorted(utc_s, edges - 0.5)
    return [values[a:b][np.isfinite(values[a:b])] for a, b in pairwise(cuts)]


def by_part(parts: list[Array], of: Callable[[Array], Any]) -> Array:
    """Returns one number for each part; NaN for a part without values, so that a line breaks."""
    return np.array([float(of(part)) if part.size else np.nan for part in parts])


def means(utc_s: Array, values: Array, edges: Array) -> tuple[Array, Array]:
    """Returns x and y of the line of a quantity that changes slowly: its mean in each part."""
    return middles(edges), by_part(parts_of(utc_s, values, edges), np.mean)


def middles(edges: Array) -> Array:
    """Returns the middles of the parts, as matplotlib's dates."""
    return np.asarray(days((edges[:-1] + edges[1:]) / 2.0))


def rms(values: Array) -> float:
    """Returns the root mean square."""
    return float(np.sqrt(np.mean(values**2)))


def days(utc_s: Any) -> Any:
    """Returns instants as matplotlib's dates: days since 1970."""
    return np.asarray(utc_s) / DAY_S


def time_axis(axes: Axes, facts: Facts) -> None:
    """Labels the x axis with UTC, from the beginning of the session to its end."""
    axes.set_xlim(days(facts.spell.from_utc_s), days(facts.spell.to_utc_s))
    locator = dates.AutoDateLocator(tz=UTC, minticks=3, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        dates.ConciseDateFormatter(locator, tz=UTC, show_offset=False)  # type: ignore[no-untyped-call]
    )
    axes.set_xlabel("UTC")


def legend(axes: Axes) -> None:
    """Puts a legend above the panel if it has labelled lines."""
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        axes.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=len(handles), borderaxespad=0.2
        )


def plain(text: str) -> str:
    """Returns a text of the journal as matplotlib may draw it: printable, short, no formula."""
    return "".join(c for c in text if c.isprintable()).replace("$", "")[:40]
