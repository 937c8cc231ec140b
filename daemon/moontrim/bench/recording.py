"""Sound recordings: one channel of samples, and remarks on what is wrong with them.

Reads the file (through libsndfile: WAV, FLAC, AIFF, Ogg and more), chooses a channel and puts every
fault into a sentence; `recordingfaults` and `hum` detect the faults. A file is read in blocks; the
samples are in memory once, as float64 up to 10 minutes at 48 kHz and as float32 beyond (24 bits, no
loss for a sound card), so that an hour at 48 kHz takes 0.7 GB."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from moontrim.bench.hum import hum_lines, mains_hz
from moontrim.bench.recordingfaults import (
    Clipping,
    Samples,
    ac_rms,
    clipping,
    constant_stretches,
)
from moontrim.errors import InputError, not_found
from moontrim.formats import grouped

RecordingRemarkKind = Literal["clipping", "gap", "stereo", "hum", "short", "silent"]

# Chosen: LEAST_S is refused as useless, SHORT_S only remarked upon.
LEAST_S = 0.1
SHORT_S = 5.0
# Chosen: from below telephone audio to above any sound card; beyond that the header is damaged.
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1_000.0, 1_000_000.0
# 1 GB as float32: 93 minutes at 48 kHz.
MOST_SAMPLES = 1 << 28
DOUBLE_UP_TO = 10 * 60 * 48_000
BLOCK = 1 << 18  # samples read at once: 2 MB
# The last bit of 16, as a share of full scale: below that a converter records only itself.
SILENT_RMS = 2.0**-15
# Chosen: no sound card delivers values this far over full scale; they mean a damaged file.
LARGEST = 1e9
LOSSY = ("VORBIS", "OPUS", "MPEG")  # as the subtypes of libsndfile begin
# Chosen: channels that differ by less than this are one channel recorded twice.
ALIKE_DB = -60.0


@dataclass(frozen=True)
class RecordingRemark:
    """A fact about a recording that its user should know. text: one plain sentence."""

    kind: RecordingRemarkKind
    text: str


@dataclass(frozen=True)
class Recording:
    """One channel of sound. samples: shape (n,), full scale 1.0, float64, or float32 if long;
    `rate_hz` of them a second. clipped_share: of the samples, 0 to 1."""

    samples: Samples
    rate_hz: float
    remarks: tuple[RecordingRemark, ...]
    clipped_share: float = 0.0

    @property
    def duration_s(self) -> float:
        """The length of the recording in seconds."""
        return self.samples.size / self.rate_hz


def read_recording(path: Path, seconds: float | None = None) -> Recording:
    """Reads a sound file, or its first `seconds`; of several channels the loudest.

    Raises InputError for what is not a sound file, is empty, shorter than 0.1 s or longer than
    memory allows, or has samples that are not finite."""
    try:
        if path.exists() and not path.is_file():  # opening a pipe would wait for a writer
            raise _unreadable(path, "this is not a file")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise not_found("recording", path) from None
    except OSError as error:
        raise _unreadable(path, error.strerror or "it cannot be opened") from None
    try:
        with soundfile.SoundFile(str(path)) as file:
            return _read(path, file, seconds)
    except soundfile.LibsndfileError as error:
        raise _unreadable(path, error.error_string.rstrip(".")) from None


def recording_of(
    samples: Samples, rate_hz: float, remarks: tuple[RecordingRemark, ...] = ()
) -> Recording:
    """Returns a recording of one channel in memory, its faults remarked upon after `remarks`."""
    clipped = clipping(samples)
    all_remarks = [*remarks, *_faults(samples, rate_hz, clipped)]
    return Recording(samples, rate_hz, tuple(all_remarks), clipped.share if clipped else 0.0)


def _unreadable(path: Path, reason: str) -> InputError:
    """Returns the error for a file that cannot be read as sound."""
    problem = f"cannot read {path} ({reason}); expected a sound file such as WAV or FLAC"
    return InputError("recording", str(path), problem=problem)


def _read(path: Path, file: Any, seconds: float | None) -> Recording:
    """Reads an open file: chooses a channel, reads its samples and checks their number."""
    rate_hz = float(file.samplerate)
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise InputError(
            "recording",
            rate_hz,
            problem=f"sample rate {grouped(rate_hz)} Hz; expected {grouped(LOWEST_RATE_HZ)} to "
            f"{grouped(HIGHEST_RATE_HZ)} Hz",
        )
    wanted = file.frames if seconds is None else min(file.frames, round(seconds * rate_hz))
    # Some formats do not know their length beforehand; one more than allowed shows an excess.
    frames = min(wanted, MOST_SAMPLES + 1)
    channel, remarks = 0, []
    if file.channels > 1:
        channel, text = _choose(file, path, frames)
        remarks.append(RecordingRemark("stereo", text))
    store: Any = np.empty(frames, np.float64 if frames <= DOUBLE_UP_TO else np.float32)
    filled = 0
    for block in _blocks(file, path, frames):
        store[filled : filled + len(block)] = block[:, channel]
        filled += len(block)
    samples = store[:filled]
    if filled > MOST_SAMPLES:
        raise InputError(
            "recording",
            filled,
            problem=f"{filled / rate_hz / 60:.0f} minutes long; at most "
            f"{MOST_SAMPLES / rate_hz / 60:.0f} minutes at its sample rate",
        )
    if filled < LEAST_S * rate_hz:
        raise InputError(
            "recording",
            filled,
            problem=f"only {filled} samples long; at least {LEAST_S:g} s needed",
        )
    if filled < frames and frames == wanted:
        remarks.append(
            RecordingRemark(
                "short",
                f"the file ends after {filled / rate_hz:.1f} s of {frames / rate_hz:.1f} s by its "
                "header",
            )
        )
    return recording_of(samples, rate_hz, tuple(remarks))


def _blocks(file: Any, path: Path, frames: int) -> Iterator[NDArray[np.float64]]:
    """Yields the file from its start in blocks of shape (samples, channels), all values finite."""
    file.seek(0)
    # A lossy format overshoots what was at full scale when it was recorded; it is clipped back.
    lossy = file.subtype.startswith(LOSSY)
    size = max(BLOCK // file.channels, 1)
    left = frames
    while left > 0:
        block = file.read(min(size, left), dtype="float64", always_2d=True)
        if not len(block):
            return
        bad = ~(np.abs(block) <= LARGEST).all(axis=1)
        if bad.any():
            at_s = (frames - left + int(np.argmax(bad))) / file.samplerate
            raise InputError(
                "recording", str(path), problem=f"sample at {at_s:.3f} s is not a finite number"
            )
        left -= len(block)
        yield np.clip(block, -1.0, 1.0) if lossy else block


def _choose(file: Any, path: Path, frames: int) -> tuple[int, str]:
    """Returns the index of the loudest channel (without its mean), and a sentence on why it."""
    count = file.channels
    total, products, frames_read = np.zeros(count), np.zeros((count, count)), 0
    for block in _blocks(file, path, frames):
        total += block.sum(axis=0)
        products += block.T @ block
        frames_read += len(block)
    covariance = products / max(frames_read, 1) - np.outer(total, total) / max(frames_read, 1) ** 2
    power = np.maximum(np.diag(covariance), 0.0)
    best = int(np.argmax(power))
    if count != 2:
        return best, f"{count} channels: number {best + 1}, the loudest, is used"
    if power[best] < SILENT_RMS**2:
        return best, "two channels, both silent"
    other = 1 - best
    difference = power.sum() - 2.0 * covariance[0, 1]
    if difference < power[best] * 10.0 ** (ALIKE_DB / 10.0):
        return 0, "two identical channels: the left one is used"
    names = ("left", "right")
    if power[other] < SILENT_RMS**2:
        return (
            best,
            f"two channels: the {names[best]} one is used, the {names[other]} one is silent",
        )
    louder_db = 10.0 * np.log10(power[best] / power[other])
    alike = covariance[0, 1] / np.sqrt(power[0] * power[1])
    return best, (
        f"two channels that differ (correlation {alike:.2f}): the {names[best]} one is used, "
        f"{louder_db:.1f} dB louder than the {names[other]} one"
    )


def _faults(
    samples: Samples, rate_hz: float, clipped: Clipping | None
) -> Iterator[RecordingRemark]:
    """Yields a remark for each fault of the samples."""
    duration_s = samples.size / rate_hz
    if duration_s < SHORT_S:
        yield RecordingRemark("short", f"only {duration_s:.1f} s long")
    level = ac_rms(samples)
    if level < SILENT_RMS:
        yield RecordingRemark(
            "silent",
            "silent: every sample is the same"
            if level == 0.0
            else f"silent: {20.0 * np.log10(level):.0f} dB of full scale, less than the last of "
            "16 bits",
        )
        if level == 0.0:
            return
    if clipped is not None:
        yield RecordingRemark(
            "clipping",
            f"clipped: {_percent(clipped.share)} of the samples are at "
            f"{_percent(clipped.level)} of full scale, up to {clipped.longest} in a row; reduce "
            "the level",
        )
    constant = constant_stretches(samples, rate_hz)
    if constant:
        lost_s = sum(end - start for start, end in constant) / rate_hz
        first_s = constant[0][0] / rate_hz
        times = "once" if len(constant) == 1 else f"{len(constant)} times"
        yield RecordingRemark(
            "gap",
            f"samples lost: constant value {times}, {lost_s:.2f} s in all, first at "
            f"{first_s:.2f} s",
        )
    lines = hum_lines(samples, rate_hz)
    if lines:
        loudest = max(lines, key=lambda line: line.level_db)
        yield RecordingRemark(
            "hum",
            f"mains hum of {mains_hz(lines):.0f} Hz: {len(lines)} line"
            f"{'s' if len(lines) > 1 else ''}, the strongest at "
            f"{grouped(loudest.frequency_hz, 1)} Hz, C/N0 {loudest.level_db:.0f} dB-Hz",
        )


def _percent(share: float) -> str:
    """Returns a share in percent, with two digits."""
    return f"{100.0 * share:.2g} %" if share < 0.995 else "100 %"
