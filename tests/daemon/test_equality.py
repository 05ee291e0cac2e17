"""The same recording through the daemon and through `integrate`: equal to the bit, however it was cut."""

from __future__ import annotations

import random
import signal
from dataclasses import replace

import pytest

from daemon.oracle import differing_units, load, read_side_log
from dutylog.clock import SystemClock
from dutylog.daemon.core import Core
from dutylog.engine.integrate import integrate
from dutylog.ledger.ledger import LEDGER_NAME, Ledger


@pytest.fixture(scope="module")
def expected(recording):
    file, vehicle = recording
    work = integrate(file, vehicle)
    duties, units = work.engine.duties(), work.engine.units()
    return {position: duties[unit].to_dict() for position, unit in units.items()}


def stored_by_position(data_dir):
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        return {position: load(ledger.cold_state(unit.unit_id)) for position, unit in ledger.installed().items()}


@pytest.mark.parametrize("block_rows", [1, 7, 100, 997, None])
def test_length_of_blocks_changes_nothing(settings, expected, block_rows):
    Core(replace(settings, block_rows=block_rows), SystemClock(), lambda _: None).run()
    assert stored_by_position(settings.data_dir) == expected


def test_integrate_of_the_log_equals_integrate_of_the_file(settings, recording):
    Core(settings, SystemClock(), lambda _: None).run()
    """All but `notes`: they tell of the file's form, which the log doesn't have."""
    of_log = integrate(settings.data_dir / "log", settings.vehicle).to_dict()
    assert of_log == integrate(*recording).to_dict() | {"notes": []}


@pytest.mark.parametrize("times", [1, pytest.param(3, marks=pytest.mark.slow)])
def test_stopped_and_killed_at_random_places_ends_the_same(settings, expected, start_core, tmp_path, times):
    """Six or eighteen times: clean stops after a random number of batches, kills at random stages of random commits."""
    rng = random.Random(8)
    side = tmp_path / "side.log"
    ways = [*(["stop"] * 3), "raw_durable", "before_ledger", "after_ledger"] * times
    rng.shuffle(ways)
    for way in ways:
        if way == "stop":
            options, status = {"stop_after_batches": rng.randrange(1, 16)}, 0
        else:
            options, status = {"die": {"after": rng.randrange(2, 14), "stage": way}}, -signal.SIGKILL
        child = start_core(
            replace(settings, exit_at_end=False), side, commit_ns=0, cold_ns=50_000_000, in_step=True, **options
        )
        got, out, err = child.finish()
        assert got == status, (way, out, err)
    status, out, err = start_core(settings, side).finish()
    assert status == 0, err
    assert "larger ones stand" not in out
    assert stored_by_position(settings.data_dir) == expected
    assert differing_units(settings.data_dir, settings.vehicle) == []
    assert len(read_side_log(side)[1]) > 12 * times


def test_a_recording_already_logged_is_not_counted_twice(settings, expected):
    lines = []
    for _ in range(2):
        Core(settings, SystemClock(), lines.append).run()
    assert stored_by_position(settings.data_dir) == expected
    assert any("isn't counted twice" in line for line in lines)
