"""What this bench's own findings teach of budgets, and that none counts twice."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.facts_made import TODAY, make_facts, make_part
from dutylog.bench.facts import STATED
from dutylog.bench.likes import FINDINGS_KEPT, believe, gather_findings, relearn
from dutylog.bench.store.rows import PartLook
from dutylog.domain.wear import GRADES
from dutylog.life.budget import PRIOR_BUDGET, Budget
from dutylog.life.learning import Belief, Finding, learn


def look(
    number: int, grade: str | None, share: float | None, damper: str = "d-1", is_replaced: bool = True
) -> PartLook:
    day = f"2026-{1 + number // 28 % 12:02d}-{1 + number % 28:02d}"
    return PartLook(number, "oil", damper, "desert", day, grade, is_replaced, share, share, number)


def test_findings_are_taken_one_for_each_part_that_was_in_there() -> None:
    """Good at 0.4, worn at 0.9, left in and found worn again: one life, between 0.4 and 0.9; then a new part."""
    looks = [
        look(1, "usable", 0.4, is_replaced=False), look(2, "worn", 0.9, is_replaced=False),
        look(3, "failed", 1.2), look(4, "usable", 0.5),
    ]  # fmt: skip
    assert gather_findings(looks, "oil") == [Finding(0.9, "worn", 0.4), Finding(0.5, "usable")]
    assert gather_findings(reversed(looks), "oil") == gather_findings(looks, "oil")
    assert gather_findings(looks, "joints") == []
    assert gather_findings(looks, "oil", {"d-1"}) == []


def test_a_finding_without_measured_use_teaches_nothing() -> None:
    """A guess of miles must not move the budget of all others; neither must a replacement nobody looked at."""
    assert gather_findings([look(1, "worn", None), look(2, None, 0.8), look(3, "not_looked", 0.8)], "oil") == []


def test_only_the_newest_findings_count() -> None:
    """Of a hundred dampers the sixty newest."""
    found = gather_findings([look(n, "worn", 0.01 * (n + 1), f"d-{n}") for n in range(100)], "oil")
    assert len(found) == FINDINGS_KEPT
    assert [one.share for one in found] == pytest.approx([0.01 * (n + 1) for n in range(40, 100)])


def test_a_card_without_findings_learns_all_of_the_benchs() -> None:
    """Just what the vehicle itself would believe if it had seen them."""
    looks = [look(n, "worn", 0.5 + 0.01 * n, f"d-{n}") for n in range(8)]
    told = learn([Finding(0.5 + 0.01 * n, "worn") for n in range(8)])
    assert believe(make_part("oil"), looks, make_facts()).budget == told.budget
    assert told.budget.median < 0.9


def test_what_the_vehicle_has_learned_is_the_prior_and_its_own_dampers_count_once() -> None:
    """Its card's budget holds its own findings already, also those that this bench once sent it."""
    part = make_part("oil", 0.5, budget=0.7, budget_low=0.5, budget_high=0.98, findings_count=4)
    looks = [look(n, "worn", 0.6, f"d-{n}") for n in range(4)]
    own = {f"d-{n}" for n in range(4)}
    same = believe(part, looks, make_facts(), own)
    assert same.evidence_count == 0
    assert same.budget.median == pytest.approx(0.7, rel=1e-3)
    other = believe(part, looks, make_facts())
    prior = Budget(0.7, math.log(0.98 / 0.5) / 2.563103131089201)
    assert other.budget.median == pytest.approx(learn([Finding(0.6, "worn")] * 4, prior).budget.median, rel=1e-9)
    stated = believe(part, looks, make_facts(basis=STATED), own)
    assert stated.budget == learn([Finding(0.6, "worn")] * 4, PRIOR_BUDGET).budget


def test_a_prior_of_findings_says_what_the_findings_themselves_say() -> None:
    """Learned in two steps or in one: the same within 6 %, what a log-normal loses of the first step."""
    first = [Finding(0.6 + 0.05 * n, "worn", 0.3) for n in range(6)]
    second = [Finding(0.9 + 0.05 * n, "usable") for n in range(5)]
    steps = learn(second, learn(first).budget).budget.median
    assert steps == pytest.approx(learn([*first, *second]).budget.median, rel=0.06)


def test_due_days_move_with_what_is_left() -> None:
    """Half of the old budget is left, a quarter of it by the new one: half the days."""
    part = make_part("oil", 0.5, due_early=TODAY + timedelta(100), due_likely=TODAY + timedelta(200), due_late=None)
    belief = Belief(Budget(0.75, 0.2), 0.58, 0.97, 7, "seven looks")
    moved = relearn(part, belief, TODAY, 21)
    assert moved.used_ratio == pytest.approx(2.0 / 3.0)
    assert (moved.due_early, moved.due_likely, moved.due_late) == (TODAY + timedelta(50), TODAY + timedelta(100), None)
    assert (moved.order_by, moved.findings_count) == (TODAY + timedelta(29), 7)
    assert relearn(part, replace(belief, evidence_count=0), TODAY) == part
    over = relearn(make_part("oil", 0.9), belief, TODAY)
    assert (over.due_early, over.due_likely, over.order_by) == (TODAY, TODAY, TODAY)


def test_a_longer_budget_never_passes_the_calendar() -> None:
    """Rubber gets hard however little it slides."""
    limit = TODAY + timedelta(300)
    part = make_part(
        "oil",
        0.5,
        due_early=TODAY + timedelta(100),
        due_likely=TODAY + timedelta(200),
        due_late=limit,
        calendar_day=limit,
    )
    moved = relearn(part, learn([Finding(3.0, "usable")] * 40), TODAY)
    assert moved.due_early is not None
    assert moved.due_early > TODAY + timedelta(100)
    assert moved.due_likely == moved.due_late == limit


@given(
    st.lists(st.tuples(st.sampled_from(GRADES), st.floats(0.01, 4.0)), min_size=1, max_size=12),
    st.floats(0.3, 3.0),
    st.floats(0.05, 1.0),
)
def test_earlier_wear_never_raises_a_budget_whatever_was_believed_before(
    told: list[tuple[str, float]], median: float, log_sd: float
) -> None:
    """The prior may be another vehicle's; the order must hold for every one."""
    prior = Budget(median, log_sd)
    findings = [Finding(share, grade) for grade, share in told]
    earlier = [Finding(0.5 * one.share, one.grade) if one.is_over else one for one in findings]
    assert learn(earlier, prior).budget.median <= learn(findings, prior).budget.median * (1.0 + 1e-9)
