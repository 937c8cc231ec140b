"""From a measured tone to the band's errors. Pure arithmetic on `Band`; see there for the signs.

A single-sideband receiver moves what is on the air down to audio: in the upper sideband audio is
the on-air frequency minus that of the dial, in the lower one the other way round. A transverter of
inverse sense turns the sidebands over. So a tone that comes out too low in the upper sideband means
that the dial is truly higher than it says."""

from __future__ import annotations

from typing import Literal

from moontrim.tuning.band import Band

Sideband = Literal["usb", "lsb"]
Kind = Literal["dial", "reference"]
KEYS: dict[Kind, str] = {"dial": "dial_error_hz", "reference": "reference_error_ppb"}
# Finer than any measurement: 1 mHz, and as little at 47 GHz.
DECIMALS: dict[Kind, int] = {"dial": 3, "reference": 5}


def audio_sign(band: Band, sideband: Sideband) -> float:
    """d(audio)/d(on-air): +1 or -1. sideband: as set at the radio."""
    upper = (sideband == "usb") == (band.transverter_sense == "plus")
    return 1.0 if upper else -1.0


def audio_hz(band: Band, dial_hz: float, source_hz: float, sideband: Sideband) -> float:
    """Where a source of a known true on-air frequency comes out, by what is known of the band."""
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
    """The value that the band's error must have for the tone to come out where it was measured.
    What is there already is part of what was expected, so the difference is added to it.

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
