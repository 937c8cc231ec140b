"""A recording straight from the sound card, by the optional package sounddevice."""

from __future__ import annotations

from typing import Any

import numpy as np

from moontrim.bench.recording import Recording, recording_of
from moontrim.errors import InputError, MoontrimError

RATE_HZ = 48_000  # common practice: every sound card has it
INSTALL = (
    "--live needs the sound library: pip install 'moontrim[live]', and on Debian apt install "
    "libportaudio2"
)


def record(seconds: float, device: str | None = None) -> Recording:
    """Records so many seconds of an input. device: a part of its name, or its number.

    Raises InputError for a device that cannot be used, MoontrimError without the library."""
    sound = _library()
    chosen: int | str | None = int(device) if device and device.isdigit() else device
    try:
        samples = sound.rec(
            round(seconds * RATE_HZ), RATE_HZ, channels=1, dtype="float32", device=chosen
        )
        sound.wait()
    except (sound.PortAudioError, ValueError) as error:
        raise InputError(
            "--device",
            device,
            problem=f"cannot record from {device or 'the default input'} "
            f"({str(error).splitlines()[0]})",
        ) from None
    return recording_of(np.asarray(samples[:, 0], np.float64), float(RATE_HZ))


def _library() -> Any:
    """Returns the package sounddevice. Raises MoontrimError without it."""
    try:
        import sounddevice
    except (ImportError, OSError):  # OSError: the package is there, its C library is not
        raise MoontrimError(INSTALL) from None
    return sounddevice
