"""Lost damping is called, and nothing else is: against recordings and days whose true heat is known.

All runs, with a loss and without, go through the same code and thresholds.
"""

from __future__ import annotations

import functools
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError
from dutylog.heat.damping import BACK_S, CANDIDATES, SUSPICION, UNKNOWN_S, DampingWatch
from dutylog.heat.model import Capacities
from dutylog.heat.observer import HeatObserver
from dutylog.heat.priors import make_prior
from heat.case_tiles import load_case
from heat.damping_world import NODES, PRIOR, Loss, Watched, simulate, watch

ONSET_S = 7200.0


def follow_case(name: str, position: str) -> tuple[DampingWatch, float | None]:
    """Return the watch at the end of a recording, and when in the recording it called [s]."""
    case = load_case(name)
    nodes = Capacities.of(case.profile(position))
    observer, watching, called = HeatObserver(nodes, make_prior(case.profile(position))), DampingWatch(nodes), None
    for end_s, tile in case.tiles[position]:
        watching.take(tile, observer.step(tile, frozen=watching.wants_frozen))
        if called is None and watching.now().lost_since_s is not None:
            called = end_s
    return watching, called


def test_a_loss_of_thirty_percent_is_called_within_five_minutes_on_an_even_road():
    """A recording made by another program; asked for are 300 s. Measured: 204 s."""
    watching, called = follow_case("I_fade", "rear_right")
    (fault,) = load_case("I_fade").truth["faults"]
    assert fault["onset_s"] < called < fault["onset_s"] + 300.0
    now = watching.now()
    assert now.state == "lost"
    assert now.ratio == pytest.approx(fault["true_force_over_curve"], abs=0.15)
    assert watching.wants_frozen


@pytest.mark.parametrize(
    ("name", "position"),
    [("I_fade", "front_left"), ("H_heatsoak", "front_left"), ("H_heatsoak", "rear_right")],
)
def test_healthy_corners_of_the_recordings_are_never_called(name, position):
    """Measured: sums of at most 1.7, a quarter of the threshold; ratios within 2 % at the end."""
    watching, called = follow_case(name, position)
    assert called is None
    assert watching.now().state == "steady"
    assert watching.now().ratio == pytest.approx(1.0, abs=0.1)


# -- whole days -----------------------------------------------------------------------------------


@functools.cache
def day(seed: int, runs: int, hours: float, ratio: float | None) -> tuple[Watched, ...]:
    world = simulate(seed, runs, int(hours * 3600), None if ratio is None else Loss(ratio, ONSET_S))
    return tuple(watch(world, run) for run in range(runs))


def test_no_healthy_damper_is_called_through_wind_rain_mud_sun_and_exhaust():
    """Six hours; what a hundred give is in shared/DAMPING.md."""
    for watched in day(901, 2, 3.0, None):
        assert watched.judged_s is not None
        assert watched.judged_s < 1800.0
        assert watched.called_s is None
        assert all(abs(math.log(ratio)) < 0.35 for ratio in watched.ratios[1:])


def test_a_loss_of_thirty_percent_is_called_within_an_hour_or_so_of_mixed_driving():
    (watched,) = day(902, 1, 4.0, 0.70)
    assert watched.called_s is not None
    assert ONSET_S < watched.called_s < ONSET_S + 5400.0
    assert watched.ratios[-1] == pytest.approx(0.70, abs=0.15)


def test_a_loss_of_fifteen_percent_is_called_within_a_stage():
    """As nine of ten are; the long form counts them."""
    (watched,) = day(905, 1, 8.0, 0.85)
    assert watched.called_s is not None
    assert ONSET_S < watched.called_s < ONSET_S + 6.0 * 3600.0
    # What is shown at an instant may be off by three of its own standard deviations; over half a day it isn't.
    assert np.mean(watched.ratios[-4:]) == pytest.approx(0.85, abs=0.12)


@pytest.mark.slow
def test_a_hundred_healthy_hours_bring_no_call():
    """Twenty vehicles, five hours each. None in 100 h: at most 3 in 100 h at 95 % (rule of three)."""
    watched = [one for seed in range(10_000, 10_020, 4) for one in day(seed, 4, 5.0, None)]
    assert len(watched) == 20
    assert [one for one in watched if one.called_s is not None] == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ratio", "hours", "seed", "median_s", "most_s", "least_share"),
    [(0.70, 4.0, 6000, 1800.0, 7200.0, 0.9), (0.85, 8.0, 7000, 10_800.0, 21_600.0, 0.8)],
)
def test_forty_losses_are_called(ratio, hours, seed, median_s, most_s, least_share):
    """Delays as in shared/DAMPING.md."""
    watched = [one for start in range(seed, seed + 40, 4) for one in day(start, 4, hours, ratio)]
    called = np.array([math.inf if one.called_s is None else one.called_s for one in watched])
    assert len(called) == 40
    assert (called > ONSET_S).all()
    assert np.median(called - ONSET_S) < median_s
    assert np.mean(called - ONSET_S < most_s) >= least_share


# -- a call, and what it takes ---------------------------------------------------------------------


@functools.cache
def half_an_hour() -> tuple[tuple[HeatInput, ...], str]:
    """Return tiles, and what observer and watch are after 25 minutes of them."""
    world = simulate(904, 1, 2400)
    tiles = tuple(world.tile(0, second) for second in range(world.seconds))
    observer, watching = HeatObserver(NODES, PRIOR), DampingWatch(NODES)
    for tile in tiles[:1503]:
        watching.take(tile, observer.step(tile))
    return tiles, json.dumps([observer.to_dict(), watching.to_dict()], allow_nan=False)


def taken_up() -> tuple[HeatObserver, DampingWatch]:
    observer, watching = json.loads(half_an_hour()[1])
    return HeatObserver.from_dict(NODES, observer), DampingWatch.from_dict(NODES, watching)


def test_it_learns_before_it_judges():
    watching, observer = DampingWatch(NODES), HeatObserver(NODES, PRIOR)
    for tile in half_an_hour()[0][:120]:
        watching.take(tile, observer.step(tile))
    now = watching.now()
    assert (now.state, now.ratio, now.sd, now.lost_since_s) == ("learning", None, None, None)
    assert "baseline being learned" in now.text
    assert not watching.wants_frozen


def test_a_stored_watch_goes_on_to_the_bit_in_the_middle_of_a_stride():
    tiles, _ = half_an_hour()
    (observer, watching), again = taken_up(), taken_up()[1]
    assert watching.now().state == "steady"
    for tile in tiles[1503:1800]:
        state = observer.step(tile)
        watching.take(tile, state)
        again.take(tile, state)
    assert again.to_dict() == watching.to_dict()
    assert again.now() == watching.now()


def test_without_body_temperature_nothing_is_said_after_ten_minutes_and_it_comes_back():
    tiles, _ = half_an_hour()
    observer, watching = taken_up()
    for tile in tiles[1503:1800]:
        watching.take(tile, observer.step(tile))
    blind = replace(tiles[1800], body_c=None)
    for _ in range(int(UNKNOWN_S) - 20):
        watching.take(blind, observer.step(blind))
    assert watching.now().state == "steady"
    for _ in range(30):
        watching.take(blind, observer.step(blind))
    assert watching.now().state == "unknown"
    assert watching.now().ratio is None
    for tile in tiles[1801:1900]:
        watching.take(tile, observer.step(tile))
    assert watching.now().state == "steady"


def test_without_travel_nothing_is_said_nor_called():
    tiles, _ = half_an_hour()
    observer, watching = taken_up()
    for tile in tiles[1503:2200]:
        lame = replace(tile, power_w=None, measured_ratio=0.0, rms_mps=None)
        watching.take(lame, observer.step(lame))
    assert watching.now().state == "unknown"
    assert watching.now().lost_since_s is None


def test_tiles_of_any_kind_are_taken():
    """Partly measured, without speed, without air: nothing breaks, and nothing is called of it in ten minutes."""
    tiles, _ = half_an_hour()
    observer, watching = taken_up()
    kinds = [{"measured_ratio": 0.6}, {"speed_mps": None}, {"air_c": None}, {"rms_mps": None}]
    for second, tile in enumerate(tiles[1503:2200]):
        changed = replace(tile, **kinds[second // 60 % 4])
        watching.take(changed, observer.step(changed))
    assert watching.now().state == "steady"


def lost() -> tuple[HeatObserver, DampingWatch, HeatInput]:
    """Return a watch that called: promised heat is three times what is proved."""
    tiles, _ = half_an_hour()
    observer, watching = taken_up()
    for _ in range(12):
        for tile in tiles[600:2400]:
            false = replace(tile, power_w=2.5 * tile.power_w)
            watching.take(false, observer.step(false, frozen=watching.wants_frozen))
            if watching.now().lost_since_s is not None:
                return observer, watching, false
    raise AssertionError("no call")


def test_a_call_names_candidates_and_chooses_none_and_defers():
    _, watching, _ = lost()
    now = watching.now()
    assert now.state == "lost"
    assert now.lost_since_s > 1503.0
    for word in ("oil", "shims", "gas charge", "leak", "force curve", "adjuster"):
        assert word in CANDIDATES
    assert CANDIDATES in now.text
    assert "qualified technician" in now.text
    assert watching.suspicion > SUSPICION
    assert watching.wants_frozen


def test_a_call_stays_until_it_is_reset():
    observer, watching, false = lost()
    since = watching.now().lost_since_s
    right = replace(false, power_w=false.power_w / 2.5)
    for _ in range(1200):
        watching.take(right, observer.step(right, frozen=True))
    assert (watching.now().state, watching.now().lost_since_s) == ("lost", since)
    blind = replace(right, body_c=None)
    for _ in range(700):
        watching.take(blind, observer.step(blind))
    assert watching.now().state == "lost"
    assert watching.now().ratio is None
    again = DampingWatch.from_dict(NODES, json.loads(json.dumps(watching.to_dict())))
    assert again.now() == watching.now()
    watching.reset()
    assert watching.now().state == "learning"
    assert not watching.wants_frozen


def test_a_ratio_that_came_back_is_said_and_the_call_stays():
    _, watching, _ = lost()
    stored = watching.to_dict()
    stored["progress"]["back_s"] = BACK_S + 60.0
    now = DampingWatch.from_dict(NODES, stored).now()
    assert now.state == "lost"
    assert "Back near its baseline for 2 h" in now.text
    assert "until it is reset" in now.text
    assert "Back" not in watching.now().text


def test_a_gap_keeps_baseline_and_suspicion_and_finds_temperatures_again():
    tiles, _ = half_an_hour()
    observer, watching = taken_up()
    before = watching.suspicion
    observer.skip(5400.0)
    watching.skip(5400.0)
    for tile in tiles[:300]:
        watching.take(tile, observer.step(tile))
    assert watching.now().state == "steady"
    assert watching.suspicion < before + 6.0
    assert watching.now().ratio == pytest.approx(1.0, abs=0.3)
    with pytest.raises(InputError, match="gap"):
        watching.skip(-1.0)


def test_what_is_stored_is_checked():
    _, text = half_an_hour()
    stored = json.loads(text)[1]
    with pytest.raises(InputError, match="schema"):
        DampingWatch.from_dict(NODES, stored | {"schema": 2})
    with pytest.raises(InputError, match="garbles"):
        DampingWatch.from_dict(NODES, {"schema": 1})
    with pytest.raises(InputError, match="garbles"):
        DampingWatch.from_dict(NODES, stored | {"bank": stored["bank"] | {"means": [[1.0]]}})
    tile = half_an_hour()[0][0]
    state = replace(HeatObserver(NODES, PRIOR).step(tile), laws=None)
    with pytest.raises(InputError, match="conductances"):
        DampingWatch(NODES).take(tile, state)
    with pytest.raises(InputError, match="what the observer says"):
        DampingWatch(NODES).take(tile, None)
