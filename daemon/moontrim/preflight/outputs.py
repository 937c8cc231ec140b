"""The outputs and inputs of the transmit sequence: whether they exist and may be opened. Only names
and permissions are checked, because opening a serial port pulses its lines."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from moontrim.config.band import BandSettings
from moontrim.config.keyingports import AnyInput, AnyOutput
from moontrim.config.settings import Settings
from moontrim.formats import count
from moontrim.preflight.finding import Finding
from moontrim_drivers.contract import RigError
from moontrim_drivers.serial.exchange import locate
from moontrim_drivers.serial.ports import no_permission


def output_findings(settings: Settings) -> Iterator[Finding]:
    """Returns a line for the sequence, and one for each output or input with a problem."""
    keying = settings.keying
    if not keying.enabled:
        yield Finding("ok", "keying", "off: moontrim keys nothing")
        return
    settles_ms = sum(output.settle_ms for output in keying.outputs)
    yield Finding(
        "ok",
        "keying",
        f"{count(len(keying.outputs), 'output')}, RF {settles_ms} ms after a request, Moon above "
        f"{keying.min_tx_elevation_deg:g} degrees, overs of max {keying.longest_over_s:g} s; test "
        "with the amplifier off",
    )
    for band in settings.bands:
        if text := _differing(band):
            yield Finding("ok", "keying", f"{band.name}: {text}")
    proofs = [one.contact for one in settings.front_ends if one.contact is not None]
    for one in (*keying.outputs, *keying.inputs, *proofs):
        if trouble := _trouble(one):
            yield Finding("fail", one.name, trouble)
        elif one.kind == "simulated":
            yield Finding("note", one.name, "simulated: switches nothing")


def _differing(band: BandSettings) -> str:
    """Returns what of the sequence differs on a band; empty if nothing does."""
    differences = []
    if band.min_tx_elevation_deg is not None:
        differences.append(f"Moon above {band.min_tx_elevation_deg:g} degrees")
    if band.outputs is not None:
        differences.append(f"outputs {', '.join(band.outputs) or 'none'} and the radio's key")
    return "; ".join(differences)


def _trouble(one: AnyOutput | AnyInput) -> str:
    """Returns why it cannot be used; empty if nothing is known against it."""
    path = getattr(one, "chip", "")
    if port := getattr(one, "port", ""):
        try:
            path = locate(port)
        except RigError as error:
            return f"{error}; `moontrim ports` lists them"
    if not path:
        return ""
    if not Path(path).exists():
        return f"{path} not found; is it plugged in?"
    if not os.access(path, os.R_OK | os.W_OK):
        return no_permission(path)
    return ""
