"""kill -9 at any time: nothing durable is lost, nothing counts twice, no total falls."""

from __future__ import annotations

import random
import time

import pytest

from daemon.oracle import differing_units, fallen_totals, lost_frames, read_side_log
from dutylog.ledger.ledger import LEDGER_NAME, Ledger


def kill_at_random(demo_settings, start_core, side, kills, seed, **options):
    """Start, let it run for a random while, kill -9; then once more, ended cleanly. Returns the lines said last."""
    rng = random.Random(seed)
    for _ in range(kills):
        child = start_core(demo_settings, side, commit_ns=100_000_000, cold_ns=700_000_000, **options)
        child.wait_for("running")
        time.sleep(rng.uniform(0.05, 1.2))
        child.process.kill()
        child.finish()
    child = start_core(demo_settings, side, commit_ns=100_000_000, cold_ns=700_000_000, **options)
    child.wait_for("running")
    time.sleep(0.5)
    child.process.terminate()
    return child.finish()


def judge(demo_settings, side):
    """Return what is wrong: (frames lost, units that differ, totals that fell)."""
    frames, acknowledged = read_side_log(side)
    with Ledger.open(demo_settings.data_dir / LEDGER_NAME, read_only=True) as ledger:
        final = ledger.all_totals()
        assert ledger.verify_chain() is None
        assert ledger.check_file() == []
    assert len(frames) > 20
    assert any(totals.strokes_count for totals in final.values())
    return (
        lost_frames(demo_settings.data_dir / "log", frames),
        differing_units(demo_settings.data_dir, demo_settings.vehicle),
        fallen_totals(acknowledged, final),
    )


def test_twelve_kills_lose_nothing_and_double_nothing(demo_settings, start_core, tmp_path):
    side = tmp_path / "side.log"
    status, out, err = kill_at_random(demo_settings, start_core, side, kills=12, seed=1)
    assert status == 0, err
    assert "larger ones stand" not in out
    assert judge(demo_settings, side) == ([], [], [])


@pytest.mark.slow
@pytest.mark.parametrize("replay", ["double", "off"])
def test_this_harness_notices_replay_switched_off_or_doubled(demo_settings, start_core, tmp_path, replay):
    """A check that can't fail is worth nothing."""
    side = tmp_path / "side.log"
    status, _, _ = kill_at_random(demo_settings, start_core, side, kills=3, seed=2, replay=replay)
    assert status != 0 or judge(demo_settings, side) != ([], [], [])


@pytest.mark.slow
def test_hundred_kills(demo_settings, start_core, tmp_path):
    """Long form for `make faults`."""
    side = tmp_path / "side.log"
    status, _, err = kill_at_random(demo_settings, start_core, side, kills=100, seed=3)
    assert status == 0, err
    assert judge(demo_settings, side) == ([], [], [])
