"""Daemon, broker and database killed at random: in the end all three hold the same totals, nothing twice."""

from __future__ import annotations

import os
import shutil

import pytest

from faults.world import FAULTS, World
from publish.brokers import MOSQUITTO
from publish.influx_servers import MISSING

pytestmark = pytest.mark.skipif(
    bool(MISSING) or shutil.which(MOSQUITTO) is None, reason="no mosquitto, influxd or nginx here; .ci/run brings them"
)


def run(folder, seed, seconds, pace):
    """Torment, settle, compare; return what was fired and how many points the database holds."""
    world = World(folder, seed, pace)
    try:
        world.start()
        world.torment(seconds)
        status, errors = world.settle()
        assert (status, "Traceback" in errors) == (0, False), errors
        world.compare()
        points = min(len(rows) for rows in world.held_by_database().values())
    finally:
        world.close()
    return world.fired, points


def test_half_a_minute_of_torment(tmp_path):
    """The short form."""
    fired, _ = run(tmp_path, seed=3, seconds=25, pace=6)
    assert sum(fired.values()) >= 10
    assert len(fired) >= 5


@pytest.mark.slow
@pytest.mark.parametrize("seed", [int(seed) for seed in os.environ.get("CAMPAIGN_SEEDS", "11,12").split(",")])
def test_ten_minutes_of_torment(tmp_path, seed):
    """The long form; CAMPAIGN_SEEDS=1,2,3 runs others."""
    fired, points = run(tmp_path, seed, seconds=600, pace=10)
    print(f"seed {seed}: {dict(fired)}, {points} points a damper")
    assert set(fired) == set(FAULTS)
    assert min(fired.values()) >= 10
    assert sum(fired.values()) > 200
