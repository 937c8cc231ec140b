"""The error budget: the frequency error of each dial, from each cause and from all together.

    sensitivity    Hz per unit of each error, from the path
    uncertainties  how large each error may be
    causes         both together: how each cause's error in Hz is distributed, with advice
    distributions  the 95 % bound of their sum

Errors count from what ought to be on the air under the agreement: under an agreement that leaves
the correction to the partner, home's position does not matter. On our own echo the receive dial
counts from the echo of what was sent, so there the errors of the path count twice under every
agreement, and those that both dials share not at all (see `causes`). What is not stated is
listed as unknown and left out of the sums. Not listed because they are too small (at 10.368 GHz):
the lunar ephemeris (0.0006 Hz) and the uncertainty of polar motion (0.005 Hz a year ahead)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from moontrim.errorbudget.causes import contributions
from moontrim.errorbudget.contribution import NEGLIGIBLE_HZ, Contribution
from moontrim.errorbudget.distributions import error_95, root_sum_square
from moontrim.errorbudget.sensitivity import effects
from moontrim.errorbudget.uncertainties import Uncertainties
from moontrim.errors import InputError
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.site import Site
from moontrim.tuning.correction import AGREEMENTS, Agreement

# The advice where no known cause costs anything.
NOTHING = "No known cause of error on this dial."


@dataclass(frozen=True)
class Cause:
    """One cause's share of a dial's error.

    sigma_hz, max_hz: its root mean square, and its maximum (3 sigma where it is normal); both None
    where what it depends on is unknown.
    shape: of the distribution: normal, uniform, square (sampled over a locator's square), several
    of these, or "unknown"."""

    name: str
    sigma_hz: float | None
    max_hz: float | None
    advice: str
    shape: str


@dataclass(frozen=True)
class Budget:
    """The error budget of one dial.

    sigma_hz: root sum square of the causes.
    error_95_hz: the frequency error (95 %): the dial is off by no more than this 95 % of the time
    (see `distributions`).
    largest: name of the largest known cause, empty if none costs anything.
    advice: a sentence on that cause, and on what is unknown."""

    causes: tuple[Cause, ...]
    sigma_hz: float
    error_95_hz: float
    largest: str
    advice: str

    @property
    def unknown(self) -> tuple[str, ...]:
        """Returns the names of the causes that are left out of the sums."""
        return tuple(cause.name for cause in self.causes if cause.sigma_hz is None)

    def as_json(self) -> dict[str, Any]:
        """Returns the budget as plain numbers, strings and lists."""
        plain = asdict(self)
        return plain | {"causes": list(plain["causes"]), "unknown": list(self.unknown)}


def error_budget(
    ephemeris: Ephemeris,
    home: Site,
    partner: Site | None,
    utc_s: float,
    sked_hz: float,
    agreement: Agreement,
    uncertainties: Uncertainties,
    troposphere: bool = True,
    tx_sked_hz: float | None = None,
) -> tuple[Budget, Budget]:
    """Returns the budgets of the receive and the transmit dial at POSIX seconds utc_s.

    partner: None for our own echo.
    sked_hz, tx_sked_hz, agreement: as in `tuning.correction.on_air`.
    troposphere: whether it is corrected.

    Raises InputError, and CoverageError outside the tables."""
    for field, frequency_hz in (("sked_hz", sked_hz), ("tx_sked_hz", tx_sked_hz)):
        if frequency_hz is not None and not (math.isfinite(frequency_hz) and frequency_hz > 0.0):
            raise InputError(field, frequency_hz, "a positive number of Hz")
    if agreement not in AGREEMENTS:
        raise InputError("agreement", agreement, ", ".join(AGREEMENTS))
    rotation = ephemeris.earth_orientation(utc_s)
    rx, tx = effects(ephemeris, home, partner, utc_s, sked_hz, agreement, tx_sked_hz)

    def budget(transmit: bool) -> Budget:
        this_dial, other_dial = (tx, rx) if transmit else (rx, tx)
        listed = contributions(
            this_dial,
            other_dial,
            uncertainties,
            rotation,
            transmit=transmit,
            echo=partner is None,
            troposphere=troposphere,
        )
        return _summed(tuple(listed))

    return budget(transmit=False), budget(transmit=True)


def _summed(listed: Sequence[Contribution]) -> Budget:
    causes = tuple(_cause(one) for one in listed)
    parts = [part for one in listed for part in one.parts or ()]
    worst = max(causes, key=lambda cause: cause.sigma_hz or 0.0)
    largest, advice = (worst.name, worst.advice) if worst.sigma_hz else ("", NOTHING)
    unknown = [cause.name for cause in causes if cause.sigma_hz is None]
    if unknown:
        advice += f" Not included (unknown): {', '.join(unknown)}."
    return Budget(causes, root_sum_square(parts), error_95(parts), largest, advice)


def _cause(one: Contribution) -> Cause:
    if one.parts is None:
        return Cause(one.name, None, None, one.advice, "unknown")
    max_hz = sum(part.largest for part in one.parts)
    return Cause(
        one.name,
        root_sum_square(one.parts),
        max_hz,
        one.advice if max_hz > NEGLIGIBLE_HZ else "Negligible here.",
        " and ".join(dict.fromkeys(part.shape for part in one.parts)),
    )
