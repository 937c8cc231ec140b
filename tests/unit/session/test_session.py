"""Commands change the session or say which field, which value and what is allowed; the disk
keeps it."""

import asyncio
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from moontrim.clock.system import SystemClock
from moontrim.config.settings import Settings, settings_from
from moontrim.errors import InputError
from moontrim.session.commands import (
    AllowTransmit,
    Command,
    Correct,
    NudgeSked,
    SetAgreement,
    SetBand,
    SetPartner,
    SetSked,
    SetTrim,
)
from moontrim.session.saver import SessionSaver
from moontrim.session.session import BandSession, Session, first_session
from moontrim.session.sessionfile import NAME, load_session, save_session
from support.processor import within
from support.tree import ROOT

SETTINGS = settings_from(
    {
        "home": {"locator": "JN88"},
        "partner": {"locator": "KP20"},
        "bands": [
            {
                "name": "144 MHz",
                "sked_hz": 144_120_000,
                "tx_low_hz": 144_000_000,
                "tx_high_hz": 146_000_000,
            },
            {
                "name": "1296 MHz",
                "sked_hz": 1_296_100_000,
                "tx_low_hz": 1_296_000_000,
                "tx_high_hz": 1_297_000_000,
            },
        ],
    },
    "test",
)


def apply(*commands: Command) -> Session:
    session = first_session(SETTINGS)
    for command in commands:
        session = command.apply(session, SETTINGS)
    return session


def test_each_command_does_its_one_thing() -> None:
    session = apply(
        SetSked("test", 144_125_000),
        NudgeSked("test", -500),
        SetTrim("test", rx_hz=3.5),
        SetTrim("test", tx_hz=-2.0),
        SetAgreement("test", "receiver"),
        SetPartner("test", " self "),
        Correct("test", False),
    )
    here = session.band_choices(SETTINGS)
    assert (here.sked_hz, here.rx_trim_hz, here.tx_trim_hz) == (144_124_500, 3.5, -2.0)
    assert session.agreement == "receiver"
    assert session.partner_site(SETTINGS) is None
    assert session.correcting is False


def test_each_band_keeps_its_own_sked() -> None:
    session = apply(SetSked("t", 144_125_000), SetBand("t", "1296 MHz"), NudgeSked("t", 100))
    assert session.band_choices(SETTINGS).sked_hz == 1_296_100_100
    session = SetBand("t", "144 MHz").apply(session, SETTINGS)
    assert session.band_choices(SETTINGS).sked_hz == 144_125_000


@pytest.mark.parametrize(
    ("mhz", "stated_hz", "limit_hz"),
    [
        (144, None, 2000),  # two parts per million, and 2 kHz at least
        (1296, None, 2592),
        (10368, None, 20736),
        (10368, 500, 500),
        (144, 0, 0),
    ],
)
def test_the_largest_trim_of_a_band(mhz: int, stated_hz: int | None, limit_hz: int) -> None:
    band = {
        "name": "band",
        "sked_hz": mhz * 1_000_000 + 100_000,
        "tx_low_hz": mhz * 1_000_000,
        "tx_high_hz": (mhz + 1) * 1_000_000,
    }
    if stated_hz is not None:
        band["trim_limit_hz"] = stated_hz
    settings = settings_from({"home": {"locator": "JN88"}, "bands": [band]}, "test")
    session = first_session(settings)
    for hz in (limit_hz, -limit_hz):
        assert SetTrim("t", hz, hz).apply(session, settings).bands["band"].tx_trim_hz == hz
        with pytest.raises(InputError) as refused:
            SetTrim("t", tx_hz=hz + (1 if hz >= 0 else -1)).apply(session, settings)
        assert refused.value.field == "tx_trim_hz"


@pytest.mark.parametrize(
    ("rx_hz", "tx_hz", "warnings"),
    [
        (0.0, 0.0, ()),
        (1000.0, -1000.0, ()),
        (1000.5, 0.0, ("receive trim +1 000.5 Hz is above 1 000 Hz",)),
        (
            1500.0,
            -1900.0,
            (
                "receive trim +1 500 Hz is above 1 000 Hz",
                "transmit trim -1 900 Hz is above 1 000 Hz",
            ),
        ),
    ],
)
def test_a_trim_above_one_kilohertz_is_warned_of(
    rx_hz: float, tx_hz: float, warnings: tuple[str, ...]
) -> None:
    session = apply(SetTrim("t", rx_hz, tx_hz))
    assert session.trim_warnings(SETTINGS) == warnings
    other_band = SetBand("t", "1296 MHz").apply(session, SETTINGS)
    assert other_band.trim_warnings(SETTINGS) == ()


def test_a_trim_from_before_the_limit_was_lowered_hinders_no_other_command() -> None:
    large = Session(
        band="144 MHz",
        agreement="halves",
        bands={"144 MHz": BandSession(sked_hz=144_120_000, rx_trim_hz=9000.0)},
    )
    moved = SetSked("t", 144_130_000.0).apply(large, SETTINGS).bands["144 MHz"]
    assert (moved.sked_hz, moved.rx_trim_hz) == (144_130_000.0, 9000.0)
    assert SetTrim("t", rx_hz=0.0).apply(large, SETTINGS).bands["144 MHz"].rx_trim_hz == 0.0


@pytest.mark.parametrize(
    ("sked_hz", "by_hz", "whole_hz"),
    [
        (144_120_000.0, 10.0, 144_120_010.0),
        (144_120_000.4, 10.0, 144_120_010.0),  # what was left of an earlier turn is not kept
        (144_120_000.5, 0.0, 144_120_001.0),
        (144_120_000.0, 0.3, 144_120_000.0),
        (144_120_000.0, -0.5, 144_120_000.0),
        (144_120_000.0, -0.6, 144_119_999.0),
    ],
)
def test_a_nudge_ends_on_whole_hertz(sked_hz: float, by_hz: float, whole_hz: float) -> None:
    session = apply(SetSked("t", sked_hz), NudgeSked("t", by_hz))
    assert session.bands["144 MHz"].sked_hz == whole_hz


@pytest.mark.parametrize(
    ("command", "field"),
    [
        (SetSked("t", 147e6), "sked_hz"),
        (SetSked("t", float("nan")), "sked_hz"),
        (NudgeSked("t", float("inf")), "sked_hz"),
        (NudgeSked("t", -1e9), "sked_hz"),
        (SetTrim("t", rx_hz=1e9), "rx_trim_hz"),
        (SetTrim("t", rx_hz=2001.0), "rx_trim_hz"),  # 144 MHz: 2000 Hz
        (SetTrim("t", tx_hz=-2001.0), "tx_trim_hz"),
        (SetTrim("t", tx_hz=float("nan")), "tx_trim_hz"),
        (SetAgreement("t", "both"), "agreement"),
        (SetBand("t", "23 cm"), "band"),
        (SetPartner("t", "nowhere"), "partner"),
        (SetPartner("t", ""), "partner"),
        (SetPartner("t", "North"), "partner"),
    ],
)
def test_refusals_name_the_field(command: Command, field: str) -> None:
    with pytest.raises(InputError) as caught:
        apply(command)
    assert caught.value.field == field
    assert caught.value.expected


@pytest.mark.parametrize("agreement", ["home", "partner"])
def test_with_yourself_as_partner_nobody_else_corrects(tmp_path: Path, agreement: str) -> None:
    for commands in (
        (SetAgreement("t", agreement), SetPartner("t", "self")),
        (SetPartner("t", "self"), SetAgreement("t", agreement)),
    ):
        with pytest.raises(InputError, match="halves, receiver or transmitter, with") as no:
            apply(*commands)
        assert (no.value.field, no.value.value) == ("agreement", agreement)
    saved = apply(SetPartner("t", "self")).model_copy(update={"agreement": agreement})
    save_session(tmp_path, saved)
    assert load_session(tmp_path, SETTINGS).agreement == "halves", "a file that was edited"


def test_survives_a_restart(tmp_path: Path) -> None:
    session = apply(SetSked("t", 144_125_000), SetPartner("t", "JN88AA"), SetTrim("t", rx_hz=1))
    save_session(tmp_path, session)
    assert load_session(tmp_path, SETTINGS) == session
    assert (tmp_path / NAME).stat().st_mode & 0o777 == 0o600
    assert [p.name for p in tmp_path.iterdir()] == [NAME], "no litter"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff\x00",
        b"[]",
        b'{"version": 99, "session": {"band": "144 MHz", "agreement": "halves"}}',
        b'{"version": 1, "session": {"band": "gone", "agreement": "halves"}}',
        b'{"version": 1, "session": {"band": "144 MHz", "agreement": "halves", "partner": "x"}}',
        b'{"version": 1, "session": {"band": "144 MHz", "agreement": "halves", "bands":'
        b' {"144 MHz": {"sked_hz": 999000000}}}}',
    ],
)
def test_an_unusable_file_is_set_aside(
    tmp_path: Path, content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / NAME).write_bytes(content)
    found = load_session(tmp_path, SETTINGS)
    # It permitted transmitting where that can be read; what cannot may have forbidden it.
    permitted = content.startswith(b'{"version": 1,')
    assert found == first_session(SETTINGS).model_copy(update={"tx_allowed": permitted})
    assert (tmp_path / "session.unusable.json").read_bytes() == content
    assert "starting with the defaults" in caplog.text
    assert ("transmit inhibited" in caplog.text) is not permitted


def test_without_a_page_what_cannot_be_read_may_have_forbidden_too(tmp_path: Path) -> None:
    """By `moontrim forbid`; `moontrim permit` permits it again."""
    (tmp_path / NAME).write_bytes(b"{")
    remote = SETTINGS.remote.model_copy(update={"enabled": False})
    alone = SETTINGS.model_copy(update={"remote": remote})
    assert not load_session(tmp_path, alone).tx_allowed
    assert load_session(tmp_path, alone) == first_session(alone), "set aside, and none in its place"


def test_a_disk_that_refuses_is_survived(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")

    async def main() -> None:
        saver = SessionSaver(blocked, SETTINGS, SystemClock())
        for _ in range(3):
            saver.put(first_session(SETTINGS))
            await saver.flush()
        assert saver.problem

    asyncio.run(main())
    assert caplog.text.count("choices not saved") == 1, "said once, not every second"


def test_what_a_disk_refused_is_saved_once_it_takes_it_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forbidden on the phone while the disk was full, it was permitted again after a restart."""
    monkeypatch.setattr("moontrim.session.saver.RETRY_S", 0.05)
    folder = tmp_path / "state"
    folder.write_text("in the way")
    forbidden = AllowTransmit("phone", False).apply(first_session(SETTINGS), SETTINGS)

    async def main() -> None:
        saver = SessionSaver(folder, SETTINGS, SystemClock())
        saving = asyncio.create_task(saver.run())
        saver.put(forbidden)
        async with within(5.0):
            while not saver.problem:
                await asyncio.sleep(0.01)
            folder.unlink()
            while saver.problem:
                await asyncio.sleep(0.01)
        saving.cancel()
        await asyncio.gather(saving, return_exceptions=True)

    asyncio.run(main())
    assert not load_session(folder, SETTINGS).tx_allowed


WRITER = """
import sys
from pathlib import Path
sys.path[:0] = sys.argv[2:]
from moontrim.session.session import BandSession, Session
from moontrim.session.sessionfile import save_session
n = 0
print("ready", flush=True)
while True:
    n += 1
    bands = {"144 MHz": BandSession(sked_hz=144_000_000 + n % 1000)}
    save_session(Path(sys.argv[1]), Session(band="144 MHz", agreement="halves", bands=bands))
"""


def test_kill_at_any_moment_leaves_a_whole_file(
    tmp_path: Path, settings: Settings = SETTINGS
) -> None:
    """Ten times: a process saves without pause and is killed with SIGKILL."""
    roots = [str(ROOT / name) for name in ("daemon", "drivers")]
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path), *roots], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    process.stdout.readline()
    for n in range(10):
        time.sleep(0.01 + 0.003 * n)
        # Stop, look, go on: what a reader sees at any instant is what a kill would leave.
        os.kill(process.pid, 19)
        assert load_session(tmp_path, settings).band == "144 MHz"
        assert not (tmp_path / "session.unusable.json").exists()
        os.kill(process.pid, 18)
    process.kill()
    process.wait()
    process.stdout.close()
    assert load_session(tmp_path, settings).band_choices(settings).sked_hz >= 144_000_000
    assert not (tmp_path / "session.unusable.json").exists()
