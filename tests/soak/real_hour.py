"""Runs a real `moontrim run` with the simulated radio for a while and measures it from outside:
`python tests/soak/real_hour.py --minutes 60`. Prints memory and its slope, open files and threads.
Exit code 1 if memory grows by more than 1 MB an hour after the warm-up, or anything else grows.
Memory means anonymous memory: file-backed pages come and go with the rest of the machine."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]

from moontrim.clock.system import SystemClock

MOST_MB_PER_H = 1.0
EVERY_S = 5.0
CONFIG = """
[home]
locator = "JN88DD55AA"
[radio]
driver = "simulated"
[[bands]]
name = "1296 MHz"
sked_hz = 1_296_100_000
tx_low_hz = 1_296_000_000
tx_high_hz = 1_297_000_000
[remote]
enabled = false
[share]
enabled = false
"""


def main() -> int:
    parser = argparse.ArgumentParser(description="Does a running daemon grow?")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--warm-up-minutes", type=float, default=5.0)
    options = parser.parse_args()
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "config.toml"
        config.write_text(f'state_dir = "{folder}"\n{CONFIG}')
        command = [sys.executable, "-m", "moontrim", "run", "--config", str(config), "--quiet"]
        with Path(folder, "log").open("w") as log:
            daemon = subprocess.Popen(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
            process = psutil.Process(daemon.pid)
            rows: list[tuple[float, float, int, int]] = []
            began_s = clock.monotonic_s()
            try:
                while (now_s := clock.monotonic_s() - began_s) < 60.0 * options.minutes:
                    asyncio.run(clock.sleep(EVERY_S))
                    if daemon.poll() is not None:
                        print(Path(folder, "log").read_text())
                        return 1
                    memory = process.memory_info()
                    memory_mb = (memory.rss - memory.shared) / 1e6
                    rows.append((now_s, memory_mb, process.num_fds(), process.num_threads()))
                    if len(rows) % 60 == 0:
                        print(f"{now_s / 60.0:.0f} minutes: {memory_mb:.2f} MB", flush=True)
            finally:
                if daemon.poll() is None:
                    os.kill(daemon.pid, signal.SIGTERM)
                daemon.wait(10)
        text = Path(folder, "log").read_text()
    # The dials are kept right with the Moon below the horizon as well.
    if not ("on frequency" in text or "Moon too low" in text) or "Traceback" in text:
        print(f"it did not run as it should:\n{text}")
        return 1
    warm = np.array([row for row in rows if row[0] >= 60.0 * options.warm_up_minutes])
    if len(warm) < 10:
        print("too short to tell a slope")
        return 1
    slope_mb_per_h = float(np.polyfit(warm[:, 0] / 3600.0, warm[:, 1], 1)[0])
    print(
        f"{options.minutes:g} minutes, exit code {daemon.returncode}: memory {warm[0, 1]:.2f} to "
        f"{warm[-1, 1]:.2f} MB, slope {slope_mb_per_h:+.2f} MB/h after "
        f"{options.warm_up_minutes:g} minutes; files {warm[:, 2].min():.0f} to "
        f"{warm[:, 2].max():.0f}, threads {warm[:, 3].min():.0f} to {warm[:, 3].max():.0f}"
    )
    grows = slope_mb_per_h > MOST_MB_PER_H or warm[-1, 2] > warm[0, 2] or warm[-1, 3] > warm[0, 3]
    return 1 if grows or daemon.returncode != 0 else 0


if __name__ == "__main__":
    sys.exit(main())
