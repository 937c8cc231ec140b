"""All targets by name."""

from __future__ import annotations

from fuzz import files, given, pages, programs, radios, wires, witnesses
from fuzz.target import Target

TARGETS: dict[str, Target] = {
    target.name: target
    for part in (wires, radios, programs, pages, witnesses, files, given)
    for target in part.TARGETS
}
