"""The due board: which damper stands under which week, and with which word."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.due_made import TODAY, due
from dutylog.bench.board import Asked, Group, last_day, make_board, monday
from dutylog.bench.store.rows import DueRow
from dutylog.life.urgency import DUE, FINE, OVER, PLAN


def labels(groups: tuple[Group, ...]) -> dict[str, list[str]]:
    return {one.key: [damper.row.damper_id for damper in one.dampers] for one in groups}


def test_each_damper_stands_under_the_week_in_which_it_is_as_likely_due_as_not() -> None:
    """A range that begins within the weeks and likely ends after them is told apart, not hidden and not hurried."""
    rows = [
        due("used-up", days=(0, 0, 0), used_ratio=1.2),
        due("this-week", days=(1, 6, 20)),
        due("next-week", days=(3, 7, 30)),
        due("last-day", days=(50, 90, 100)),
        due("later", days=(60, 91, 200)),
    ]
    groups = make_board(rows, TODAY)
    assert last_day(TODAY, 12) == TODAY + timedelta(days=90)
    assert labels(groups) == {
        "now": ["used-up"],
        "2026-11-30": ["this-week"],
        "2026-12-07": ["next-week"],
        "2027-02-22": ["last-day"],
        "later": ["later"],
    }
    assert [one.end for one in groups[:2]] == [None, date(2026, 12, 6)]


def test_a_damper_stands_there_once_by_its_most_urgent_part() -> None:
    """Whoever opens it for the seal sees what else will be due."""
    rows = [
        due(part="oil", days=(30, 60, 90)),
        due(days=(5, 15, 40), used_ratio=0.9),
        due(part="hose", days=(200, 300, 400)),
    ]
    (group,) = make_board(rows, TODAY)
    (damper,) = group.dampers
    assert [one.key for one in damper.parts] == ["shaft_seal", "oil"], "the hose isn't due within the weeks"
    assert (damper.day, damper.state, damper.parts[1].urgency.state) == (date(2026, 12, 15), DUE, PLAN)


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({"used_ratio": 1.0, "days": (0, 0, 0)}, OVER),
        ({"used_ratio": None, "days": (-1, -1, -1)}, OVER),
        ({"used_ratio": None, "days": (20, 20, 20)}, DUE),
        ({"days": (0, 50, 90)}, DUE),
        ({"days": (40, 60, 90)}, PLAN),
        ({"days": (95, 110, 200)}, FINE),
    ],
)
def test_words_are_those_of_the_vehicle(changes: dict[str, Any], state: str) -> None:
    """Years that are over make a part over, like use that is used up."""
    (group,) = make_board([due(**changes)], TODAY, weeks=26)
    assert group.dampers[0].state == state


def test_parts_replaced_here_since_are_left_out() -> None:
    rows = [due(), due(part="oil"), due("d-2")]
    groups = make_board(rows, TODAY, renewed={"d-1": {"shaft_seal"}, "d-2": {"shaft_seal"}}, here={"d-1"})
    (damper,) = groups[0].dampers
    assert ([one.key for one in damper.parts], damper.is_here) == (["oil"], True)


def test_filters_ask_by_words_urgency_part_and_customer() -> None:
    rows = [
        due("d-1", days=(0, 0, 0), used_ratio=1.3),
        due("d-2", "oil", customer_id="c-2", customer_name="Ömer Sand", vehicle_label="Blue"),
        due("d-3", "oil", customer_id=None, customer_name=None, vehicle_label=None, serial=None, tag="B7"),
    ]

    def found(**asked: str) -> list[str]:
        return [one.row.damper_id for group in make_board(rows, TODAY, asked=Asked(**asked)) for one in group.dampers]

    assert found() == ["d-1", "d-2", "d-3"]
    assert found(text="ömer BLUE") == ["d-2"]
    assert found(text="b7") == ["d-3"]
    assert found(text="nobody") == []
    assert found(state=OVER) == ["d-1"]
    assert found(part="oil") == ["d-2", "d-3"]
    assert found(customer_id="c-2") == ["d-2"]


DAYS = st.lists(st.integers(-400, 800), min_size=3, max_size=3).map(lambda days: tuple(sorted(days)))


@given(
    st.lists(st.tuples(st.sampled_from(["d-1", "d-2", "d-3"]), DAYS, st.floats(0.0, 2.0)), max_size=8),
    st.integers(1, 52),
)
def test_no_damper_is_lost_and_none_stands_twice(
    told: list[tuple[str, tuple[int, int, int], float]], weeks: int
) -> None:
    """All that may be due until the last day are there, in weeks that follow each other."""
    rows: list[DueRow] = [due(damper, days=days, used_ratio=used) for damper, days, used in told]
    groups = make_board(rows, TODAY, weeks)
    shown = [one.row.damper_id for group in groups for one in group.dampers]
    until = last_day(TODAY, weeks)
    expected = {
        row.damper_id for row in rows if date.fromisoformat(row.early or "") <= until or (row.used_ratio or 0) >= 1
    }
    assert sorted(shown) == sorted(expected)
    starts = [one.start for one in groups if one.start is not None]
    assert starts == sorted(set(starts))
    assert all(one == monday(one) and TODAY - timedelta(days=6) <= one <= until for one in starts)
