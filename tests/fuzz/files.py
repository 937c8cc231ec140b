"""Files on the disk: config, tables, saved state, damaged by a power cut or an editor."""

from __future__ import annotations

import functools
import json
import math
import re
import shutil
import sqlite3
import wave
from importlib import metadata
from pathlib import Path
from typing import cast

from pydantic import BaseModel

from fuzz.target import Target, folder, hold, instead
from moontrim.bench.recording import read_recording
from moontrim.config.bandplan import load_band_plan
from moontrim.config.settings import load_settings
from moontrim.errors import CoverageError, InputError
from moontrim.journal import opening
from moontrim.journal.readonly import open_journal, sessions
from moontrim.journal.schema import NAME as JOURNAL
from moontrim.path.tablefiles import read_table
from moontrim.rehearsal.rehearsal import embedded_settings
from moontrim.remote.broker.accounts import accounts_with_passwords, password_file
from moontrim.remote.broker.passwords import FILE as PASSWORDS
from moontrim.remote.broker.passwords import stored_passwords
from moontrim.report.recorded import read_session
from moontrim.report.sessions import list_sessions
from moontrim.session.selection import selection_of
from moontrim.session.session import TRIM_LIMIT_HZ, Session, first_session
from moontrim.session.sessionfile import NAME as SESSION
from moontrim.session.sessionfile import load_session, save_session
from moontrim.session.skeds import ChooseSked
from moontrim.tuning.correction import AGREEMENTS
from support.journals import T0, journal_file, recorder, seconds

ROOT = Path(__file__).parents[2]
SETTINGS = embedded_settings()


def _written(name: str, data: bytes) -> Path:
    path = folder() / name
    path.write_bytes(data)
    return path


class _Held:
    """A file that is read as a whole, held in memory."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def read_bytes(self) -> bytes:
        return self._data


def _held(data: bytes) -> Path:
    return cast(Path, _Held(data))


# --- config ---------------------------------------------------------------------------------------


# Which drivers are installed is looked up on the disk for every file; here once.
_entry_points = functools.cache(metadata.entry_points)


def config(data: bytes) -> None:
    """Settings that are valid, or one line that says what is wrong."""
    try:
        with instead(metadata, entry_points=_entry_points):
            settings = load_settings(_held(data))
    except InputError as error:
        hold(str(error), "nothing is said")
        return
    _walk(settings)
    settings.state_path()
    for band in settings.bands:
        hold(band.tx_low_hz < band.tx_high_hz, f"{band.name}: no range")
        hold(band.tx_band().dial_hz(band.tx_low_hz) > 0, f"{band.name}: no dial")
    if settings.keying.enabled:
        outputs = settings.keying.outputs
        hold(outputs and outputs[-1].keys_radio, "what keys the radio is not the last")
        hold(not any(one.keys_radio for one in outputs[:-1]), "the radio is keyed before a relay")
        for band in settings.bands:
            hold(band.drive_ceiling is not None or not band.goes_through_transverter, band.name)
    first = first_session(settings)
    hold(first.band_choices(settings).sked_hz > 0, "no sked frequency")
    for sked in settings.skeds:
        chosen = ChooseSked("config", sked.name).apply(first, settings)
        selection_of(chosen, settings)
        hold(chosen.sked == sked.name, "a sked of the config cannot be chosen")


def _walk(value: object, where: str = "") -> None:
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            _walk(getattr(value, name), f"{where}.{name}")
    elif isinstance(value, dict):
        for name, part in value.items():
            _walk(part, f"{where}.{name}")
    elif isinstance(value, tuple | list):
        for part in value:
            _walk(part, where)
    elif isinstance(value, float):
        hold(math.isfinite(value), f"{where} is {value}")
    elif isinstance(value, Path):
        hold("\0" not in str(value), f"{where} can be no path")


_SMALL = b"""[home]
locator = "JN88"
[[bands]]
name = "144 MHz"
sked_hz = 144_120_000
tx_low_hz = 144_000_000
tx_high_hz = 146_000_000
"""
_CONFIGS = (
    _SMALL,
    _SMALL + b'[radio]\ndriver = "civ"\noptions = { port = "/dev/ttyUSB0", address = 148 }\n',
    b'partner = "north"\n' + _SMALL + b'[[partners]]\nname = "North"\nlocator = "KP20"\n[[skeds]]\n'
    b'name = "a"\nband = "144 MHz"\nsked_hz = 144_125_000\ntx_sked_hz = 144_126_000\n'
    b'partner = "NORTH"\nagreement = "home"\nover_s = 30.0\nnote = "x"\n',
    b'state_dir = "x"\n' + _SMALL + b'[gps]\nsource = "gpsd"\n[clock]\nmax_error_ms = 500.0\n',
    *(
        re.sub(rb"(?m)^#.*\n| +#.*$", b"", (ROOT / "config" / name).read_bytes())
        for name in ("sequenced-10g.toml", "home-144.toml")
    ),
)
_CONFIG_TOKENS = (
    *(
        b"nan",
        b"inf",
        b"-inf",
        b"true",
        b"1979-05-27",
        b'"\\u0000"',
        b"[" * 1200,
        b"{a=" * 900,
        b"]",
    ),
    *(b'\n[partner]\nlocator = "KP20"\n', b'\npartner = "self"\n', b"\n[keying]\nenabled = true\n"),
    *(b"\nstation.horizon = [[nan, 1]]\n", b"_uncertainty_ppb = nan\n", b"deadline_s = nan\n"),
    *(b"\ndial_error_hz = nan\n", b"\nreference_error_ppb = nan\n", b"\nover_s = nan\n"),
    *(b"\nheight_m = nan\n", b"\ndrive_ceiling = nan\n", b"\naccuracy_m = nan\n", b'"""', b"'"),
    *(
        b'\n[data]\nearth_orientation_file = "\\u0000"\n',
        b"\n[forecast]\ndays = 3\n",
        b"\x00",
        b"\xff",
    ),
)

# --- the saved session ----------------------------------------------------------------------------


def session(data: bytes) -> None:
    """Loading returns a session that fits the config, whatever the file holds. A file that cannot
    be read does not permit to transmit."""
    path = _written(SESSION, data)
    result = load_session(path.parent, SETTINGS)
    choices, band = result.band_choices(SETTINGS), SETTINGS.band(result.band)
    tx_hz = result.tx_sked_hz(SETTINGS)
    hold(band.tx_low_hz <= tx_hz <= band.tx_high_hz, f"sked {choices}")
    hold(band.band().dial_hz(choices.sked_hz) > 0, f"sked {choices}")
    hold(len(selection_of(result, SETTINGS).skeds) == len(result.skeds), "a sked is lost")
    hold(max(abs(choices.rx_trim_hz), abs(choices.tx_trim_hz)) <= TRIM_LIMIT_HZ, f"{choices}")
    hold(result.agreement in AGREEMENTS, result.agreement)
    result.partner_site(SETTINGS)
    if result.tx_allowed:
        try:
            permitted = json.loads(data)["session"].get("tx_allowed", True)
        except (ValueError, RecursionError, TypeError, KeyError, AttributeError):
            permitted = False
        hold(permitted, "a file that cannot be read, or forbids, permits to transmit")


def _saved(**changes: object) -> bytes:
    raw = first_session(SETTINGS).model_dump() | changes
    save_session(folder(), Session.model_validate(raw))
    return (folder() / SESSION).read_bytes()


_SESSIONS = (
    _saved(),
    _saved(tx_allowed=False, correcting=False, partner="self"),
    _saved(bands={"10 GHz": {"sked_hz": 10_368_105_000.0, "rx_trim_hz": 1.5}}, agreement="home"),
    _saved(
        sked="north",
        bands={"10 GHz": {"sked_hz": 10_368_105_000.0, "tx_shift_hz": 1000.0, "over_s": 30.0}},
        skeds=[{"name": "north", "band": "gone", "sked_hz": 144_120_000, "partner": "KP20"}],
    ),
)
_SESSION_TOKENS = (
    *(
        b"true",
        b"false",
        b"null",
        b"NaN",
        b"1e999",
        b"[" * 900,
        b'{"a":' * 400,
        b'"\\ud800"',
        b'""',
    ),
    *(b'"10 GHz"', b'"bands":', b"{}", b"10368105000", b'"version": 2', b"\x00", b'"no"', b'"off"'),
)

# --- the journal ----------------------------------------------------------------------------------


@functools.cache
def _journal() -> bytes:
    """Returns the bytes of a journal with one minute of a session."""
    journal_folder = folder() / "made"
    file = journal_file(journal_folder)
    for records in seconds(recorder(), T0, 60):
        file.write(records)
    file.close()
    made = sqlite3.connect(journal_folder / JOURNAL)
    made.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    made.close()
    return (journal_folder / JOURNAL).read_bytes()


class _SetAside(Exception):
    """Raised once a damaged journal is set aside: what follows is the same every time, and takes
    half of the time."""


def _set_aside(path: Path, utc_s: float, reason: str) -> None:
    _really_set_aside(path, utc_s, reason)
    raise _SetAside


_really_set_aside = opening.set_aside


def journal(data: bytes) -> None:
    """Damages a journal: each four bytes are a position and what to write there; one byte more cuts
    it off there. Readers report the damage; a writer can write to it or sets it aside."""
    whole = bytearray(_journal())
    for at in range(0, len(data) - 3, 4):
        where = int.from_bytes(data[at : at + 3], "big") % len(whole)
        whole[where] = data[at + 3]
    if len(data) % 4 == 1:
        whole = whole[: len(whole) * (data[-1] + 1) // 256]
    journal_folder = folder() / "read"
    shutil.rmtree(journal_folder, ignore_errors=True)
    journal_folder.mkdir()
    path = journal_folder / JOURNAL
    path.write_bytes(whole)
    try:
        opened = open_journal(path)
    except InputError:
        opened = None
    if opened is not None:
        try:
            for read in (sessions, list_sessions, lambda some: read_session(some, None)):
                try:
                    read(opened)
                except InputError:
                    continue
        finally:
            opened.close()
    try:
        with instead(opening, set_aside=_set_aside):
            opening.open_to_write(journal_folder, float(T0), check=True).close()
    except _SetAside:
        stored = list(journal_folder.iterdir())
        hold(not any(path.with_name(JOURNAL + one).exists() for one in opening.BESIDE), f"{stored}")
        hold(any(one.read_bytes() == whole for one in stored), "what is set aside is not kept")


_PATCHES = (
    bytes((0, 0, 16, 0)),  # page size
    bytes((0, 0, 68, 9)),  # whose file it is
    bytes((0, 0, 63, 2)),  # version
    bytes((0, 0, 100, 0)) + bytes((0, 0, 103, 200)),  # kind and cells of the first page
    bytes((0, 16, 0, 2, 0, 16, 5, 255, 0, 17, 3, 7, 99)),
    bytes((0, 31, 240, 65, 0, 47, 250, 250, 0, 95, 220, 1)),
    bytes((200,)),
)

# --- tables ---------------------------------------------------------------------------------------


DAYS = 30


@functools.cache
def _rows() -> bytes:
    """Returns a table in the format of finals2000A with made-up numbers and one leap second, for
    one month: all rows are read alike."""
    lines = []
    for day in range(DAYS):
        x, y, ut1 = 0.1 + day / 1e4, 0.3 - day / 1e4, -0.2 - day * 0.003 + (day >= 20)
        pole = f"I {x:9.6f}{0.00009:9.6f} {y:9.6f}{0.00009:9.6f}"
        date = f"73{day // 31 % 12 + 1:2d}{day % 28 + 1:2d} {41684 + day:8.2f}"
        lines.append(f"{date} {pole}  I{ut1:10.7f}{0.00001:10.7f}".ljust(120))
    return "\n".join(lines).encode() + b"\n"


def earth_table(data: bytes) -> None:
    """Three bytes are the position in a table where the text up to the next zero byte is put.
    Loading raises CoverageError or returns finite numbers everywhere."""
    rows = bytearray(_rows())
    while len(data) > 3:
        at = int.from_bytes(data[:3], "big") % len(rows)
        text, _, data = data[3:].partition(b"\0")
        rows[at : at + len(text)] = text
    if data:
        rows = rows[: len(rows) * (data[0] + 1) // 256]
    try:
        table = read_table(_held(bytes(rows)))
    except CoverageError:
        return
    hold(table.first_utc_s < table.last_utc_s, "no range")
    hold(table.tai_minus_utc_s(table.first_utc_s) == 12, "leap seconds are miscounted")
    for share in (0.01, 0.37, 0.5, 0.82, 0.99):
        utc_s = table.first_utc_s + share * (table.last_utc_s - table.first_utc_s)
        result = table.at(utc_s)
        values = (result.ut1_minus_utc_s, result.uncertainty_s, result.pole_uncertainty_arcsec)
        numbers = (*values, result.pole_x_arcsec, result.pole_y_arcsec)
        hold(all(map(math.isfinite, numbers)), f"{result}")
        hold(result.uncertainty_s >= 0.0 and result.pole_uncertainty_arcsec >= 0.0, f"{result}")


def _patch(row: int, column: int, text: bytes) -> bytes:
    return (row * 121 + column).to_bytes(3, "big") + text + b"\0"


_TABLE_PATCHES = (
    b"",
    _patch(15, 18, b"      nan"),
    _patch(3, 58, b"       nan"),
    _patch(9, 37, b"       inf"),
    _patch(0, 7, b"61000.00") + _patch(1, 68, b"-0.0000100"),
    _patch(DAYS - 1, 57, b"P 0.1000000\n") + b"\x7f",
)
_TABLE_TOKENS = (
    *(b" nan     ", b" inf     ", b"-", b"\n", b"P", b"I", b"         ", b"1e9", b"\x00", b"\xff"),
    *(b"  I 0.0500000 0.0000100", b"61000.00"),
)


def band_plan(data: bytes) -> None:
    """InputError, or remarks."""
    try:
        plan = load_band_plan(_held(data))
    except InputError:
        return
    for hz in (1.0, 144_100_000.0, 1e12):
        hold(isinstance(plan.remark(hz), str), "no remark")


_PLAN = b"""dated = 2026-01-01
[[segments]]
band = "144 MHz"
low_hz = 144_000_000
high_hz = 146_000_000
moonbounce_hz = [[144_100_000, 144_150_000]]
"""

# --- passwords ------------------------------------------------------------------------------------


def passwords(data: bytes) -> None:
    """Each account gets a usable password, and only the owner can read the file."""
    path = _written(PASSWORDS, data)
    path.chmod(0o644)
    accounts = accounts_with_passwords(SETTINGS.remote)
    stored, _ = stored_passwords(path.parent, accounts)
    hold(set(stored) == set(accounts), "an account without a password")
    hold(all(8 <= len(password) <= 128 for password in stored.values()), "a password that is none")
    hold(not path.stat().st_mode & 0o077, "others can read the passwords")
    hold(len(password_file(stored).splitlines()) == len(accounts), "not one line an account")


_PASSWORDS = (
    b'{"phone": "abcd-efgh-jkmn", "viewer": "pqrs-tuvw-xyz2"}',
    b'{"phone": "short"}',
    b"[]",
)
_PASSWORD_TOKENS = (
    b'"\\ud800aaaaaaaa"',
    b'"a\\nb:cdefgh"',
    b"[" * 1500,
    b"null",
    b"7",
    b'"',
    b"{}",
)

# --- recordings -----------------------------------------------------------------------------------


@functools.cache
def _sound() -> bytes:
    path = folder() / "made.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(1)
        file.setframerate(8000)
        file.writeframes(bytes(128 + (n * 7) % 100 for n in range(900)))
    return path.read_bytes()


def recording(data: bytes) -> None:
    """InputError, or finite samples."""
    try:
        result = read_recording(_written("sound.wav", data))
    except InputError:
        return
    hold(math.isfinite(float(abs(result.samples).max())), "samples that are no numbers")
    hold(result.rate_hz > 0.0 and result.duration_s > 0.0, "no length")


_SOUND_TOKENS = (
    b"RIFF",
    b"WAVE",
    b"fmt ",
    b"data",
    b"\x03\x00",
    b"\xff\xff\xff\xff",
    bytes(4),
    b"FORM",
)

TARGETS = (
    Target("config", config, _CONFIGS, _CONFIG_TOKENS),
    Target("session", session, _SESSIONS, _SESSION_TOKENS),
    Target("journal", journal, _PATCHES),
    Target("earth-table", earth_table, _TABLE_PATCHES, _TABLE_TOKENS),
    Target("band-plan", band_plan, (_PLAN,), _CONFIG_TOKENS),
    Target("passwords", passwords, _PASSWORDS, _PASSWORD_TOKENS),
    Target("recording", recording, (_sound(),), _SOUND_TOKENS),
)
