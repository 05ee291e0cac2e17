"""A day of driving by a fast clock: broker and database out of reach for most of it, then killed again and again.

Real processes all of them. In the end ledger, broker and database hold the same; in between nothing grows.
"""

from __future__ import annotations

import os
import shutil
import time
from statistics import median

import psutil
import pytest

from faults.world import MODULES, World
from publish.brokers import MOSQUITTO
from publish.influx_servers import MISSING

pytestmark = pytest.mark.skipif(
    bool(MISSING) or shutil.which(MOSQUITTO) is None, reason="no mosquitto, influxd or nginx here; .ci/run brings them"
)
HOUR_S = 3600
SPEED = int(os.environ.get("DAY_SPEED", "60"))


def look(world):
    """Return {process: (memory [B], descriptors, threads)} of this moment."""
    seen = {}
    for name, pid in world.children().items():
        process = psutil.Process(pid)
        with process.oneshot():
            seen[name] = process.memory_info().rss, process.num_fds(), process.num_threads()
    return seen


def watch(world, hours, per_hour=12):
    """Look so often for so many hours of the fast clock; return the looks of each hour."""
    found = []
    for _ in range(hours):
        found.append([])
        for _ in range(per_hour):
            time.sleep(HOUR_S / per_hour / SPEED)
            found[-1].append(look(world))
    return found


def grown(hours, name):
    """Return memory of the last hour over that of the second, and what descriptors and threads have become more.

    Of these the least of each hour: what leaks is there in every look, a file that is read just then is not.
    """
    second, last = hours[1], hours[-1]
    ratio = median(one[name][0] for one in last) / median(one[name][0] for one in second)
    more = [min(one[name][k] for one in last) - min(one[name][k] for one in second) for k in (1, 2)]
    return ratio, *more


def run(folder, quiet_hours, torment_hours, seed):
    """Drive without a network, then with one that fails; return the looks and the world, settled."""
    world = World(folder, seed, pace=1.0, speed=SPEED)
    try:
        world.start(with_network=False)
        hours = watch(world, quiet_hours)
        waiting = world.health()["outputs"][-1]["waiting"]
        world.start_network()
        world.torment(torment_hours * HOUR_S / SPEED, ("broker", "database", "front"))
        status, errors = world.settle()
        assert (status, "Traceback" in errors) == (0, False), errors
        world.compare()
        points = {unit: len(rows) for unit, rows in world.held_by_database().items()}
    finally:
        world.close()
    return hours, waiting, points, world.fired


@pytest.mark.slow
def test_a_day_without_network_ends_with_the_same_totals_everywhere(tmp_path):
    """24 minutes at 60 times real; DAY_SPEED=30 for slower machines."""
    hours, waiting, points, fired = run(tmp_path, quiet_hours=22, torment_hours=2, seed=4)
    found = {name: grown(hours, name) for name in MODULES}
    memory = {name: round(median(one[name][0] for one in hours[-1]) / 1e6, 1) for name in MODULES}
    print(f"grown {found}, MB {memory}, waiting after the outage {waiting}, points {points}, fired {dict(fired)}")
    assert waiting["live"] > 22 * HOUR_S / 10 * 4 * 0.9
    assert min(points.values()) > 22 * 60 * 0.9
    assert min(fired[name] for name in ("broker", "database", "front")) >= 3
    for ratio, more_files, more_threads in found.values():
        assert ratio < 1.02
        assert (more_files <= 0, more_threads <= 0) == (True, True)
