"""Fixes from gpsd's lines and from NMEA; what they say of home and of the clock. Places are our
own."""

from __future__ import annotations

import asyncio
import json
import math
import os
import sqlite3
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moontrim.clock.system import SystemClock
from moontrim.config.gps import GpsSettings
from moontrim.errors import InputError
from moontrim.gps.fix import (
    AT_LEAST_M,
    STEADY_FIXES,
    Fix,
    GpsGarbledError,
    Position,
    SteadyHome,
    checked_position,
    distance_m,
    home_from,
    move_from,
    worth_moving,
)
from moontrim.gps.gpsd import LONGEST_LINE, parse_line, watch_command
from moontrim.gps.home import HomeKeeper
from moontrim.gps.nmea import (
    LONGEST_SENTENCE,
    FixAssembler,
    GgaSentence,
    RmcSentence,
    parse_sentence,
)
from moontrim.gps.receiver import GpsWatch
from moontrim.gps.timecheck import clock_ahead_s, gps_reader
from moontrim.path.site import Site
from moontrim.preflight.receiver import fix_findings
from support.moontrim_process import LEAST_CONFIG, moontrim
from support.nmea_sentences import gga, gsa, rmc, sentence
from support.processor import within

T0 = 1_795_000_000.0  # 2026-11-18, 11:06:40 UTC
HOME = Site(48.117302, 16.516674, 592.3)
DEGREE_M = 111_194.0  # of latitude, about


def tpv(**changes: Any) -> bytes:
    fields = {
        "class": "TPV", "device": "/dev/x", "mode": 3, "time": "2026-11-18T11:06:40.000Z",
        "lat": 48.117302, "lon": 16.516674, "altHAE": 592.3, "altMSL": 545.4, "eph": 17.1,
    } | changes  # fmt: skip
    return json.dumps({k: v for k, v in fields.items() if v is not None}).encode()


# --- gpsd's lines ---------------------------------------------------------------------------------


def test_a_report_is_a_fix() -> None:
    fix = parse_line(tpv(), T0 + 0.3)
    assert fix == Fix(Position(48.117302, 16.516674, 592.3, 17.1, "3D"), T0, T0 + 0.3)


@pytest.mark.parametrize(
    "changes",
    [
        {"mode": 0},
        {"mode": 1},
        {"mode": 4},
        {"status": 5},
        {"status": 6},
        {"status": 8},
        {"status": 77},
        {"lat": None},
        {"lon": None},
        {"lat": 0.0, "lon": 0.0},
        {"lat": 5e-5, "lon": -5e-5},
        {"class": "SKY"},
        {"class": "VERSION", "mode": None},
    ],
)
def test_what_is_no_fix(changes: dict[str, Any]) -> None:
    assert parse_line(tpv(**changes), T0) is None


@pytest.mark.parametrize(
    ("changes", "quality", "height_m", "error_m", "utc_s"),
    [
        ({"mode": 2}, "2D", None, 17.1, T0),
        ({"altHAE": None}, "3D", None, 17.1, T0),
        ({"altHAE": 20_000.0}, "3D", None, 17.1, T0),
        ({"eph": None, "status": 2}, "3D differential", 592.3, None, T0),
        ({"eph": 0.0}, "3D", 592.3, None, T0),
        ({"eph": -3.0}, "3D", 592.3, None, T0),
        ({"time": None}, "3D", 592.3, 17.1, None),
        ({"time": "2026-12-31T23:59:60.000Z"}, "3D", 592.3, 17.1, None),
        ({"time": "yesterday"}, "3D", 592.3, 17.1, None),
        ({"time": "2026-11-18T11:06:40.250Z", "altHAE": 592}, "3D", 592.0, 17.1, T0 + 0.25),
    ],
)
def test_parts_of_a_report_may_be_missing(
    changes: dict[str, Any],
    quality: str,
    height_m: float | None,
    error_m: float | None,
    utc_s: float | None,
) -> None:
    fix = parse_line(tpv(**changes), T0)
    assert fix is not None and fix.gps_utc_s == utc_s
    assert fix.position == Position(48.117302, 16.516674, height_m, error_m, quality)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"{",
        b"[]",
        b"3",
        b"{}",
        b'{"class":5}',
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"class":"TPV","mode":"3"}',
        b'{"class":"TPV","mode":true}',
        tpv(lat=math.nan),
        tpv(lat=math.inf),
        tpv(lat="48"),
        tpv(lat=91.0),
        tpv(lon=-180.1),
        tpv().replace(b"48.117302", b"1e999"),
        tpv().replace(b"48.117302", b"9" * 5000),
    ],
)
def test_lines_that_cannot_be(line: bytes) -> None:
    with pytest.raises(GpsGarbledError):
        parse_line(line, T0)


ODD: list[Any] = [None, True, -1, 10**400, math.nan, math.inf, "", "3", "48.1", "\ud800", [1.0], {}]
TIMES = ("2026-11-18T11:06:40Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00", "2026")
ANYTHING = st.sampled_from((*ODD, *TIMES))


def sane(fix: Fix | None) -> None:
    if fix is not None:
        place = fix.position
        assert abs(place.latitude_deg) <= 90.0 and abs(place.longitude_deg) <= 180.0
        assert place.height_m is None or -500.0 <= place.height_m <= 9000.0
        assert place.error_m is None or 0.0 < place.error_m < 1e7
        assert fix.gps_utc_s is None or math.isfinite(fix.gps_utc_s)
        assert len(place.locator) == 10


@given(
    st.binary(max_size=200)
    | st.fixed_dictionaries(
        {"class": st.just("TPV"), "mode": st.sampled_from([2, 3])},
        optional={
            key: ANYTHING | st.floats(-200, 200)
            for key in ("lat", "lon", "time", "altHAE", "eph", "status")
        },
    ).map(lambda fields: json.dumps(fields).encode())
)
def test_any_line_is_a_fix_or_none_or_one_error(line: bytes) -> None:
    with suppress(GpsGarbledError):
        sane(parse_line(line, T0))


def test_the_command_that_asks_for_reports() -> None:
    assert watch_command(None) == b'?WATCH={"enable": true, "json": true};\n'
    assert b'"device": "/dev/ttyACM0"' in watch_command("/dev/ttyACM0")
    assert watch_command('x";\n?').count(b"\n") == 1


# --- NMEA -----------------------------------------------------------------------------------------


def fixes_from(*pieces: bytes) -> list[Fix]:
    found: list[Fix] = []
    sentences = FixAssembler(found.append)
    for index, piece in enumerate(pieces):
        sentences.feed(piece, T0 + 0.1 * index)
    return found


@pytest.mark.parametrize("latitude_deg", [48.117302, -33.9, 0.0001, -89.99])
@pytest.mark.parametrize("longitude_deg", [16.516674, -0.25, 179.999999, -179.5])
@pytest.mark.parametrize("date_first", [True, False])
def test_place_and_date_are_put_together(
    latitude_deg: float, longitude_deg: float, date_first: bool
) -> None:
    both = [rmc(T0, latitude_deg, longitude_deg), gga(T0, latitude_deg, longitude_deg)]
    (fix,) = fixes_from(*(both if date_first else reversed(both)))
    assert fix.gps_utc_s == T0
    assert fix.arrived_utc_s == T0, "when the first of the two came"
    assert fix.position.latitude_deg == pytest.approx(latitude_deg, abs=2e-8)
    assert fix.position.longitude_deg == pytest.approx(longitude_deg, abs=2e-8)
    assert fix.position.height_m == pytest.approx(545.4 + 46.9), "above the ellipsoid"
    assert fix.position.error_m == pytest.approx(9.0)


def test_one_byte_at_a_time_and_noise_between() -> None:
    place = (HOME.latitude_deg, HOME.longitude_deg)
    stream = b"\xff\x00$GP" + b"".join(
        b"noise\n" + rmc(T0 + n, *place) + gsa() + gga(T0 + n, *place) for n in range(3)
    )
    found = fixes_from(*(stream[n : n + 1] for n in range(len(stream))))
    assert [fix.gps_utc_s for fix in found] == [T0, T0 + 1, T0 + 2]


def test_a_receiver_without_dates_gives_places_one_second_late() -> None:
    found = fixes_from(*(gga(T0 + n, 48.0, 16.0) for n in range(3)))
    assert [fix.gps_utc_s for fix in found] == [None, None]
    assert [fix.arrived_utc_s for fix in found] == [T0, T0 + 0.1]


def test_a_date_of_another_second_is_not_taken() -> None:
    found = fixes_from(rmc(T0, 48.0, 16.0), gga(T0 + 1, 48.0, 16.0), gga(T0 + 2, 48.0, 16.0))
    assert [fix.gps_utc_s for fix in found] == [None]


@pytest.mark.parametrize("quality", [0, 6, 7, 8, 9])
def test_qualities_that_are_no_fix(quality: int) -> None:
    assert not fixes_from(rmc(T0, 48.0, 16.0), gga(T0, 48.0, 16.0, quality=quality))


@pytest.mark.parametrize(("status", "mode"), [("V", "A"), ("A", "E"), ("A", "N"), ("A", "S")])
def test_dates_that_are_not_measured(status: str, mode: str) -> None:
    date = rmc(T0, 48.0, 16.0, status=status, mode=mode)
    assert parse_sentence(date) is None
    found = fixes_from(date, gga(T0, 48.0, 16.0), gga(T0 + 1, 48.0, 16.0))
    assert [fix.gps_utc_s for fix in found] == [None]


def test_without_the_geoid_the_height_is_not_known() -> None:
    (fix,) = fixes_from(rmc(T0, 48.0, 16.0), gga(T0, 48.0, 16.0, geoid_m=""))
    assert fix.position.height_m is None and fix.position.quality == "2D"


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"$",
        b"GPGGA",
        gga(T0, 48.0, 16.0)[:-5],
        gga(T0, 48.0, 16.0)[1:],
        gga(T0, 48.0, 16.0).replace(b"48", b"49"),
        gga(T0, 48.0, 16.0)[:-4] + b"ZZ\r\n",
        sentence("GPGGA,110640.00,9907.0,N,01600.0,E,1,08,0.9,5,M,4,M,,"),
        sentence("GPGGA,110640.00,4807.0,N,19900.0,E,1,08,0.9,5,M,4,M,,"),
        b"$GPGGA,\xff\xfe*00",
    ],
)
def test_sentences_that_cannot_be(line: bytes) -> None:
    with pytest.raises(GpsGarbledError):
        parse_sentence(line)
    assert not fixes_from(line + b"\n", rmc(T0, 48.0, 16.0))


@pytest.mark.parametrize(
    "body",
    [
        "GPGGA,,,,,,0,,,,,,,,",
        "GPGGA,110640.00,nan,N,nan,E,1,08,nan,nan,M,nan,M,,",
        "GPGGA,110640.00,0000.0,N,00000.0,E,1,08,0.9,5,M,4,M,,",
        "GPGGA,110640.00,1e400,N,1e5,E,1,08,inf,1e999,M,4,M,,",
        "GPGGA",
        "GPRMC",
        "GPRMC,110640.00,A,4807.0,N,01600.0,E,,,320126,,,A",
        "GPGSV,1,1,00",
        "PUBX,00",
    ],
)
def test_sentences_that_say_nothing(body: str) -> None:
    try:
        found = parse_sentence(sentence(body))
    except GpsGarbledError:
        return
    assert found is None or (isinstance(found, GgaSentence) and found.position is None)


FIELD = st.text(st.characters(codec="ascii", exclude_characters="$*,\r\n"), max_size=12)


@given(
    st.binary(max_size=100)
    | st.tuples(st.sampled_from(["GPGGA", "GNGGA", "GPRMC"]), st.lists(FIELD, max_size=16)).map(
        lambda parts: sentence(",".join((parts[0], *parts[1])))
    )
)
def test_any_sentence_is_a_value_or_one_error(line: bytes) -> None:
    try:
        found = parse_sentence(line)
    except GpsGarbledError:
        return
    if isinstance(found, GgaSentence) and found.position is not None:
        sane(Fix(found.position, None, T0))
    assert found is None or isinstance(found, GgaSentence | RmcSentence)


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_any_stream_is_passed_over(pieces: list[bytes]) -> None:
    for fix in fixes_from(*pieces, b"x" * 5 * LONGEST_SENTENCE, b"\n", rmc(T0, 48.0, 16.0)):
        sane(fix)
    place = (HOME.latitude_deg, HOME.longitude_deg)
    assert fixes_from(*pieces, b"\n", rmc(T0, *place), gga(T0, *place))


# --- home -----------------------------------------------------------------------------------------


def at(north_m: float, height_m: float | None = 592.3, error_m: float | None = 5.0) -> Position:
    return Position(
        HOME.latitude_deg + north_m / DEGREE_M, HOME.longitude_deg, height_m, error_m, "3D"
    )


def test_distance() -> None:
    """A minute of latitude is a nautical mile, 1852 m, at 45 degrees (its definition once; 1851 to
    1853 m at 48)."""
    minute = Position(HOME.latitude_deg + 1 / 60, HOME.longitude_deg, None, None, "2D")
    assert distance_m(HOME, minute) == pytest.approx(1852.0, abs=2.0)
    assert distance_m(HOME, at(0.0)) == pytest.approx(0.0, abs=1e-6)
    assert distance_m(HOME, at(0.0, height_m=692.3)) == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("north_m", "error_m", "hz", "tells"),
    [
        (5.0, 5.0, 9.0, False),
        (500.0, 5.0, 0.01, False),
        (500.0, 5.0, -2.0, True),
        (500.0, 5.0, math.nan, True),
        (80.0, 90.0, 9.0, False),
        (80.0, None, 9.0, True),
    ],
)
def test_a_move_tells_when_it_is_one_and_costs(
    north_m: float, error_m: float | None, hz: float, tells: bool
) -> None:
    move = move_from(HOME, at(north_m, error_m=error_m), lambda a, b: hz, 0.5)
    assert move.significant is tells
    assert f"{north_m:.0f} m from home" in move.text and "JN88gc" in move.text


def test_what_may_be_home() -> None:
    assert home_from(at(0.0)).height_m == 592.3
    for poor in (at(0.0, height_m=None), at(0.0, error_m=150.0)):
        with pytest.raises(InputError, match="gps"):
            home_from(poor)
    assert not worth_moving(HOME, at(AT_LEAST_M - 1).site())
    assert worth_moving(HOME, at(AT_LEAST_M + 1).site())


def test_home_needs_fixes_that_agree() -> None:
    steady = SteadyHome()
    wander_m = [0.0, 4.0, -3.0, 2.0, -1.0]
    found = [steady.add(at(m)) for m in wander_m]
    assert found[: STEADY_FIXES - 1] == [None] * (STEADY_FIXES - 1)
    site = found[-1]
    assert site is not None
    north_m = (site.latitude_deg - HOME.latitude_deg) * DEGREE_M
    assert north_m == pytest.approx(0.4, abs=1e-3)
    assert steady.add(at(300.0)) is None, "a jump starts it again"
    for _ in range(STEADY_FIXES - 2):
        assert steady.add(at(300.0)) is None
    assert steady.add(at(300.0)) is not None
    assert steady.add(at(300.0, height_m=None)) is None
    assert steady.add(at(300.0)) is None


def test_steady_beside_the_180_degree_meridian() -> None:
    steady = SteadyHome()
    for n in range(STEADY_FIXES):
        longitude_deg = (179.99999, -179.99999)[n % 2]
        site = steady.add(Position(-17.0, longitude_deg, 10.0, 5.0, "3D"))
    assert site is not None and abs(site.longitude_deg) > 179.9999


@pytest.mark.parametrize("longitude_deg", [-180.0, 180.0])
def test_edges_are_places(longitude_deg: float) -> None:
    place = checked_position(90.0, longitude_deg, 0.0, 1.0, "3D")
    assert place is not None and len(place.locator) == 10


def test_home_follows_the_van_but_not_under_rf() -> None:
    homes: list[Site] = []
    keyed = False
    keeper = HomeKeeper(GpsSettings(source="gpsd", use_for_home=True), homes.append)

    def drive(north_m: float, fixes: int = STEADY_FIXES, **changes: Any) -> None:
        for _ in range(fixes):
            keeper.take(Fix(at(north_m, **changes), T0, T0), transmitting=keyed)

    assert "no steady fix" in keeper.doubt(), "so there is no transmitting"
    drive(0.0, fixes=STEADY_FIXES - 1)
    assert not homes and keeper.doubt()
    drive(0.0)
    assert len(homes) == 1 and keeper.doubt() == ""
    drive(20.0, fixes=100)
    assert len(homes) == 1, "that is wandering"
    keyed = True
    drive(2000.0)
    assert len(homes) == 1
    assert "has moved" in keeper.doubt(), "what is keyed drops"
    keyed = False
    drive(2000.0, fixes=1)
    assert len(homes) == 2 and keeper.doubt() == ""
    assert (homes[1].latitude_deg - HOME.latitude_deg) * DEGREE_M == pytest.approx(2000.0)
    drive(5000.0, height_m=None)
    assert len(homes) == 2, "two dimensions are not enough"
    assert "has moved" in keeper.doubt(), "but enough to know"
    drive(2000.0)
    assert len(homes) == 2 and keeper.doubt() == "", "back again"
    for n in range(20):
        keeper.take(Fix(at(2000.0 + 50.0 * n), T0, T0), transmitting=keyed)
    assert len(homes) == 2 and "has moved" in keeper.doubt(), "on the road"


def test_home_as_configured_stays() -> None:
    homes: list[Site] = []
    keeper = HomeKeeper(GpsSettings(source="gpsd"), homes.append)
    for _ in range(20):
        keeper.take(Fix(at(5000.0), T0, T0), transmitting=False)
    assert not homes and keeper.doubt() == ""


# --- the clock ------------------------------------------------------------------------------------


def test_what_a_fix_says_of_the_clock() -> None:
    def ahead(later_s: float) -> tuple[float, float]:
        between = clock_ahead_s(Fix(at(0.0), T0, T0 + later_s))
        assert between is not None
        return between

    for late_s in (0.0, 0.1, 0.5, 1.0):  # a right clock, a report so late
        low_s, high_s = ahead(late_s)
        assert low_s <= 0.0 <= high_s
    for error_s in (-5.0, 5.0, 3600.0):
        low_s, high_s = ahead(error_s + 0.3)
        assert low_s <= error_s <= high_s
        assert low_s > 0.0 or high_s < 0.0
    assert clock_ahead_s(Fix(at(0.0), None, T0)) is None


def test_findings() -> None:
    def found(fix: Fix | None, hz: float = 0.1) -> dict[str, tuple[str, str]]:
        lines = fix_findings(fix, "no fix within 5 s", HOME, lambda a, b: hz, 0.5)
        return {line.what: (line.level, line.text) for line in lines}

    assert found(None) == {"GPS": ("note", "no fix within 5 s")}
    right = found(Fix(at(3.0), T0, T0 + 0.2))
    assert [level for level, _ in right.values()] == ["ok"] * 3
    assert found(Fix(at(3000.0), T0, T0 + 0.2), hz=3.0)["GPS, home"][0] == "note"
    level, text = found(Fix(at(3.0), T0, T0 - 2.0))["GPS, time"]
    assert level == "fail" and "at least 1.9 s behind" in text
    assert "at least 5.0 s ahead" in found(Fix(at(3.0), T0, T0 + 6.1))["GPS, time"][1]
    assert "GPS, time" not in found(Fix(at(3.0), None, T0))


# --- following ------------------------------------------------------------------------------------


@asynccontextmanager
async def following(settings: GpsSettings) -> AsyncIterator[tuple[GpsWatch, asyncio.Queue[Fix]]]:
    got: asyncio.Queue[Fix] = asyncio.Queue()
    watch = GpsWatch(settings, SystemClock())
    task = asyncio.create_task(watch.run(got.put_nowait))
    try:
        async with within(20.0):
            yield watch, got
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


Session = Callable[[asyncio.StreamReader, asyncio.StreamWriter, int], Any]


@asynccontextmanager
async def fake_gpsd(session: Session) -> AsyncIterator[int]:
    """session: what it does with the n-th connection; it then ends it."""
    count = 0

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal count
        count += 1
        try:
            await session(reader, writer, count)
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


def test_gpsd_comes_back_after_garbage_halves_and_floods() -> None:
    async def session(
        reader: asyncio.StreamReader, writer: asyncio.StreamWriter, number: int
    ) -> None:
        assert (await reader.readline()).startswith(b"?WATCH=")
        writer.write(b"\xff\xff garbage\n" + b"x" * (3 * LONGEST_LINE) + b"\n{}\n")
        writer.write(tpv(lat=math.nan) + b"\n" + tpv(mode=1) + b"\n")
        writer.write(tpv(lat=10.0 + number) + b"\n" + tpv()[:40])
        await writer.drain()

    async def main() -> None:
        async with (
            fake_gpsd(session) as port,
            following(GpsSettings(source="gpsd", port=port)) as (watch, got),
        ):
            assert math.isinf(watch.age_s())
            assert [(await got.get()).position.latitude_deg for _ in range(2)] == [11.0, 12.0]
            assert watch.fixes == 2 and watch.age_s() < 5.0
            while not watch.problem:
                await asyncio.sleep(0.01)
            assert "ended the connection" in watch.problem

    asyncio.run(main())


def test_no_gpsd_is_said() -> None:
    async def main() -> None:
        async with fake_gpsd(lambda *all: asyncio.sleep(0)) as port:
            pass
        async with following(GpsSettings(source="gpsd", port=port)) as (watch, _):
            while not watch.problem:
                await asyncio.sleep(0.01)
            assert "GPS" in watch.problem or "gpsd" in watch.problem
        async with following(GpsSettings()) as (watch, _):
            await asyncio.sleep(0.01)
            assert watch.problem == "", "there is none, and that is no problem"

    asyncio.run(main())


def test_the_receiver_as_a_source_of_time() -> None:
    clock = SystemClock()

    async def session(
        reader: asyncio.StreamReader, writer: asyncio.StreamWriter, number: int
    ) -> None:
        while True:
            now = datetime.fromtimestamp(clock.utc_s() - 0.2, UTC)
            writer.write(tpv(time=now.isoformat()) + b"\n")
            await writer.drain()
            await asyncio.sleep(0.05)

    async def main() -> None:
        async with (
            fake_gpsd(session) as port,
            following(GpsSettings(source="gpsd", port=port)) as (watch, got),
        ):
            read = gps_reader(watch)
            assert await read() is None
            await got.get()
            first = await read()
            await got.get()
            second = await read()
            assert first is not None and second is not None
            assert first.synchronised and first.bound_s == pytest.approx(0.9, abs=0.15)
            assert first.compared != second.compared

    asyncio.run(main())


class SerialReceiver:
    """The receiver's side of a pseudo-terminal."""

    def __init__(self) -> None:
        self.ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.path = os.ttyname(self._theirs)

    def unplug(self) -> None:
        os.close(self.ours)
        os.close(self._theirs)


def test_nmea_on_a_serial_port_and_gone(caplog: pytest.LogCaptureFixture) -> None:
    async def main() -> None:
        receiver = SerialReceiver()
        settings = GpsSettings(source="nmea", device=receiver.path)
        async with following(settings) as (watch, got):
            place = (HOME.latitude_deg, HOME.longitude_deg)

            async def send() -> None:
                for n in range(200):
                    os.write(receiver.ours, rmc(T0 + n, *place) + gga(T0 + n, *place))
                    await asyncio.sleep(0.02)

            sending = asyncio.create_task(send())
            fix = await got.get()
            sending.cancel()
            assert fix.position.latitude_deg == pytest.approx(HOME.latitude_deg, abs=1e-7)
            assert fix.gps_utc_s is not None and fix.gps_utc_s >= T0
            receiver.unplug()
            while not watch.problem:
                await asyncio.sleep(0.01)
            assert receiver.path in watch.problem

    asyncio.run(main())


def test_faults_of_the_receiver_are_recorded(tmp_path: Path) -> None:
    """In the journal, from which the report tells them, and in the state, from which page and MQTT
    do: no fix, and a receiver that is gone."""
    receiver = SerialReceiver()
    config = tmp_path / "station.toml"
    config.write_text(
        f'state_dir = "{tmp_path}/state"\n{LEAST_CONFIG}\n[remote]\nenabled = false\n'
        f'[share]\nenabled = false\n[gps]\nsource = "nmea"\ndevice = "{receiver.path}"\n'
    )

    def recorded() -> list[str]:
        journal = tmp_path / "state" / "journal.sqlite3"
        with suppress(sqlite3.Error), closing(sqlite3.connect(journal)) as rows:
            return [
                str(text)
                for (text,) in rows.execute("SELECT text FROM faults WHERE text LIKE 'GPS%'")
            ]
        return []

    async def until(*beginnings: str) -> None:
        async with within(20.0):
            while len(recorded()) < len(beginnings):
                await asyncio.sleep(0.1)
        found = recorded()
        assert len(found) == len(beginnings), found
        assert all(text.startswith(b) for text, b in zip(found, beginnings, strict=True)), found

    async def main() -> None:
        async with moontrim("run", "--quiet", "--config", str(config)):
            await until("GPS: no fix")
            receiver.unplug()
            await until("GPS: no fix", f"GPS: {receiver.path}")

    asyncio.run(main())


def test_a_lost_fix_is_reported_once_and_so_is_its_end(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sky is blocked; the receiver goes on and says that it has no fix."""
    monkeypatch.setattr("moontrim.gps.receiver.FIX_LOST_S", 1.0)
    caplog.set_level("INFO")

    async def main() -> None:
        receiver = SerialReceiver()
        place, quality = (HOME.latitude_deg, HOME.longitude_deg), 1

        async def send() -> None:
            for n in range(1000):
                status, mode = ("A", "A") if quality else ("V", "N")
                os.write(
                    receiver.ours,
                    rmc(T0 + n, *place, status=status, mode=mode)
                    + gga(T0 + n, *place, quality=quality),
                )
                await asyncio.sleep(0.05)

        settings = GpsSettings(source="nmea", device=receiver.path)
        async with following(settings) as (watch, got), within(20.0):
            sending = asyncio.create_task(send())
            await got.get()
            for now, lost in ((1, False), (0, True), (0, True), (1, False), (1, False)):
                quality = now
                await asyncio.sleep(2.5)
                assert bool(watch.no_fix) is lost
            assert watch.problem == ""
            sending.cancel()
        receiver.unplug()

    asyncio.run(main())
    lines = [record.getMessage() for record in caplog.records if "GPS: " in record.getMessage()]
    assert len(lines) == 2, lines
    assert lines[0].startswith("GPS: no fix") and lines[1].startswith("GPS: fix again after")


# --- settings -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"source": "nmea"}, "needs a device"),
        ({"source": "nmea", "device": "COM1"}, "invalid value"),
        ({"use_for_home": True}, "needs a source"),
        ({"source": "gps"}, "gpsd"),
        ({"host": "a b"}, "spaces"),
        ({"port": 0}, "greater"),
        ({"baud": 3}, "greater"),
        ({"place": 1}, "Extra"),
    ],
)
def test_settings_that_are_none(wrong: dict[str, Any], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        GpsSettings(**wrong)
