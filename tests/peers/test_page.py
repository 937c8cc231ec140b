"""The phone page in a real browser, driven by taps, with the real broker and a daemon on the
simulated radio: every command, and every way in which a connection can be worth nothing."""

from __future__ import annotations

import asyncio
import base64
import errno
import json
import os
import signal
import statistics
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import psutil
import pytest
from playwright.async_api import Browser

from moontrim.app.daemon import Daemon
from moontrim.clock.virtual import VirtualClock
from moontrim.outlook.companion import keep_outlook
from moontrim.path import Ephemeris
from moontrim.rehearsal.rehearsal import EMBEDDED, next_window
from moontrim.remote.companion import Remote
from moontrim.remote.wire.accessroute import qr_outline
from moontrim.remote.wire.welcome import with_fingerprint, with_password
from moontrim.session.commands import SetBand, SetTrim
from moontrim.session.session import Session
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.browser import OUT, Phone, Shared, chromium, phone, require_chromium, shared_chromium
from support.mosquitto import (
    Station,
    listening,
    remote_settings,
    require_mosquitto,
    station,
    station_process,
)
from support.processor import within
from support.rigctld import free_port

pytestmark = pytest.mark.peers

SHOWN_S = 3.0  # so soon must a page show what happened


@pytest.fixture(autouse=True)
def _peers() -> None:
    require_mosquitto()
    require_chromium()


@pytest.fixture(scope="module")
def shared() -> Iterator[Shared]:
    with shared_chromium() as one:
        yield one


def url_of(here: Station) -> str:
    return f"http://127.0.0.1:{here.daemon.settings.remote.http_port}/"


def seen(here: Station) -> Snapshot:
    assert here.daemon.hub.latest is not None
    return here.daemon.hub.latest


def has_sked(here: Station, sked_hz: float) -> bool:
    return seen(here).sked_hz == sked_hz


def has_agreement(here: Station, name: str) -> bool:
    return seen(here).agreement == name


async def until(is_so: Callable[[], Any], within_s: float = SHOWN_S) -> None:
    async with within(within_s):
        while not is_so():
            await asyncio.sleep(0.02)


@asynccontextmanager
async def at_the_antenna(
    folder: Path,
    ephemeris: Ephemeris,
    shared: Shared,
    tables: dict[str, Any] | None = None,
    **options: Any,
) -> AsyncIterator[tuple[Station, Phone]]:
    """A daemon that is on frequency, and a phone that shows it."""
    async with station(folder, ephemeris, tables=tables) as here:
        await listening(here.daemon.settings.remote.http_port)
        async with phone(shared.browser, **options) as held:
            await held.open(url_of(here))
            await held.until_link("live")
            await until(lambda: seen(here).tracking is Tracking.ON_FREQUENCY)
            yield here, held


def dials_follow(here: Station) -> bool:
    """Both dials of the radio are where the daemon's own state says they ought to be."""
    now = seen(here)
    if now.rx is None or now.tx is None or here.radio.tx_dial_hz is None:
        return False
    return (
        abs(here.radio.rx_dial_hz - now.rx.ideal_dial_hz) < 3.0
        and abs(here.radio.tx_dial_hz - now.tx.ideal_dial_hz) < 3.0
    )


# --- what a tap does ------------------------------------------------------------------------------


def test_every_command_reaches_the_radio_and_comes_back(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            sked_hz = seen(here).sked_hz

            async def tapped(
                selector: str, is_so: Callable[[], Any], shows: tuple[str, str] | None = None
            ) -> None:
                await held.tap(selector)
                try:
                    await until(is_so)
                except TimeoutError:
                    said = await held.text("#answer"), await held.text("#refusal")
                    raise AssertionError(f"{selector}: {said}, {seen(here)}") from None
                if shows is not None:
                    await held.until_text(*shows)

            # nudges: absolute, one after the other, and the dials of the radio go along
            for by_hz in (1000, 100, 10, -1000, -100, -10, 10):
                sked_hz += by_hz
                before_hz = here.radio.rx_dial_hz
                await held.tap(f'[data-nudge="{by_hz}"]')
                await until(partial(has_sked, here, sked_hz))
                await until(lambda: dials_follow(here))
                assert here.radio.rx_dial_hz - before_hz == pytest.approx(by_hz, abs=3)
                spaced = " ".join(f"{sked_hz:_.0f}".split("_"))
                await held.page.wait_for_selector(f'#sked[aria-label="{spaced} hertz"]')

            # typed, in megahertz with either decimal mark
            await held.page.fill("#frequency-text", "10368,25")
            assert "10\u202f368\u202f250\u202f000 Hz" in await held.text("#frequency-meant")
            await tapped("#frequency-set", lambda: seen(here).sked_hz == 10_368_250_000)
            await until(lambda: dials_follow(here))
            assert await held.page.input_value("#frequency-text") == ""

            # band: its own sked and dials
            await held.tab("skeds")
            await tapped('[data-band="24 GHz"]', lambda: seen(here).band == "24 GHz")
            await until(lambda: dials_follow(here) and here.radio.rx_dial_hz > 144_000_000)
            await held.page.wait_for_selector('[data-band="24 GHz"][aria-pressed="true"]')
            await tapped('[data-band="10 GHz"]', lambda: seen(here).band == "10 GHz")

            # agreement: each of the five, in words
            for name, words in (
                ("receiver", "both send on the sked frequency"),
                ("transmitter", "each corrects in the transmitter"),
                ("home", "correct the whole path; ask your partner to stay"),
                ("partner", "stay on the sked frequency; ask your partner"),
                ("halves", "your leg; ask your partner to correct theirs"),
            ):
                await held.tap(f'[data-agreement="{name}"]')
                await until(partial(has_agreement, here, name))
                pressed = f'[data-agreement="{name}"][aria-pressed="true"]'
                await held.page.wait_for_selector(pressed)
                assert words in (await held.text(pressed)).lower()
                await held.until_text("#agreement-now", name)
                await until(lambda: dials_follow(here))

            # partner
            await tapped(
                "#echo", lambda: seen(here).partner == "self", ("#partner", "Myself (echoes)")
            )
            await until(lambda: dials_follow(here))
            await held.page.fill("#partner-text", "kp20nf")
            await tapped("#partner-set", lambda: seen(here).partner.lower() == "kp20nf")
            await held.page.wait_for_function(
                "() => document.getElementById('partner').textContent.toLowerCase() === 'kp20nf'"
            )

            # trims, each by itself
            await tapped('[data-trim="rx"][data-by="10"]', lambda: seen(here).rx_trim_hz == 10)
            await tapped('[data-trim="rx"][data-by="1"]', lambda: seen(here).rx_trim_hz == 11)
            await tapped('[data-trim="tx"][data-by="-10"]', lambda: seen(here).tx_trim_hz == -10)
            await tapped('[data-trim="tx"][data-by="-1"]', lambda: seen(here).tx_trim_hz == -11)
            await held.until_text("#trim-tx", "\u221211 Hz")
            await until(lambda: dials_follow(here))
            await tapped('[data-trim="rx"][data-by="-1"]', lambda: seen(here).rx_trim_hz == 10)
            await tapped('[data-trim="rx"][data-by="0"]', lambda: seen(here).rx_trim_hz == 0)
            await tapped('[data-trim="tx"][data-by="0"]', lambda: seen(here).tx_trim_hz == 0)

            # pause leaves the radio alone, resume takes it up again
            await tapped(
                "#correct",
                lambda: seen(here).tracking is Tracking.PAUSED,
                ("#correct", "Resume correction"),
            )
            await asyncio.sleep(1.2)  # the second that was planned already may still be carried out
            left_hz = here.radio.rx_dial_hz
            await held.tab("now")
            await tapped('[data-nudge="1000"]', lambda: seen(here).sked_hz == 10_368_251_000)
            await asyncio.sleep(1.2)
            assert here.radio.rx_dial_hz == left_hz
            await tapped(
                "#correct", lambda: seen(here).correcting, ("#correct", "Pause correction")
            )
            await until(lambda: dials_follow(here))

            # read the radio now
            await held.tap("#readback")
            await held.until_text("#answer", "Re-reading the radio")

            await held.until_text("#change", "Local: ")
            assert "radio" not in await held.text("#fault")
            assert all(part in "".join(held.requested) for part in ("/mqtt", "mqtt-packet"))
            assert all(
                f"//127.0.0.1:{here.daemon.settings.remote.http_port}/" in url
                for url in held.requested
            )

    shared.run(main())


def test_the_question_names_the_front_end(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    direct = {"name": "144 MHz", "sked_hz": 144_120_000}
    direct |= {"tx_low_hz": 144_000_000, "tx_high_hz": 146_000_000}
    bands = {"bands": [*EMBEDDED["bands"], direct]}

    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared, bands) as (here, held):
            await held.until_text("#reason", "Front end 10 GHz not confirmed")
            await held.tap("#transmit")
            await held.until_text("#answer", "Is front end 10 GHz connected to the radio")
            await here.daemon.ask(SetBand("somebody else", "144 MHz"))
            await held.until_text("#transmit", "Allow transmit")
            await asyncio.sleep(0.7)
            await held.tap("#transmit")
            await held.until_text("#answer", "Is front end direct (no transverter) connected")
            assert not seen(here).tx_allowed
            await held.picture("page-front-end")
            await asyncio.sleep(0.7)
            await held.tap("#transmit")
            await until(lambda: seen(here).tx_allowed)
            assert here.daemon.session.front_end == "direct"
            await held.tab("skeds")
            await held.tap('[data-band="10 GHz"]')
            await held.until_text("#answer", "Transmit inhibited: connect front end 10 GHz")
            await until(lambda: not seen(here).tx_allowed)

    shared.run(main())


def test_transmitting_is_forbidden_at_once_and_permitted_in_two_steps(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            here.radio.key(True)
            await held.until_text("#keyed", "TRANSMITTING")
            here.radio.key(False)
            here.radio.set_transmit(True)
            await held.tap("#transmit")
            await until(lambda: not here.radio.transmitting)
            await until(lambda: not seen(here).tx_allowed)
            await held.until_text("#may", "Transmit inhibited")

            await held.until_text("#transmit", "Allow transmit")
            await held.tap("#transmit")
            await held.until_text("#transmit", "Tap again to allow")
            await held.until_text("#answer", "clear of the antenna")
            await held.tap("#transmit")  # a trembling finger
            assert not seen(here).tx_allowed
            await held.picture("page-second-step")
            await asyncio.sleep(0.7)
            await held.tap("#transmit")
            await until(lambda: seen(here).tx_allowed)
            await held.until_text("#transmit", "Inhibit transmit")
            assert not here.radio.transmitting

    shared.run(main())


def test_what_is_refused_says_why_and_changes_nothing(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            before = here.daemon.session
            for typed, said in (("ten", "enter MHz"), ("10500", "is outside 10\u202f368")):
                await held.page.fill("#frequency-text", typed)
                await held.tap("#frequency-set")
                await held.until_text("#refusal", said)
            await held.tab("skeds")
            await held.page.fill("#partner-text", "<b>nowhere</b>")
            await held.tap("#partner-set")
            await held.until_text("#refusal", "Not sent: not a place")
            assert here.daemon.session == before
            # what only the daemon knows: nobody else corrects an echo of one's own
            await held.tap('[data-agreement="home"]')
            await until(partial(has_agreement, here, "home"))
            before = here.daemon.session
            await held.tap("#echo")
            await held.until_text("#refusal", "Not done: invalid value home; expected")
            assert here.daemon.session == before
            await held.picture("page-refused")

    shared.run(main())


def test_a_change_that_the_disk_refuses_is_shown_as_not_saved(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In force at once all the same; and no longer so shown once the disk takes it."""

    def full(folder: Path, session: Session) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            sked_hz = seen(here).sked_hz
            with monkeypatch.context() as disk:
                disk.setattr("moontrim.session.saver.save_session", full)
                await held.tap('[data-nudge="10"]')
                await held.until_text("#refusal", "Sked frequency is now")
                assert "Not saved: no space left on device." in await held.text("#refusal")
                assert await held.text("#answer") == ""
                await until(partial(has_sked, here, sked_hz + 10.0))
                await until(lambda: dials_follow(here))
                await held.until_text("#warnings", "Choices not saved: no space left on device")
                await held.picture("page-not-saved")
            await held.tap('[data-nudge="10"]')
            await held.until_text("#answer", "Sked frequency is now")
            assert "Not saved" not in await held.text("#answer")
            assert await held.text("#refusal") == ""
            await until(lambda: not seen(here).warnings)

    shared.run(main())


def test_skeds_with_a_daemon(tmp_path: Path, ephemeris: Ephemeris, shared: Shared) -> None:
    """Two taps choose one, the next takes it back; saved, chosen by name, removed; all of it in the
    log."""
    tables: dict[str, Any] = {
        "partners": [{"name": "North", "locator": "KP20nf"}],
        "skeds": [
            {
                "name": "north",
                "band": "24 GHz",
                "sked_hz": 24_048_150_000,
                "partner": "North",
                "agreement": "receiver",
            }
        ],
    }

    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared, tables) as (here, held):
            before = here.daemon.session
            await held.tab("skeds")
            await held.tap('[data-sked="north"]')
            await until(lambda: seen(here).sked == "north")
            now = seen(here)
            assert (now.band, now.sked_hz) == ("24 GHz", 24_048_150_000)
            assert (now.partner, now.agreement) == ("North", "receiver")
            await held.page.wait_for_selector('[data-sked="north"][aria-pressed="true"]')
            await held.tap("#undo")
            await until(lambda: seen(here).band == "10 GHz")
            assert seen(here).sked == ""
            assert here.daemon.session.agreement == before.agreement
            await held.page.wait_for_selector('[data-sked="north"][aria-pressed="false"]')

            await held.page.fill("#save-name", "Mine")
            await held.tap("#save-set")
            await held.page.wait_for_selector('[data-sked="Mine"]')
            assert [sked.name for sked in here.daemon.session.skeds] == ["Mine"]
            await held.tap('[data-remove="Mine"]')
            await held.until_text("#answer", "Remove sked Mine?")
            await asyncio.sleep(0.7)
            await held.tap('[data-remove="Mine"]')
            await until(lambda: here.daemon.session.skeds == ())
            await held.page.wait_for_selector('[data-sked="Mine"]', state="detached")

            # the daemon itself refuses a choice under RF
            here.radio.key(True)
            await held.until_text("#keyed", "TRANSMITTING")
            await held.tap('[data-sked="north"]')
            await held.until_text("#refusal", "Not done:")
            assert seen(here).band == "10 GHz"
            here.radio.key(False)

            await held.tab("log")
            for text in ("sked north", "undo", "save sked Mine", "remove sked Mine", "Refused"):
                await held.until_text("#events", text, within_s=5.0)

    shared.run(main())


def test_a_large_trim_is_asked_back(tmp_path: Path, ephemeris: Ephemeris, shared: Shared) -> None:
    """The same key once more, not too soon, and no other key, carries it out."""

    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            await here.daemon.ask(SetTrim("test", rx_hz=995.0, tx_hz=995.0))
            await held.until_text("#trim-rx", "+995 Hz")
            await held.tab("skeds")
            rx, tx = ('[data-trim="rx"][data-by="10"]', '[data-trim="tx"][data-by="10"]')

            async def asked(key: str) -> None:
                await held.tap(key)
                await held.until_text("#refusal", "Tap again to confirm")
                trims_hz = (seen(here).rx_trim_hz, seen(here).tx_trim_hz)
                assert trims_hz == (995.0, 995.0)

            await asked(rx)
            assert "Trim +1\u202f005 Hz is more than 1 kHz" in await held.text("#refusal")
            await held.picture("page-large-trim")
            await asked(rx)  # a trembling finger
            await asyncio.sleep(0.7)
            await asked(tx)
            await asyncio.sleep(0.7)
            await asked(rx)
            await asyncio.sleep(0.7)
            await held.tap(rx)
            await until(lambda: seen(here).rx_trim_hz == 1005.0)
            await held.until_text("#trim-rx", "+1\u202f005 Hz")
            await held.until_text(
                "#warnings", "Receive trim +1\u202f005 Hz is above 1\u202f000 Hz."
            )
            assert seen(here).tx_trim_hz == 995.0
            await held.page.wait_for_function(
                "() => document.getElementById('verdict').textContent.includes('trim')"
            )

    shared.run(main())


def test_quick_taps_add_up_on_a_slow_network(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    """Three keys before the first answer; a key that still waits takes no second tap."""

    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            await held.page.evaluate(
                """() => ["1000", "100", "100", "10"].forEach((by) =>
                    document.querySelector(`[data-nudge="${by}"]`).click())"""
            )
            await until(lambda: seen(here).sked_hz == 10_368_101_110)
            await held.page.wait_for_selector('#sked[aria-label="10 368 101 110 hertz"]')

    shared.run(main())


def test_a_trim_just_before_a_band_is_not_carried_over(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            await held.page.evaluate(
                """async () => {
                    const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
                    const tap = async (selector) => {
                        const key = document.querySelector(selector);
                        key.click();
                        while (key.getAttribute("aria-busy") === "true") await wait(1);
                    };
                    await tap('[data-trim="rx"][data-by="10"]');
                    await tap('[data-band="24 GHz"]');
                    await wait(300);
                    await tap('[data-trim="rx"][data-by="1"]');
                }"""
            )
            chosen = here.daemon.session
            assert chosen.band == "24 GHz"
            assert chosen.band_choices(here.daemon.settings).rx_trim_hz == 1.0

    shared.run(main())


def test_several_phones_see_who_changed_what(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    async def main() -> None:
        async with (
            at_the_antenna(tmp_path, ephemeris, shared) as (here, held),
            phone(shared.browser) as other,
        ):
            await other.open(url_of(here))
            await other.until_link("live")
            await held.tap('[data-nudge="10"]')
            await other.page.wait_for_selector('#sked[aria-label="10 368 100 010 hertz"]')
            await other.until_text("#change", "sked 10\u202f368\u202f100\u202f010 Hz")
            await other.tap('[data-nudge="10"]')  # from what it sees: 20, not 10 again
            await held.page.wait_for_selector('#sked[aria-label="10 368 100 020 hertz"]')

    shared.run(main())


@pytest.mark.alone
@pytest.mark.long
def test_a_tap_answers_within_a_blink_and_the_state_is_fresh(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (_, held):
            taps = await held.page.evaluate(
                """async () => {
                    const key = document.querySelector('[data-nudge="10"]');
                    const took = [];
                    for (let count = 0; count < 40; count++) {
                        const began = performance.now();
                        key.click();
                        if (key.getAttribute("aria-busy") !== "true") throw new Error("no answer");
                        await new Promise((resolve) => new MutationObserver((_, observer) => {
                            if (key.hasAttribute("aria-busy")) return;
                            observer.disconnect();
                            resolve();
                        }).observe(key, {attributes: true}));
                        took.push(performance.now() - began);
                        await new Promise((resolve) => setTimeout(resolve, 60));
                    }
                    return took;
                }"""
            )
            ages = await held.page.evaluate(
                """async () => {
                    const ages = [];
                    for (let count = 0; count < 120; count++) {
                        ages.push(Date.now() - Number(document.documentElement.dataset.atMs));
                        await new Promise((resolve) => setTimeout(resolve, 50));
                    }
                    return ages;
                }"""
            )
            taps.sort()
            print(
                f"\ntap to done: p50 {statistics.median(taps):.1f} ms, "
                f"p95 {taps[int(0.95 * len(taps))]:.1f} ms, largest {taps[-1]:.1f} ms; "
                f"state age: p50 {statistics.median(ages):.0f} ms, largest {max(ages):.0f} ms"
            )
            assert statistics.median(taps) < 200.0
            ages.sort()
            assert ages[int(0.95 * len(ages))] < 1200.0, "the state is every second's"
            assert ages[-1] < 2000.0, "a machine that others share is late at times"

    shared.run(main())


# --- what the connection is worth -----------------------------------------------------------------


async def timed(what: Awaitable[object]) -> float:
    began_s = time.monotonic()
    await what
    return time.monotonic() - began_s


def test_broker_killed_and_back(tmp_path: Path, ephemeris: Ephemeris, shared: Shared) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            (child,) = [one for one in psutil.Process().children() if one.name() == "mosquitto"]
            child.kill()
            shown_s = await timed(held.until_link("offline", within_s=SHOWN_S))
            print(f"\nbroker killed: OFFLINE after {shown_s:.2f} s")
            assert await held.page.get_attribute("#correct", "aria-disabled") == "true"
            await held.tap("#correct", though_disabled=True)
            await held.until_text("#refusal", "Not sent")
            await held.until_link("live", within_s=15.0)
            assert not await held.page.is_visible("#alarm")
            assert seen(here).correcting
            await held.tap("#correct")
            await until(lambda: not seen(here).correcting)

    shared.run(main())


def test_forbidding_without_the_broker(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared
) -> None:
    """The broker hangs; the page still looks alive, and the key goes by the page's server."""

    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            here.radio.set_transmit(True)
            (child,) = [one for one in psutil.Process().children() if one.name() == "mosquitto"]
            child.suspend()
            try:
                await held.tap("#transmit")
                took_s = await timed(until(lambda: not here.radio.transmitting))
                print(f"\nbroker stopped: unkeyed after {took_s:.2f} s")
                assert not here.daemon.session.tx_allowed
                await held.until_text("#answer", "Transmit is inhibited")
            finally:
                child.resume()

    shared.run(main())


def test_daemon_stopped_and_killed(tmp_path: Path, shared: Shared) -> None:
    async def main() -> None:
        http_port = free_port()
        remote = {"port": free_port(), "http_port": http_port}
        async with phone(shared.browser) as held:
            async with station_process(tmp_path, **remote) as process:
                await listening(http_port, 20.0)
                await held.open(f"http://127.0.0.1:{http_port}/")
                await held.until_link("live")
                os.kill(process.pid, signal.SIGSTOP)
                shown_s = await timed(held.until_link("stale", within_s=SHOWN_S))
                print(f"\ndaemon stopped: STALE after {shown_s:.2f} s")
                assert "STALE" in await held.text("#alarm")
                await held.tap('[data-nudge="10"]', though_disabled=True)
                await held.until_text("#refusal", "Not sent")
                await held.picture("page-stale")
                # also a page opened again now must not take what it kept for news
                os.kill(process.pid, signal.SIGCONT)
                await held.until_link("live")
                os.kill(process.pid, signal.SIGKILL)
                shown_s = await timed(held.until_link("offline", within_s=SHOWN_S))
                print(f"daemon killed: OFFLINE after {shown_s:.2f} s")
                await held.until_text("#alarm-why", "No response from the daemon's machine")
                await held.picture("page-offline")
                assert await held.page.get_attribute("#transmit", "aria-disabled") == "true"
            async with station_process(tmp_path, **remote):
                await held.until_link("live", within_s=20.0)

    shared.run(main())


# --- who is this ----------------------------------------------------------------------------------


async def signed_out(held: Phone) -> None:
    """By two taps, neither of them by accident."""
    await held.tab("setup")
    await held.tap("#sign-out")
    await held.until_text("#answer", "Tap again to sign out")
    await asyncio.sleep(0.7)
    await held.tap("#sign-out")
    await held.page.wait_for_selector("#login:not([hidden])")


def test_passwords_and_accounts(tmp_path: Path, ephemeris: Ephemeris) -> None:
    async def main() -> None:
        async with (
            station(
                tmp_path, ephemeris, show_password=True, lan=True, lan_address="127.0.0.1"
            ) as here,
            chromium("--host-resolver-rules=MAP rig.test 127.0.0.1") as browser,
        ):
            await listening(here.daemon.settings.remote.http_port)
            await until(lambda: here.shown)
            words = dict(
                line.removeprefix("Account ").split(": password ")
                for line in here.shown[0].splitlines()
                if line.startswith("Account ")
            )
            async with phone(browser) as held:
                await held.open(url_of(here))
                await held.page.wait_for_selector("#login:not([hidden])")
                assert await held.violations() == []
                await held.picture("page-login")
                await held.page.fill("#password", "wrong")
                await held.tap('#login-form button[type="submit"]')
                shown_s = await timed(held.until_text("#login-problem", "not accepted"))
                print(f"\nwrong password: shown after {shown_s:.2f} s")
                assert not await held.page.is_visible("#panel")
                await held.page.fill("#password", words["phone"])
                await held.tap('#login-form button[type="submit"]')
                await held.until_link("live")
                await held.tap('[data-nudge="10"]')
                await until(lambda: seen(here).sked_hz == 10_368_100_010)
                await held.until_text("#change", "Phone: ")
                # capitals and no hyphens, as a phone's keyboard has it
                await signed_out(held)
                await held.page.fill("#password", words["phone"].replace("-", "").capitalize())
                await held.tap('#login-form button[type="submit"]')
                await held.until_link("live")
                stored = "JSON.stringify([localStorage.length, sessionStorage.length])"
                assert await held.page.evaluate(stored) == "[0,1]"
                await held.page.reload()
                await held.until_link("live")
                await signed_out(held)
                assert await held.page.evaluate(stored) == "[0,0]"

            async with phone(browser) as held:  # from the picture, by name, on a plain network
                port = here.daemon.settings.remote.http_port
                await held.open(f"http://rig.test:{port}/#p={words['phone']}")
                await held.until_link("live")
                assert await held.page.evaluate("isSecureContext") is False
                assert held.page.url == f"http://rig.test:{port}/"
                assert not any(words["phone"] in url for url in held.requested)
                await held.tap('[data-nudge="10"]')
                await until(lambda: seen(here).sked_hz == 10_368_100_020)

            async with phone(browser) as held:
                await held.open(f"{url_of(here)}#u=viewer&p={words['viewer']}")
                await held.until_link("live")
                await held.until_text("#tracking", "On frequency")
                controls = []
                for tab in ("now", "skeds", "tonight", "log", "setup"):
                    await held.tab(tab)
                    controls += await held.page.eval_on_selector_all(
                        "#panel button, #panel input:not([name=theme]), #dock button",
                        "all => all.filter((one) => one.checkVisibility()).map((one) => one.id)",
                    )
                    assert await held.violations() == []
                phone_only = ["alarm-sound", "alarm-vibration", "keep", "sign-out", "another"]
                assert controls == phone_only
                await held.picture("page-viewer")

    asyncio.run(main())


def test_another_phone_by_qr_codes(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """For those who are logged in; the one with the password on a tap of its own, for a while."""
    password_svg = "document.querySelector('#password-qr path')?.getAttribute('d') ?? ''"
    hidden = "Object.defineProperty(document, 'visibilityState', {value: 'hidden'})"

    async def main() -> None:
        lan = {"lan": True, "lan_address": "127.0.0.1", "show_password": True}
        async with (
            station(tmp_path, ephemeris, **lan) as here,
            chromium() as browser,
        ):
            remote = here.daemon.settings.remote
            await listening(remote.http_port)
            await until(lambda: here.shown)
            passwords = json.loads((tmp_path / "state" / "remote-passwords.json").read_text())
            page, certificate = (
                f"https://127.0.0.1:{remote.https_port}/",
                f"http://127.0.0.1:{remote.http_port}/",
            )
            for account, password in (
                ("phone", passwords["phone"]),
                ("viewer", passwords["viewer"]),
            ):
                async with phone(browser) as held:
                    await held.open(url_of(here))
                    await held.page.wait_for_selector("#login:not([hidden])")
                    before = await held.page.content()
                    assert not any(one in before for one in passwords.values())
                    assert await held.page.query_selector("svg path") is None
                    await held.open(f"{url_of(here)}?again#u={account}&p={password}")
                    await held.until_link("live")
                    await held.tab("setup")
                    await held.tap("#another")
                    await held.until_text("#page-url", page)
                    assert await held.text("#certificate-url") == certificate
                    fingerprint = await held.text("#fingerprint")
                    assert fingerprint in here.shown[0]
                    drawn = await held.page.get_attribute("#certificate-qr path", "d")
                    assert drawn == qr_outline(with_fingerprint(certificate, fingerprint))["path"]
                    assert await held.page.evaluate(password_svg) == ""
                    assert password not in await held.page.content()
                    assert not any(url.endswith("=password") for url in held.requested)
                    await held.tap("#password-qr-key")
                    await held.until_text("#password-qr-key", "Hide QR code")
                    text = with_password(page, password, account)
                    assert await held.page.evaluate(password_svg) == qr_outline(text)["path"]
                    may = "can read" if account == "viewer" else "can control the radio"
                    assert may in await held.text("#password-qr-caution")
                    assert not any(password in url for url in held.requested)
                    assert (await held.widths())[0] <= 390
                    assert await held.small_targets() == []
                    assert await held.violations() == []
                    await held.page.locator("#password-qr").scroll_into_view_if_needed()
                    await held.picture(f"page-another-{account}")
                    await held.tap("#password-qr-key")
                    assert await held.page.evaluate(password_svg) == ""
                    await held.tap("#password-qr-key")
                    await held.until_text("#password-qr-key", "Hide QR code")
                    await held.page.evaluate(
                        f"{hidden}; document.dispatchEvent(new Event('visibilitychange'))"
                    )
                    assert await held.page.evaluate(password_svg) == "", "the page was left"
                    await signed_out(held)
                    assert not await held.page.is_visible("#another-way")
                    assert await held.page.evaluate(password_svg) == ""

    asyncio.run(main())


# --- how it looks, to everybody -------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everybody_can_read_and_reach_it(
    tmp_path: Path, ephemeris: Ephemeris, shared: Shared, scheme: str
) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared, color_scheme=scheme) as (_, held):
            for width in (320, 390, 430, 820):
                height = 1180 if width == 820 else 844
                await held.page.set_viewport_size({"width": width, "height": height})
                for tab in ("now", "skeds", "tonight", "log", "setup"):
                    await held.tab(tab)
                    assert (await held.widths())[0] <= width
                    assert await held.small_targets() == []
                    assert await held.violations() == [], width

    shared.run(main())


def test_by_keyboard(tmp_path: Path, ephemeris: Ephemeris, shared: Shared) -> None:
    async def main() -> None:
        async with at_the_antenna(tmp_path, ephemeris, shared) as (here, held):
            keys = held.page.keyboard
            for tab, expected in (
                ("tab-now", ("+10", "frequency-text", "Set", "Re-read the radio")),
                ("tab-skeds", ("24 GHz", "partner-text", "Myself (echoes)", "+1", "save-name")),
            ):
                if tab == "tab-skeds":
                    await held.page.focus("#tab-now")
                    await keys.press("ArrowRight")
                reached = [tab] if tab == "tab-skeds" else []
                for _press in range(60):
                    await keys.press("Tab")
                    name, outline = await held.page.evaluate(
                        "[document.activeElement.textContent || document.activeElement.id, "
                        "getComputedStyle(document.activeElement).outlineStyle]"
                    )
                    assert outline == "solid", name
                    reached.append(name.strip())
                    if name == "+10" and tab == "tab-now":
                        await keys.press("Enter")
                        await until(lambda: seen(here).sked_hz == 10_368_100_010)
                    if "Inhibit" in name:
                        break
                assert reached[0] in ("Now", "tab-skeds"), "the tabs are one stop"
                assert set(expected) <= set(reached)
            await keys.press("Space")
            await until(lambda: not seen(here).tx_allowed)

    shared.run(main())


@pytest.mark.long
def test_picture(tmp_path: Path, ephemeris: Ephemeris) -> None:
    """Two phones beside each other, ten minutes into a window, for people to look at."""
    settings = remote_settings(tmp_path, {end: EMBEDDED[end] for end in ("home", "partner")})
    start_s, _ = next_window(ephemeris, settings, 1_795_600_000.0)
    clock = VirtualClock(start_s + 5400.0, pace=40.0)
    driver = SimulatedDriver(settings.radio.driver_options(), clock)  # type: ignore[arg-type]

    async def main() -> None:
        daemon = Daemon(settings, clock, ephemeris, driver, seed=1)
        task = asyncio.create_task(daemon.run(Remote(settings.remote).run, keep_outlook))
        url = f"http://127.0.0.1:{settings.remote.http_port}/"
        try:
            await listening(settings.remote.http_port)
            async with (
                chromium() as browser,
                phone(browser, color_scheme="light") as upper,
                phone(browser, color_scheme="dark") as lower,
            ):
                for held in (upper, lower):
                    await held.open(url)
                    await held.until_link("live")
                await upper.page.wait_for_function(
                    "() => document.querySelector('.rx-past')?.getBBox().width > 160",
                    timeout=40_000,
                )
                for held, name in ((upper, "light"), (lower, "dark")):
                    await held.until_link("live")
                    if held is lower:
                        await held.tab("tonight")
                        await held.page.wait_for_selector("#curve .now", state="attached")
                    await held.picture(f"page-{name}")
                async with phone(
                    browser, viewport={"width": 820, "height": 1180}, device_scale_factor=1
                ) as tablet:
                    await tablet.open(url)
                    await tablet.until_link("live")
                    await tablet.until_text("#rx-dial", "144")
                    await tablet.picture("page-tablet")
                await side_by_side(browser, "page", "page-light", "page-dark")
        finally:
            daemon.stop.set()
            await task

    clock.run(main())
    assert (OUT / "page.png").stat().st_size > 50_000


async def side_by_side(browser: Browser, name: str, *parts: str) -> None:
    style = "width:390px;border-radius:24px;box-shadow:0 2px 14px #0006"
    images = ""
    for part in parts:
        data = base64.b64encode((OUT / f"{part}.png").read_bytes()).decode()
        images += f'<img style="{style}" src="data:image/png;base64,{data}">'
    page = await browser.new_page(viewport={"width": 864, "height": 900})
    await page.set_content(
        f'<body style="margin:28px;display:flex;gap:28px;background:#d9d4c6">{images}</body>'
    )
    await page.screenshot(path=OUT / f"{name}.png")
    await page.close()
