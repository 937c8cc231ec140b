"""The tabs of the phone page in a real browser, in states that a simulated radio does not come
into: what is published and replied is the test's, by a real broker."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from moontrim.app.standing import NOT_SET_UP
from support.browser import Phone, Shared, chromium, phone, require_chromium, shared_chromium
from support.effort import cases
from support.mosquitto import require_mosquitto
from support.standin import (
    HOUR_MS,
    INFO,
    LONG_REASON,
    OUTLOOK,
    SKEDS,
    START_MS,
    StandIn,
    stand_in,
    tonight,
)

pytestmark = pytest.mark.peers

TABS = ("now", "skeds", "tonight", "log", "setup")
KEYS = "button, input, a.key, #status, #sked"
KEYED = {"state": "keyed", "who": "share", "over_left_s": 42.4}
INHIBITED = "transmit is inhibited"


@pytest.fixture(autouse=True)
def _peers() -> None:
    require_mosquitto()
    require_chromium()


@pytest.fixture(scope="module")
def shared() -> Iterator[Shared]:
    with shared_chromium() as one:
        yield one


@asynccontextmanager
async def opened(
    folder: Path, shared: Shared, **options: Any
) -> AsyncIterator[tuple[StandIn, Phone]]:
    async with stand_in(folder) as station, phone(shared.browser, **options) as held:
        await held.open(station.url)
        await held.until_link("live")
        await held.until_text("#sked", "368")
        await held.page.wait_for_selector("[data-sked=north]", state="attached")
        yield station, held


# --- the states of a station, each a name and what brings it about --------------------------------


async def off_frequency(station: StandIn) -> None:
    await station.set(
        tracking="off frequency",
        verdict="off frequency",
        reason="receive dial on its way",
        keying={"may": False, "interlocks": ["not on frequency: off frequency"]},
    )


async def keyed(station: StandIn) -> None:
    await station.set(
        transmitting=True,
        tracking="held while transmitting",
        verdict="held while transmitting, trim +50 Hz receive",
        rx_trim_hz=50,
        keying=KEYED,
    )


async def inhibited(station: StandIn) -> None:
    await station.set(
        tx_allowed=False, keying={"may": False, "interlocks": [INHIBITED, LONG_REASON]}
    )


async def stuck(station: StandIn) -> None:
    await station.set(
        transmitting=True,
        tracking="held while transmitting",
        verdict="held while transmitting",
        keying={"state": "releasing", "stuck": ["amplifier: no answer within 0.5 s"]},
    )


async def moon_down(station: StandIn) -> None:
    moon = {"azimuth_deg": 123.4, "elevation_deg": 34.5, "partner_elevation_deg": -3.2}
    await station.set(moon=moon, keying={"may": False, "interlocks": ["Moon below the horizon"]})


async def echo(station: StandIn) -> None:
    moon = {"azimuth_deg": 123.4, "elevation_deg": 34.5, "partner_elevation_deg": None}
    await station.set(
        partner="self", partner_place="", moon=moon, band="144 MHz", sked_hz=144120000
    )


async def stale(station: StandIn) -> None:
    await station.set()
    station.silent = True


async def offline(station: StandIn) -> None:
    station.silent = True
    await station.publish("availability", "offline")


State = tuple[str, Callable[[StandIn], Awaitable[None]], Callable[[Phone], Awaitable[None]]]
STATES: tuple[State, ...] = (
    ("live", lambda station: station.set(), lambda held: held.until_text("#tracking", "On freq")),
    ("off", off_frequency, lambda held: held.until_text("#tracking", "Off frequency")),
    ("keyed", keyed, lambda held: held.until_text("#keyed", "TRANSMITTING")),
    ("inhibited", inhibited, lambda held: held.until_text("#may", "Transmit inhibited")),
    ("moon-down", moon_down, lambda held: held.until_text("#reason", "Moon down")),
    ("echo", echo, lambda held: held.until_text("#partner", "Myself (echoes)")),
    ("stuck", stuck, lambda held: held.until_text("#stuck-why", "Amplifier: no answer")),
    ("stale", stale, lambda held: held.until_link("stale")),
    ("offline", offline, lambda held: held.until_link("offline")),
)


async def through_all_states(
    station: StandIn, held: Phone, each: Callable[[str], Awaitable[None]]
) -> None:
    """Calls with the name of every state while the page shows it."""
    for name, bring_about, shows in STATES:
        await bring_about(station)
        await shows(held)
        await each(name)


# --- nothing moves, nothing is cut ----------------------------------------------------------------


@pytest.mark.parametrize("size", cases((390, 844), (320, 568), (844, 390), (820, 1180), quick=3))
def test_keys_and_the_verdict_stay_where_they_are(
    tmp_path: Path, shared: Shared, size: tuple[int, int]
) -> None:
    width, height = size

    async def main() -> None:
        async with opened(tmp_path, shared, viewport={"width": width, "height": height}) as (
            station,
            held,
        ):
            first: dict[str, dict[str, list[float]]] = {}

            async def each(state: str) -> None:
                for tab in TABS:
                    await held.tab(tab)
                    boxes = await held.boxes(KEYS)
                    same = first.setdefault(tab, boxes)
                    moved = {
                        name: (same.get(name), box)
                        for name, box in boxes.items()
                        if same.get(name) != pytest.approx(box, abs=0.6)
                    }
                    assert moved == {}, (state, tab)
                    assert boxes.keys() == same.keys(), (state, tab)

            await through_all_states(station, held, each)
            print(f"\n{width}x{height}: status {first['now']['status'][3]:.0f} px high")

    shared.run(main())


@pytest.mark.parametrize(
    "size",
    cases(
        *((390, 844, 16), (320, 568, 16), (390, 844, 32), (844, 390, 16)),
        *((320, 568, 32), (844, 390, 32), (195, 422, 16), (820, 1180, 16)),
        quick=4,
    ),
)
def test_nothing_is_cut_and_nothing_goes_sideways(
    tmp_path: Path, size: tuple[int, int, int]
) -> None:
    """At the usual size and at 200 % of text (32 pixels), or of zoom (half of the width)."""
    width, height, text = size

    async def main() -> None:
        async with (
            stand_in(tmp_path) as station,
            chromium(f"--blink-settings=defaultFontSize={text}") as browser,
            phone(browser, viewport={"width": width, "height": height}) as held,
        ):
            await held.open(station.url)
            await held.until_link("live")
            await held.page.wait_for_selector("[data-sked=north]", state="attached")
            em = await held.page.evaluate(
                "parseFloat(getComputedStyle(document.documentElement).fontSize)"
            )
            assert em == text

            async def each(state: str) -> None:
                for tab in TABS:
                    await held.tab(tab)
                    await held.page.evaluate("scrollTo(0, 0)")
                    assert (await held.widths())[0] <= width, (state, tab)
                    assert await held.cut() == [], (state, tab)
                    assert await held.small_targets() == [], (state, tab)
                    await held.picture(f"tabs-{width}x{height}-{text}-{state}-{tab}")

            await through_all_states(station, held, each)

    asyncio.run(main())


def test_how_long_the_tabs_are(tmp_path: Path, shared: Shared) -> None:
    """What is needed to operate is on the first screen of a phone, without scrolling."""

    async def main() -> None:
        async with opened(tmp_path, shared) as (_, held):
            for tab in TABS:
                await held.tab(tab)
                tall = await held.page.evaluate("document.documentElement.scrollHeight")
                print(f"\n{tab}: {tall / 844:.1f} screens", end="")
            await held.tab("now")
            for part in ("sked", "rx-residual", "rx-trim", "utc", "partner", "snr", "elevation"):
                box = await held.page.locator(f"#{part}").bounding_box()
                dock = await held.page.locator("#dock").bounding_box()
                assert box is not None and dock is not None
                assert box["y"] + box["height"] <= dock["y"], part

    shared.run(main())


# --- the status, on every tab ---------------------------------------------------------------------


def test_keyed_is_the_loudest_thing_on_the_screen(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            assert "Receiving" in await held.text("#keyed")
            await keyed(station)
            await held.until_text("#keyed", "TRANSMITTING")
            assert await held.text("#may") == "keyed by share"
            assert await held.text("#left") == "0:42 left"
            sizes = await held.page.evaluate(
                """() => [...document.querySelectorAll("header *, #panel-skeds *, #dock *")]
                .filter((one) => one.checkVisibility()
                    && [...one.childNodes].some((node) => node.nodeType === 3 && node.data.trim()))
                .map((one) => [parseFloat(getComputedStyle(one).fontSize), one.id])"""
            )
            largest = max(size for size, _ in sizes)
            assert [name for size, name in sizes if size == largest] == ["keyed"]
            frame = "getComputedStyle(document.body, '::after').borderTopWidth"
            assert float((await held.page.evaluate(frame)).removesuffix("px")) >= 6.0
            for tab in TABS:
                await held.tab(tab)
                assert await held.page.locator("#keyed").is_visible()
            await station.set(transmitting=True)
            await held.until_text("#may", "not keyed by moontrim")
            assert await held.text("#left") == ""

    shared.run(main())


@pytest.mark.parametrize(
    ("keying", "changes", "text", "may"),
    [
        ({}, {}, "May transmit", "yes"),
        (
            {"may": False, "interlocks": [INHIBITED]},
            {"tx_allowed": False},
            "Transmit inhibited",
            "no",
        ),
        (
            {
                "may": False,
                "interlocks": ["clock not synchronised (kernel)", "no contact with radio"],
            },
            {},
            "TX interlock: clock not synchronised (kernel), and 1 more",
            "no",
        ),
        (
            {"may": False, "interlocks": [INHIBITED, "band change in progress"]},
            {"tx_allowed": False},
            "Transmit inhibited; TX interlock: band change in progress",
            "no",
        ),
        ({}, {"transmitting": None}, "TX state unknown", "unknown"),
        (
            {"may": False, "enabled": False, "interlocks": [NOT_SET_UP]},
            {},
            "Transmit allowed; moontrim does not key, interlocks not checked",
            "unknown",
        ),
        (
            {"may": None, "interlocks": None},
            {},
            "Transmit allowed; interlocks not known",
            "unknown",
        ),
    ],
)
def test_one_line_says_whether_one_may_transmit(
    tmp_path: Path, shared: Shared, keying: Any, changes: Any, text: str, may: str
) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await off_frequency(station)
            await held.until_text("#may", "not on frequency")
            await station.set(keying=keying, **changes)
            await held.until_text("#may", text)
            assert await held.text("#may") == text
            assert await held.page.get_attribute("#tx", "data-may") == may
            listed = await held.page.locator("#interlocks li").count()
            assert listed == len(keying.get("interlocks") or [])

    shared.run(main())


def test_a_stuck_key_is_a_banner_on_every_tab(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        for size in ({"width": 390, "height": 844}, {"width": 844, "height": 390}):
            async with opened(tmp_path, shared, viewport=size) as (station, held):
                assert not await held.page.is_visible("#stuck")
                await stuck(station)
                for tab in TABS:
                    await held.tab(tab)
                    await held.page.evaluate("scrollTo(0, document.body.scrollHeight)")
                    text = await held.text("#stuck")
                    assert "CANNOT UNKEY: cut the amplifier's supply" in text
                    assert "Amplifier: no answer within 0.5 s" in text
                    top = await held.page.evaluate(
                        """() => {
                            const box = document.getElementById("stuck").getBoundingClientRect();
                            const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
                            return document.elementFromPoint(x, y).closest("#stuck") !== null;
                        }"""
                    )
                    assert top, tab
                station.silent = True  # also when nothing more is heard
                await held.until_link("stale")
                assert await held.page.is_visible("#stuck")

    shared.run(main())


def test_a_partner_whose_moon_is_down_is_not_green(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            assert await held.page.get_attribute("#verdict", "data-level") == "ok"
            await moon_down(station)
            await held.until_text("#partner-elevation", "−3.2° down")
            assert await held.page.get_attribute("#verdict", "data-level") == "warn"
            assert "Moon down at the partner" in await held.text("#reason")

    shared.run(main())


def test_what_now_shows(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await station.set(
                sked="north split",
                tx_sked_hz=10_368_150_500,
                tx_trim_hz=-12.5,
                next={
                    "sked": "north",
                    "band": "10 GHz",
                    "start_ms": START_MS + 42 * 60_000,
                    "end_ms": START_MS + 100 * 60_000,
                    "spread_hz": 2.04,
                    "waits_for": "",
                },
            )
            await held.until_text("#sked-name", "north split")
            await held.until_text("#next-now", "in 0:42")
            shown = {
                name: await held.text(f"#{name}")
                for name in ("tx-sked", "tx-trim", "rx-trim", "utc", "partner", "partner-place")
            }
            assert shown == {
                "tx-sked": "Receive; transmit 10\u202f368\u202f150\u202f500 Hz",
                "tx-trim": "−12.5",
                "rx-trim": "0",
                "utc": "09:46:40",
                "partner": "North",
                "partner-place": "KP20nf",
            }
            assert await held.page.get_attribute("#tx-trim", "data-set") == "true"
            assert (await held.text("#spread"), await held.text("#snr")) == ("2.4 Hz", "−12.3 dB")
            assert (await held.text("#azimuth"), await held.text("#elevation")) == (
                *("123.4°", "34.5°"),
            )
            for place in ("#next-now", "#next-sked"):
                assert await held.text(place) == "Next: north in 0:42, 10 GHz, spread 2 Hz"
            assert await held.text("#sun") == "359.9° 20.1°"
            await station.set(at_ms=station.state["at_ms"] + 30_000)
            await held.until_text("#sun", "0.0° 20.2°")  # across north
            await station.set()
            await held.until_text("#next-now", "Nothing on the agenda")

    shared.run(main())


def test_a_rehearsal_looks_different(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            look = "getComputedStyle(document.querySelector('.pinned')).backgroundImage"
            plain = await held.page.evaluate(look)
            assert not await held.page.is_visible("#rehearsal")
            assert await held.page.title() == "station · moontrim"
            await station.publish("info", {**INFO, "rehearsal": True})
            await held.page.wait_for_selector("#rehearsal:not([hidden])")
            assert await held.page.title() == "REHEARSAL station · moontrim"
            assert await held.page.evaluate(look) != plain
            for tab in TABS:
                await held.tab(tab)
                assert await held.page.is_visible("#rehearsal")
                assert await held.cut() == []
            await held.picture("tabs-rehearsal")

    shared.run(main())


def test_old_values_say_since_when(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            for bring_about, word in ((stale, "STALE"), (offline, "OFFLINE")):
                await bring_about(station)
                await held.until_link(word.lower())
                assert await held.text("#alarm-word") == word
                text = await held.text("#alarm-since")
                assert re.fullmatch(r"since 09:46:40 UTC, \d+ s", text), text
                assert "Last known: on frequency" in await held.text("#alarm-why")
            # the age goes on counting
            await held.page.wait_for_function(
                "text => document.getElementById('alarm-since').textContent !== text", arg=text
            )
            station.silent = False
            await station.publish("availability", "online")
            await held.until_link("live")
            await keyed(station)
            await held.until_text("#keyed", "TRANSMITTING")
            station.silent = True
            await held.until_link("stale")
            assert "Last known: TRANSMITTING" in await held.text("#alarm-why")

    shared.run(main())


# --- what a tap does ------------------------------------------------------------------------------


def test_a_sked_takes_two_taps_and_can_be_undone(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await held.tab("skeds")
            await held.tap('[data-sked="north"]')
            assert await station.sent("sked") == {"sked": "north"}
            await held.until_text("#answer", "Sked north is chosen.")
            keys = await held.boxes("#dock .big")
            await held.tap("#undo")
            assert await station.sent("undo") == {}
            await held.until_text("#answer", "Undone")
            assert not await held.page.is_visible("#undo")
            for choose, name, body in (
                ('[data-band="432 MHz"]', "band", {"band": "432 MHz"}),
                ('[data-partner="South Station"]', "partner", {"partner": "South Station"}),
                ('[data-agreement="receiver"]', "agreement", {"agreement": "receiver"}),
                ("#echo", "partner", {"partner": "self"}),
            ):
                await held.tap(choose)
                assert await station.sent(name) == body
                await held.page.wait_for_selector("#undo:not([hidden])")
                assert await held.boxes("#dock .big") == keys
            assert "connect front end direct" not in await held.text("#answer")
            # gone before the daemon stops taking it back
            await held.page.wait_for_selector("#undo", state="hidden", timeout=30_000)
            await station.set(sked="north")
            await held.page.wait_for_selector('[data-sked="north"][aria-pressed="true"]')
            # another front end has to be connected
            await held.tap('[data-sked="Echo test 23"]')
            await held.until_text("#answer", "Transmit inhibited: connect front end direct")
            # what the daemon refuses, and what cannot be chosen at all
            message = "not while transmitting"
            station.replies["sked"] = {"ok": False, "error": {"code": "busy", "message": message}}
            await held.tap('[data-sked="north split"]')
            await held.until_text("#refusal", "Not done: not while transmitting.")
            assert not await held.page.is_visible("#undo")
            sent = len(station.commands)
            await held.tap('[data-sked="gone"]')
            await held.until_text("#refusal", "Not sent: partner not found")
            assert len(station.commands) == sent
            await held.picture("tabs-refused")

    shared.run(main())


def test_saving_and_removing_skeds(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await held.tab("skeds")
            await held.page.fill("#save-name", "North")
            await held.until_text("#save-meant", "Not sent: north is in the config")
            await held.tap("#save-set")
            await held.until_text("#refusal", "Not sent: north is in the config")
            await held.page.fill("#save-name", " Tuesday ")
            await station.set(tx_sked_hz=10_368_150_000)
            await held.until_text("#tx-sked", "transmit")
            await held.tap("#save-set")
            assert await station.sent("save_sked") == {
                "name": "Tuesday",
                "band": "10 GHz",
                "sked_hz": 10_368_100_000,
                "tx_sked_hz": 10_368_150_000,
                "partner": "North",
                "agreement": "halves",
            }
            await held.until_text("#answer", "Tuesday is saved.")
            station.commands.clear()
            await held.page.fill("#save-name", "echo TEST 23")
            await held.until_text("#save-meant", "Replaces Echo test 23")
            await held.tap("#save-set")
            await held.until_text("#answer", "Tap again to replace it")
            await asyncio.sleep(0.7)
            assert station.commands == []
            await held.tap("#save-set")
            assert (await station.sent("save_sked"))["name"] == "echo TEST 23"

            station.commands.clear()
            await held.tap('[data-remove="gone"]')
            await held.until_text("#answer", "Remove sked gone?")
            await held.tap('[data-remove="gone"]')  # a trembling finger
            await asyncio.sleep(0.7)
            assert station.commands == []
            await held.tap('[data-remove="gone"]')
            assert await station.sent("remove_sked") == {"sked": "gone"}
            assert await held.page.locator("[data-remove]").count() == 2, "none of the config"
            await station.publish("skeds", {"skeds": SKEDS["skeds"][:2], "agenda": []})
            await held.page.wait_for_selector("#made-skeds", state="hidden")
            assert not await held.page.is_visible("#agenda-card")

    shared.run(main())


def test_what_is_typed_is_read_before_it_is_sent(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            for text, meant in (
                ("10368,25", "= 10\u202f368\u202f250\u202f000 Hz"),
                ("10 368 250 kHz", "= 10\u202f368\u202f250\u202f000 Hz"),
                ("+15k", "= 10\u202f368\u202f115\u202f000 Hz"),
                ("10500", "Not sent: 10\u202f500\u202f000\u202f000 Hz is outside 10\u202f368"),
                ("ten", "Not sent: not a frequency"),
            ):
                await held.page.fill("#frequency-text", text)
                assert meant in await held.text("#frequency-meant")
            await held.tap("#frequency-set")
            await held.until_text("#refusal", "Not sent: not a frequency")
            assert station.commands == []
            await held.page.fill("#frequency-text", "-1,5k")
            await held.tap("#frequency-set")
            assert await station.sent("frequency") == {"hz": 10_368_098_500}
            await held.tap("#undo")
            await held.until_text("#answer", "Undone")
            assert await station.sent("frequency") == {"hz": 10_368_100_000}

            await held.tab("skeds")
            for text, meant in (
                ("52,5 13,4 40", "= 52.5000° N, 13.4000° E, 40 m"),
                ("jo62QM", "= locator JO62qm"),
                ("south station", "= South Station"),
                ("nowhere", "Not sent: not a place; expected North, or South Station"),
            ):
                await held.page.fill("#partner-text", text)
                assert meant in await held.text("#partner-meant")
            await held.tap("#partner-set")
            await held.until_text("#refusal", "Not sent: not a place")
            assert [name for name, _ in station.commands] == ["frequency", "frequency"]
            await held.page.fill("#partner-text", "NORTH")
            await held.tap("#partner-set")
            assert await station.sent("partner") == {"partner": "North"}

    shared.run(main())


def test_a_trim_set_to_zero_can_be_undone(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await station.set(tx_trim_hz=37.0)
            await held.tab("skeds")
            await held.until_text("#trim-tx", "+37 Hz")
            await held.tap('[data-trim="tx"][data-by="0"]')
            assert await station.sent("trim") == {"tx_hz": 0}
            await held.tap("#undo")
            await held.until_text("#answer", "Undone")
            assert await station.sent("trim") == {"tx_hz": 37}

    shared.run(main())


# --- tonight, log, set-up -------------------------------------------------------------------------


def test_tonight(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await held.tab("tonight")
            await held.page.wait_for_selector("#curve .now", state="attached")
            kinds = ("home", "partner", "spread", "snr")
            for kind in kinds:
                assert await held.page.locator(f"#curve .{kind}-curve").count() == 1, kind
            # the stretch that is over is not called good
            assert await held.page.locator("#curve .good").count() == 1
            (good,) = await held.page.locator("#good li").all_text_contents()
            assert good.startswith("Opens in 1 h 30 min") and "mean 2.2 Hz" in good
            windows = await held.page.locator("#windows li").all_text_contents()
            assert len(windows) == 4 and windows[0].startswith("Open for another 4 h 0 min")
            assert "low spread" not in windows[0], "it was over an hour ago"
            assert all("low spread" in text for text in windows[1:])
            # where now is, and how wide the stretch, in the drawing
            box = await held.page.locator("#curve").bounding_box()
            now = await held.page.locator("#curve .now").bounding_box()
            stretch = await held.page.locator("#curve .good").bounding_box()
            assert box is not None and now is not None and stretch is not None
            assert (now["x"] - box["x"]) / box["width"] == pytest.approx(2 / 6, abs=0.02)
            assert stretch["width"] / box["width"] == pytest.approx(80 / 360, abs=0.02)
            assert "Now elevation" in (await held.page.get_attribute("#curve", "aria-label") or "")
            # later, all of it is over
            await station.set(at_ms=START_MS + 5 * HOUR_MS)
            await held.until_text("#good", "None in the rest of this window")
            assert await held.page.locator("#curve .good").count() == 0
            assert await held.page.locator("#curve .now").count() == 0
            await held.until_text("#windows", "Opens in 17 h")
            # an own echo, or nothing known of signals
            await station.publish("tonight", {**tonight(), "partner_deg": None, "snr_db": None})
            await held.page.wait_for_function(
                "() => document.querySelectorAll('#curve path').length === 2"
            )

    shared.run(main())


def test_log(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await held.tab("log")
            rows = await held.page.locator("#events li").all_text_contents()
            assert len(rows) == 5 and "State" in rows[0] and "on frequency" in rows[0]
            assert "Share: released, for 42 s" in rows[1]
            assert "Refused" in rows[2] and "RF exposure" in rows[2]
            assert "radio: no answer within 0.5 s, for 12 s" in rows[3]
            assert "Phone: band 10 GHz" in rows[4]
            await held.tap("#report")
            await held.until_text("#refusal", "No report:")
            made = {"path": "/report/0123"}
            await held.page.route("**/report", lambda route: route.fulfill(json=made))
            await held.tap("#report")
            await held.page.wait_for_selector("#report", state="hidden")
            assert await held.page.get_attribute("#report-open", "href") == made["path"]
            await station.publish("info", {**INFO, "report": None})
            await held.page.wait_for_selector("#report", state="hidden")
            text = "<img src=x onerror=alert(1)>"
            event = {"at_ms": START_MS, "kind": "command", "by": "", "text": text, "lasted_s": None}
            await station.publish("log", {"events": [event]})
            await held.until_text("#events", text)
            assert await held.page.locator("#events img").count() == 0

    shared.run(main())


def test_colours_are_kept_on_the_phone(tmp_path: Path, shared: Shared) -> None:
    """Red: no element has any green or blue in its text, ground or border."""

    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            theme = "document.documentElement.dataset.theme"
            await held.page.wait_for_selector("html[data-theme=light]")
            await held.page.emulate_media(color_scheme="dark")
            await held.page.wait_for_selector("html[data-theme=dark]")
            await held.tab("setup")
            await held.tap('[name="theme"][value="red"]')
            assert await held.page.evaluate(theme) == "red"
            await held.page.reload()
            await held.until_link("live")
            assert await held.page.evaluate(theme) == "red"

            async def each(state: str) -> None:
                for tab in TABS:
                    await held.tab(tab)
                    others = await held.page.evaluate(
                        """() => [...document.querySelectorAll("body, body *")]
                        .filter((one) => one.checkVisibility())
                        .flatMap((one) => ["color", "backgroundColor", "borderTopColor", "fill",
                            "stroke", "outlineColor"].map((name) =>
                                [one.id || one.className, name, getComputedStyle(one)[name]]))
                        .filter(([, , value]) => {
                            const parts = value.match(/[\\d.]+/g)?.map(Number) ?? [];
                            return parts.length && parts[3] !== 0 && (parts[1] || parts[2]);
                        }).map(String)"""
                    )
                    assert [one for one in others if "QR" not in one] == [], (state, tab)

            await through_all_states(station, held, each)
            await held.tab("setup")
            await held.tap('[name="theme"][value="auto"]')
            assert await held.page.evaluate("localStorage.length") == 0

    shared.run(main())


ALARM = """
    window.buzzed = 0;
    window.tones = 0;
    navigator.vibrate = (pattern) => { if (pattern) window.buzzed += 1; return true; };
    const start = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function () { window.tones += 1; start.call(this); };
"""


def test_alarm(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with stand_in(tmp_path) as station, phone(shared.browser) as held:
            await held.page.add_init_script(ALARM)
            await held.open(station.url)
            await held.until_link("live")

            async def counts() -> tuple[int, int]:
                both = await held.page.evaluate("[window.buzzed, window.tones]")
                return both[0], both[1]

            # off: nothing, whatever happens
            await stuck(station)
            await held.page.wait_for_selector("#stuck:not([hidden])")
            await asyncio.sleep(0.5)
            assert await counts() == (0, 0)
            await station.set()
            await held.page.wait_for_selector("#stuck", state="hidden")
            await held.tab("setup")
            await held.tap("#alarm-sound")
            await held.tap("#alarm-vibration")
            await held.page.wait_for_function("() => window.buzzed === 1", timeout=30_000)
            assert not await held.page.is_visible("#sounding")
            # a while off frequency
            await off_frequency(station)
            await held.page.wait_for_selector("#sounding:not([hidden])", timeout=15000)
            assert await held.text("#sounding-cause") == "Alarm: off frequency"
            await held.page.wait_for_function("() => window.buzzed >= 3 && window.tones >= 2")
            await held.picture("tabs-alarm")
            await held.tap("#silence")
            before = await counts()
            await asyncio.sleep(2.0)
            assert await counts() == before
            # the end of the limit for an over is near: at once, in spite of the silence before
            await station.set(transmitting=True, keying={**KEYED, "over_left_s": 9})
            await held.until_text("#sounding-cause", "Alarm: keyed for too long")
            await station.set()
            await held.page.wait_for_selector("#sounding", state="hidden")
            # kept on the phone
            await held.page.reload()
            await held.until_link("live")
            await held.tab("setup")
            assert await held.page.is_checked("#alarm-sound")
            await stuck(station)
            await held.until_text("#sounding-cause", "Alarm: cannot unkey")
            await station.set()
            station.silent = True
            await held.until_text("#sounding-cause", "Alarm: no data", within_s=15.0)

    shared.run(main())


# --- for everybody --------------------------------------------------------------------------------


@pytest.mark.parametrize("theme", cases("light", "dark", "red", quick=3))
def test_everybody_can_read_it(tmp_path: Path, shared: Shared, theme: str) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await held.tab("setup")
            await held.tap(f'[name="theme"][value="{theme}"]')

            async def each(state: str) -> None:
                for tab in TABS:
                    await held.tab(tab)
                    assert await held.violations() == [], (state, tab)
                    await held.picture(f"tabs-{theme}-{state}-{tab}")

            await through_all_states(station, held, each)

    shared.run(main())


def test_tabs_by_keyboard(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        async with opened(tmp_path, shared) as (_, held):
            await held.page.focus("#tab-now")
            for key, name in (
                ("ArrowRight", "skeds"),
                ("End", "setup"),
                ("ArrowRight", "now"),
                ("ArrowLeft", "setup"),
                ("Home", "now"),
            ):
                await held.page.keyboard.press(key)
                assert await held.page.evaluate("document.activeElement.id") == f"tab-{name}"
                shown = await held.page.locator(".panel:visible").all()
                assert [await one.get_attribute("id") for one in shown] == [f"panel-{name}"]

    shared.run(main())


def test_an_older_daemon_without_the_new_fields(tmp_path: Path, shared: Shared) -> None:
    """Everything that a state or a topic may lack: the page shows the rest."""

    async def main() -> None:
        async with opened(tmp_path, shared) as (station, held):
            await station.publish("outlook", {**OUTLOOK, "now_spread_hz": None, "now_snr_db": None})
            lacking = ("tx_sked_hz", "sked", "partner_place", "undo_until_ms", "next", "warnings")
            await station.set()
            for name in lacking:
                del station.state[name]
            for name in ("enabled", "may", "interlocks", "over_left_s"):
                del station.state["keying"][name]
            station.state |= {"moon": None, "rx": None, "tx": None, "clock": None}
            await station.beat()
            await held.until_text("#may", "interlocks not known")
            assert await held.text("#spread") == await held.text("#elevation") == "–"
            for tab in TABS:
                await held.tab(tab)
            assert held.complaints == []

    shared.run(main())
