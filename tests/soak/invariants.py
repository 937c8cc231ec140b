"""What must hold at every instant, whatever fails, from the viewpoint of the radio and the relays.

Nothing in this module trusts the daemon: RF, relays and dials are the station's, frequencies come
from the exact path. Only the operator's choices (the session) and the claim `ON_FREQUENCY` come
from the daemon, which is held to them."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from moontrim.config.band import BandSettings
from moontrim.errors import CoverageError
from moontrim.keying.sequence import STUCK_S
from moontrim.session.session import Session
from moontrim.session.sessionfile import marked
from moontrim.state.snapshot import Snapshot, Tracking
from moontrim.timekeeping.clockjumps import SETTLED_S
from moontrim.tracking.inbox import INBOX_SIZE
from soak.exact import ExactPath
from soak.life import Life
from soak.plan import Plan
from soak.station import SoakClock, Station
from soak.trace import Trace

ON_FREQUENCY = Tracking.ON_FREQUENCY
SPARE_S = 1e-6
DRIVE_ROUNDING = 0.005  # radios round their power
MOON_DOWN_DEG = -1.0  # lower than refraction lifts it
TURNED_S = 40.0  # in which a turn may still be taken back as another program's
MOST_TASKS, MOST_ALARMS = 60, 400
CLOCK_POLL_S = 17.0
COMMAND_S = 0.15
LOOK_S = 0.8  # from the last look to RF, as long as an output may take to switch


class Judge:
    """Receives every event and records violations. trouble_s: when something was last wrong at
    radio, relays or process (now, while it is). disturbed_s: when anything last acted on the
    station."""

    def __init__(self, plan: Plan, clock: SoakClock, trace: Trace, exact: ExactPath) -> None:
        self.violations: list[str] = []
        self.trouble_s: Callable[[], float] = lambda: -math.inf
        self.disturbed_s = 0.0
        self._jumps = 0
        self._second = 0
        self.life: Life | None = None
        self.ended_with: Session | None = None  # in order; None: it was killed
        self.station: Station
        self._plan = plan
        self._clock = clock
        self._trace = trace
        self._exact = exact
        self.plugged = plan.settings.only_front_end  # at the radio's antenna socket
        self._settles_s = [output.settle_ms / 1000 for output in plan.settings.keying.outputs]
        self._ours = False
        self._rf_ended_s = -math.inf
        self._by_hand_since_s = math.inf
        self._dials: tuple[int, int | None] | None = None
        self._sent: deque[tuple[float, int | None]] = deque(maxlen=200)  # dial under RF, since when
        self._hand_s = self._turned_s = -math.inf
        self._turning = 0  # faults under way by which the receive dial may look turned
        self.rf_since_s = math.inf
        self.rf_changed: Callable[[bool], None] = lambda on: None
        self.on_frequency_since_s = math.inf
        self._last: Snapshot | None = None

    # --- what others tell -------------------------------------------------------------------------

    def violated(self, text: str) -> None:
        self._trace.say(self._now(), f"VIOLATED {text}")
        if len(self.violations) < 20:
            self.violations.append(f"at {self._now():.3f} s: {text}")

    def hand(self, what: str, *, turning: int = 0) -> None:
        """Records that somebody or something acted on the station. turning: +1 as something begins
        by which the receive dial may look turned by hand, -1 as it ends."""
        self._hand_s = self.disturbed_s = self._now()
        self._turning += turning
        if turning:
            self._turned_s = self._now()
        self._trace.say(self._now(), what)

    def born(self, life: Life) -> None:
        """A new life of the daemon begins, with the saved choices. Its snapshots are checked as
        they pass."""
        self._counted("a life begins with what was saved")
        orderly = marked(self._plan.settings.state_path())
        if saved := self.station.disk.saved:
            expected = saved if orderly else saved.unconfirmed(self._plan.settings)
            if life.daemon.session != expected:
                self.violated(f"it began with {life.daemon.session}, not with {expected}")
        if orderly and self.ended_with is None:
            self.violated("a kill left the mark of an orderly end")
        if orderly and self.ended_with is not None and self.ended_with != saved:
            self.violated(f"it ended with {self.ended_with}, which was not saved")
        self.life, self._last, self.on_frequency_since_s = life, None, math.inf
        publish = life.daemon.hub.publish

        def published(snapshot: Snapshot) -> None:
            if life.alive:
                self._published(snapshot)
            publish(snapshot)

        life.daemon.hub.publish = published  # type: ignore[method-assign]

    def plug(self, front_end: str) -> None:
        """Records what somebody connects to the radio, before allowing transmit with it."""
        self._trace.say(self._now(), f"{front_end} plugged")
        self.plugged = front_end

    def _plugged_is_meant(self) -> bool:
        return self.plugged == self._band().front_end_name

    def relay(self, index: int, on: bool) -> None:
        """A relay moved: there must be no RF. A radio that cannot be unkeyed within a second is
        exempt, as `keying.sequence` says."""
        self._trace.say(self._now(), f"relay {index} {'on' if on else 'off'}")
        self._counted("no relay moves under RF")
        if self.station.radio.ours and not self._troubled(STUCK_S + 2.0):
            self.violated(f"relay {index} moves under RF")
        radio = self._plan.settings.radio
        # Or nobody knows.
        reported = radio.options["reports_transmit"] and not self.station.wire.lies
        if on and reported and self._now() - self._by_hand_since_s > radio.poll_s + 2.0:
            self.violated(f"relay {index} is raised while someone else transmits")

    def radio(self) -> None:
        """Dials or transmit state have changed."""
        radio, now_s = self.station.radio, self._now()
        if radio.by_hand:
            self._by_hand_since_s = min(self._by_hand_since_s, now_s)
        else:
            self._by_hand_since_s = math.inf
        if radio.ours != self._ours:
            self._ours = radio.ours
            self._trace.say(now_s, f"{'KEYED' if self._ours else 'unkeyed'}")
            self.rf_since_s = now_s if self._ours else math.inf
            if self._ours:
                self._keyed()
            else:
                self._rf_ended_s = now_s
            self.rf_changed(self._ours)
        sent = radio.transmit_dial_hz if radio.transmitting else None
        if not self._sent or self._sent[-1][1] != sent:
            self._sent.append((now_s, sent))
        dials = (radio.rx_dial_hz, radio.tx_dial_hz)
        if dials != self._dials:
            self._dials = dials
            self._trace.add(f"{now_s:.6f} {dials}")

    def written(self, what: str) -> None:
        self._trace.add(f"{self._now():.6f} {what}")

    def wrote_dials(self, rx_hz: int | None, tx_hz: int | None) -> None:
        """A command to set the dials leaves the daemon."""
        self.written(f"dials {rx_hz} {tx_hz}")
        self._counted("nothing set to transmit outside the allowed range")
        split = self._plan.settings.radio.options["split"]
        transmits_hz = tx_hz if split else rx_hz
        if transmits_hz is not None and not self._allowed(transmits_hz):
            self.violated(f"the dial that transmits was set to {transmits_hz} Hz")
        self._counted("no dial moves while relays do")
        # One that moved at this very instant did so after the command had left.
        moved = [c for c in self.station.coils if self._rf_ended_s < c.since_s < self._now()]
        moving = moved and any(coil.on for coil in self.station.coils)
        if moving and not self._ours and not self._troubled(5.0):
            self.violated("a dial is set while relays move")
        held = self._band().while_transmitting != "step"
        if held and self._now() - self.rf_since_s > 1.0 and not self._troubled(5.0):
            self.violated("a dial is set under RF on a band that holds it")

    def wrote_power(self, fraction: float) -> None:
        self.written(f"power {fraction}")
        self._not_under_rf("power")
        self._counted("no drive set above the ceiling")
        ceiling = self._band().drive_ceiling
        if ceiling is not None and fraction > ceiling + SPARE_S and not self._changing_band():
            self.violated(f"drive set to {fraction}, above the ceiling of {ceiling}")
        self._counted("no drive meant for another front end")
        if not self._plugged_is_meant() and fraction > self.station.radio.power_fraction:
            self.violated(f"drive raised to {fraction} into {self.plugged}")

    def wrote_mode(self, mode: str) -> None:
        self.written(f"mode {mode}")
        self._not_under_rf("mode")

    def _not_under_rf(self, what: str) -> None:
        """It looked just before."""
        self._counted("neither mode nor power set under RF")
        by_hand_s = self._now() - self._by_hand_since_s
        reported = self._plan.settings.radio.options["reports_transmit"]
        under_rf = self.station.radio.ours or (reported and by_hand_s > 2.0)
        if under_rf and not self.station.wire.lies:
            self.violated(f"{what} is set under RF")

    # --- rules ------------------------------------------------------------------------------------

    def _keyed(self) -> None:
        """RF begins: everything must be in the right state."""
        now_s = self._now()
        self._counted("no RF before every relay has settled")
        for coil, settle_s in zip(self.station.coils, self._settles_s, strict=False):
            if not coil.on or now_s - coil.since_s < settle_s - SPARE_S:
                self.violated(f"RF while relay {coil.index} has not settled")
        self._counted("no RF into another front end")
        if not self._plugged_is_meant():
            self.violated(f"RF of {self._band().front_end_name} into {self.plugged}")
        self._counted("no RF by an unconfirmed clock")
        life, jumped_s = self.life, self._clock.disturbed_at_s
        # The command to key may have been on its way to the radio already.
        jumped_ago_s = now_s - jumped_s
        lived_through = life is not None and life.born_s < jumped_s
        if lived_through and COMMAND_S < jumped_ago_s < SETTLED_S - SPARE_S:
            self._unless_troubled(f"keyed {jumped_ago_s:.2f} s after the clock jumped")
        if now_s - self.station.time_source.bad_since_s > COMMAND_S:
            self._unless_troubled("keyed by an unconfirmed clock")
        since_hand_s = now_s - self._hand_s
        poll_s = self._plan.settings.radio.poll_s
        unseen = since_hand_s <= LOOK_S or self._troubled(5.0 + poll_s)
        self._counted("keyed only inside the allowed range")
        if not self.allowed_now() and since_hand_s > LOOK_S and not self._troubled(poll_s):
            self.violated(f"keyed at a dial of {self.station.radio.transmit_dial_hz} Hz")
        self._counted("keyed only without an offset from the dial")
        radio = self.station.radio
        if (radio.rit_hz or radio.xit_hz or radio.repeater_shift) and not unseen:
            self.violated("keyed with RIT, XIT or repeater shift on")
        self._counted("keyed only below the drive ceiling")
        connected_since = life is not None and self._hand_s < life.parted_s
        if self.drive_above() and (connected_since or not unseen):
            self.violated(f"keyed with a drive of {self.station.radio.power_fraction}")

    def _published(self, now: Snapshot) -> None:
        last, self._last = self._last, now
        utc_s, ticks, link, tracking = now.utc_s, now.ticks, now.link, now.tracking
        self._trace.tick(utc_s, ticks)
        if last is None or last.link is not link:
            rig = link.rig
            self._trace.add(str(rig and (rig.rx_dial_hz, rig.tx_dial_hz, rig.transmitting)))
        if last is None or last.tracking is not tracking:
            self._trace.say(self._now(), f"{tracking}: {now.reason}")
            self.on_frequency_since_s = math.inf
        if tracking is ON_FREQUENCY and (
            self.on_frequency_since_s == math.inf
            or last is None
            or last.sked_hz != now.sked_hz
            or last.band != now.band
        ):
            self.on_frequency_since_s = self._now()
        self._sked_is_kept(last, now)
        for dial in (now.rx, now.tx):
            if dial is not None and not -math.inf < dial.ideal_dial_hz < math.inf:
                self.violated("an ideal dial that is no number")
        # Planned 0.3 s ahead: each tick belongs to a second of its own.
        before, self._second = self._second, math.floor(utc_s + 0.3)
        if last is None:
            return
        if ticks == last.ticks + 1:
            self._trace.counts["ticks"] += 1
        elif ticks != last.ticks:
            self.violated(f"tick {ticks} follows {last.ticks}")
        if self._clock.jumps != self._jumps:
            self._jumps = self._clock.jumps
        elif utc_s < last.utc_s or (ticks > last.ticks and self._second < before):
            self.violated(f"time goes back from {last.utc_s:.6f} to {utc_s:.6f}")

    def _sked_is_kept(self, last: Snapshot | None, now: Snapshot) -> None:
        """The dial moves the sked frequency only where the receive dial may look turned: not after
        A and B were exchanged, nor after a turn of the transmit dial."""
        change = now.last_change
        if last is None or change is None or change is last.last_change or change.by != "dial":
            return
        self._counted("only a turn of the receive dial moves the sked")
        if not self._turning and self._now() - self._turned_s > TURNED_S:
            self.violated(f"nobody has turned the receive dial, but: {change}")

    def resources(self, tasks: int) -> None:
        """Nothing grows."""
        self._counted("tasks, alarms and inbox are bounded")
        if tasks > MOST_TASKS:
            self.violated(f"{tasks} tasks")
        if self._clock.waiting() > MOST_ALARMS:
            self.violated(f"{self._clock.waiting()} alarms")
        unasked_s = self._now() - self.station.time_source.looked_s
        if self.life is not None and unasked_s > CLOCK_POLL_S and self._clock.stalls == 0:
            self.violated(f"the source of time was not asked for {unasked_s:.1f} s")
        if self.life is not None and len(self.life.daemon.inbox._items) > INBOX_SIZE:
            self.violated("the inbox is larger than it may be")

    # --- frequency --------------------------------------------------------------------------------

    def off_by_hz(self) -> float | None:
        """By how much the worse dial is beyond its limit, by the exact path; None where there is
        nothing to hold it to. Negative: within."""
        life, radio = self.life, self.station.radio
        if life is None or radio.transmitting:
            return None
        session, band = life.daemon.session, self._band()
        utc_s = self._clock.utc_s()
        lead_s = band.over_s / 2 if band.while_transmitting == "mid_over" else 0.0
        try:
            now = self._exact.on_air(session, utc_s)
            tx_hz = self._exact.on_air(session, utc_s + lead_s).tx_hz if lead_s else now.tx_hz
        except CoverageError:
            return None
        if session.partner_site(life.daemon.settings) is None:
            delay_s = self._exact.delay_s(session, utc_s)
            sent = self._sent_before(delay_s)
            if sent is None:
                return None
            sent_hz = None if sent < 0 else float(band.tx_band().on_air_hz(sent))
            echo_hz = self._exact.echo_hz(session, utc_s, sent_hz, lead_s)
            now = now._replace(rx_hz=echo_hz)
        limit_hz = max(1.0, 0.5 * band.dial_resolution_hz + 0.2)
        if not band.band().allows(tx_hz) or abs(tx_hz - band.tx_low_hz) < 2.0:
            return None
        off_hz = abs(radio.rx_dial_hz - band.band().dial_hz(now.rx_hz))
        if radio.tx_dial_hz is not None:
            off_hz = max(off_hz, abs(radio.tx_dial_hz - band.tx_band().dial_hz(tx_hz)))
        elif not band.band().allows(now.rx_hz) or any(coil.on for coil in self.station.coils):
            return None  # the one dial stays where it transmits until the relays have fallen
        return off_hz - limit_hz

    def _sent_before(self, delay_s: float) -> int | None:
        """The dial on which the radio transmitted so long ago, -1 if on none; None while what comes
        back is of the seconds around a press, a release or a turn: it is seen at the next look."""
        left_s, sent = self._now() - delay_s, -1
        unseen_s = self._plan.settings.radio.poll_s + 3.0
        for since_s, dial_hz in self._sent:
            if abs(left_s - since_s) < unseen_s:
                return None
            if since_s <= left_s:
                sent = -1 if dial_hz is None else dial_hz
        return sent

    def honest(self) -> None:
        """A daemon that claims ON_FREQUENCY for a second must be on frequency."""
        now_s = self._now()
        poll_s = self._plan.settings.radio.poll_s
        # A radio that was slow is taken for that until most of the last sets were fast.
        grace_s = 20.0 if "late answers" in self._plan.kinds else 3.0
        if self.on_frequency_since_s < math.inf:
            self._counted("on frequency only with the Moon up")
            elevation_deg = self._elevation_deg()
            if elevation_deg is not None and elevation_deg < MOON_DOWN_DEG:
                self.violated(f"says on frequency, with the Moon at {elevation_deg:.2f} degrees")
        if self._troubled(poll_s + grace_s) or now_s - self._hand_s < poll_s + 3.0:
            return  # it sees a hand on the dial at its next look only
        if now_s - self.on_frequency_since_s > 1.0:
            self._counted("on frequency when it says so")
            off_hz = self.off_by_hz()
            if off_hz is not None and off_hz > 0.0:
                self.violated(f"says on frequency, but is {off_hz:.2f} Hz beyond the limit")

    def _elevation_deg(self) -> float | None:
        """The Moon's elevation at home, by the exact path; None outside the tables, and while the
        clock has just been set."""
        if self._now() - self._clock.disturbed_at_s < 3.0:
            return None
        try:
            return self._exact.elevation_deg(self._clock.utc_s())
        except CoverageError:
            return None

    # --- small things -----------------------------------------------------------------------------

    def drive_above(self) -> bool:
        ceiling = self._band().drive_ceiling
        return (
            ceiling is not None and self.station.radio.power_fraction > ceiling + 2 * DRIVE_ROUNDING
        )

    def allowed_now(self) -> bool:
        return self._allowed(self.station.radio.transmit_dial_hz)

    def _allowed(self, dial_hz: int) -> bool:
        """On the present band, or the one just left."""
        names = {self._band().name}
        if self._last is not None:
            names.add(self._last.band)
        entries = [self._plan.settings.band(name).entry() for name in names]
        return any(entry.tx_low_hz <= dial_hz <= entry.tx_high_hz for entry in entries)

    def _changing_band(self) -> bool:
        return self._last is not None and self._last.band != self._band().name

    def _band(self) -> BandSettings:
        settings = self._plan.settings
        if self.life is None:
            return settings.bands[0]
        return settings.band(self.life.daemon.session.band)

    def _troubled(self, within_s: float) -> bool:
        return self._now() - self.trouble_s() < within_s

    def _unless_troubled(self, text: str) -> None:
        if not self._troubled(5.0):
            self.violated(text)

    def _now(self) -> float:
        return self._clock.monotonic_s()

    def _counted(self, what: str) -> None:
        self._trace.counts[what] += 1
