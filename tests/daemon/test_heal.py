"""A damaged ledger put right: killed at every step of it, with every kind of rest there may be."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

CHILD = Path(__file__).with_name("heal_child.py")


@pytest.mark.parametrize(("what", "least"), [("recovery", 15), ("rotation", 8)])
def test_kill_at_every_step_is_healed_by_the_next_start(tmp_path, what, least):
    """The power goes whenever it likes, also while a recovery or a copy is under way."""
    done = subprocess.run(
        [sys.executable, str(CHILD), what, str(tmp_path)], capture_output=True, text=True, timeout=120,
        env={**os.environ, "PYTHONPATH": str(CHILD.parents[1])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["kills"] >= least
    assert (told["status"], told["wrong"]) == (0, []), (told, done.stderr)
