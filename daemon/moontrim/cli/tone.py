"""`moontrim tone`: measures a weak carrier in audio, and stores the band's error that follows."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import add_config, number, settings_of
from moontrim.cli.parser import add_command
from moontrim.errors import InputError
from moontrim.formats import grouped
from moontrim.tuning.band import Band

if TYPE_CHECKING:
    from moontrim.bench.recording import Recording
    from moontrim.bench.tone.configedit import ConfigEdit
    from moontrim.bench.tone.words import ToneReport

SECONDS = 60.0  # chosen: default length of a recording, enough for 0.01 Hz
LONGEST_S = 3600.0  # chosen


def add(commands: Any) -> None:
    command = add_command(
        commands, "tone", call, example="tone.wav --expected 1000 --plot tone.png"
    )
    command.add_argument(
        "file", nargs="?", type=Path, metavar="FILE", help="recording: WAV, FLAC, AIFF or Ogg"
    )
    command.add_argument(
        "--live", action="store_true", help="record from the sound card instead of a file"
    )
    command.add_argument(
        "--device", metavar="NAME", help="sound-card input for --live (default: of the system)"
    )
    command.add_argument(
        "--seconds",
        metavar="N",
        help=f"length of the recording for --live (default: {SECONDS:.0f})",
    )
    command.add_argument(
        "--near", metavar="HZ", help="search around this audio frequency (default: everywhere)"
    )
    command.add_argument(
        "--within", metavar="HZ", help="half-width of the search around --near (default: 50)"
    )
    command.add_argument(
        "--expected",
        metavar="HZ",
        help="expected audio frequency, from dial and stored errors",
    )
    command.add_argument(
        "--dial",
        metavar="HZ",
        help="dial during the recording, instead of --expected; needs --on-air and --band",
    )
    command.add_argument("--on-air", metavar="HZ", help="true frequency of the source on the air")
    command.add_argument(
        "--sideband",
        choices=("usb", "lsb"),
        default="usb",
        help="sideband of the receiver (default: usb)",
    )
    command.add_argument(
        "--band", metavar="NAME", help="band of the config, for --dial and --store"
    )
    add_config(command)
    command.add_argument(
        "--store",
        choices=("dial", "reference"),
        help="store the difference in the config as dial_error_hz or reference_error_ppb of the "
        "band, after confirmation",
    )
    command.add_argument("--yes", action="store_true", help="store without confirmation")
    command.add_argument("--json", action="store_true", help="print JSON")
    command.add_argument(
        "--plot", type=Path, metavar="FILE", help="write a plot to FILE.png, .svg or .pdf"
    )


def call(options: argparse.Namespace) -> int:
    near_hz = number(options.near, "--near", 0.0, 1e6)
    within_hz = number(options.within, "--within", 0.0, 1e6)
    on_air_hz = number(options.on_air, "--on-air", 1e5, 1e12)
    band = _band(options)
    expected_hz = _expected(options, band, on_air_hz)
    if options.store == "reference" and on_air_hz is None:
        raise InputError("--on-air", None, "the frequency of the source, for --store reference")
    recording, name = _recording(options)

    from moontrim.bench.tone.measure import measure
    from moontrim.bench.tone.words import ToneReport, as_plain, lines

    report = ToneReport(measure(recording, near_hz, within_hz), expected_hz, on_air_hz)
    out = sys.stderr if options.json else sys.stdout
    if not options.json:
        for line in lines(report):
            print(line)
    change = _change(options, band, report)
    if options.json:
        plain = as_plain(report)
        if change is not None:
            plain["store"] = {"before": change.before, "after": change.after}
        print(json.dumps(plain, indent=1, allow_nan=False))
    if options.plot is not None:
        from moontrim.bench.tone.picture import draw_tone

        draw_tone(report, name, options.plot)
        print(f"moontrim: wrote {options.plot}", file=sys.stderr)
    if change is not None:
        _store(options, change, out)
    elif options.store is not None and report.tone.detected:
        return 1
    return 0 if report.tone.detected else 1


def _recording(options: argparse.Namespace) -> tuple[Recording, str]:
    if options.live == (options.file is not None):
        file = options.file and str(options.file)
        raise InputError("FILE", file, "a sound file or --live, not both")
    if options.live:
        seconds = number(options.seconds, "--seconds", 1.0, LONGEST_S)
        from moontrim.bench.soundcard import record

        return record(SECONDS if seconds is None else seconds, options.device), "live"
    for name in ("device", "seconds"):
        if getattr(options, name) is not None:
            raise InputError(f"--{name}", getattr(options, name), problem="valid only with --live")
    from moontrim.bench.recording import read_recording

    return read_recording(options.file), options.file.name


def _band(options: argparse.Namespace) -> Band | None:
    """Returns the band of the config; None where no option needs one. Raises InputError."""
    if options.store is not None:
        if options.config is None:
            raise InputError("--config", None, "the file to store in, for --store")
        if options.expected is None and options.dial is None:
            raise InputError("--store", options.store, problem="needs --expected or --dial")
    if options.store is None and options.dial is None:
        return None
    if options.band is None:
        raise InputError("--band", None, "a band of the config, for --store or --dial")
    return settings_of(options, home_by_gps=True).band(options.band).band()


def _expected(
    options: argparse.Namespace, band: Band | None, on_air_hz: float | None
) -> float | None:
    if options.dial is None:
        return number(options.expected, "--expected", 0.0, 1e6)
    dial_hz = number(options.dial, "--dial", 1.0, 1e12)
    if options.expected is not None:
        raise InputError("--expected", options.expected, problem="not valid with --dial")
    if on_air_hz is None:
        raise InputError("--on-air", None, "the frequency of the source, for --dial")
    assert band is not None and dial_hz is not None
    from moontrim.bench.tone.calibrate import audio_hz

    expected_hz = audio_hz(band, dial_hz, on_air_hz, options.sideband)
    if not 0.0 < expected_hz < 1e6:
        raise InputError(
            "--dial",
            options.dial,
            f"a dial with the source in its {options.sideband.upper()} passband; the tone would be "
            f"at {grouped(expected_hz, 1)} Hz",
        )
    return expected_hz


def _change(
    options: argparse.Namespace, band: Band | None, report: ToneReport
) -> ConfigEdit | None:
    """Returns the change to store, None if the tone is not good enough; prints a note if it may be
    mains hum."""
    if options.store is None or not report.tone.detected:
        return None
    assert band is not None and report.expected_hz is not None
    if report.tone.mains:
        print("moontrim: not stored: the tone may be mains hum", file=sys.stderr)
        return None
    from moontrim.bench.tone.calibrate import KEYS, corrected
    from moontrim.bench.tone.configedit import planned

    value = corrected(
        band, options.store, report.tone.frequency_hz, report.expected_hz, options.sideband,
        report.on_air_hz,
    )  # fmt: skip
    return planned(options.config, options.band, KEYS[options.store], value)


def _store(options: argparse.Namespace, change: ConfigEdit, out: Any) -> None:
    """Prints the changed line; writes it with --yes, or when a person confirms."""
    print(f"{change.path}, band {options.band}:", file=out)
    print(f"  before  {change.before or '(nothing)'}", file=out)
    print(f"  after   {change.after or '(the same)'}", file=out)
    if change.old == change.new:
        return
    if not options.yes:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            print("moontrim: nothing written; --yes writes it", file=sys.stderr)
            return
        print("Receive and transmit both move. Write it? [y/N] ", end="", file=sys.stderr)
        sys.stderr.flush()
        if sys.stdin.readline().strip().lower() not in ("y", "yes"):
            print("moontrim: nothing written", file=sys.stderr)
            return
    from moontrim.bench.tone.configedit import write

    copy = write(change)
    print(
        f"moontrim: wrote {change.path}, backup {copy}; restart a running daemon to use it",
        file=sys.stderr,
    )
