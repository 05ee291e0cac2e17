"""A real load history of variable amplitude: our rainflow against two independent libraries.

Data: fatigue_rig_force_displacement, NRC Canada's fatigue testing rig, from repository
decargroup/system_norm_koopman, MIT licence (R. Fortune, C. A. Beltempo, J. R. Forbes, IFAC-PapersOnLine 52,
2019, 382-387): force (no unit) and displacement (mm) of a beam, 165 s.
Residue convention: each range of what never closes counts as half a cycle (ASTM E1049-85 section 5.4.4).
"""

from __future__ import annotations

import functools

import numpy as np
import pytest

from duty.rainflow_libraries import count_by_fatpack, count_by_rainflow, half_cycles, turning_points
from dutylog.duty.rainflow import Rainflow
from open_data.folders import find_folder, read_columns

# To whole micrometres of ours: force as 1 m for 1 (200 classes of 0.005 each way), displacement ten times
# larger than it is, so that its 10 mm spread over 20 classes. Recorded digits stay whole but for force.
SCALES = {"r": 1e6, "y": 1e6, "d": 1e4}
TURNING = {"r": 134, "y": 4394, "d": 166}


@functools.cache
def history(column):
    values = read_columns(find_folder("fatigue_rig_force_displacement") / "faster.csv")[column]
    return np.rint(values * SCALES[column]).astype(np.int64)


@functools.cache
def ours(column):
    flow = Rainflow()
    flow.update(history(column).tolist())
    return flow


@pytest.mark.parametrize("column", SCALES)
def test_the_history_is_the_one_described(column):
    """So that agreement isn't that of an empty or other file; the measured force is the one with noise on it."""
    assert len(history(column)) == 21_275
    assert len(turning_points(history(column))) == TURNING[column]


@pytest.mark.parametrize("column", SCALES)
def test_half_cycles_by_class_equal_the_three_point_library(column):
    assert ours(column).count_half_cycles() == count_by_rainflow(history(column))


@pytest.mark.parametrize("column", SCALES)
def test_closed_cycles_and_residue_equal_the_four_point_library(column):
    closed, residue = count_by_fatpack(history(column))
    assert ours(column).closed_counts == closed
    assert ours(column).residue_um == residue
    assert half_cycles(closed, residue) == ours(column).count_half_cycles()


@pytest.mark.parametrize("column", SCALES)
def test_cut_anywhere_and_merged_it_is_the_same_history(column):
    series = history(column).tolist()
    for cut in np.random.default_rng(3).integers(0, len(series) + 1, 40).tolist():
        first, second = Rainflow(), Rainflow()
        first.update(series[:cut])
        second.update(series[cut:])
        first.merge(second)
        assert first.closed_counts == ours(column).closed_counts, cut
        assert first.residue_um == ours(column).residue_um, cut
