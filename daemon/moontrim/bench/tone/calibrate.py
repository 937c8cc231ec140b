"""The error of a band's dial or reference that follows from a measured tone. Pure arithmetic.

A single-sideband receiver moves what is on the air down to audio: in the upper sideband, audio is
the on-air frequency minus that of the dial; in the lower one, the other way round. A transverter of
inverse sense swaps the sidebands. So a tone that comes out too low in the upper sideband means
that the dial is truly higher than it indicates. The signs of the errors are those of `Band`."""

from __future__ import annotations

from typing import Literal

from moontrim.tuning.band import Band

Sideband = Literal["usb", "lsb"]
Kind = Literal["dial", "reference"]
KEYS: dict[Kind, str] = {"dial": "dial_error_hz", "reference": "reference_error_ppb"}
# Chosen: finer than any measurement; 1 mHz of dial, and 1e-5 ppb is 0.5 mHz at 47 GHz.
DECIMALS: dict[Kind, int] = {"dial": 3, "reference": 5}


def audio_sign(band: Band, sideband: Sideband) -> float:
    """Returns d(audio)/d(on-air), +1 or -1. sideband: as set at the radio."""
    upper = (sideband == "usb") == (band.transverter_sense == "plus")
    return 1.0 if upper else -1.0


def audio_hz(band: Band, dial_hz: float, source_hz: float, sideband: Sideband) -> float:
    """Returns the audio frequency at which a source is expected, with the band's errors as stored.

    source_hz: its true on-air frequency."""
    on_air_hz: float = band.on_air_hz(dial_hz)
    return audio_sign(band, sideband) * (source_hz - on_air_hz)


def corrected(
    band: Band,
    kind: Kind,
    measured_hz: float,
    expected_hz: float,
    sideband: Sideband,
    source_hz: float | None,
) -> float:
    """Returns the value that the band's error must have for the tone to come out as measured. The
    stored value is part of what was expected, so the difference is added to it.

    source_hz: on the air; needed for the reference only, whose error is in proportion. Raises
    ValueError without it."""
    high_hz = audio_sign(band, sideband) * (expected_hz - measured_hz)  # true minus supposed dial
    if kind == "dial":
        return round(band.dial_error_hz + high_hz, DECIMALS[kind])
    if source_hz is None:
        raise ValueError("the reference's error needs the on-air frequency")
    supposed_hz = source_hz - audio_sign(band, sideband) * expected_hz
    indicated_hz = (supposed_hz - band.dial_error_hz) / (1.0 + band.reference_error_ppb * 1e-9)
    return round(band.reference_error_ppb + high_hz / indicated_hz * 1e9, DECIMALS[kind])
