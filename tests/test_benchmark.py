"""`make benchmark` starts: what it measures is for people, but it must come that far."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def test_a_part_that_does_not_exist_is_refused_with_those_that_do() -> None:
    command = [sys.executable, "-m", "tests.benchmark", "nonsense"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=Path(__file__).parents[1])
    assert done.returncode == 2, done.stderr
    assert "no part nonsense; known: accuracy, speed, log, long, " in done.stderr
