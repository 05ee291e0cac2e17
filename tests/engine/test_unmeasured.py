"""Time that wasn't measured: why, how long, and what heat may have been made in it."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.duty.totals import Totals
from dutylog.engine.estimate import UnmeasuredEnergy
from dutylog.engine.integrate import integrate
from dutylog.engine.lost_time import share_out
from dutylog.engine.place import TileGain
from dutylog.motion.validity import REASONS
from engine.builders import (
    CASES,
    CORNERS,
    Log,
    Run,
    load_columns,
    load_truth,
    load_vehicle,
    make_vehicle,
    strokes_mm,
    travel_stream,
    write_recording,
)
from engine.test_faults import drive, frozen, gap_log, spoilt

S_US = 1_000_000


@functools.cache
def faults_result():
    return integrate(CASES / "F_faults" / "recording.parquet", load_vehicle("F_faults")).to_dict()["dampers"]


# -- by reason --------------------------------------------------------------------------------


@given(st.integers(0, 2_000_000), st.lists(st.integers(0, len(REASONS) - 1), min_size=1, max_size=300))
def test_shares_add_up_to_the_microsecond_and_none_is_negative(lost_us, codes):
    shares = share_out(lost_us, np.array(codes, dtype=np.uint8))
    assert sum(shares.values()) == lost_us
    assert all(us >= 0 for us in shares.values())
    assert shares.keys() == {REASONS[code] or "travel_stuck" for code in codes}


def test_shares_follow_the_samples():
    assert share_out(1000, np.array([1, 1, 1, 2], dtype=np.uint8)) == {"gap": 750, "travel_open": 250}


def reasons_of(run, position="left"):
    unit = run.engine.units()[position]
    lost_us = run.engine.lost_us(unit)
    assert sum(lost_us.values()) == run.totals_at(position).unmeasured_us
    return {reason: us for reason, us in lost_us.items() if us}


@pytest.mark.parametrize(
    ("signal", "reasons"),
    [
        (spoilt(12, 4.3, 7.1, 290.0), {"travel_open": 2_800_000}),
        (spoilt(12, 4.3, 7.1, np.nan), {"gap": 2_800_000}),
        (frozen(4.0, 9.3), {"travel_stuck": 5_070_000}),
        # Stuck to the end: what is settled when the run ends has a reason too.
        (frozen(4.0, 12.0), {"travel_stuck": 7_750_000}),
        (np.where(np.arange(12_000) < 5000, 0.0, 60.0) + strokes_mm(12), {"impossible_speed": 10_000}),
        (strokes_mm(12), {}),
    ],
    ids=["open", "missing", "stuck", "stuck to the end", "jump", "sound"],
)
def test_each_reason_has_its_time(signal, reasons):
    assert reasons_of(drive(signal)) == reasons
    assert reasons_of(drive(signal), "right") == {}


def test_several_reasons_in_one_tile_share_its_time():
    signal = strokes_mm(12)
    signal[5100:5300], signal[5500:5900] = 290.0, np.nan
    assert reasons_of(drive(signal)) == {"travel_open": 200_000, "gap": 400_000}


def test_a_gap_of_the_log_and_a_place_without_a_sensor_have_their_reasons():
    assert reasons_of(Run(make_vehicle()).feed(gap_log(30.0).frames)) == {"gap": 30 * S_US}
    vehicle, stream = make_vehicle("left", "right", "spare"), travel_stream("left", "right")
    log = Log(vehicle)
    log.start(stream)
    log.write(stream, strokes_mm(8))
    run = Run(vehicle).feed(log.frames).finish()
    assert reasons_of(run, "spare") == {"no_travel_sensor": 8 * S_US}


def test_reasons_of_the_recording_with_faults_add_up():
    truth = {
        "front_left": {},
        "front_right": {"travel_open": 7.0},
        "rear_left": {},
        "rear_right": {"travel_stuck": 5.0},
    }
    for position, damper in faults_result().items():
        reasons = dict(damper["unmeasured_by_reason_s"])
        assert sum(reasons.values()) == pytest.approx(damper["unmeasured_s"], abs=1e-9)
        assert reasons.pop("gap") == pytest.approx(4.0, abs=0.02)
        assert reasons == pytest.approx(truth[position], abs=0.1)


# -- the estimate ------------------------------------------------------------------------------


def gain(measured_us=S_US, unmeasured_us=0):
    return TileGain(Totals(), measured_us, unmeasured_us, [])


LOST = gain(0, S_US)


def estimate(tiles, moving=True):
    """Return the first damper's estimate; tiles: (energies [J] of each damper, gains of each)."""
    dampers = len(tiles[0][0])
    kept = UnmeasuredEnergy(dampers)
    for energy_j, gains in tiles:
        kept.note(np.array(energy_j) * 1e6, gains, moving, tuple("abcd"[:dampers]))
    return kept.estimate()[0]


def test_where_all_was_measured_there_is_nothing_to_estimate():
    found = estimate([((100.0, 50.0), (gain(), gain()))] * 5)
    assert (found.energy_j, found.basis) == (0.0, None)


def test_other_dampers_tell_first_by_their_ratio():
    """This one makes twice the heat of the other; while it was lost the other made 80 J in 2 s."""
    whole = ((100.0, 50.0), (gain(), gain()))
    found = estimate([whole] * 5 + [((0.0, 40.0), (LOST, gain()))] * 2 + [whole])
    assert found.energy_j == pytest.approx(160.0)
    assert found.basis == "other dampers 2.0 s"


def test_several_others_tell_their_mean():
    whole = ((100.0, 50.0, 200.0), (gain(), gain(), gain()))
    found = estimate([whole] * 5 + [((0.0, 40.0, 120.0), (LOST, gain(), gain()))])
    assert found.energy_j == pytest.approx((80.0 + 60.0) / 2)


def test_the_ratio_is_that_of_the_road_nearby():
    """On corrugations front and rear resonate at different speeds: what held a minute ago doesn't hold here."""
    here, there = ((10.0, 50.0), (gain(), gain())), ((300.0, 50.0), (gain(), gain()))
    found = estimate([there] * 40 + [here] * 12 + [((0.0, 60.0), (LOST, gain()))] + [here] * 12)
    assert found.energy_j == pytest.approx(12.0)


def test_without_others_its_own_power_nearby_tells():
    quiet, loud = ((10.0, 10.0), (gain(), gain())), ((200.0, 200.0), (gain(), gain()))
    found = estimate([loud] * 30 + [quiet] * 10 + [((0.0, 0.0), (LOST, LOST))] + [quiet] * 10 + [loud] * 30)
    assert found.energy_j == pytest.approx(10.0)
    assert found.basis == "own mean within 10 s 1.0 s"


def test_the_rest_of_a_tile_tells_of_its_lost_part():
    part = gain(750_000, 250_000)
    found = estimate([((75.0,), (part,))] * 3)
    assert found.energy_j == pytest.approx(3 * 25.0)


def test_far_from_all_that_was_measured_only_motion_counts():
    tiles = [((50.0,), (gain(),))] * 20 + [((0.0,), (LOST,))] * 40
    assert estimate(tiles, moving=True).energy_j == pytest.approx(40 * 50.0)
    still = estimate(tiles, moving=False)
    assert still.energy_j == pytest.approx(10 * 50.0)
    assert "taken as standing" in still.basis


def test_a_sensor_that_never_worked_has_no_estimate():
    found = estimate([((0.0, 50.0), (LOST, gain()))] * 5)
    assert found.energy_j is None
    assert found.basis == "nothing of it was measured"


def test_a_damper_that_came_later_starts_anew():
    kept = UnmeasuredEnergy(1)
    for unit, energy_j, gains in (
        ("old", 0.0, LOST),
        ("old", 900.0, gain()),
        ("new", 10.0, gain()),
        ("new", 0.0, LOST),
    ):
        kept.note(np.array([energy_j * 1e6]), (gains,), True, (unit,))
    assert kept.estimate()[0].energy_j == pytest.approx(10.0)


def test_the_estimate_stands_apart_from_the_energy():
    for damper in faults_result().values():
        assert damper["energy_j"] == pytest.approx(sum(damper["energy_10s_j"]), rel=1e-12)
        assert damper["estimated_unmeasured_energy_j"] > 1000.0


@pytest.mark.parametrize("position", CORNERS)
def test_estimate_against_the_whole_truth(position):
    """3 to 10 % of the heat fell into lost time; measured: 0.3 to 1.0 % is left open, 10 % of what was lost."""
    damper, truth = faults_result()[position], load_truth("F_faults")["dampers"][position]
    whole_j = truth["full_truth_including_faults"]["energy_j"]
    lost_j = whole_j - damper["energy_j"]
    error_j = damper["estimated_unmeasured_energy_j"] - lost_j
    assert lost_j > 0.025 * whole_j
    assert abs(error_j) < 0.12 * lost_j
    assert abs(error_j) < 0.011 * whole_j


@pytest.mark.parametrize(
    ("case", "off_s", "limit"),
    [
        ("C_desert", 20.0, 0.2),
        pytest.param("D_street", 20.0, 0.4, marks=pytest.mark.slow),
        pytest.param("B_washboard", 8.0, 0.7, marks=pytest.mark.slow),
    ],
)
def test_estimate_of_a_sensor_that_was_off(tmp_path, case, off_s, limit):
    """On every corner in turn, at two places; what was measured stands in shared/INTEGRATE.md.

    The washboard changes its speed every 15 s. Where the sensor is off just as it does (15 s), the ratio
    of before says nothing of after and the estimate was off by a factor of 2.1: not tested, but said.
    """
    vehicle = load_vehicle(case)
    whole = integrate(CASES / case / "recording.parquet", vehicle).to_dict()["dampers"]
    for position in CORNERS:
        for start_s in (18.0, 33.0):
            columns = load_columns(case)
            off = (columns["t_s"] >= start_s) & (columns["t_s"] < start_s + off_s)
            name = f"{position}_travel_mm"
            columns[name] = np.where(off, 290.0, columns[name])
            path = write_recording(tmp_path / "off.parquet", columns)
            found = integrate(path, vehicle).to_dict()["dampers"][position]
            lost_j = whole[position]["energy_j"] - found["energy_j"]
            error = found["estimated_unmeasured_energy_j"] / lost_j - 1
            assert abs(error) < limit, (position, start_s)
