"""Long series against two independent libraries, whole and in pieces.

Residue convention: what never closes counts as half a cycle for each of its ranges (ASTM E1049-85 section
5.4.4). It isn't closed by repeating the series, and it isn't dropped.
"""

from __future__ import annotations

import functools
import itertools
import json

import numpy as np
import pytest

from duty.rainflow_libraries import count_by_fatpack, count_by_rainflow, half_cycles, turning_points
from dutylog.duty.rainflow import Rainflow

POINTS = 100_000


def _white(rng):
    return rng.normal(0.0, 40_000.0, POINTS)


def _wandering(rng):
    """A random walk folded into a stroke: long ranges hold many short ones, the residue is deep."""
    walk = np.abs(np.cumsum(rng.normal(0.0, 6_000.0, POINTS))) % 500_000
    return np.minimum(walk, 500_000 - walk)


def _growing(rng):
    """Swings that grow: nothing closes, all of it stays in the residue until the noise on top closes."""
    grow = np.linspace(0.0, 150_000.0, POINTS)
    return grow * np.sin(np.arange(POINTS) * 0.05) + rng.normal(0.0, 3_000.0, POINTS)


def _stepped(rng):
    """Whole classes only: equal ranges and flat tops everywhere, where counting rules differ if they differ."""
    return rng.integers(-6, 7, POINTS) * 5_000.0


KINDS = {"white": _white, "wandering": _wandering, "growing": _growing, "stepped": _stepped}


@functools.cache
def long_series(kind):
    return np.rint(KINDS[kind](np.random.default_rng(1049))).astype(np.int64)


def count(series):
    flow = Rainflow()
    flow.update(series.tolist())
    return flow


@functools.cache
def whole(kind):
    return count(long_series(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_half_cycles_equal_the_three_point_library(kind):
    assert whole(kind).count_half_cycles() == count_by_rainflow(long_series(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_closed_cycles_and_residue_equal_the_four_point_library(kind):
    """Apart, not only their sum: a cycle closed too late would stand in the residue."""
    closed, residue = count_by_fatpack(long_series(kind))
    assert whole(kind).closed_counts == closed
    assert whole(kind).residue_um == residue


@pytest.mark.parametrize("kind", KINDS)
def test_every_range_is_counted(kind):
    """A closed cycle holds two ranges, the residue one each: together all ranges between turning points."""
    halves = sum(whole(kind).count_half_cycles().values())
    assert halves == len(turning_points(long_series(kind))) - 1
    assert halves > 5_000


@pytest.mark.parametrize("kind", KINDS)
def test_split_at_random_places_and_merged_equals_the_whole(kind):
    """Cuts fall anywhere, on slopes too, pieces of a single sample included; merged from left and in pairs."""
    rng = np.random.default_rng(5)
    for pieces in (2, 3, 17, 400):
        cuts = np.sort(rng.choice(POINTS + 1, pieces - 1, replace=False))
        edges = [0, *cuts.tolist(), POINTS]
        parts = [count(long_series(kind)[a:b]) for a, b in itertools.pairwise(edges)]
        assert same(merge_in_pairs([copy_of(part) for part in parts]), whole(kind)), pieces
        assert same(functools.reduce(merge, parts), whole(kind)), pieces


@pytest.mark.parametrize("kind", KINDS)
def test_stored_between_pieces_equals_the_whole(kind):
    flow = Rainflow()
    for start in range(0, POINTS, 7_919):
        flow.update(long_series(kind)[start : start + 7_919].tolist())
        flow = copy_of(flow)
    assert same(flow, whole(kind))


def merge(first, second):
    first.merge(second)
    return first


def merge_in_pairs(parts):
    while len(parts) > 1:
        parts = [merge(*parts[i : i + 2]) if i + 1 < len(parts) else parts[i] for i in range(0, len(parts), 2)]
    return parts[0]


def copy_of(flow):
    return Rainflow.from_dict(json.loads(json.dumps(flow.to_dict())))


def same(first, second):
    return first.closed_counts == second.closed_counts and first.residue_um == second.residue_um


def test_dropping_or_closing_the_residue_would_show():
    """The convention matters: neither of the other two gives the counts that were compared above."""
    flow = whole("growing")
    repeated = copy_of(flow)
    repeated.update(flow.residue_um)
    dropped_halves = half_cycles(flow.closed_counts, [])
    closed_halves = half_cycles(repeated.closed_counts, [])
    ours = flow.count_half_cycles()
    assert ours != dropped_halves
    assert ours != closed_halves
    assert sum(dropped_halves.values()) < sum(ours.values())
