"""Other witnesses of lost damping: heaps of free decays, left against right, and who agrees with whom."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from dutylog.domain.vehicle import Damper
from dutylog.errors import InputError
from dutylog.heat.damping import DampingNow
from dutylog.heat.decay_witness import (
    BASELINE_COUNT,
    FALSE_ALARM_RATIO,
    FELL,
    LEARNING,
    RECENT_COUNT,
    STEADY,
    DecayNow,
    DecayWitness,
    compute_rank_chance,
    find_shift,
)
from dutylog.heat.witness import combine, compare_sides, find_pairs
from ledger.builders import make_vehicle

SCATTER = 0.25
"""Deviation of the logarithm of one bump's ratio on a road of class B (shared/PUSH_TEST.md)."""


@dataclass(frozen=True)
class Heat:
    """What heat says, as DampingNow does."""

    ratio: float | None
    sd: float | None
    state: str


def fed(ratios, witness=None, fade_ratio=1.0):
    witness = witness or DecayWitness()
    for ratio in ratios:
        witness.add(float(ratio), fade_ratio)
    return witness


def scattered(rng, middle, count, scatter=SCATTER):
    return middle * np.exp(scatter * rng.standard_normal(count))


def decay(state=STEADY, change=1.0, log_sd=0.05):
    return DecayNow(state, change, log_sd, 0.3, 0.3 * change, 36, "")


# -- the heap of a unit's bumps


def test_nothing_is_said_before_both_heaps_are_there() -> None:
    rng = np.random.default_rng(1)
    witness = fed(scattered(rng, 0.3, BASELINE_COUNT + RECENT_COUNT - 1))
    now = witness.now()
    assert (now.state, now.change_ratio, now.bumps_count) == (LEARNING, None, BASELINE_COUNT + RECENT_COUNT - 1)
    assert now.text == "free decays: 1 more bumps until they say something"
    witness.add(0.3)
    assert witness.now().state == STEADY


@pytest.mark.parametrize(("scatter", "least"), [(0.15, 195), (SCATTER, 165)])
def test_a_third_less_damping_is_seen_within_one_heap(scatter: float, least: int) -> None:
    """Of 200 units that lose 30 % so many at least are found by the first heap after it: good road, and class B."""
    rng = np.random.default_rng(2)
    found = 0
    for _ in range(200):
        witness = fed(scattered(rng, 0.3, BASELINE_COUNT, scatter))
        found += fed(scattered(rng, 0.21, RECENT_COUNT, scatter), witness).now().state == FELL
    assert found >= least


def test_a_fallen_unit_says_by_how_much() -> None:
    rng = np.random.default_rng(3)
    witness = fed(scattered(rng, 0.3, BASELINE_COUNT, 0.1))
    now = fed(scattered(rng, 0.21, RECENT_COUNT, 0.1), witness).now()
    assert now.state == FELL
    assert now.change_ratio is not None
    assert now.log_sd is not None
    assert abs(math.log(now.change_ratio) - math.log(0.7)) < 3 * now.log_sd
    assert "swings longer after bumps" in now.text


def test_a_sound_unit_is_called_fallen_less_often_than_stated() -> None:
    """500 units of 20 heaps each, nothing changes: at most the stated share ever falls, three deviations added."""
    rng = np.random.default_rng(4)
    fallen = 0
    for _ in range(500):
        witness = fed(scattered(rng, 0.3, BASELINE_COUNT))
        ever = False
        for _ in range(20):
            ever = ever or fed(scattered(rng, 0.3, RECENT_COUNT), witness).now().state == FELL
        fallen += ever
    assert fallen <= 500 * FALSE_ALARM_RATIO + 3 * math.sqrt(500 * FALSE_ALARM_RATIO)


def test_a_small_fall_is_not_told_however_sure() -> None:
    rng = np.random.default_rng(5)
    witness = fed(scattered(rng, 0.3, BASELINE_COUNT, 0.002))
    now = fed(scattered(rng, 0.3 * 0.94, RECENT_COUNT, 0.002), witness).now()
    assert now.state == STEADY
    assert now.change_ratio == pytest.approx(0.94, abs=0.005)


def test_a_unit_that_is_mended_is_steady_again() -> None:
    rng = np.random.default_rng(6)
    witness = fed(scattered(rng, 0.3, BASELINE_COUNT, 0.1))
    assert fed(scattered(rng, 0.2, RECENT_COUNT, 0.1), witness).now().state == FELL
    assert fed(scattered(rng, 0.3, RECENT_COUNT, 0.1), witness).now().state == STEADY


def test_fade_of_warm_oil_is_taken_out() -> None:
    """A damper 20 % weaker only because it is warm, as its profile says, lost nothing."""
    rng = np.random.default_rng(7)
    witness = fed(scattered(rng, 0.3, BASELINE_COUNT, 0.1))
    now = fed(scattered(rng, 0.3 * 0.8, RECENT_COUNT, 0.1), witness, fade_ratio=0.8).now()
    assert now.state == STEADY
    assert now.change_ratio == pytest.approx(1.0, abs=0.1)


def test_a_witness_goes_on_after_a_restart_as_if_there_were_none() -> None:
    rng = np.random.default_rng(8)
    first, second = scattered(rng, 0.3, 29), scattered(rng, 0.2, 30)
    plain = fed(second, fed(first))
    stored = json.loads(json.dumps(fed(first).to_dict(), allow_nan=False))
    again = fed(second, DecayWitness.from_dict(stored))
    assert again.to_dict() == plain.to_dict()
    assert again.now() == plain.now()


@pytest.mark.parametrize("data", [{"schema": 2}, {"schema": 1}, {"schema": 1, "baseline": ["x"]}])
def test_a_garbled_witness_is_refused(data: dict[str, object]) -> None:
    with pytest.raises(InputError, match="decay witness"):
        DecayWitness.from_dict(data)


@pytest.mark.parametrize(("ratio", "fade"), [(0.0, 1.0), (math.nan, 1.0), (3.0, 1.0), (0.3, 0.0)])
def test_a_ratio_no_decay_has_is_the_callers_fault(ratio: float, fade: float) -> None:
    with pytest.raises(InputError, match="damping ratio"):
        DecayWitness().add(ratio, fade)


# -- ranks


def test_the_chance_of_ranks_is_that_of_counting_all_orders() -> None:
    """Every way to deal 9 values to 5 and 4 is tried: the share in which the four win as few pairs or fewer."""
    values = [0.1, 0.4, 0.5, 0.9, 1.2, 1.3, 2.0, 2.2, 3.1]

    def wins(after):
        before = [v for v in values if v not in after]
        return sum(b > a for a in before for b in after)

    deals = list(itertools.combinations(values, 4))
    for after in deals[::11]:
        share = sum(wins(other) <= wins(after) for other in deals) / len(deals)
        before = [v for v in values if v not in after]
        assert compute_rank_chance(before, after) == pytest.approx(share, abs=1e-12)


def test_the_lowest_four_of_nine_come_once_in_126_deals() -> None:
    assert compute_rank_chance([5, 6, 7, 8, 9], [1, 2, 3, 4]) == pytest.approx(1 / 126)
    assert compute_rank_chance([1, 2, 3], [1, 2, 3]) >= 0.5


def test_the_shift_is_the_median_of_all_differences() -> None:
    assert find_shift([1.0, 2.0, 10.0], [0.0, 5.0]) == pytest.approx(-1.5)


# -- left against right


def test_pairs_are_found_by_names() -> None:
    assert find_pairs(make_vehicle()) == (("front_left", "front_right"), ("rear_left", "rear_right"))
    base = make_vehicle()

    def of(*dampers: Damper) -> tuple[tuple[str, str], ...]:
        return find_pairs(replace(base, dampers=dampers))

    twins = [Damper(f"rear_{side}_{which}", f"rear_{side}", "desert") for side in ("left", "right") for which in "ab"]
    assert of(*twins) == (("rear_left_a", "rear_right_a"), ("rear_left_b", "rear_right_b"))
    assert of(Damper("A1", "front_left", "desert"), Damper("A2", "front_right", "desert")) == (("A1", "A2"),)
    assert of(Damper("fork", "fork", "desert"), Damper("front_left", "front_left", "desert")) == ()


def test_a_side_that_gives_less_heat_for_its_work_is_named() -> None:
    outputs = {"front_left": Heat(0.7, 0.03, "lost"), "front_right": Heat(1.0, 0.03, "steady")}
    sides = compare_sides(("front_left", "front_right"), outputs, {})
    assert sides.state == "left"
    assert sides.output_ratio == pytest.approx(0.7)
    assert sides.decay_ratio is None
    assert sides.text == ("front_left against front_right: 0.70 times the heat for its work; front_left gives less")


def test_sides_that_wear_alike_are_even_and_nothing_is_hidden() -> None:
    """The blind spot: both at 0.7 look even, and the figure itself is left to the other witnesses."""
    decays = {"front_left": decay(FELL, 0.7), "front_right": decay(FELL, 0.71)}
    assert compare_sides(("front_left", "front_right"), {}, decays).state == "even"


def test_a_difference_within_chance_is_even() -> None:
    outputs = {"front_left": Heat(0.8, 0.15, "steady"), "front_right": Heat(1.0, 0.15, "steady")}
    assert compare_sides(("front_left", "front_right"), outputs, {}).state == "even"
    assert (
        compare_sides(("front_left", "front_right"), {"front_left": Heat(None, None, "learning")}, {}).state
        == "unknown"
    )


def test_heat_and_decays_that_name_different_sides_cancel() -> None:
    outputs = {"front_left": Heat(0.7, 0.02, "lost"), "front_right": Heat(1.0, 0.02, "steady")}
    decays = {"front_left": decay(STEADY, 1.0, 0.02), "front_right": decay(FELL, 0.7, 0.02)}
    sides = compare_sides(("front_left", "front_right"), outputs, decays)
    assert sides.state == "unknown"
    assert "contradict each other" in sides.text


def test_even_sides_are_called_different_once_in_a_thousand() -> None:
    """4000 pairs of sound dampers with stated deviations that hold: at most 1 in 1000, three deviations added."""
    rng = np.random.default_rng(9)
    named = 0
    for _ in range(4000):
        outputs = {side: Heat(math.exp(0.1 * rng.standard_normal()), 0.1, "steady") for side in ("left", "right")}
        named += compare_sides(("left", "right"), outputs, {}).state in ("left", "right")
    assert named <= 4 + 3 * 2


# -- together


def sides_of(state):
    low, high = Heat(0.6, 0.01, "lost"), Heat(1.0, 0.01, "steady")
    outputs = {"left": {"front_left": low, "front_right": high}, "even": {"front_left": high, "front_right": high}}
    return compare_sides(("front_left", "front_right"), outputs[state], {})


@pytest.mark.parametrize(
    ("heat", "free", "sides", "state", "text"),
    [
        ("lost", FELL, "left", "lost", "front_left gives less damping: heat, free decay and left against right agree"),
        (
            "lost", FELL, "even", "lost",
            "front_left gives less damping: heat and free decay agree, left against right sees none",
        ),
        (
            "lost", None, None, "suspect",
            "front_left may give less damping: heat alone says so; free decay and left against right can't tell",
        ),
        (
            "steady", FELL, "even", "suspect",
            "front_left may give less damping: free decay alone says so, heat and left against right see none",
        ),
        ("steady", STEADY, None, "sound",
         "front_left: no loss of damping seen by heat and free decay; left against right can't tell"),
        ("learning", LEARNING, None, "unknown", "front_left: no witness can tell of its damping yet"),
    ],
)  # fmt: skip
def test_one_line_says_which_witnesses_agree(heat, free, sides, state, text) -> None:
    output = Heat(0.7, 0.05, heat)
    found = combine("front_left", output, None if free is None else decay(free), sides and sides_of(sides))
    assert (found.state, found.text) == (state, text)


def test_the_other_side_s_loss_speaks_for_this_one() -> None:
    found = combine("front_right", None, None, sides_of("left"))
    assert (found.state, found.speaking) == ("sound", ())


def test_the_heat_s_witness_speaks_as_it_is() -> None:
    """What heat/damping.py tells is taken without anything between."""
    lost = DampingNow(0.7, 0.04, "lost", 12.0, "")
    assert combine("front_left", lost, decay(FELL, 0.7), None).state == "lost"
    sides = compare_sides(
        ("front_left", "front_right"), {"front_left": lost, "front_right": replace(lost, ratio=1.0)}, {}
    )
    assert sides.state == "left"
