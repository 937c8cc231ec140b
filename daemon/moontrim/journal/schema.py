"""The tables of a journal: the meaning of the columns, and the units in which they are stored.

Times are POSIX seconds of UTC. Numbers of `seconds` are stored as whole numbers, for which SQLite
takes as few bytes as each needs, in the table `seconds_raw`; readers use the view `seconds`, which
turns them into hertz and degrees:

session_id        of `sessions`
utc_s             the UTC second that was planned; a second without a tick has no row
at_utc_s          the instant, to the microsecond, that all of this row holds for: the tick comes
                  0.3 s before its second begins
tracking          code; its text is in `names` under kind 'tracking'
context_id        of `contexts`: band, frequencies, agreement, partner, trims, sked of that second
rx_ideal_hz       ideal dial at at_utc_s, to 1e-4 Hz; NULL while nothing is planned; tx_ likewise
rx_dial_hz        dial as read back; NULL while not known, or without split for the one not in use
rx_residual_hz    rx_dial_hz - rx_ideal_hz
rx_correction_hz  ideal on-air minus sked frequency, without the trim (see `session.selection`)
elevation_deg, azimuth_deg, partner_elevation_deg   apparent; NULL: Doppler not available, own echo
transmitting      0 or 1; NULL: not known
keying            code; its text is in `names` under kind 'keying'
lateness_ms       of the tick; NULL for the first one and after a step of the clock
clock_bound_ms    how wrong the clock may be; NULL: not known

The view `steps` has a row for each change of a dial (see `rig.steplog`), in POSIX seconds to the
microsecond: dial ('rx' or 'tx'), dial_hz from moved_utc_s on, and the instants planned_utc_s (NULL:
not by a plan), sent_utc_s and confirmed_utc_s.

A `keying_edges` row is the instant at which the transmit sequence came into a state: keying is its
code, as in `seconds`.

A `contexts` row holds from from_utc_s until the next of the same session; its sked is the name of
the chosen one, empty for none, and its over_s the duration of an over for which `mid_over` sets the
transmit dial. A `faults` row with to_utc_s NULL is still going on."""

from __future__ import annotations

APPLICATION_ID = 0x4D54726A  # "MTrj", in the SQLite header, says whose file it is
VERSION = 3
NAME = "journal.sqlite3"

PER_HZ = 10_000  # hertz are stored as ten-thousandths, degrees as thousandths
PER_DEG = 1_000
PER_S = 1_000_000
US_PER_MS = 1_000

TABLES = (
    """CREATE TABLE sessions (
        id INTEGER PRIMARY KEY,
        began_utc_s REAL NOT NULL,
        ended_utc_s REAL,
        version TEXT NOT NULL,
        station_json TEXT NOT NULL)""",
    """CREATE TABLE contexts (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL,
        from_utc_s REAL NOT NULL,
        band TEXT NOT NULL,
        sked_hz REAL NOT NULL,
        tx_sked_hz REAL NOT NULL,
        agreement TEXT NOT NULL,
        partner TEXT NOT NULL,
        rx_trim_hz REAL NOT NULL,
        tx_trim_hz REAL NOT NULL,
        correcting INTEGER NOT NULL,
        sked TEXT NOT NULL,
        over_s REAL NOT NULL)""",
    """CREATE TABLE seconds_raw (
        session_id INTEGER NOT NULL,
        utc_s INTEGER NOT NULL,
        at_us INTEGER NOT NULL,
        tracking INTEGER NOT NULL,
        context_id INTEGER NOT NULL,
        rx_ideal_e4 INTEGER,
        rx_dial_hz INTEGER,
        rx_correction_e4 INTEGER,
        tx_ideal_e4 INTEGER,
        tx_dial_hz INTEGER,
        tx_correction_e4 INTEGER,
        elevation_e3 INTEGER,
        azimuth_e3 INTEGER,
        partner_elevation_e3 INTEGER,
        transmitting INTEGER,
        keying INTEGER NOT NULL,
        lateness_ms INTEGER,
        clock_bound_us INTEGER,
        PRIMARY KEY (session_id, utc_s)) WITHOUT ROWID""",
    """CREATE TABLE steps_raw (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL,
        utc_s INTEGER NOT NULL,
        tx INTEGER NOT NULL,
        dial_hz INTEGER NOT NULL,
        planned_us INTEGER,
        sent_us INTEGER NOT NULL,
        moved_us INTEGER NOT NULL,
        confirmed_us INTEGER NOT NULL)""",
    """CREATE TABLE keying_edges (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL,
        at_utc_s REAL NOT NULL,
        keying INTEGER NOT NULL,
        "by" TEXT NOT NULL)""",
    """CREATE TABLE commands (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL,
        at_utc_s REAL NOT NULL,
        "by" TEXT NOT NULL,
        what TEXT NOT NULL,
        outcome TEXT NOT NULL)""",
    """CREATE TABLE faults (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL,
        from_utc_s REAL NOT NULL,
        to_utc_s REAL,
        kind TEXT NOT NULL,
        text TEXT NOT NULL)""",
    """CREATE TABLE budgets (
        session_id INTEGER NOT NULL,
        at_utc_s REAL NOT NULL,
        rx_error_95_hz REAL,
        tx_error_95_hz REAL,
        largest TEXT NOT NULL,
        advice TEXT NOT NULL,
        json TEXT NOT NULL,
        PRIMARY KEY (session_id, at_utc_s)) WITHOUT ROWID""",
    """CREATE TABLE names (
        kind TEXT NOT NULL,
        code INTEGER NOT NULL,
        text TEXT NOT NULL,
        PRIMARY KEY (kind, code)) WITHOUT ROWID""",
    f"""CREATE VIEW seconds AS SELECT
        session_id,
        utc_s,
        utc_s + at_us / {PER_S}.0 AS at_utc_s,
        tracking,
        context_id,
        rx_ideal_e4 / {PER_HZ}.0 AS rx_ideal_hz,
        rx_dial_hz,
        (rx_dial_hz * {PER_HZ} - rx_ideal_e4) / {PER_HZ}.0 AS rx_residual_hz,
        rx_correction_e4 / {PER_HZ}.0 AS rx_correction_hz,
        tx_ideal_e4 / {PER_HZ}.0 AS tx_ideal_hz,
        tx_dial_hz,
        (tx_dial_hz * {PER_HZ} - tx_ideal_e4) / {PER_HZ}.0 AS tx_residual_hz,
        tx_correction_e4 / {PER_HZ}.0 AS tx_correction_hz,
        elevation_e3 / {PER_DEG}.0 AS elevation_deg,
        azimuth_e3 / {PER_DEG}.0 AS azimuth_deg,
        partner_elevation_e3 / {PER_DEG}.0 AS partner_elevation_deg,
        transmitting,
        keying,
        lateness_ms,
        clock_bound_us / {US_PER_MS}.0 AS clock_bound_ms
        FROM seconds_raw""",  # noqa: S608 (our own numbers)
    f"""CREATE VIEW steps AS SELECT
        session_id,
        CASE tx WHEN 0 THEN 'rx' ELSE 'tx' END AS dial,
        dial_hz,
        utc_s + planned_us / {PER_S}.0 AS planned_utc_s,
        utc_s + sent_us / {PER_S}.0 AS sent_utc_s,
        utc_s + moved_us / {PER_S}.0 AS moved_utc_s,
        utc_s + confirmed_us / {PER_S}.0 AS confirmed_utc_s
        FROM steps_raw""",  # noqa: S608 (our own numbers)
)


def insert(table: str, columns: int) -> str:
    """Returns a statement that writes one whole row. Executed again after a failure, it writes the
    same row."""
    verb = "OR IGNORE" if table == "seconds_raw" else "OR REPLACE"
    return f"INSERT {verb} INTO {table} VALUES ({', '.join('?' * columns)})"  # noqa: S608
