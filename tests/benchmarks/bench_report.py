"""A report of a six-hour session as a whole process, from the command to the page on the disk.

    python tests/benchmarks/bench_report.py [hours] [times]

Wall and processor time of each run, the size of the page, and how long an empty process with the
same imports takes, since most of it is that."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

from moontrim.path import Ephemeris
from support.recorded import Made, make_journal

WHOLE = "import sys; from moontrim.cli.main import main; sys.exit(main(sys.argv[1:]))"
IMPORTS = "import moontrim.cli.main, moontrim.cli.report, moontrim.report.page"


def timed(*arguments: str) -> tuple[float, float]:
    """Wall and processor seconds of a Python process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began_s = time.perf_counter()
    subprocess.run([sys.executable, "-c", *arguments], check=True, capture_output=True)
    wall_s = time.perf_counter() - began_s
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(hours: float, times: int) -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        made = Made(
            round(hours * 3600),
            lost=lambda k: k % 7200 in range(3600, 3660),
            keyed=lambda k: k % 120 < 51,
            faults=[
                (k + 0.7, k + 60.7, "tracking:no contact with radio", "x")
                for k in range(3599, 20000, 7200)
            ],
            budgets=[(k, 0.7, 0.8, "x", "x") for k in range(0, round(hours * 3600), 60)],
        )
        path = make_journal(folder, Ephemeris.load(), made)
        page = folder / "report.html"
        print(f"{hours:g} h, journal {path.stat().st_size / 1e6:.2f} MB")
        for what, arguments in (
            ("imports alone", (IMPORTS,)),
            ("report", (WHOLE, "report", "--journal", str(path), "--out", str(page))),
        ):
            runs = [timed(*arguments) for _ in range(times)]
            best = tuple(min(values) for values in zip(*runs, strict=True))
            print(f"{what:14} wall {best[0]:.2f} s, processor {best[1]:.2f} s (best of {times})")
        print(f"page {page.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main(float(sys.argv[1]) if sys.argv[1:] else 6.0, int(sys.argv[2]) if sys.argv[2:] else 3)
