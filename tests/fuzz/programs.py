"""What programs and phones send to the daemon.

No input may key, permit or move anything unless it requests exactly that."""

from __future__ import annotations

import json
import re
from dataclasses import replace

from fuzz.instant import Instant
from fuzz.target import Target, finite, hold, pieces
from moontrim.clock.system import Clock
from moontrim.errors import InputError
from moontrim.rehearsal.rehearsal import embedded_settings
from moontrim.remote.broker.accounts import LOCAL, PHONE
from moontrim.remote.broker.configfile import LARGEST_PACKET
from moontrim.remote.commands.admission import Admission
from moontrim.remote.commands.arrival import Arrival
from moontrim.remote.commands.guards import SecondStep
from moontrim.remote.commands.parsing import COMMANDS
from moontrim.remote.published.messages import Post
from moontrim.remote.published.topics import Topics
from moontrim.session.commands import AllowTransmit, Command
from moontrim.session.session import TRIM_LIMIT_HZ, Session, first_session
from moontrim.share.actions import (
    ClientState,
    Key,
    ReadDetails,
    Reply,
    SetMode,
    SetPower,
    Tune,
    Unkey,
)
from moontrim.share.answers import decide, reply_with_details
from moontrim.share.commandtable import BY_NAME
from moontrim.share.protocol import LONGEST_LINE, LineBuffer, Malformed, TooLong, answer, read_line
from moontrim.share.view import Abilities, ShareView
from moontrim.tuning.correction import AGREEMENTS
from moontrim_drivers.contract import RigDetails

SETTINGS = embedded_settings()

# --- the share ------------------------------------------------------------------------------------

_ALL = Abilities(keys=True, reads_details=True, sets_mode=True, sets_power=True)
_RANGES = ((10_368_000_000, 10_370_000_000),)
_VIEW = ShareView(
    "10 GHz", 10_368_100_000, 10_368_100_000, False, True, "here", _RANGES, _RANGES, _ALL
)
_VIEWS = (
    _VIEW,
    replace(_VIEW, drive_ceiling=0.2),
    replace(_VIEW, transmitting=None, can=Abilities()),
)
_DETAILS = RigDetails("USB", 2400, 0.25)
# A transmit request as rigctld(1) has it: the command by letter or name, after it perhaps a VFO,
# and 1 to 3. Written without a look at the parser.
_KEY = re.compile(rb"(?:^|[ \t])[+;|,]?(?:T|\\set_ptt)[ \t]+(?:[A-Za-z]+[ \t]+)?[123](?=[ \t\r]|$)")
_UNKEY = re.compile(rb"(?:^|[ \t])[+;|,]?(?:T|\\set_ptt)[ \t]+(?:[A-Za-z]+[ \t]+)?0(?=[ \t\r]|$)")


def share_lines(data: bytes) -> None:
    """The bytes of one client of the share, up to the action of each command."""
    view, state = _VIEWS[data[0] % len(_VIEWS) if data else 0], ClientState()
    lines = LineBuffer()
    for piece in pieces(data[1:]):
        lines.waiting += piece
        while True:
            try:
                line = lines.next()
            except TooLong:
                return
            if line is None:
                break
            state = _share_line(line, view, state)
        hold(len(lines.waiting) < LONGEST_LINE, "an endless line is kept")


def _share_line(line: bytes, view: ShareView, state: ClientState) -> ClientState:
    try:
        commands = read_line(line, state.names_vfo)
    except Malformed as error:
        hold(error.code < 0, "a refusal that is none")
        return state
    for command in commands:
        action = decide(command, view, state)
        match action:
            case Key():
                hold(view.can.keys and _KEY.search(line), f"{line!r} keys")
            case Unkey():
                hold(_UNKEY.search(line), f"{line!r} unkeys")
            case Tune():
                hold(0 < action.hz <= 10**12, f"{line!r} tunes to {action.hz}")
            case SetPower():
                hold(0.0 <= action.fraction <= (view.drive_ceiling or 1.0), f"{action}")
                hold(view.transmitting is False, "power under RF")
            case SetMode():
                hold(re.fullmatch(r"[A-Z0-9-]{1,12}", action.mode), f"{action}")
                hold(action.passband_hz is None or action.passband_hz >= 0, f"{action}")
            case ReadDetails():
                action = reply_with_details(command, view, state, _DETAILS)
        code, values = (action.code, action.values) if isinstance(action, Reply) else (0, ())
        reply = answer(command, code, values)
        hold(reply.endswith(b"\n") and reply.isascii() and len(reply) < 16_384, "no answer")
        if isinstance(action, Reply) and action.state is not None:
            state = action.state
    return state


_SHARE_SEEDS = tuple(
    head + lines
    for head, lines in (
        (b"\x00\x00", b"\\set_vfo_opt 1\n\\chk_vfo\n\\dump_state\nf VFOA\nT VFOA 1\nT VFOA 0\n"),
        (b"\x01\x01", b"F 10368200000\nf\nL RFPOWER 0.1\nl RFPOWER\nM USB 2400\nm\nq\n"),
        (b"\x02\x00", b"+T 1\r\n;f;|i\nT 0\nt\n"),
        (b"\x00\x03", b"S 1 VFOB\nI 10368100000\nK 10368100000 USB 0\nk\nx\nX USB -1\n"),
        (b"\x01\x00", b"V VFOB\nv\n\\get_vfo_info VFOA\n_\n\\get_powerstat\n\\get_vfo_list\n"),
        (b"\x00\x00", b"f T 1 F 10368200000 t\nw T 1\nH 1 2 3 T 1\nb T 1\n"),
    )
)
_SHARE_TOKENS = (
    *(f"\\{name} ".encode() for name in BY_NAME),
    *(b"T 1", b"T", b" ", b"\n", b"\r\n", b"\t", b"+", b";", b"|", b"VFOA ", b"VFOB ", b"currVFO "),
    *(b"RFPOWER", b"1e3", b"-1", b".5", b" HTTP/1.1", b"\x00", b"T\x0b1", b"\x0c"),
)

# --- MQTT -----------------------------------------------------------------------------------------

_TOPICS = Topics("moontrim", "station")
_NAMES = (*COMMANDS, "key", "")
_REPLIES = (f"{_TOPICS.base}/reply/phone/p1", None, f"{_TOPICS.base}/reply/local/../state", "#")


def mqtt_command(data: bytes) -> None:
    """One message through the admission, with a tracker that carries it out. Four bytes choose the
    command, the account, the reply topic and how the message came; the rest is the payload."""
    name, who, how, where = (*data[:4], 0, 0, 0, 0)[:4]
    account = (PHONE, LOCAL, "viewer", "")[who % 4]
    payload = data[4:]
    clock = Instant()
    session = first_session(SETTINGS)
    commanders = frozenset({PHONE, LOCAL})
    admission = Admission(_TOPICS, SETTINGS, lambda: session, commanders, clock, SecondStep())
    carried_out: list[Command] = []

    async def ask(command: Command) -> Session:
        carried_out.append(command)
        return command.apply(session, SETTINGS)

    arrival = Arrival(
        _TOPICS.command(account, _NAMES[name % len(_NAMES)]),
        payload,
        at_s=clock.monotonic_s(),
        retained=how & 0x70 == 0x70,
        reply_to=_REPLIES[where % len(_REPLIES)],
        correlation=payload[-20:] if how & 0x80 else None,
        expires_s=-1.0 if how & 0x0E == 0x0E else None,
    )

    async def saved(clock: Clock) -> str:
        return ""

    async def handle() -> list[Post]:
        decided = await admission.decide(arrival, ask)
        return await admission.answers(decided, saved, clock.utc_s())

    posts = clock.run(handle())
    for post in posts:
        hold(len(post.payload) < LARGEST_PACKET, "an answer too large for the broker")
        allowed = (_TOPICS.event, arrival.topic)
        reply_base = f"{_TOPICS.base}/reply/{account}/"
        hold(post.topic in allowed or post.topic.startswith(reply_base), f"written to {post.topic}")
        reply = json.loads(post.payload) if post.payload else {}
        hold(finite(reply), "a number that is none")
        hold((reply.get("error") or {}).get("code") != "internal", f"failed inside: {reply}")
    for command in carried_out:
        hold(account in (PHONE, LOCAL), f"{account!r} commands")
        hold(not arrival.retained and arrival.expires_s is None, "an old command is carried out")
        hold(not (isinstance(command, AllowTransmit) and command.on), "permitted in one step")
        try:
            _judge(command.apply(session, SETTINGS))
        except InputError:
            continue


def _judge(session: Session) -> None:
    choices, band = session.band_choices(SETTINGS), SETTINGS.band(session.band)
    hold(band.tx_low_hz <= choices.sked_hz <= band.tx_high_hz, f"sked {choices.sked_hz}")
    for trim_hz in (choices.rx_trim_hz, choices.tx_trim_hz):
        hold(abs(trim_hz) <= TRIM_LIMIT_HZ, f"trim {trim_hz}")
    hold(session.agreement in AGREEMENTS, session.agreement)
    session.partner_site(SETTINGS)


_MQTT_SEEDS = tuple(
    bytes((_NAMES.index(name), who, how, where)) + payload
    for name, who, how, where, payload in (
        ("band", 0, 0, 0, b"10 GHz"),
        ("frequency", 0, 0, 0, b'{"hz": 10368105000, "id": "a1"}'),
        ("sked", 0, 0, 0, b"north"),
        ("undo", 0, 0, 0, b"{}"),
        (
            "save_sked",
            0,
            0,
            0,
            b'{"name": "north", "band": "10 GHz", "sked_hz": 10368120000, "over_s": 30}',
        ),
        ("remove_sked", 0, 0, 0, b'{"sked": "north"}'),
        ("nudge", 1, 0x80, 1, b"-10"),
        ("agreement", 0, 0, 0, b'"receiver"'),
        (
            "partner",
            1,
            0,
            1,
            b'{"partner": "KP20NF", "reply_to": "moontrim/station/reply/local/x"}',
        ),
        ("trim", 0, 0x80, 0, b'{"rx_hz": 1.5, "tx_hz": -2e1, "id": 7}'),
        ("correction", 1, 0, 0, b"off"),
        ("transmit", 0, 0, 0, b'{"allowed": true, "confirm": "0123456789abcdef"}'),
        ("transmit", 1, 0, 1, b"on"),
        ("transmit", 0, 0x70, 0, b'{"allowed": false}'),
        ("readback", 0, 0x0E, 0, b""),
        ("key", 2, 0, 2, b'{"on": true}'),
    )
)
_MQTT_TOKENS = (
    *(
        b'"hz"',
        b'"id"',
        b'"reply_to"',
        b'"allowed"',
        b"true",
        b"false",
        b"null",
        b"[",
        b"{",
        b"}",
    ),
    *(b'"confirm":', b"on", b'"\\ud800"', b"NaN", b"-Infinity", b"\\u0000", b'{"":', b":", b","),
    *(b"[" * 1500, b'{"a":' * 500, b"1e999", b"-0.0", b"\xef\xbb\xbf", b"self", b"91,181,9e9"),
)


def mqtt_topics(data: bytes) -> None:
    """A command topic names an account and a command and nothing else; a reply goes one level below
    the account's topic or nowhere."""
    text = data.decode("utf-8", "replace")
    sender = _TOPICS.account_and_command(text)
    if sender is not None:
        account, name = sender
        hold(text.count("/") == 4 and text.startswith("moontrim/station/cmd/"), text)
        hold("/" not in account + name, f"{text!r} comes from {account!r}")
        hold(text.split("/")[3].startswith(account), f"{text!r} comes from {account!r}")
    if _TOPICS.is_reply(text, PHONE):
        rest = text.removeprefix("moontrim/station/reply/phone/")
        hold(
            rest != text and rest.isascii() and not set(rest) & set("/+#\0\n "),
            f"reply to {text!r}",
        )


_TOPIC_SEEDS = (
    *(b"moontrim/station/cmd/phone/sked", b"moontrim/station/reply/phone/client-1"),
    *(b"moontrim/station/cmd/local/transmit", b"moontrim/station/reply/phone/a.b_c~d:e@f=g"),
)
_TOPIC_TOKENS = (b"/", b"+", b"#", b"..", b"phone", b"cmd/", b"reply/", b"\x00", b"\n", b"$SYS/")

TARGETS = (
    Target("share-lines", share_lines, _SHARE_SEEDS, _SHARE_TOKENS),
    Target("mqtt-command", mqtt_command, _MQTT_SEEDS, _MQTT_TOKENS),
    Target("mqtt-topics", mqtt_topics, _TOPIC_SEEDS, _TOPIC_TOKENS),
)
