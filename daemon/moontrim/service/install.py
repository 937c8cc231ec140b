"""The plan of an installation as a service: which files with which content go where, and which
commands then put them to use. Pure, but for reading the files that come with the package.

`cli.installservice` carries the plan out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from moontrim.config.keyingports import GpioInput, GpioOutput
from moontrim.config.settings import Settings
from moontrim.config.share import EVERYONE
from moontrim.errors import InputError

# The path of the program in the files that come with the package.
PROGRAM = "/usr/local/bin/moontrim"
# Of an instance; chosen: what needs no escaping in a unit's name, a path or a topic.
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
# Hidden from the service by ProtectHome=yes and PrivateTmp=yes.
HIDDEN = (Path("/home"), Path("/root"), Path("/run/user"), Path("/tmp"), Path("/var/tmp"))  # noqa: S108


@dataclass(frozen=True, slots=True)
class Placed:
    """A file to be put in place. theirs: the operator may change it, so it is never overwritten."""

    path: Path
    content: str
    why: str
    mode: int = 0o644
    theirs: bool = False


@dataclass(frozen=True, slots=True)
class InstallStep:
    """A command to be run. why: for the operator."""

    command: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class InstallPlan:
    """The plan for one unit. files: with their paths in the running system. steps: in this order,
    after the files. remarks: sentences for the operator."""

    unit: str
    files: tuple[Placed, ...]
    steps: tuple[InstallStep, ...]
    remarks: tuple[str, ...]


def system_plan(name: str, config: str, settings: Settings, program: str = PROGRAM) -> InstallPlan:
    """Returns the plan for a service of the system. name: of the instance. config: the text of its
    config file; settings: the same, parsed. program: its absolute path. Raises InputError."""
    _check(name, program)
    units, unit = Path("/etc/systemd/system"), f"moontrim@{name}.service"
    gpio = _uses_gpio(settings)
    placed = [
        Placed(
            units / "moontrim@.service",
            shipped("moontrim@.service").replace(PROGRAM, program),
            "the service, one for all radios",
        ),
        Placed(
            units / f"{unit}.d" / "local.conf",
            shipped("local.conf"),
            f"for what is special about {name}; everything in it is commented out",
            theirs=True,
        ),
        Placed(
            Path("/etc/udev/rules.d/70-moontrim.rules"),
            shipped("70-moontrim.rules"),
            "who may use GPIO lines, and how to give serial adapters names that stay",
        ),
        Placed(
            Path("/etc/moontrim") / f"{name}.toml", config, "the config, where it is looked for"
        ),
    ]
    steps = []
    if gpio:
        placed.append(
            Placed(
                units / f"{unit}.d" / "gpio.conf",
                shipped("gpio.conf"),
                "the config uses GPIO lines, so it joins their group",
            )
        )
        steps.append(InstallStep(("groupadd", "--force", "--system", "gpio"), "make that group"))
    if set(settings.share.users) - {EVERYONE}:
        placed.append(
            Placed(
                units / f"{unit}.d" / "users.conf",
                shipped("users.conf"),
                "share.users names users, whom the service must be able to tell apart",
            )
        )
    steps += [
        InstallStep(("udevadm", "control", "--reload"), "read the new rules for devices"),
        InstallStep(
            ("udevadm", "trigger", "--subsystem-match=gpio"), "apply them to what is there"
        ),
        InstallStep(("systemctl", "daemon-reload"), "read the new service"),
        InstallStep(("systemctl", "enable", unit), "start it whenever the machine starts"),
        InstallStep(("systemctl", "restart", unit), "and now"),
    ]
    return InstallPlan(unit, tuple(placed), tuple(steps), tuple(_remarks(name, settings)))


def user_plan(
    name: str, config: str, program: str, config_home: Path, user: str = "$USER"
) -> InstallPlan:
    """Returns the plan for a service of one user, which needs no root. config_home: as
    $XDG_CONFIG_HOME. Raises InputError."""
    _check(name, program)
    unit = f"moontrim@{name}.service"
    placed = (
        Placed(
            config_home / "systemd/user/moontrim@.service",
            shipped("user.service").replace(PROGRAM, program),
            "the service, one for all radios",
        ),
        Placed(config_home / f"moontrim/{name}.toml", config, "the config, where it is looked for"),
    )
    steps = (
        InstallStep(("systemctl", "--user", "daemon-reload"), "read the new service"),
        InstallStep(("systemctl", "--user", "enable", unit), "start it whenever you log in"),
        InstallStep(("systemctl", "--user", "restart", unit), "and now"),
    )
    remarks = (
        f"It ends when you log out, unless you run: loginctl enable-linger {user}",
        f"You must be in the group that owns the serial ports: sudo adduser {user} dialout",
    )
    return InstallPlan(unit, placed, steps, remarks)


def state_folder_of_service(config: Path) -> Path | None:
    """Returns the state folder of the instance whose config this is, as its unit sets it; None if
    it is the config of none. config: an absolute path."""
    if config.suffix != ".toml" or not NAME.fullmatch(config.stem):
        return None
    if config.parent == Path("/etc/moontrim"):
        return Path("/var/lib/moontrim") / config.stem
    if config.parent == Path.home() / ".config" / "moontrim":
        return Path.home() / ".local" / "state" / "moontrim" / config.stem
    return None


def shipped(name: str) -> str:
    """Returns the text of a file that comes with the package."""
    return (_folder() / name).read_text(encoding="utf-8")


def _folder() -> Traversable:
    """Returns the folder of these files: in an installed package, else in the source tree."""
    packed = files("moontrim.service") / "files"
    return packed if packed.is_dir() else Path(__file__).parents[3] / "systemd"


def refuse_hidden(paths: dict[str, Path]) -> None:
    """Raises InputError for a path that is hidden from the service. paths: by field, with links
    resolved."""
    for field, path in paths.items():
        if any(path.is_relative_to(place) for place in HIDDEN):
            places = ", ".join(map(str, HIDDEN))
            raise InputError(
                field,
                str(path),
                f"a path outside {places}, which are hidden from the service; use --user, or "
                "install moontrim in a venv at /opt/moontrim",
            )


def _check(name: str, program: str) -> None:
    """Raises InputError for a name or a path that cannot be written into a unit file."""
    if NAME.fullmatch(name) is None:
        allowed = "1 to 32 letters, digits, - and _, the first a letter or digit"
        raise InputError("NAME", name, allowed)
    # systemd would split a path at spaces, and expand % signs.
    if re.fullmatch(r"/[A-Za-z0-9_./+@-]+", program) is None:
        raise InputError("--program", program, "an absolute path without spaces or % signs")


def _uses_gpio(settings: Settings) -> bool:
    """Does the config use GPIO lines, for which the service must join a group?"""
    everything = (*settings.keying.outputs, *settings.keying.inputs)
    return any(isinstance(one, GpioOutput | GpioInput) for one in everything)


def _remarks(name: str, settings: Settings) -> Iterator[str]:
    """Yields sentences on what in the config does not work in a service as it is."""
    if settings.state_dir is not None:
        yield (
            f"The config names a state_dir, {settings.state_dir}, where the service may not write: "
            f"leave it out, and /var/lib/moontrim/{name} is used."
        )
    named = {
        "data.earth_orientation_file": settings.data.earth_orientation_file,
        "data.ephemeris_file": settings.data.ephemeris_file,
        "data.band_plan_file": settings.data.band_plan_file,
        "remote.tls_ca_file": settings.remote.tls_ca_file,
    }
    for key, path in named.items():
        if path is not None and (
            not path.is_absolute() or any(path.is_relative_to(place) for place in HIDDEN)
        ):
            yield (
                f"The config names {key}, {path}, which the service does not see: give an absolute "
                "path under /etc/moontrim."
            )
    if settings.remote.user is not None:
        yield (
            "The password for the other broker goes into /etc/credstore/"
            f"moontrim-{name}.mqtt_password, readable by root alone (mode 0600)."
        )
    if settings.share.enabled and not settings.share.users:
        yield (
            "The service has a user of its own: no program of yours can use the share until "
            "share.users names you."
        )
    yield (
        "The service may talk to this machine and the local network only; local.conf says how to "
        "allow more."
    )
