"""Core with a stopwatch on its commits, for the benchmark: settings on standard input, times to a file at the end."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dutylog.daemon import core
from dutylog.ledger.ledger import Ledger
from dutylog.recording.log import LogWriter


def timed(method: Callable[..., Any], taken_ns: list[int]) -> Callable[..., Any]:
    """Return the method with its time kept in a list."""

    def call(*arguments: Any, **options: Any) -> Any:
        began_ns = time.perf_counter_ns()
        try:
            return method(*arguments, **options)
        finally:
            taken_ns.append(time.perf_counter_ns() - began_ns)

    return call


def main() -> int:
    """Run core until SIGTERM, then write {"log": [ns, ...], "ledger": [ns, ...]}."""
    times: dict[str, list[int]] = {"log": [], "ledger": []}
    LogWriter.commit = timed(LogWriter.commit, times["log"])  # type: ignore[method-assign]
    Ledger.commit = timed(Ledger.commit, times["ledger"])  # type: ignore[method-assign]
    status = core.main()
    Path(sys.argv[1]).write_text(json.dumps(times), encoding="utf-8")
    return status


if __name__ == "__main__":
    sys.exit(main())
