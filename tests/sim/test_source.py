"""The simulated source: pace, grid, lateness, gaps, restart."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.recording.block import Block
from dutylog.recording.source import Source
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.scenario import built_in_scenario
from dutylog.sim.sensors import ScriptedFault
from dutylog.sim.source import SimulatedSource
from dutylog.sim.vehicle import SimulatedVehicle

START_NS = 5_000_000_123


def _source(vehicle: Vehicle, clock: ManualClock | None = None, **more: object) -> SimulatedSource:
    source = SimulatedSource(
        vehicle,
        built_in_scenario("washboard"),
        1,
        clock=clock or ManualClock(START_NS),
        **more,  # type: ignore[arg-type]
    )
    source.start(3, {})
    return source


def _travel(blocks: list[Block]) -> list[Block]:
    return [block for block in blocks if block.stream.name == "travel"]


def test_it_is_a_source(demo_vehicle: Vehicle) -> None:
    """It fits the protocol that the daemon drives; a drive can't be taken up again."""
    source: Source = _source(demo_vehicle)
    assert (source.kind, source.resumable) == ("simulated", False)
    assert source.text == "simulated vehicle, scenario washboard, seed 1, pace 1"
    assert [(s.name, s.dtype, s.samples_per_second) for s in source.streams] == [
        ("travel", "i2", 1000),
        ("slow", "f4", 10),
    ]
    assert [c.unit for c in source.streams[0].channels] == ["count"] * 4
    assert [c.name for c in source.streams[1].channels] == [*(d.position for d in demo_vehicle.dampers), "", ""]


def test_blocks_lie_on_the_grid_and_hold_what_the_sensors_said(demo_vehicle: Vehicle) -> None:
    """Ten batches: indices without holes, stamps from the start, samples as the vehicle gives them."""
    source = _source(demo_vehicle)
    blocks: list[Block] = []
    for _ in range(10):
        batch = source.read_batch()
        assert batch is not None
        blocks.extend(batch.blocks)
    samples, truth = SimulatedVehicle(
        demo_vehicle, generic_parameters(demo_vehicle), built_in_scenario("washboard"), 1
    ).advance(1000)
    expected = {
        "travel": samples.travel_counts[:, 0],
        "slow": np.column_stack([samples.body_c[:, 0], samples.ambient_c, samples.speed_mps]),
    }
    for stream in source.streams:
        mine = [block for block in blocks if block.stream == stream]
        index = 0
        for block in mine:
            assert block.first_index == index
            assert block.t0_ns == START_NS + index * stream.period_fs // 1_000_000
            assert block.data.dtype == np.dtype("<" + stream.dtype)
            assert block.epoch == 3
            index = block.end_index
        assert index == stream.samples_per_second
        np.testing.assert_array_equal(np.concatenate([b.data for b in mine]), expected[stream.name])
    assert source.truth is not None
    assert all(np.array_equal(getattr(source.truth, f.name), getattr(truth, f.name)) for f in fields(truth))


@pytest.mark.parametrize(("pace", "wait_s"), [(1.0, 0.1), (20.0, 0.005)])
def test_pace_sets_the_time_between_batches(demo_vehicle: Vehicle, pace: float, wait_s: float) -> None:
    """A tenth of a simulated second comes each 0.1 s / pace."""
    clock = ManualClock(START_NS)
    source = _source(demo_vehicle, clock, pace=pace)
    for number in range(1, 6):
        batch = source.read_batch()
        assert batch is not None
        assert batch.blocks
        assert clock.mono_ns() - START_NS == pytest.approx(number * wait_s * 1e9, abs=2)
    assert source.late_s == 0.0


def test_slow_pace_never_blocks_for_long(demo_vehicle: Vehicle) -> None:
    """At a tenth of real time a batch is due each second: empty ones come meanwhile."""
    clock = ManualClock(START_NS)
    source = _source(demo_vehicle, clock, pace=0.1)
    seen = []
    for _ in range(5):
        before_ns = clock.mono_ns()
        batch = source.read_batch()
        assert batch is not None
        assert clock.mono_ns() - before_ns <= 200_000_000
        seen.append(bool(batch.blocks))
    assert seen == [False, False, False, False, True]


def test_no_pace_never_waits(demo_vehicle: Vehicle) -> None:
    """Pace 0 is as fast as the computer can."""
    clock = ManualClock(START_NS)
    source = _source(demo_vehicle, clock, pace=0.0)
    for _ in range(3):
        assert source.read_batch()
    assert clock.mono_ns() == START_NS


def test_a_late_source_keeps_its_grid_and_says_how_late(demo_vehicle: Vehicle) -> None:
    """After a stall of a second nothing is skipped or shifted; it catches up."""
    clock = ManualClock(START_NS)
    source = _source(demo_vehicle, clock)
    source.read_batch()
    clock.advance(1.0)
    batch = source.read_batch()
    assert batch is not None
    (travel,) = _travel(list(batch.blocks))
    assert (travel.first_index, travel.t0_ns) == (100, START_NS + 100_000_000)
    assert source.late_s == pytest.approx(0.9, abs=1e-6)
    for _ in range(12):
        source.read_batch()
    assert source.late_s == 0.0
    assert source.most_late_s == pytest.approx(0.9, abs=1e-6)


def test_dropped_samples_split_the_travel_block(demo_vehicle: Vehicle) -> None:
    """Missing rows are a jump of the index, as from a real bridge."""
    source = _source(demo_vehicle, faults=(ScriptedFault("gap", "", 0.03, 0.02),))
    batch = source.read_batch()
    assert batch is not None
    assert [(b.first_index, b.end_index) for b in _travel(list(batch.blocks))] == [(0, 30), (50, 100)]
    assert [b.t0_ns - START_NS for b in _travel(list(batch.blocks))] == [0, 50_000_000]


def test_end_close_and_new_start(demo_vehicle: Vehicle) -> None:
    """A limited drive ends with None; a new start begins anew with its own epoch and stamps."""
    clock = ManualClock(START_NS)
    source = _source(demo_vehicle, clock, seconds=0.2)
    first = [source.read_batch(), source.read_batch()]
    assert source.read_batch() is None
    source.close()
    source.close()
    assert source.read_batch() is None
    source.start(4, {1: 200})
    again = source.read_batch()
    assert again is not None
    assert first[0] is not None
    (old,), (new,) = _travel(list(first[0].blocks)), _travel(list(again.blocks))
    assert (new.epoch, new.first_index) == (4, 0)
    assert new.t0_ns == START_NS + 200_000_000
    assert np.array_equal(old.data, new.data)


@pytest.mark.parametrize("pace", [-1.0, float("inf"), float("nan")])
def test_impossible_pace_is_refused(demo_vehicle: Vehicle, pace: float) -> None:
    """Said at once, not as a source that hangs."""
    with pytest.raises(InputError, match="pace"):
        SimulatedSource(demo_vehicle, built_in_scenario("parked"), 1, pace=pace)
