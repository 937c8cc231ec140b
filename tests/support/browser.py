"""A phone with the page open: a real browser, driven by taps. For tests marked `peers`."""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import AsyncIterator, Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

from playwright.async_api import Browser, Page, async_playwright

from support.effort import missing
from support.processor import within
from support.tree import ROOT

OUT = ROOT / "out"
PHONE = {"width": 390, "height": 844}
# The browser must look for nothing but the page.
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


def require_chromium() -> str:
    """Returns the path of chromium. Skips without it, except in CI, where its absence is a
    failure."""
    result = shutil.which("chromium")
    if result is None:
        missing("chromium")
    return result


@asynccontextmanager
async def chromium(*switches: str) -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=require_chromium(), args=[*SWITCHES, *switches]
        )
        try:
            yield browser
        finally:
            await browser.close()


class Shared:
    """One chromium for the tests of a module, since starting it takes most of a short test. A
    browser is bound to the loop that started it, so the tests run on that loop."""

    def __init__(self, runner: asyncio.Runner, browser: Browser) -> None:
        self._runner = runner
        self.browser = browser

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        """Runs like `asyncio.run`: tasks and threads of a test end with it, and so do its pages."""
        loop = self._runner.get_loop()
        others = asyncio.all_tasks(loop)
        with ThreadPoolExecutor() as threads:
            loop.set_default_executor(threads)
            try:
                self._runner.run(main)
                assert self.browser.contexts == [], "a test closes what it opens"
            finally:
                self._runner.run(self._end(asyncio.all_tasks(loop) - others))

    async def _end(self, tasks: set[asyncio.Task[Any]]) -> None:
        """Also after a test that failed, so that the next one does not fail by it."""
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for context in self.browser.contexts:
            await context.close()


@contextmanager
def shared_chromium() -> Iterator[Shared]:
    """Yields a Shared, for a fixture of a module."""
    # With a factory it is not made the main thread's loop, which others set and unset.
    with asyncio.Runner(loop_factory=asyncio.new_event_loop) as runner:
        stack = AsyncExitStack()
        browser = runner.run(stack.enter_async_context(chromium()))
        try:
            yield Shared(runner, browser)
        finally:
            runner.run(stack.aclose())


@asynccontextmanager
async def phone(browser: Browser, **options: Any) -> AsyncIterator[Phone]:
    """Yields a new phone: upright, with touch, nothing stored. Errors on its page fail the test."""
    options = {
        "viewport": PHONE,
        "has_touch": True,
        "is_mobile": True,
        "device_scale_factor": 2,
        **options,
    }
    context = await browser.new_context(**options)
    context.set_default_timeout(30_000)
    try:
        made = Phone(await context.new_page())
        yield made
        assert made.complaints == []
    finally:
        await context.close()


class Phone:
    """requested: every address that the page requested. complaints: its errors."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requested: list[str] = []
        self.complaints: list[str] = []
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.requested.append(request.url))
        page.on("websocket", lambda socket: self.requested.append(socket.url))

    async def open(self, url: str) -> None:
        await self.page.goto(url)

    async def until_link(self, *names: str, within_s: float = 20.0) -> None:
        """Waits until the page shows this quality of the connection."""
        await self._until(
            "names => names.includes(document.documentElement.dataset.link)", [*names], within_s
        )

    async def until_text(self, selector: str, text: str, within_s: float = 3.0) -> None:
        await self._until(
            "([selector, text]) => document.querySelector(selector).textContent.includes(text)",
            [selector, text],
            within_s,
        )

    async def _until(self, condition: str, arguments: list[str], within_s: float) -> None:
        try:
            async with within(within_s):
                # by a timer: a browser that paints nothing for a while calls no animation frame
                await self.page.wait_for_function(condition, arg=arguments, timeout=0, polling=20)
        except TimeoutError:
            link = await self.page.evaluate("document.documentElement.dataset.link")
            raise AssertionError(
                f"not {arguments} in {within_s} s; link {link}, requested {self.requested}"
            ) from None

    async def tap(self, selector: str, *, though_disabled: bool = False) -> None:
        await self.page.tap(selector, force=though_disabled)

    async def text(self, selector: str) -> str:
        return (await self.page.text_content(selector) or "").strip()

    async def picture(self, name: str) -> Path:
        OUT.mkdir(exist_ok=True)
        path = OUT / f"{name}.png"
        await self.page.screenshot(path=path)
        return path

    async def widths(self) -> tuple[int, int]:
        """Returns the width of the scrollable content, and of the screen."""
        result = await self.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        return result[0], result[1]

    async def tab(self, name: str) -> None:
        await self.page.tap(f"#tab-{name}")
        await self.page.wait_for_selector(f"#panel-{name}:not([hidden])")

    async def boxes(self, selector: str) -> dict[str, list[float]]:
        """Returns left, top, width and height of what is shown of a selector, on the screen and
        scrolled to the top, by what tells each apart."""
        result = await self.page.evaluate(
            """(selector) => {
                scrollTo(0, 0);
                const changing = ["outcome", "step", "unfit", "data"];
                return Object.fromEntries([...document.querySelectorAll(selector)]
                .filter((one) => one.checkVisibility())
                .map((one) => [[one.id, ...Object.entries(one.dataset)
                    .filter(([name]) => !changing.includes(name)).flat()].join(" "),
                    one.getBoundingClientRect()])
                .map(([name, box]) => [name, [box.x, box.y, box.width, box.height]]));
            }""",
            selector,
        )
        assert isinstance(result, dict)
        return result

    async def cut(self) -> list[str]:
        """Returns what is not wholly shown: more content than room in a box that hides the rest,
        and what reaches beyond the sides of the screen."""
        result = await self.page.evaluate(
            """() => [...document.querySelectorAll("body *")]
            .filter((one) => one.checkVisibility() && !one.closest(".unseen, svg"))
            .filter((one) => {
                const style = getComputedStyle(one);
                const box = one.getBoundingClientRect();
                if (box.width === 0 || box.height === 0) return false;
                const hides = style.overflowX !== "visible" || style.overflowY !== "visible";
                const more = one.scrollHeight > one.clientHeight + 2
                    || one.scrollWidth > one.clientWidth + 2;
                return (hides && more) || box.left < -1 || box.right > innerWidth + 1;
            })
            .map((one) => `${one.outerHTML.slice(0, 120)}: ${one.scrollWidth}x${one.scrollHeight}`
                + ` in ${one.clientWidth}x${one.clientHeight}`)"""
        )
        assert isinstance(result, list)
        return result

    async def small_targets(self) -> list[str]:
        """Returns the tap targets that are less than 48 pixels wide or high."""
        result = await self.page.evaluate(
            """() => [...document.querySelectorAll("button, input, summary, label:has(input)")]
            .filter((one) => one.checkVisibility() && !["radio", "checkbox"].includes(one.type))
            .map((one) => [one.outerHTML.slice(0, 90), one.getBoundingClientRect()])
            .filter(([, box]) => box.width < 48 || box.height < 48)
            .map(([html, box]) => `${html} ${box.width}x${box.height}`)"""
        )
        assert isinstance(result, list)
        return result

    async def violations(self) -> list[str]:
        """Returns the violations that axe-core finds on the page as shown now."""
        script = files("axe_playwright_python").joinpath("axe.min.js").read_text()
        await self.page.evaluate(f"() => {{ {script} }}")
        result = await self.page.evaluate("async () => (await axe.run()).violations")
        return [
            f"{one['id']}: {json.dumps([node['html'][:120] for node in one['nodes']])}"
            for one in result
        ]
