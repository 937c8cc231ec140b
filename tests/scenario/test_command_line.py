"""The command line as its user meets it: what it prints, its exit codes, and one line for each
mistake."""

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from moontrim.cli.main import COMMANDS, main
from support.moontrim_process import LEAST_CONFIG
from support.rigctld import free_port

AT = "2026-11-25T20:00:00Z"
PATH = ["path", "--home", "JN88DD", "--partner", "self", "--at", AT, "--frequency", "10368.1e6"]
FORECAST = ["forecast", "--home", "JN88DD", "--partner", "KP20", "--frequency"]
SITE_KEYS = {
    "latitude_deg", "longitude_deg", "height_m", "azimuth_deg", "elevation_deg",
    "geometric_elevation_deg", "distance_km",
}  # fmt: skip
LEG_KEYS = {"delay_s", "doppler_hz", "doppler_rate_hz_per_s", "troposphere_hz", "spread_hz"}
LEGS = {"home_to_moon", "moon_to_home", "home_to_home", "partner_to_home", "home_to_partner"}


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    # On ports of its own: `check` looks whether they are taken, and other tests may take the usual.
    page, broker, share = (free_port() for _ in range(3))
    ports = f"[remote]\nhttp_port = {page}\nport = {broker}\n[share]\nport = {share}\n"
    path.write_text(f'state_dir = "{tmp_path}"\n{LEAST_CONFIG}{ports}')
    return path


def said(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(arguments) == code, capsys.readouterr()
    return capsys.readouterr().out


# --- path ---


def test_path_has_the_promised_shape(capsys: pytest.CaptureFixture[str]) -> None:
    report = json.loads(said(capsys, *PATH, "--json"))
    assert {"at", "frequency_hz", "home", "partner", "legs"} <= report.keys()
    assert report["frequency_hz"] == 10368.1e6
    assert set(report["home"]) >= SITE_KEYS and set(report["partner"]) >= SITE_KEYS
    assert set(report["legs"]) == LEGS
    for leg in report["legs"].values():
        assert set(leg) >= LEG_KEYS
        assert all(isinstance(leg[key], float) for key in LEG_KEYS)
    assert report["legs"]["home_to_home"] == report["legs"]["partner_to_home"], (
        "self is our own echo"
    )
    echo = report["legs"]["home_to_home"]
    assert 2.3 < echo["delay_s"] < 2.8, "there and back at 356,000 to 407,000 km"
    assert abs(echo["doppler_hz"]) < 30_000, "rotation and orbit allow no more at 10 GHz"


def test_several_instants_make_a_list(capsys: pytest.CaptureFixture[str]) -> None:
    later = "2026-11-25T22:00:00+01:00"
    reports = json.loads(said(capsys, *PATH, "--at", later, "--json"))
    assert len(reports) == 2
    first, second = (report["legs"]["home_to_home"]["doppler_hz"] for report in reports)
    assert first != second
    naive = json.loads(said(capsys, *PATH[:5], "--at", "2026-11-25T21:00:00", *PATH[7:], "--json"))
    assert naive["legs"] == reports[1]["legs"], "no zone means UTC"


def test_without_the_air(capsys: pytest.CaptureFixture[str]) -> None:
    with_air = json.loads(said(capsys, *PATH, "--json"))["legs"]["home_to_home"]
    without = json.loads(said(capsys, *PATH, "--no-troposphere", "--json"))["legs"]["home_to_home"]
    assert without["troposphere_hz"] == 0.0
    vacuum_hz = with_air["doppler_hz"] - with_air["troposphere_hz"]
    assert without["doppler_hz"] == pytest.approx(vacuum_hz, abs=1e-7)


def test_southern_and_western_places(capsys: pytest.CaptureFixture[str]) -> None:
    out = said(
        capsys, "path", "--home", "-33.9,-70.5,500", "--partner", "FF46", "--at", AT,
        "--frequency", "144e6", "--json",
    )  # fmt: skip
    home = json.loads(out)["home"]
    assert (home["latitude_deg"], home["longitude_deg"], home["height_m"]) == (-33.9, -70.5, 500.0)


def test_path_with_a_partner_by_name(
    capsys: pytest.CaptureFixture[str], config: Path, tmp_path: Path
) -> None:
    partner = '[[partners]]\nname = "North"\nlocator = "KP20NF"\nheight_m = 900\n'
    config.write_text(config.read_text() + partner)
    rest = ("--at", AT, "--frequency", "1296e6", "--json")
    named = json.loads(said(capsys, "path", "--config", str(config), "--partner", "NORTH", *rest))
    assert named["partner"]["height_m"] == 900.0
    assert named["home"]["latitude_deg"] == 48.5, "of the config"
    site = named["partner"]
    place = f"{site['latitude_deg']},{site['longitude_deg']},900"
    typed = said(capsys, "path", "--home", "JN88", "--partner", place, *rest)
    assert json.loads(typed)["legs"] == named["legs"]
    assert main(["path", "--config", str(config), "--partner", "south", *rest]) == 2
    assert "--partner: invalid value 'south'; expected self, North, or a locator" in (
        capsys.readouterr().err
    )
    assert main(["path", "--partner", "KP20", *rest]) == 2
    assert "--home: missing; expected a place, or --config" in capsys.readouterr().err


def test_path_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    out = said(capsys, *PATH)
    for words in (
        "home to Moon", "Moon to home", "home to home", "home to partner", "Doppler rate",
        "troposphere", "spread",
    ):  # fmt: skip
        assert words in out


def test_path_fits_into_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the highest band as well, whose Doppler has the most digits."""
    monkeypatch.setenv("COLUMNS", "80")
    out = said(
        capsys, "path", "--home", "JN88DD", "--partner", "-33.9,-170.512345,500", "--at", AT,
        "--frequency", "122250e6",
    )  # fmt: skip
    assert "…" not in out
    for words in (
        "latitude °",
        "longitude °",
        "Doppler rate",
        "Hz/s",
        "troposphere",
        "limb spread",
    ):
        assert words in out


def test_path_gives_the_frequency_error(capsys: pytest.CaptureFixture[str]) -> None:
    stated = ("--position-uncertainty", "5", "--height-uncertainty", "10", "--clock-bound", "0.05",
        "--reference-uncertainty", "0.1", "--dial-resolution", "1")  # fmt: skip
    bare = json.loads(said(capsys, *PATH, "--json"))
    full = json.loads(said(capsys, *PATH, *stated, "--agreement", "transmitter", "--json"))
    assert (bare["agreement"], full["agreement"]) == ("halves", "transmitter")
    for which in ("rx", "tx"):
        # The echo does not show an error of the reference: both dials share it.
        unknown = {"home height", "clock"} | ({"reference"} if which == "tx" else set())
        assert set(bare["error_budget"][which]["unknown"]) == unknown
        budget = full["error_budget"][which]
        assert budget["unknown"] == [] and budget["largest"] == "home position"
        assert all(set(one) >= {"name", "sigma_hz", "max_hz"} for one in budget["causes"])
    text = said(capsys, *PATH, *stated)
    for words in (
        "home position",
        "1 sigma",
        "max",
        "frequency error (95 %)",
        "6-character locator",
    ):
        assert words in text
    assert "unknown" not in text and "unknown" in said(capsys, *PATH)


def test_agreements_that_need_a_partner(capsys: pytest.CaptureFixture[str]) -> None:
    expected = "expected halves, receiver or transmitter, with yourself as partner"
    for agreement in ("home", "partner"):
        assert main([*PATH, "--agreement", agreement]) == 2
        assert f"'{agreement}'; {expected}" in capsys.readouterr().err


# --- the other commands ---


def test_schema_is_one_and_accepts_the_examples(capsys: pytest.CaptureFixture[str]) -> None:
    import tomllib

    schema = json.loads(said(capsys, "schema"))
    jsonschema.Draft202012Validator.check_schema(schema)
    for example in (Path(__file__).parents[2] / "config").glob("*.toml"):
        jsonschema.validate(tomllib.loads(example.read_text()), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"home": {"locator": "JN88"}, "bands": [], "colour": 1}, schema)


def test_check(capsys: pytest.CaptureFixture[str], config: Path) -> None:
    findings = json.loads(said(capsys, "check", "--config", str(config), "--json"))
    levels = {finding["what"]: finding["level"] for finding in findings}
    assert levels and "fail" not in levels.values()
    text = said(capsys, "check", "--config", str(config))
    assert all(what in text for what in levels)


def test_check_of_a_radio_that_is_not_there(
    capsys: pytest.CaptureFixture[str], config: Path
) -> None:
    config.write_text(config.read_text() + '[radio]\ndriver = "socket"\noptions = {port = 1}\n')
    out = said(capsys, "check", "--config", str(config), "--json", code=1)
    assert "fail" in {finding["level"] for finding in json.loads(out)}


def test_rehearse(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    picture = tmp_path / "picture.svg"
    arguments = ["rehearse", "--minutes", "3", "--pace", "1e6", "--plot", str(picture)]
    summary = json.loads(said(capsys, *arguments, "--json", "--quiet"))
    assert summary["passed"] and summary["missed_seconds"] == 0
    assert picture.read_text().startswith("<?xml")
    text = said(capsys, *arguments, "--quiet", "--agreement", "home", "--no-split")
    assert "on frequency throughout" in text and str(picture) in text


def test_forecast_has_the_promised_shape(capsys: pytest.CaptureFixture[str]) -> None:
    windows = json.loads(
        said(capsys, *FORECAST, "10368.1e6", "--days", "3", "--from", AT, "--json")
    )
    assert len(windows) >= 2
    for window in windows:
        assert set(window) >= {
            "partner", "start", "end", "low_spread", "spread_minima", "path_loss_db",
        }  # fmt: skip
        assert set(window["path_loss_db"]) >= {"start", "end", "min", "max"}
        assert all(set(one) >= {"start", "end", "spread_hz"} for one in window["low_spread"])
        assert all(set(turn) >= {"at", "spread_hz"} for turn in window["spread_minima"])


def test_ports_and_unkey(capsys: pytest.CaptureFixture[str], config: Path) -> None:
    assert isinstance(json.loads(said(capsys, "ports", "--json")), list)
    assert "not enabled" in said(capsys, "unkey", "--config", str(config))


# --- mistakes ---


@pytest.mark.parametrize(
    ("arguments", "named", "allowed"),
    [
        (["path", "--home", "JN8", *PATH[3:]], "--home", "locator"),
        (["path", "--home", "91,0,0", *PATH[3:]], "--home", "90"),
        ([*PATH[:3], "--partner", "nowhere", *PATH[5:]], "--partner", "locator"),
        ([*PATH[:5], "--at", "tomorrow", *PATH[7:]], "--at", "ISO 8601"),
        ([*PATH[:5], "--at", "2150-01-01", *PATH[7:]], "--at", "Earth orientation"),
        ([*PATH[:5], "--at", "1960-01-01", *PATH[7:]], "--at", "Earth orientation"),
        ([*PATH[:7], "--frequency", "10 GHz"], "--frequency", "hertz"),
        ([*PATH[:7], "--frequency", "nan"], "--frequency", "hertz"),
        ([*PATH[:7], "--frequency", "-5e9"], "--frequency", "hertz"),
        ([*PATH, "--agreement", "both"], "--agreement", "halves"),
        ([*PATH, "--position-uncertainty", "-3"], "--position-uncertainty", "from 0"),
        ([*PATH, "--clock-bound", "nan"], "--clock-bound", "from 0"),
        ([*PATH, "--reference-uncertainty", "low"], "--reference-uncertainty", "from 0"),
        (["run", "--config", "/nowhere/x.toml"], "config", "/nowhere/x.toml not found"),
        (["check", "--config", "/"], "config", "cannot read / (Is a directory)"),
        (["rehearse", "--minutes", "0"], "--minutes", "0.1"),
        (["rehearse", "--pace", "-1"], "--pace", "more than 0"),
        (["rehearse", "--from", "x"], "--from", "ISO 8601"),
        ([*FORECAST, "low"], "low", "hertz"),
        ([*FORECAST, "144e6", "--days", "-3"], "--days", "from 0"),
        (["rehearse", "--minutes", "0.2", "--pace", "1e6", "--quiet", "--plot", "/proc/x.png"],
         "--plot", "cannot write /proc/x.png"),
        (["rehearse", "--plot", "/proc/x.png"], "--plot", "cannot write /proc/x.png"),
        (["rehearse", "--plot", "/nowhere/x.png"], "--plot", "/nowhere not found"),
        (["rehearse", "--plot", "x.bmp"], "--plot", ".png"),
        (["rehearse", "--journal-dir", "/proc/x"], "--journal-dir", "cannot write a journal in"),
        (
            ["forecast", "--from", "1900-01-01", *FORECAST[1:], "144e6"],
            "--from",
            "Earth orientation",
        ),
        (["rehearse", "--from", "1900-01-01"], "--from", "Earth orientation"),
    ],
)  # fmt: skip
def test_a_mistake_gets_one_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], named: str, allowed: str
) -> None:
    assert main(arguments) == 2
    out = capsys.readouterr()
    lines = [line for line in out.err.splitlines() if line.startswith("moontrim: ")]
    assert len(lines) == 1, out.err
    assert named in lines[0] and allowed in lines[0]
    assert out.out == ""


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[home\n", "invalid TOML"),
        (LEAST_CONFIG.replace("JN88", "JN99ZZ9"), "locator"),
        (LEAST_CONFIG + "colour = 1\n", "colour: unknown key"),
        (
            LEAST_CONFIG.replace("sked_hz = 1296_100_000", "sked_hz = 1299_000_000"),
            "sked_hz 1 299 000 000",
        ),
        (LEAST_CONFIG + '[radio]\ndriver = "telepathy"\n', "telepathy"),
        (LEAST_CONFIG + '[radio]\noptions = { latency_s = "slow" }\n', "latency_s"),
        (LEAST_CONFIG + '[defaults]\nagreement = "both"\n', "agreement"),
        (
            LEAST_CONFIG + '[data]\nearth_orientation_file = "/nowhere/finals.all"\n',
            "/nowhere/finals.all",
        ),
        (LEAST_CONFIG + '[data]\nearth_orientation_file = "GARBAGE"\n', "garbage"),
        (LEAST_CONFIG + '[data]\nephemeris_file = "/nowhere/moon.bsp"\n', "/nowhere/moon.bsp"),
        (LEAST_CONFIG + '[data]\nephemeris_file = "GARBAGE"\n', "garbage"),
    ],
)
def test_a_bad_config_gets_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, named: str
) -> None:
    garbage = tmp_path / "garbage"
    garbage.write_bytes(b"no table at all\n" * 500)
    config = tmp_path / "bad.toml"
    config.write_text(text.replace("GARBAGE", str(garbage)))
    for command in ("run", "check", "rehearse"):
        assert main([command, "--config", str(config)]) == 2
        err = capsys.readouterr().err
        assert len(err.splitlines()) == 1, err
        assert err.startswith("moontrim: ") and named in err


def test_own_tables_are_used(
    capsys: pytest.CaptureFixture[str], config: Path, tmp_path: Path
) -> None:
    """The very table that came with the package, given as a file of one's own."""
    from astropy_iers_data import IERS_A_FILE

    table = tmp_path / "finals2000A.all"
    table.write_bytes(Path(IERS_A_FILE).read_bytes())
    config.write_text(config.read_text() + f'[data]\nearth_orientation_file = "{table}"\n')
    findings = json.loads(said(capsys, "check", "--config", str(config), "--json"))
    assert "fail" not in {finding["level"] for finding in findings}


def test_no_config_anywhere(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    if Path("/etc/moontrim/moontrim.toml").exists():
        pytest.skip("this machine has a config of its own")
    assert main(["run"]) == 2
    said = capsys.readouterr().err
    assert "--config: no config file given" in said and "moontrim.toml" in said


def test_a_forecast_without_a_frequency_says_what_would_do(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    if Path("/etc/moontrim/moontrim.toml").exists():
        pytest.skip("this machine has a config of its own")
    assert main(FORECAST[:-1]) == 2
    said = capsys.readouterr().err
    assert said.startswith("moontrim: --frequency: missing") and said.count("\n") == 1
    assert "--config" in said and "--band" in said


def test_a_real_process_says_it_once_and_exits_2() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "moontrim", *PATH[:7], "--frequency", "much"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and "Traceback" not in done.stderr


def test_a_reader_that_leaves_is_no_error() -> None:
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-m", "moontrim", *PATH, "--json"],
        stdout=write, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
    )  # fmt: skip
    os.close(write)
    assert "Traceback" not in done.stderr and "BrokenPipe" not in done.stderr
    assert done.returncode == 0


NAMES = list(COMMANDS)


@pytest.mark.parametrize("command", ["", *NAMES])
def test_help_teaches(capsys: pytest.CaptureFixture[str], command: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*command.split(), "--help"])
    assert ended.value.code == 0
    out = capsys.readouterr().out
    assert "usage: moontrim" in out
    if not command:
        assert "start here" in out and "exit codes" in out and "RF" in out
