"""Time and heat beyond the cavitation margin: closed forms of a sine, and the same however it is cut."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.duty.cavitation import CavitationMargin, compute_times_us, part_of
from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.duty.force import ForceTable
from dutylog.duty.totals import Totals
from dutylog.units import PA_PER_PSI

PERIOD_NS = 1_002_707  # not a whole number of microseconds, as a real clock gives
RATE_HZ = 20_000
QUADRATIC = 2500.0
"""Force of the closed forms: 2500 N at 1 m/s, by the square of the speed [N s2/m2]."""


def profile(**changes):
    speeds = np.arange(-300, 301) / 100.0
    curve = ForceCurve(tuple(speeds.tolist()), tuple((QUADRATIC * speeds * np.abs(speeds)).tolist()))
    plain = Profile(
        "open", 0.3, 0.022, 0.0635, 1.1, 3.5, 4000.0, (ForceAt(0.0, curve),), 0.0, 40.0, 120.0,
        has_base_valve=False, charge_pa=200.0 * PA_PER_PSI,
    )  # fmt: skip
    return replace(plain, **changes)


def sine(peak_mps, freq_hz=1.0, middle_m=0.15):
    """Return speed [m/s] and travel [m] of one second of strokes."""
    phase = 2 * np.pi * freq_hz * (np.arange(RATE_HZ) + 0.5) / RATE_HZ
    return peak_mps * np.cos(phase), middle_m + peak_mps / (2 * np.pi * freq_hz) * np.sin(phase)


def find(one, speed_mps, travel_m, fade=1.0):
    """Return a mask of the samples beyond the margin of a profile."""
    force_n = ForceTable(one).compute_force_n(speed_mps, travel_m)
    margin = CavitationMargin.of(one)
    assert margin is not None
    beyond = np.zeros(len(speed_mps), dtype=bool)
    places = margin.find_beyond(force_n, travel_m, np.array([fade]))
    if places is not None:
        beyond[places] = True
    return beyond, force_n


def test_margin_is_absolute_pressure_on_the_piston_less_the_shaft():
    """200 psi gauge are 1480.28 kPa absolute (reference 02_units_and_atmosphere); 63.5 mm less 22 mm are 2786.8 mm2."""
    margin = CavitationMargin.of(profile())
    assert margin is not None
    assert margin.force_n == pytest.approx(1480.2764586e3 * math.pi / 4 * (0.0635**2 - 0.022**2), rel=1e-9)
    assert margin.force_n == pytest.approx(4125.2, abs=0.1)


@pytest.mark.parametrize(
    "changes", [{"has_base_valve": True}, {"has_base_valve": None}, {"charge_pa": None}], ids=["has", "unknown", "none"]
)
def test_what_isnt_known_isnt_judged(changes):
    assert CavitationMargin.of(profile(**changes)) is None


@pytest.mark.parametrize("peak_mps", [1.3, 1.6, 2.5])
def test_time_and_heat_of_a_sine_are_the_closed_forms(peak_mps):
    """Beyond while |phase| < acos(v0 / V) with k v0^2 the margin; heat is the integral of k v^3 over it."""
    one = profile()
    speed, travel = sine(peak_mps)
    beyond, force = find(one, speed, travel)
    angle = math.acos(math.sqrt(CavitationMargin.of(one).force_n / QUADRATIC) / peak_mps)
    assert beyond.mean() == pytest.approx(angle / math.pi, abs=2 / RATE_HZ)
    heat_j = float((force * speed)[beyond].sum()) / RATE_HZ
    expected_j = QUADRATIC * peak_mps**3 * 2 * (math.sin(angle) - math.sin(angle) ** 3 / 3) / (2 * math.pi)
    assert heat_j == pytest.approx(expected_j, rel=5e-4)  # chords of the curve's points, and a sample at each end
    assert (speed[beyond] > 0).all()


def test_a_sine_below_the_margin_has_none():
    one = profile()
    peak_mps = 0.999 * math.sqrt(CavitationMargin.of(one).force_n / QUADRATIC)
    beyond, _ = find(one, *sine(peak_mps))
    assert not beyond.any()


def test_rebound_never_counts():
    """The force of rebound pulls on the other side of the piston, where pressure has no such bound."""
    speed, travel = sine(2.5)
    beyond, force = find(profile(), speed, travel)
    assert (force[speed < 0] < -4125.2).any()
    assert not beyond[speed <= 0].any()


def test_faded_force_reaches_the_margin_later():
    speed, travel = sine(2.0)
    beyond, _ = find(profile(), speed, travel, fade=0.8)
    angle = math.acos(math.sqrt(CavitationMargin.of(profile()).force_n / (0.8 * QUADRATIC)) / 2.0)
    assert beyond.mean() == pytest.approx(angle / math.pi, abs=2 / RATE_HZ)


def test_force_that_faded_to_nothing_is_never_beyond():
    beyond, _ = find(profile(), *sine(2.5), fade=0.0)
    assert not beyond.any()


def test_gas_that_is_compressed_holds_more():
    """With 250 ml of gas the margin rises by travel; reference 02_n2_pressure_vs_shaft, ideal isotherm."""
    one = profile(shaft_diameter_m=0.0222, gas_volume_m3=250e-6)
    margin = CavitationMargin.of(one)
    area_m2 = one.bore_area_m2 - one.shaft_area_m2
    for travel_mm, kpa in ((0, 1480.276459), (100, 1751.454619), (250, 2415.104592)):
        for share, is_beyond in ((0.9999, False), (1.0001, True)):
            force = np.array([share * kpa * 1e3 * area_m2])
            found = margin.find_beyond(force, np.array([travel_mm / 1e3]), np.array([1.0]))
            assert (found is not None) == is_beyond


def test_tiles_of_different_fade_are_judged_each_by_its_own():
    force = np.tile([3000.0, 5000.0, 6000.0], 2)
    margin = CavitationMargin(4000.0, math.inf)
    assert margin.find_beyond(force, np.zeros(6), np.array([1.0, 0.7])).tolist() == [1, 2, 5]


@given(st.integers(0, 10**12), st.lists(st.integers(0, 200), max_size=4))
def test_times_of_any_stretch_add_up_to_its_length(first, cuts):
    """However often a stretch is cut, no microsecond is lost or made."""
    edges = sorted({0, 200, *cuts})
    times = [
        int(compute_times_us(np.arange(b - a), (first + a) * PERIOD_NS, PERIOD_NS).sum())
        for a, b in itertools.pairwise(edges)
    ]
    assert sum(times) == (first + 200) * PERIOD_NS // 1000 - first * PERIOD_NS // 1000


def test_parts_of_places_count_from_their_own_start():
    places = np.array([2, 5, 6])
    assert part_of(places, 5, 7).tolist() == [0, 1]
    assert part_of(places, 3, 5) is None
    assert part_of(None, 0, 9) is None


CASE = st.tuples(st.integers(0, 10_000), st.integers(2, 80))


def make_series(seed, n):
    rng = np.random.default_rng(seed)
    travel = rng.integers(0, 60_000, n)
    speed = rng.normal(0, 1.0, n)
    energy = np.rint(rng.random(n) * 1e5)
    return travel, speed, energy, np.flatnonzero(rng.random(n) < rng.random())


def accumulate(series, start, stop, cuts=()):
    travel, speed, energy, beyond = series
    duty = DamperDuty(60_000)
    for a, b in itertools.pairwise(sorted({start, stop, *(c for c in cuts if start < c < stop)})):
        part = slice(a, b)
        run = PreparedRun(
            travel[part], speed[part], energy[part], a * PERIOD_NS, PERIOD_NS, a > start, beyond=part_of(beyond, a, b)
        )
        duty.update(run)
    return duty


@settings(max_examples=200)
@given(CASE, st.lists(st.integers(0, 79), max_size=4))
def test_split_anywhere_and_merged_equals_whole(case, cuts):
    series, n = make_series(*case), case[1]
    whole = accumulate(series, 0, n).totals()
    assert whole.cavitation_energy_uj == int(series[2][series[3]].sum())
    assert accumulate(series, 0, n, cuts).totals() == whole
    edges = sorted({0, n, *(c % n for c in cuts)})
    parts = [accumulate(series, a, b) for a, b in itertools.pairwise(edges)]
    for part in parts[1:]:
        parts[0].merge(DamperDuty.from_dict(json.loads(json.dumps(part.to_dict()))), joined=True)
    assert parts[0].totals() == whole


@given(CASE, st.integers(1, 12))
def test_gains_of_pieces_are_those_of_separate_runs(case, pieces):
    n = case[1] * pieces
    travel, speed, energy, beyond = make_series(case[0], n)
    run = PreparedRun(travel, speed, energy, 0, PERIOD_NS, False, pieces, beyond=part_of(beyond, 0, n))
    gains = DamperDuty(60_000).update(run)
    cuts = range(0, n, case[1])
    apart = [accumulate((travel, speed, energy, beyond), a, a + case[1]).totals() for a in cuts]
    for gain, one in zip(gains, apart, strict=True):
        assert (gain.cavitation_us, gain.cavitation_energy_uj) == (one.cavitation_us, one.cavitation_energy_uj)


def test_what_was_stored_before_there_was_cavitation_reads_as_none():
    """Checkpoints and states of earlier versions hold fourteen numbers."""
    duty = accumulate(make_series(2, 50), 0, 50)
    data = json.loads(json.dumps(duty.to_dict()))
    assert data["sums"][14:] == [duty.sums.cavitation_us, duty.sums.cavitation_energy_uj]
    assert duty.sums.cavitation_us > 0
    data["sums"] = data["sums"][:14]
    restored = DamperDuty.from_dict(data).totals()
    assert restored == replace(duty.totals(), cavitation_us=0, cavitation_energy_uj=0)


def test_totals_add_lower_and_raise_with_the_rest():
    first, later = Totals(cavitation_us=5, cavitation_energy_uj=7), Totals(cavitation_us=2, cavitation_energy_uj=0)
    merged = first.copy()
    merged.merge(later)
    assert (merged.cavitation_us, merged.cavitation_energy_uj) == (7, 7)
    gained = merged.since(first)
    assert (gained.cavitation_us, gained.cavitation_energy_uj) == (2, 0)
    assert not first.reaches(merged)
    first.raise_to(merged)
    assert first == merged
