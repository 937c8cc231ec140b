"""The error budget: how far off the dials can be, from each cause and from all together, and what
to do about the largest.

Errors count from what ought to be on the air under the agreement: where we leave the correction to
the partner, our place does not matter. What has never been stated is listed as not known and left
out of the sums. Not listed because they are too small (at 10.368 GHz): the lunar ephemeris
(0.0006 Hz) and the uncertainty of polar motion (0.005 Hz a year ahead)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from moontrim.errorbudget.causes import contributions
from moontrim.errorbudget.contribution import NEGLIGIBLE_HZ, Contribution
from moontrim.errorbudget.distributions import bound95, root_sum_square
from moontrim.errorbudget.sensitivity import effects
from moontrim.errorbudget.uncertainties import Uncertainties
from moontrim.errors import InputError
from moontrim.path.ephemeris import Ephemeris
from moontrim.path.site import Site
from moontrim.tuning.correction import AGREEMENTS, Agreement

NOTHING = "Nothing that is known puts this dial off."


@dataclass(frozen=True)
class Cause:
    """One cause's share of a dial's error. sigma_hz: root mean square; largest_hz: what it can cost
    (3 sigma where it is normal). Both None where nobody has stated what it depends on. shape: of
    the distribution: normal, uniform, square (seen over a locator's square), or several of them."""

    name: str
    sigma_hz: float | None
    largest_hz: float | None
    advice: str
    shape: str


@dataclass(frozen=True)
class Budget:
    """Of one dial. sigma_hz: root sum square of the causes. bound95_hz: 95 % of the time the dial
    is no further off than this, by the convolution of their distributions. largest: name of the
    largest known cause, empty if none costs anything."""

    causes: tuple[Cause, ...]
    sigma_hz: float
    bound95_hz: float
    largest: str
    advice: str

    @property
    def not_known(self) -> tuple[str, ...]:
        """Names of the causes that are left out of the sums."""
        return tuple(cause.name for cause in self.causes if cause.sigma_hz is None)

    def as_json(self) -> dict[str, Any]:
        """Plain numbers, strings and lists."""
        plain = asdict(self)
        return plain | {"causes": list(plain["causes"]), "not_known": list(self.not_known)}


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
    """The budgets of the receive and the transmit dial at POSIX seconds utc_s. partner None: our
    own echo. sked_hz, tx_sked_hz, agreement: as in `correction.on_air`. troposphere: whether it is
    corrected. Raises InputError, and CoverageError outside the tables."""
    for field, frequency_hz in (("sked_hz", sked_hz), ("tx_sked_hz", tx_sked_hz)):
        if frequency_hz is not None and not (math.isfinite(frequency_hz) and frequency_hz > 0.0):
            raise InputError(field, frequency_hz, "a positive number of Hz")
    if agreement not in AGREEMENTS:
        raise InputError("agreement", agreement, ", ".join(AGREEMENTS))
    rotation = ephemeris.earth_rotation(utc_s)
    rx, tx = effects(ephemeris, home, partner, utc_s, sked_hz, agreement, tx_sked_hz)

    def budget(transmit: bool) -> Budget:
        mine, other = (tx, rx) if transmit else (rx, tx)
        found = contributions(
            mine,
            other,
            uncertainties,
            rotation,
            transmit=transmit,
            echo=partner is None,
            troposphere=troposphere,
        )
        return _added_up(tuple(found))

    return budget(transmit=False), budget(transmit=True)


def _added_up(found: Sequence[Contribution]) -> Budget:
    causes = tuple(_cause(one) for one in found)
    parts = [part for one in found for part in one.parts or ()]
    worst = max(causes, key=lambda cause: cause.sigma_hz or 0.0)
    largest, advice = (worst.name, worst.advice) if worst.sigma_hz else ("", NOTHING)
    not_known = [cause.name for cause in causes if cause.sigma_hz is None]
    if not_known:
        advice += f" Not counted, because not known: {', '.join(not_known)}."
    return Budget(causes, root_sum_square(parts), bound95(parts), largest, advice)


def _cause(one: Contribution) -> Cause:
    if one.parts is None:
        return Cause(one.name, None, None, one.advice, "not known")
    largest_hz = sum(part.largest for part in one.parts)
    return Cause(
        one.name,
        root_sum_square(one.parts),
        largest_hz,
        one.advice if largest_hz > NEGLIGIBLE_HZ else "This costs nothing here.",
        " and ".join(dict.fromkeys(part.shape for part in one.parts)),
    )
