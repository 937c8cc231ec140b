"""Finding drivers by name, with and without other packages installed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from moontrim_drivers import registry
from moontrim_drivers.contract import RigDriver
from moontrim_drivers.registry import DriverNotFoundError, load, names
from moontrim_drivers.simulated.driver import SimulatedDriver
from support.tree import ROOT

MODULE = """
from moontrim_drivers.simulated.driver import SimulatedDriver
class Mine(SimulatedDriver): ...
class Other: ...
"""


@pytest.fixture(autouse=True)
def always_looked_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Packages come and go here while the process runs."""
    monkeypatch.setattr(registry, "_targets", registry._targets.__wrapped__)


def install(folder: Path, monkeypatch: pytest.MonkeyPatch, package: str, **drivers: str) -> None:
    """Put a package on the path that declares drivers, as an installer would."""
    info = folder / f"{package}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
    lines = "".join(f"{name} = {target}\n" for name, target in drivers.items())
    (info / "entry_points.txt").write_text(f"[moontrim.drivers]\n{lines}")
    (folder / f"{package}.py").write_text(MODULE)
    monkeypatch.syspath_prepend(str(folder))


def test_our_own() -> None:
    assert {"simulated", "socket"} <= set(names())
    assert load("simulated") is SimulatedDriver
    for name in ("simulated", "socket"):
        assert issubclass(load(name), RigDriver)


def test_only_the_module_asked_for_is_imported() -> None:
    code = (
        "import sys; from moontrim_drivers import registry; registry.names();"
        "assert not any('simulated' in m or 'socketrig' in m for m in sys.modules);"
        "registry.load('simulated');"
        "assert 'moontrim_drivers.rigctld.driver' not in sys.modules"
    )
    drivers = ROOT / "drivers"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": str(drivers)},
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 0, done.stderr


def test_unknown() -> None:
    with pytest.raises(DriverNotFoundError, match=r"'nosuch': unknown; .*simulated, socket"):
        load("nosuch")
    assert issubclass(DriverNotFoundError, ValueError)


def test_from_another_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, monkeypatch, "extra_rig_a", mine="extra_rig_a:Mine")
    assert "mine" in names()
    assert load("mine").__name__ == "Mine"


def test_ours_cannot_be_taken_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, monkeypatch, "extra_rig_b", socket="extra_rig_b:Mine")
    with pytest.raises(DriverNotFoundError, match=r"'socket': claimed more than once.*extra_rig_b"):
        load("socket")
    assert load("simulated") is SimulatedDriver


def test_two_packages_with_one_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, monkeypatch, "extra_rig_c", twice="extra_rig_c:Mine")
    install(tmp_path, monkeypatch, "extra_rig_d", twice="extra_rig_d:Mine")
    with pytest.raises(DriverNotFoundError, match="'twice': claimed more than once"):
        load("twice")


@pytest.mark.parametrize(
    ("target", "why"),
    [
        ("no_such_module:Mine", "cannot be loaded"),
        ("extra_rig_e:Missing", "cannot be loaded"),
        ("extra_rig_e:Other", "extra_rig_e:Other is not a RigDriver"),
    ],
)
def test_broken_packages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str, why: str
) -> None:
    install(tmp_path, monkeypatch, "extra_rig_e", broken=target)
    with pytest.raises(DriverNotFoundError, match=f"'broken': {why}"):
        load("broken")
