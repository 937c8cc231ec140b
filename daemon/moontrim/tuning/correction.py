"""The two frequencies that ought to be on the air, from an agreement and the path's frequency
ratios.

Pure. Sign convention, here and everywhere: Doppler is received minus transmitted frequency,
positive when the wave arrives higher. A ratio is received over sent frequency; a fraction is ratio
- 1. The correction is ideal on-air minus sked frequency, without the trim.

Of a path with ratio r, and the ratios u of the leg home to Moon and d of the leg Moon to home:

    agreement    home receives on   home transmits on   the partner
    halves       sked * d           sked / u            corrects the other leg
    receiver     sked * r           sked                corrects when receiving
    transmitter  sked               sked / r            corrects when transmitting
    home         sked * r           sked / r            corrects nothing
    partner      sked               sked                corrects everything

For our own echo nobody is at the other end: the echo comes back where it comes back, so only the
transmit column is a matter of agreement, and we receive on what was sent, T ago, times r (see
`tuning.echo`). `home` would then be the same as `transmitter`, and `partner` the same as
`receiver`; an operator chooses from the other three (`ECHO_AGREEMENTS`)."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

if TYPE_CHECKING:
    from moontrim.path import LegName
    from moontrim.path.vectors import Number

Agreement = Literal["halves", "receiver", "transmitter", "home", "partner"]
AGREEMENTS: tuple[Agreement, ...] = get_args(Agreement)
# For our own echo. The other two are about what a partner does.
ECHO_AGREEMENTS: tuple[Agreement, ...] = ("halves", "receiver", "transmitter")
EXPECTED_FOR_ECHO = "halves, receiver or transmitter, with yourself as partner"

# What both sides do under each agreement, for the operator.
AGREEMENT_DESCRIPTIONS: dict[Agreement, str] = {
    "halves": "you correct your leg; ask your partner to correct theirs",
    "receiver": "both send on the sked frequency; each corrects in the receiver",
    "transmitter": "each corrects in the transmitter; the signal arrives on the sked frequency",
    "home": "you correct the whole path; ask your partner to stay on the sked frequency",
    "partner": "you stay on the sked frequency; ask your partner to correct the whole path",
}

# The same for our own echo, where there is nobody to ask.
ECHO_DESCRIPTIONS: dict[Agreement, str] = {
    "halves": "each leg corrected separately; true at the Moon",
    "receiver": "transmitter on the sked frequency; the receiver follows the echo",
    "transmitter": "transmitter corrects the whole path; the echo arrives on the sked frequency",
}


def echo_problem(agreement: str) -> str:
    """Returns why there is no such agreement for our own echo; empty if there is."""
    if agreement in ECHO_AGREEMENTS:
        return ""
    return f"invalid value {agreement!r}; expected {EXPECTED_FOR_ECHO}"


def descriptions(*, own_echo: bool) -> dict[Agreement, str]:
    """Returns what is corrected under each agreement, for the operator."""
    return ECHO_DESCRIPTIONS if own_echo else AGREEMENT_DESCRIPTIONS


class Fractions(NamedTuple):
    """Frequency ratio minus one of the legs (see `path.exact`), for a signal that arrives at home
    now (*_to_home) or leaves home now (home_to_*). For our own echo, partner_to_home and
    home_to_partner are both the echo."""

    home_to_moon: Number
    moon_to_home: Number
    partner_to_home: Number
    home_to_partner: Number


def fractions_of(leg: Callable[[LegName], Number]) -> Fractions:
    """Returns the fractions, each from a call with its leg's name."""
    return Fractions(
        home_to_moon=leg("home_to_moon"),
        moon_to_home=leg("moon_to_home"),
        partner_to_home=leg("partner_to_home"),
        home_to_partner=leg("home_to_partner"),
    )


class OnAir(NamedTuple):
    """Ideal on-air frequencies in Hz, at an instant or at several."""

    rx_hz: Number
    tx_hz: Number


def on_air(
    agreement: Agreement,
    sked_hz: float,
    fractions: Fractions,
    rx_trim_hz: float = 0.0,
    tx_trim_hz: float = 0.0,
    tx_sked_hz: float | None = None,
    *,
    own_echo: bool = False,
) -> OnAir:
    """Returns the frequencies that home should receive and transmit on.

    rx_trim_hz, tx_trim_hz: the operator's offsets, added at the end.
    tx_sked_hz: where the partner listens, if the two sides use different segments; None: on the
    sked frequency.
    own_echo: nobody is at the other end. To be received is then the echo of the frequency to
    transmit on, as if it had been sent exactly; `tuning.echo` has the echo of what was sent."""
    rx_hz, tx_hz = sked_hz, sked_hz if tx_sked_hz is None else tx_sked_hz
    if own_echo:
        # The ratio of the whole path is that of the two legs multiplied, of a wave that left T ago.
        echo_hz = tx_hz + tx_trim_hz * (1.0 + fractions.partner_to_home)
        if agreement == "halves":
            echo_hz += tx_hz * fractions.moon_to_home
        elif agreement in ("receiver", "partner"):
            echo_hz += tx_hz * fractions.partner_to_home
    if agreement == "halves":
        rx_hz *= 1.0 + fractions.moon_to_home
        tx_hz /= 1.0 + fractions.home_to_moon
    elif agreement == "receiver":
        rx_hz *= 1.0 + fractions.partner_to_home
    elif agreement == "transmitter":
        tx_hz /= 1.0 + fractions.home_to_partner
    elif agreement == "home":
        rx_hz *= 1.0 + fractions.partner_to_home
        tx_hz /= 1.0 + fractions.home_to_partner
    return OnAir((echo_hz if own_echo else rx_hz) + rx_trim_hz, tx_hz + tx_trim_hz)


def sked_from_received(
    agreement: Agreement, rx_hz: float, fractions: Fractions, rx_trim_hz: float = 0.0
) -> float:
    """Returns the sked frequency for which `on_air` would give this receive frequency: the request
    of an operator who turns the dial by hand."""
    rx_per_sked = on_air(agreement, 1.0, fractions).rx_hz
    sked_hz: float = (rx_hz - rx_trim_hz) / rx_per_sked
    return sked_hz
