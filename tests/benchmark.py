"""Figures for people: `make benchmark`, or `python -m tests.benchmark accuracy speed log live viewers`.

Nothing here judges: ratios within one run compare, absolute times belong to the machine they were taken on.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.benchmark_accuracy import accuracy_table
from tests.benchmark_estimators import estimator_lines
from tests.benchmark_instructions import instruction_lines
from tests.benchmark_live import live_lines
from tests.benchmark_log import LONG_HOURS, log_lines
from tests.benchmark_review import review_lines
from tests.benchmark_speed import speed_lines
from tests.benchmark_viewers import viewer_lines

from dutylog import ENGINE, __version__

sys.path.insert(0, str(Path(__file__).parent))  # as pytest finds what tests are made of
from tests.benchmark_bench import bench_lines

DOCUMENT = Path(__file__).parents[1] / "shared" / "INTEGRATE.md"
RARE = ("estimators", "instructions", "review", "bench", "long")
USUAL = ("accuracy", "speed", "log", "live", "viewers")
BEGIN, END = "<!-- accuracy: make benchmark -->", "<!-- end of accuracy -->"


def write_table(lines: list[str], document: Path = DOCUMENT) -> None:
    """Replace the table between the two marks of a document."""
    text = document.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN, 1)
    after = rest.split(END, 1)[1]
    document.write_text(f"{before}{BEGIN}\n" + "\n".join(lines) + f"\n{END}{after}", encoding="utf-8")


def main() -> None:
    """Print the parts that were asked for, the usual ones by default."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark", description=__doc__)
    parser.add_argument("parts", nargs="*", help=f"{', '.join(USUAL)} (by default), {', '.join(RARE)}")
    parser.add_argument("--write", action="store_true", help=f"put the accuracy table into {DOCUMENT.name}")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="dutylog-benchmark-") as name:
        folder = Path(name)
        parts: dict[str, tuple[str, Callable[[], list[str]]]] = {
            "accuracy": ("Error against the truth, worst corner; plain: differentiate and add up", accuracy_table),
            "speed": ("Engine in memory, C_desert", speed_lines),
            "log": ("`dutylog integrate` of a raw log, four dampers at 1 kHz", lambda: log_lines(folder)),
            "long": ("The same up to 100 hours", lambda: log_lines(folder, LONG_HOURS)),
            "estimators": ("Shaft-speed estimators side by side", estimator_lines),
            "instructions": ("Instructions of core, counted", lambda: instruction_lines(folder)),
            "bench": ("The bench with 10 000 dampers", lambda: bench_lines(folder)),
            "review": ("The review of a trip", lambda: review_lines(folder)),
            "live": ("Core while it logs at 1 kHz", lambda: live_lines(folder)),
            "viewers": ("People who watch the live page", lambda: viewer_lines(folder)),
        }
        unknown = set(options.parts) - set(parts)
        if unknown:
            parser.error(f"no part {', '.join(sorted(unknown))}; known: {', '.join(parts)}")
        print(
            f"dutylog {__version__}, engine {ENGINE}, Python {platform.python_version()}, numpy {np.__version__}, "
            f"{platform.machine()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}"
        )
        for part in options.parts or USUAL:
            title, measure = parts[part]
            print(f"\n## {title}\n", flush=True)
            lines = measure()
            print("\n".join(lines), flush=True)
            if part == "accuracy" and options.write:
                write_table(lines)


if __name__ == "__main__":
    main()
