"""The report's page in a real browser: light and dark, narrow and wide, on paper."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from moontrim.journal.readonly import open_journal
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import embedded_settings
from moontrim.report.page import write_page
from moontrim.report.recorded import read_session
from moontrim.report.report import report_of
from moontrim.session.commands import SetAgreement, SetTrim
from moontrim.session.session import first_session
from support.browser import OUT, Shared, phone, require_chromium, shared_chromium
from support.recorded import T0, Made, make_journal

pytestmark = pytest.mark.peers

NARROW, WIDE = {"width": 390, "height": 844}, {"width": 1200, "height": 900}
A4_POINTS = (595.3, 841.9)  # ISO 216: 210 mm by 297 mm
# What is left of A4 beside the margins that the style sheet asks for, at 96 dots per inch.
PAPER = {"width": round((210 - 26) / 25.4 * 96), "height": round((297 - 29) / 25.4 * 96)}

# Everything that sticks out of what it stands in, but for tables, which may scroll on a screen.
STICKING_OUT = """() => {
  const found = [];
  for (const svg of document.querySelectorAll("svg")) {
    const frame = svg.getBoundingClientRect();
    for (const text of svg.querySelectorAll("text")) {
      const box = text.getBoundingClientRect();
      if (box.left < frame.left - 1 || box.right > frame.right + 1 ||
          box.top < frame.top - 1 || box.bottom > frame.bottom + 1)
        found.push("cut: " + text.textContent);
    }
    if (frame.right > innerWidth) found.push("wider than the page: a figure");
  }
  for (const caption of document.querySelectorAll("caption")) {
    const table = caption.closest(".table");
    for (const at of [0, table.scrollWidth]) {
      table.scrollLeft = at;
      const box = caption.getBoundingClientRect();
      if (box.left < 0 || box.right > innerWidth) found.push("cut: " + caption.textContent);
    }
    table.scrollLeft = 0;
  }
  return found;
}"""
WIDE_TABLES = """() => [...document.querySelectorAll("table")]
  .filter((one) => one.getBoundingClientRect().right > innerWidth + 1)
  .map((one) => one.parentElement.getAttribute("aria-label"))"""


@pytest.fixture(autouse=True)
def _peers() -> None:
    require_chromium()


@pytest.fixture(scope="module")
def shared() -> Iterator[Shared]:
    with shared_chromium() as one:
        yield one


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory, ephemeris: Ephemeris) -> Path:
    """An hour with overs, a lost radio, gaps, refusals and long texts."""
    folder = tmp_path_factory.mktemp("report")
    settings = embedded_settings()
    first = first_session(settings)
    receiver = SetAgreement("x", "receiver").apply(first, settings)
    trimmed = SetTrim("x", rx_hz=-125.5).apply(receiver, settings)
    lost = range(1200, 1290)
    made = Made(
        3600,
        choices=[(0, first), (1800, receiver), (2400, trimmed)],
        missing=lambda k: 700 <= k < 703,
        lost=lambda k: k in lost,
        keyed=lambda k: k % 120 < 51 and k not in lost,
        commands=[
            (k, "a phone with a long name", f"sked {10_368_100_000 + k} Hz", "done" if k % 3 else
             "sked_hz: invalid value 10 400 000 000 Hz; expected 10 368 000 000 to 10 370 000 000 "
             "Hz")
            for k in range(60, 1000, 60)
        ],
        faults=[(1199.7, 1289.7, "tracking:no contact with radio", "no answer within 1.5 s")],
        budgets=[
            (k, 0.7 + k / 9000, 0.8 + k / 9000, "home's place", "Say more exactly where you are.")
            for k in range(0, 3600, 60)
        ],
    )  # fmt: skip
    path = make_journal(folder, ephemeris, made)
    conn = open_journal(path)
    report = report_of(read_session(conn, None), ephemeris, T0 + 7200.0)
    conn.close()
    return write_page(report, folder / "report.html")


def test_on_every_screen(page: Path, shared: Shared) -> None:
    """No violation of axe-core's rules, nothing cut off, nothing fetched, nothing to scroll
    sideways but tables."""

    async def main() -> None:
        for scheme, size, name in (("light", WIDE, "wide"), ("dark", NARROW, "narrow")):
            async with phone(
                shared.browser,
                viewport=size,
                color_scheme=scheme,
                is_mobile=size is NARROW,
                device_scale_factor=1,
            ) as held:
                held.page.set_default_timeout(30_000)
                await held.open(page.as_uri())
                assert held.requested == [page.as_uri()]
                assert await held.violations() == [], name
                content_px, screen_px = await held.widths()
                assert content_px <= screen_px
                assert await held.page.evaluate(STICKING_OUT) == [], name
                if size is WIDE:
                    assert await held.page.evaluate(WIDE_TABLES) == []
                assert await held.page.locator("svg").count() == 6
                OUT.mkdir(exist_ok=True)
                await held.page.screenshot(path=OUT / f"report-{name}.png", full_page=True)

    shared.run(main())


def test_it_shows_without_script(page: Path, shared: Shared) -> None:
    async def main() -> None:
        async with phone(shared.browser, java_script_enabled=False) as held:
            await held.open(page.as_uri())
            assert "On frequency" in await held.text(".verdict")
            assert await held.page.locator("svg").first.is_visible()

    shared.run(main())


def test_on_paper(page: Path, tmp_path: Path, shared: Shared) -> None:
    """A4 upright, light whatever the screen is, tables and figures whole."""

    async def main() -> None:
        async with phone(
            shared.browser, viewport=PAPER, color_scheme="dark", is_mobile=False
        ) as held:
            await held.open(page.as_uri())
            await held.page.emulate_media(media="print", color_scheme="dark")
            background = "getComputedStyle(document.body).backgroundColor"
            assert await held.page.evaluate(background) == "rgb(255, 255, 255)"
            assert await held.page.evaluate(STICKING_OUT) == []
            assert await held.page.evaluate(WIDE_TABLES) == []
            assert await held.widths() == (PAPER["width"], PAPER["width"])
            taller = await held.page.evaluate(
                "h => [...document.querySelectorAll('figure, .short')]"
                ".filter((one) => one.getBoundingClientRect().height > h).length",
                PAPER["height"],
            )
            assert taller == 0, "what must not be broken fits on a page"
            await held.page.pdf(
                path=tmp_path / "report.pdf", prefer_css_page_size=True, print_background=True
            )

    shared.run(main())
    boxes = re.findall(
        rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", (tmp_path / "report.pdf").read_bytes()
    )
    assert 3 <= len(boxes) <= 10
    for box in boxes:
        assert [float(side) for side in box] == pytest.approx(A4_POINTS, abs=1.0)
    if shutil.which("pdftotext"):
        text = subprocess.run(
            ["pdftotext", "-layout", tmp_path / "report.pdf", "-"], capture_output=True, text=True
        ).stdout
        for words in (
            "On frequency",
            "ideal 1 Hz dial",
            "elevation of",
            "Limitations",
        ):
            assert words in text
