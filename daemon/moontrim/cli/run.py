"""`moontrim run`: runs the daemon until it is stopped."""

from __future__ import annotations

import argparse
import asyncio
import faulthandler
import logging
from typing import TYPE_CHECKING, Any

from moontrim.cli.arguments import add_config, ephemeris_of, settings_of
from moontrim.cli.parser import add_command
from moontrim.clock.system import Clock, SystemClock
from moontrim.config.settings import Settings
from moontrim.path import Ephemeris

if TYPE_CHECKING:
    from moontrim.app.daemon import Companion
    from moontrim.service.logs import Log

logger = logging.getLogger(__name__)


def add(commands: Any) -> None:
    command = add_command(commands, "run", call, example="--config my.toml")
    add_config(command)
    command.add_argument(
        "--quiet", action="store_true", help="print log lines only, even on a terminal"
    )
    command.add_argument(
        "--lan",
        action="store_true",
        help="open the phone page to the network, by TLS and with a password",
    )
    command.add_argument(
        "--show-password", action="store_true", help="show the page's password and QR code again"
    )


def call(options: argparse.Namespace) -> int:
    from moontrim.journal.schema import NAME
    from moontrim.remote.companion import Remote
    from moontrim.service import logs
    from moontrim.service.notify import Notifier
    from moontrim.service.orderlystop import leave_mark, remove_mark
    from moontrim.service.watchdog import watchdog
    from moontrim.session.radiolock import only_daemon_on
    from moontrim.session.sessionfile import nobody_else
    from moontrim.terminal.livepanel import on_terminal, show

    settings = settings_of(options, home_by_gps=True)
    if options.lan:
        remote = settings.remote.model_copy(update={"lan": True})
        settings = settings.model_copy(update={"remote": remote})
    clock = SystemClock()
    live = on_terminal() and not options.quiet
    side = Remote(
        settings.remote,
        show=show if on_terminal() else None,
        show_password=options.show_password,
        on_page=(lambda url: show(f"phone page: {url}")) if live else lambda url: None,
        journal=settings.state_path() / NAME if settings.journal.enabled else None,
    )
    ephemeris = ephemeris_of(settings)
    # Before anything is started, which would otherwise inherit the way to the service manager.
    notifier = Notifier.claimed()
    faulthandler.enable()  # where it hung, when the watchdog of the service manager kills it
    level = logging.ERROR if live else logging.INFO
    address = settings.radio.driver_options().shared_address
    with (
        logs.start(clock, level) as log,
        nobody_else(settings.state_path()),
        only_daemon_on(address),
    ):
        remove_mark(settings.state_path())
        companions = (watchdog(notifier), side.run)
        stuck = asyncio.run(_run_daemon(settings, clock, ephemeris, log, companions, live=live))
        if not stuck:
            leave_mark(settings.state_path())
        _say_stopped(stuck, keying=settings.keying.enabled, live=live)
    return 0


def _say_stopped(stuck: tuple[str, ...], *, keying: bool, live: bool) -> None:
    """Reports an orderly stop, on the terminal or in the log. stuck: outputs that may be on."""
    from moontrim.terminal.livepanel import show

    if stuck:
        logger.error("moontrim stopped; still on: %s", "; ".join(stuck))
        return
    text = "moontrim stopped" + (": all outputs off" if keying else "")
    if live:
        show(text)
    else:
        logger.info("%s", text)


async def _run_daemon(
    settings: Settings,
    clock: Clock,
    ephemeris: Ephemeris,
    log: Log,
    companions: tuple[Companion, ...],
    *,
    live: bool,
) -> tuple[str, ...]:
    """Runs it to its end; returns the outputs that may still be on then."""
    from moontrim.agenda.follower import Follower
    from moontrim.app.daemon import Daemon
    from moontrim.journal.companion import Journal
    from moontrim.keying.sequence import Phase
    from moontrim.outlook.companion import keep_outlook
    from moontrim.share.server import Share
    from moontrim.share.sharedradio import RigAccess
    from moontrim.terminal.livepanel import live_view, log_view

    daemon = Daemon(settings, clock, ephemeris)
    daemon.stop_on_signals()
    link = daemon.link
    rig = RigAccess(link.details, link.set_mode, link.set_power)
    share = Share(settings.share, transmit=daemon.transmitting, rig=rig)
    daemon.surroundings.register("share", share.warnings)
    log.about = lambda: daemon.hub.latest
    journal = Journal(settings.state_path(), settings, clock, daemon.clock_bound_s)
    daemon.surroundings.register("journal", lambda: (journal.problem,) if journal.problem else ())
    view, agenda = live_view if live else log_view, Follower()
    await daemon.run(
        *(journal.run, *companions, view, keep_outlook, share.run),
        *(agenda.run, agenda.forecast_spread),
    )
    keying = daemon.transmitting.keyer.view
    if not settings.keying.enabled or keying.state is Phase.RELEASED:
        return keying.stuck
    return keying.stuck or (f"keying {keying.state}",)
