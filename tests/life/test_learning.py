"""Budgets learned from findings: calibrated by simulation, monotone, and the prior where nothing was found."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.domain.wear import AS_NEW, FAILED, GRADES, USABLE, WORN
from dutylog.errors import InputError
from dutylog.life.budget import PRIOR_BUDGET, Budget
from dutylog.life.learning import PRIOR_SHAPE, PRIOR_SHAPE_LOG_SD, SHARES, Finding, learn

POOL_SIZES = (1, 3, 8, 20, 60)
SAME = 1e-9
"""Rounding of sums over the grid; what is monotone may fall by this ratio."""


def draw_pool(rng, count):
    """Return a true B10 from the prior and what benches find of parts with that law."""
    b10 = PRIOR_BUDGET.median * math.exp(rng.normal(0.0, PRIOR_BUDGET.log_sd))
    shape = PRIOR_SHAPE * math.exp(rng.normal(0.0, PRIOR_SHAPE_LOG_SD))
    lives = b10 / (-math.log(0.9)) ** (1.0 / shape) * rng.weibull(shape, count)
    looks = np.exp(rng.normal(0.0, 0.5, count))
    # Half of the parts were looked at before, some time earlier.
    earlier = looks * rng.uniform(0.0, 0.95, count) * (rng.random(count) < 0.5)
    found = []
    for life, look, before in zip(lives.tolist(), looks.tolist(), earlier.tolist(), strict=True):
        if life > look:
            found.append(Finding(look, str(rng.choice([AS_NEW, USABLE]))))
        elif before == 0.0 or life > before:
            found.append(Finding(look, str(rng.choice([WORN, FAILED])), before))
        else:
            found.append(Finding(before, str(rng.choice([WORN, FAILED]))))
    return b10, found


def simulate(seed, pools):
    """Return how often the 80 % range held the truth, how often it lay above it, and how often a halved range held."""
    rng = np.random.default_rng(seed)
    held = above = half_held = 0
    for number in range(pools):
        b10, found = draw_pool(rng, POOL_SIZES[number % len(POOL_SIZES)])
        belief = learn(found)
        held += belief.low <= b10 <= belief.high
        above += b10 < belief.low
        half_held += abs(math.log(b10 / belief.budget.median)) <= 0.5 * 1.2816 * belief.budget.log_sd
    return held / pools, above / pools, half_held / pools


def binomial_range(count, probability, outside):
    """Return the ratios between which a right count lies, but for `outside` on either side; exact sums."""
    chances = [math.comb(count, k) * probability**k * (1.0 - probability) ** (count - k) for k in range(count + 1)]
    below = np.cumsum(chances)
    return int(np.argmax(below > outside)) / count, int(np.argmax(below >= 1.0 - outside)) / count


def test_range_holds_what_it_says_short_form():
    """100 pools; one chance in 1000 on either side to fail by bad luck. A range half as wide is found out."""
    pools = 100
    low, high = binomial_range(pools, 0.8, 1e-3)
    held, _, half_held = simulate(1, pools)
    assert low <= held <= high
    assert half_held < low


@pytest.mark.slow
def test_range_holds_what_it_says():
    """2000 pools of 1 to 60 parts: 74 to 86 % asked for, and the truth lies below the range as seldom as above."""
    held, above, half_held = simulate(2, 2000)
    assert 0.74 <= held <= 0.86
    assert above <= 0.13
    assert half_held < 0.74


@pytest.mark.slow
@pytest.mark.parametrize("count", [1, 3, 8, 20, 60])
def test_range_holds_what_it_says_at_each_size_of_pool(count):
    """Sizes could make up for each other; 500 pools each."""
    rng = np.random.default_rng(count)
    pools = [draw_pool(rng, count) for _ in range(500)]
    beliefs = [(b10, learn(found)) for b10, found in pools]
    assert 0.74 <= np.mean([belief.low <= b10 <= belief.high for b10, belief in beliefs]) <= 0.86


SHARE = st.floats(1e-3, 20.0)
GOOD, OVER = st.sampled_from([AS_NEW, USABLE]), st.sampled_from([WORN, FAILED])


@st.composite
def finding(draw):
    share = draw(SHARE)
    if draw(st.booleans()):
        return Finding(share, draw(GOOD))
    return Finding(share, draw(OVER), share * draw(st.sampled_from([0.0, 0.0, 0.3, 0.8, 0.999, 1.0])))


POOL = st.lists(finding(), max_size=6)


def assert_not_above(one, other):
    """A budget that isn't above another one isn't anywhere in its range."""
    assert one.budget.median <= other.budget.median * (1.0 + SAME)
    assert one.low <= other.low * (1.0 + SAME)
    assert one.high <= other.high * (1.0 + SAME)


@settings(max_examples=100)
@given(POOL, SHARE, OVER, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_an_earlier_failure_never_raises_the_budget(pool, share, grade, earlier, seen):
    """Whatever else was found: a shop that sees parts fail sooner must not be told that they last longer."""
    usable = share * earlier * seen
    sooner, later = Finding(max(share * earlier, 1e-3), grade, usable * 0.99), Finding(share, grade, usable * 0.99)
    assert_not_above(learn([*pool, sooner]), learn([*pool, later]))


@settings(max_examples=100)
@given(POOL, SHARE, GOOD)
def test_one_more_good_part_never_lowers_the_budget(pool, share, grade):
    """At any share, and most of all at a high one: a long-lived part is good news, whatever else was found."""
    assert_not_above(learn(pool), learn([*pool, Finding(share, grade)]))


@settings(max_examples=100)
@given(POOL, SHARE, OVER)
def test_one_more_part_worn_at_the_first_look_never_raises_the_budget(pool, share, grade):
    """It was over by then, nobody knows since when."""
    assert_not_above(learn([*pool, Finding(share, grade)]), learn(pool))


@settings(max_examples=100)
@given(POOL, SHARE, OVER, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_part_seen_good_later_never_lowers_the_budget(pool, share, grade, first, second):
    """More is known of how long it was good, up to the place where it ended."""
    early, late = sorted((first, second))
    one, other = Finding(share, grade, share * early), Finding(share, grade, share * late)
    assert_not_above(learn([*pool, one]), learn([*pool, other]))


@given(POOL, SHARE, GOOD, st.floats(1.0, 5.0))
def test_a_good_part_with_more_on_it_never_lowers_the_budget(pool, share, grade, factor):
    """Still good after more use."""
    assert_not_above(learn([*pool, Finding(share, grade)]), learn([*pool, Finding(share * factor, grade)]))


@given(POOL, st.randoms())
def test_order_changes_nothing(pool, random):
    """To the bit: a budget must not hang on who typed first."""
    mixed = list(pool)
    random.shuffle(mixed)
    assert learn(mixed) == learn(pool)


@given(POOL, finding(), st.integers(0, 6))
def test_a_withdrawn_finding_leaves_no_trace(pool, wrong, place):
    """What was typed by mistake and taken back is as if it had never been: to the bit, wherever it stood."""
    before = learn(pool)
    book = [*pool[:place], wrong, *pool[place:]]
    learn(book)
    del book[min(place, len(pool))]
    assert learn(book) == before


def test_nothing_found_is_the_prior():
    """A forecast works from the first day."""
    belief = learn([])
    assert Budget(1.0, math.log(1.5)) == PRIOR_BUDGET
    # The grid's own error, five digits below what people read.
    assert belief.budget.median == pytest.approx(1.0, rel=1e-9)
    assert belief.budget.log_sd == pytest.approx(math.log(1.5), rel=1e-4)
    assert (belief.low, belief.high) == pytest.approx((1.5**-1.28155, 1.5**1.28155), rel=1e-4)
    assert belief.evidence_count == 0
    assert belief.text == "nothing learned yet: 10 % are worn by 1.0 (0.59 to 1.7) of the budget"


def test_what_says_nothing_of_wear_changes_nothing():
    """A part that broke before it was used, and the grid itself: next to no evidence gives next to the prior."""
    assert learn([Finding(0.0, FAILED), Finding(0.0, AS_NEW)]) == learn([])
    hardly = learn([Finding(SHARES[0], AS_NEW)])
    assert hardly.evidence_count == 1
    assert hardly.budget.median == pytest.approx(PRIOR_BUDGET.median, rel=1e-3)
    assert hardly.budget.log_sd == pytest.approx(PRIOR_BUDGET.log_sd, rel=1e-3)


def write_posterior(findings):
    """Return low, median and high by plain sums, on a grid of its own, with the shapes' weights kept."""
    logs = np.linspace(math.log(0.05), math.log(20.0), 3000)
    total = np.zeros(len(logs))
    for place in np.linspace(-4.0, 4.0, 81):
        shape = PRIOR_SHAPE * math.exp(PRIOR_SHAPE_LOG_SD * place)
        chance = np.exp(-0.5 * (logs / math.log(1.5)) ** 2)
        for share, is_over, usable in findings:
            at, before = (0.9 ** ((x / np.exp(logs)) ** shape) for x in (share, usable))
            chance = chance * ((before - at) if is_over else at)
        total += math.exp(-0.5 * place**2) * chance / chance.sum()
    return [math.exp(log) for log in np.interp((0.1, 0.5, 0.9), np.cumsum(total) / total.sum(), logs)]


@pytest.mark.parametrize(
    "told",
    [
        [(1.0, True, 0.0)],
        [(2.0, False, 0.0)],
        [(1.1, True, 0.6), (0.9, False, 0.0), (0.9, False, 0.0), (1.4, True, 0.0)],
        [(0.5, True, 0.2)] * 3 + [(1.5, False, 0.0)] * 4,
    ],
)
def test_posterior_is_that_of_plain_sums(told):
    """Bayes' rule written a second time, survival as 0.9 to the power of (share / B10)^shape."""
    belief = learn([Finding(share, FAILED if is_over else USABLE, usable) for share, is_over, usable in told])
    found = (belief.low, belief.budget.median, belief.high)
    assert found == pytest.approx(write_posterior(told), rel=3e-3)


def test_budget_says_the_same_range_as_the_belief():
    """Forecasts draw from the budget; they must not be surer than what people are told."""
    belief = learn([Finding(1.1, WORN, 0.6), Finding(0.9, USABLE), Finding(1.4, FAILED)])
    assert math.log(belief.high / belief.low) == pytest.approx(2.0 * 1.2815516 * belief.budget.log_sd, rel=1e-6)


def test_much_evidence_outweighs_the_prior():
    """120 parts with a tenth worn at half a budget: told so; what stays of the range is that no shape is learned."""
    rng = np.random.default_rng(5)
    lives = 0.5 / (-math.log(0.9)) ** (1.0 / 2.5) * rng.weibull(2.5, 120)
    looks = rng.uniform(0.2, 1.5, 120)
    found = [Finding(look, USABLE if life > look else WORN) for life, look in zip(lives, looks, strict=True)]
    belief = learn(found)
    assert belief.low < 0.5 < belief.high
    assert belief.budget.log_sd < 0.75 * PRIOR_BUDGET.log_sd
    assert 0.4 < belief.budget.median < 0.6


def test_grades_count_as_they_mean():
    """as_new and usable say that it would have gone on, worn and failed that it was over."""
    by_grade = {grade: learn([Finding(1.0, grade)]) for grade in GRADES}
    assert by_grade[AS_NEW] == by_grade[USABLE]
    assert by_grade[WORN] == by_grade[FAILED]
    assert by_grade[WORN].budget.median < PRIOR_BUDGET.median < by_grade[USABLE].budget.median


def test_what_people_read():
    """How much stands behind a budget, and what it was before."""
    one = learn([Finding(1.0, FAILED)])
    assert one.text.startswith("from 1 part looked at (1 worn or failed): 10 % are worn by 0.7")
    assert one.text.endswith(" of the budget; before: 1.0 (0.59 to 1.7)")
    many = learn([Finding(1.0, USABLE)] * 5 + [Finding(0.9, WORN, 0.4)] * 2)
    assert many.evidence_count == 7
    median, low, high = (f"{x:.2f}" if x < 0.995 else f"{x:.1f}" for x in (many.budget.median, many.low, many.high))
    assert f"from 7 parts looked at (2 worn or failed): 10 % are worn by {median} ({low} to {high})" in many.text


@pytest.mark.parametrize("count", [1, 500])
@pytest.mark.parametrize(
    "extreme",
    [
        Finding(SHARES[1], USABLE),
        Finding(SHARES[1], FAILED),
        Finding(SHARES[0], FAILED),
        Finding(SHARES[1], FAILED, SHARES[1] * 0.99),
        Finding(SHARES[0], FAILED, SHARES[0]),
        Finding(1.0, FAILED, 1.0 - 1e-15),
    ],
)
def test_extremes_stay_finite(extreme, count):
    """A wrong number in a ledger must not break a page; warnings are errors here."""
    belief = learn([extreme] * count)
    assert 0.0 < belief.low <= belief.budget.median <= belief.high < math.inf
    assert belief.budget.log_sd > 0.0


@pytest.mark.parametrize(
    ("share", "grade", "usable", "words"),
    [
        (1.0, "good", 0.0, "grade 'good' is none of as_new, usable, worn, failed"),
        (-1.0, USABLE, 0.0, "used share of -1.0"),
        (math.nan, USABLE, 0.0, "used share of nan"),
        (2e6, USABLE, 0.0, "expected 0 to 1e"),
        (1.0, WORN, 1.5, "last seen good at 1.5"),
        (1.0, WORN, -0.5, "last seen good at -0.5"),
    ],
)
def test_a_finding_that_can_not_be_is_refused(share, grade, usable, words):
    """Told where it is made, not deep in a sum."""
    with pytest.raises(InputError, match=words):
        Finding(share, grade, usable)


@pytest.mark.parametrize("change", [{"median": 0.0}, {"median": math.nan}, {"log_sd": -0.1}, {"log_sd": math.inf}])
def test_a_budget_that_can_not_be_is_refused(change):
    """Forecasts divide by it."""
    with pytest.raises(InputError, match="used shares"):
        replace(PRIOR_BUDGET, **change)
