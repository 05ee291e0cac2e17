"""Demand of parts: closed forms of the chances, and when to order."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.due_made import TODAY, due
from bench.known_unit import PROFILE
from dutylog.bench.part_needs import need_of, oil_litres
from dutylog.bench.stock import Demand, due_chances, judge, make_demands, match
from dutylog.bench.store.rows import StockRow


def at(*days: int) -> list[Any]:
    return [TODAY + timedelta(days=one) for one in days]


def stock(**changes: Any) -> StockRow:
    told = {"part_no": "K-7", "name": "seal set", "need": "shaft_seal", "profile_name": None, "lead_days": 14}
    rest = {"price_minor": None, "least_count": 0, "is_gone": False, "count": 3}
    return StockRow(**{**told, **rest, **changes})


def test_chances_are_those_that_the_forecast_states() -> None:
    """A tenth by early, half by likely, nine tenths by late, straight between; nothing long before, all long after."""
    days = at(0, 15, 20, 30, 40, 60, 80, 90, 400)
    chances = due_chances([due(days=(20, 40, 80))], days)[0]
    assert chances == pytest.approx([0.0, 0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0, 1.0])
    assert due_chances([due(days=(20, 40, 80))], at(18))[0] == pytest.approx([0.06]), "the tenth before takes 5 days"


def test_days_that_are_not_foreseen() -> None:
    """Without a late day half of it stays far away; without any day nothing is expected; a used-up part is certain."""
    open_end = due(late=None)
    assert due_chances([open_end], at(40, 80))[0] == pytest.approx([0.5, 0.5], abs=0.01)
    nothing = due(early=None, likely=None, late=None)
    assert due_chances([nothing], at(0, 3000))[0] == pytest.approx([0.0, 0.0])
    assert due_chances([due(days=(0, 0, 0))], at(0, 7))[0] == pytest.approx([1.0, 1.0])
    assert due_chances([], at(0, 7)).shape == (0, 2)


ENDS = st.lists(st.integers(-50, 900), min_size=3, max_size=3).map(lambda days: tuple(sorted(days)))


@given(st.lists(ENDS, max_size=6))
def test_chances_never_fall_and_stay_within_0_and_1(ends: list[tuple[int, int, int]]) -> None:
    chances = due_chances([due(days=one) for one in ends], at(*range(0, 1200, 30)))
    assert np.all((chances >= 0.0) & (chances <= 1.0))
    assert np.all(np.diff(chances, axis=1) >= -1e-12)


def demands(rows: list[Any], **more: Any) -> dict[tuple[str, str | None], Demand]:
    return {(one.need.key, one.profile_name): one for one in make_demands(rows, at(0, 6, 20, 40, 80), **more)}


def test_dampers_add_up_and_parts_of_one_damper_do_not() -> None:
    """Seal and oil of one damper are made new in one visit: its O-rings are needed once, by the more likely of both."""
    rows = [due("d-1"), due("d-1", "oil", (40, 60, 100)), due("d-2")]
    found = demands(rows)
    assert found["shaft_seal", None].expected == pytest.approx((0.0, 0.0, 0.2, 1.0, 1.8))
    assert found["seal_head_o_rings", None].expected == pytest.approx((0.0, 0.0, 0.2, 1.0, 1.8))
    assert found["seal_head_o_rings", None].dampers_count == 2
    assert ("hose", None) not in found
    assert ("bladder", None) not in found, "of another construction"


def test_counts_and_litres_are_those_of_the_damper() -> None:
    """Two rod ends a damper; oil by its profile."""
    found = demands([due(part="joints", days=(0, 0, 0)), due("d-2", "oil", (0, 0, 0))], profiles={"desert": PROFILE})
    assert found["rod_end", None].expected[0] == pytest.approx(2.0)
    assert found["oil", None].expected[0] == pytest.approx(oil_litres(PROFILE))


def test_a_profile_with_a_part_of_its_own_is_counted_apart() -> None:
    rows = [due("d-1"), due("d-2", profile_name="other")]
    found = demands(rows, specific={("shaft_seal", "other")})
    assert found["shaft_seal", None].expected[-1] == pytest.approx(0.9)
    assert found["shaft_seal", "other"].expected[-1] == pytest.approx(0.9)
    assert demands(rows, renewed={"d-1": {"shaft_seal"}})["shaft_seal", None].expected[-1] == pytest.approx(0.9)


def test_the_range_is_that_of_independent_dampers() -> None:
    found = demands([due(f"d-{n}") for n in range(16)])["shaft_seal", None]
    assert found.by(TODAY + timedelta(days=40)) == pytest.approx(8.0)
    assert found.most_by(TODAY + timedelta(days=40)) == pytest.approx(8.0 + 1.2816 * math.sqrt(16 * 0.25), abs=1e-3)
    assert found.by(TODAY + timedelta(days=30)) == pytest.approx((1.6 + 8.0) / 2), "straight between the ends of weeks"


def line(expected: tuple[float, ...]) -> Demand:
    return Demand(need_of("shaft_seal"), None, tuple(at(0, 10, 20, 30)), expected, (0.0,) * 4, 9)


def test_order_by_is_the_lead_time_before_the_stock_runs_short() -> None:
    """4 there, one a week's third: short on the day on which more than 4 are expected to be gone."""
    found = judge(stock(count=4), line((0.0, 2.0, 6.0, 8.0)), 4, TODAY, TODAY + timedelta(days=30))
    assert found.short_day == TODAY + timedelta(days=15)
    assert (found.order_by, found.is_now, found.to_order) == (TODAY + timedelta(days=1), False, 4)
    assert found.weekly == pytest.approx((0.0, 2.0, 4.0, 2.0))
    late = judge(stock(lead_days=20), line((0.0, 2.0, 6.0, 8.0)), 4, TODAY, TODAY + timedelta(days=30))
    assert (late.order_by, late.is_now) == (TODAY, True)
    least = judge(stock(least_count=3), line((0.0, 2.0, 6.0, 8.0)), 4, TODAY, TODAY + timedelta(days=30))
    assert (least.short_day, least.to_order) == (TODAY + timedelta(days=5), 7)


def test_enough_is_not_ordered() -> None:
    """Exactly enough is enough; and what runs short a lead time after the weeks isn't ordered within them."""
    assert judge(stock(), line((0.0, 2.0, 6.0, 8.0)), 8, TODAY, TODAY + timedelta(days=30)).order_by is None
    far = judge(stock(lead_days=0), line((0.0, 2.0, 6.0, 8.0)), 4, TODAY, TODAY + timedelta(days=14))
    assert (far.order_by, far.to_order) == (None, 0)


def test_a_part_without_demand_is_held_at_its_least_count() -> None:
    low = judge(stock(least_count=5), None, 3, TODAY, TODAY)
    assert (low.order_by, low.to_order) == (TODAY, 2)
    assert judge(stock(least_count=3), None, 3, TODAY, TODAY).order_by is None


def test_several_parts_of_one_need_share_demand_and_stock() -> None:
    """The first by its number is ordered; what is there of the other counts."""
    rows = [stock(count=1), stock(part_no="K-8", count=5), stock(part_no="Z", need=None, least_count=1, count=0)]
    found = match(rows, [line((0.0, 2.0, 6.0, 8.0))], TODAY, TODAY + timedelta(days=30))
    by_no = {one.part.part_no: one for one in found if one.part}
    assert [one.part and one.part.part_no for one in found] == ["Z", "K-7", "K-8"], "what is to be ordered comes first"
    assert (by_no["K-7"].count, by_no["K-7"].to_order) == (6, 2)
    assert (by_no["K-8"].demand, by_no["K-8"].order_by) == (None, None)


def test_needs_without_a_part_are_told_without_a_day() -> None:
    """Nobody knows how long they take to come."""
    (found,) = match([], [line((0.0, 2.0, 6.0, 8.0))], TODAY, TODAY + timedelta(days=30))
    assert (found.part, found.order_by, found.to_order) == (None, None, 8)
