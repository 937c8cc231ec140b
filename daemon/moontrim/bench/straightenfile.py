"""Straightens a sound file block by block, so that hours of it need little memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from moontrim.bench.phasejumps import StepCoherence, step_coherence
from moontrim.bench.straighten import Residual, straightened
from moontrim.bench.tone.calibrate import Sideband
from moontrim.errors import InputError, not_found, reason_of, unwritable
from moontrim.path.vectors import Array

BLOCK = 1 << 18  # samples at once: some 10 MB with all that is made of them


def straighten_file(
    source: Path, target: Path, residual_of: Callable[[float], Residual], sideband: Sideband
) -> float:
    """Writes a straightened copy of a sound file, in the same format; returns its length in
    seconds.

    residual_of: returns the residual for a recording of that length. Raises InputError for a file
    that cannot be read or written, and what `residual_of` raises; then nothing is left behind."""
    if not source.exists():
        raise not_found("IN", source)
    if target.exists() and target.samefile(source):
        raise InputError("OUT", str(target), problem="OUT is the same file as IN; expected another")
    part = target.with_name(target.name + ".part")
    try:
        part.touch()  # else the library reports no more than a system error
    except OSError as error:
        raise unwritable("OUT", target, error) from None
    try:
        with soundfile.SoundFile(str(source)) as file:
            length_s = file.frames / file.samplerate
            residual = residual_of(length_s)
            with soundfile.SoundFile(
                str(part),
                "w",
                samplerate=file.samplerate,
                channels=file.channels,
                format=file.format,
                subtype=file.subtype,
                endian=file.endian,
            ) as out:
                for block in straightened(_blocks(file), file.samplerate, residual, sideband):
                    out.write(block)
        part.replace(target)
    except (soundfile.LibsndfileError, OSError) as error:
        reason = getattr(error, "error_string", "").rstrip(".") or reason_of(error)
        problem = f"cannot copy {source} to {target} ({reason})"
        raise InputError("IN", str(source), problem=problem) from None
    finally:
        part.unlink(missing_ok=True)
    return float(length_s)


def _blocks(file: Any) -> Iterator[Array]:
    while (block := file.read(BLOCK, dtype="float64", always_2d=True)).shape[0]:
        yield np.asarray(block)


def file_coherence(path: Path, step_s: Array) -> StepCoherence | None:
    """Returns whether the phase of the strongest tone of the first channel goes on at steps, see
    `phasejumps`. Raises InputError for a file that cannot be read."""
    try:
        with soundfile.SoundFile(str(path)) as file:

            def read(first: int, count: int) -> Array:
                file.seek(first)
                return np.asarray(file.read(count, dtype="float64", always_2d=True)[:, 0])

            rate_hz = float(file.samplerate)
            return step_coherence(read, rate_hz, step_s, file.frames / rate_hz)
    except soundfile.LibsndfileError as error:
        raise InputError("OUT", str(path), problem=error.error_string) from None
