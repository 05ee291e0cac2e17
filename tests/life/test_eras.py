"""A damper that was another one before: each stretch of its running time by its own profile, cut anywhere."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.ledger.unit_profiles import ProfileChange
from dutylog.life.eras import Era, group_profiles, make_eras, mix, weigh_eras
from ledger.builders import make_profile

DESERT, SOFT, HARD = (make_profile(name) for name in ("desert", "soft", "hard"))
KNOWN = {one.name: one for one in (DESERT, SOFT, HARD)}


def change(row: int, was: str, name: str, running_s: float, day: int = 1) -> ProfileChange:
    return ProfileChange(row, "u", was, name, date(2026, 1, day), running_s, KNOWN[name])


def test_one_that_never_changed_is_what_it_is() -> None:
    """The usual damper costs nothing."""
    assert make_eras(DESERT, [], KNOWN) == (Era(-np.inf, DESERT),)


def test_changes_stand_in_the_order_of_the_running_time() -> None:
    """One that was told later for an earlier day comes first."""
    eras = make_eras(HARD, [change(5, "desert", "hard", 900.0), change(9, "desert", "soft", 300.0)], KNOWN)
    assert [(one.from_s, one.profile.name) for one in eras] == [(-np.inf, "desert"), (300.0, "soft"), (900.0, "hard")]


def test_what_it_began_with_is_the_word_of_the_entry_told_first() -> None:
    """One told later for an earlier day may take the profile of today for the one before."""
    eras = make_eras(HARD, [change(5, "desert", "hard", 900.0), change(9, "hard", "soft", 300.0)], KNOWN)
    assert [one.profile.name for one in eras] == ["desert", "soft", "hard"]


def test_days_decide_where_the_damper_did_not_run_between() -> None:
    """It came back twice from a bench without a drive between; the later day's word was taken in first."""
    eras = make_eras(HARD, [change(5, "desert", "hard", 300.0, 9), change(9, "desert", "soft", 300.0, 4)], KNOWN)
    assert [one.profile.name for one in eras] == ["desert", "soft", "hard"]


def test_profiles_that_dampers_were_revalved_between_are_one_group() -> None:
    """Over any number of steps and dampers; others stay alone."""
    two = [change(1, "a", "soft", 0.0), change(2, "b", "hard", 0.0)]
    assert group_profiles(two)["a"] == group_profiles(two)["soft"] == {"a", "soft"}
    names = ("a", "b", "soft", "hard")
    assert group_profiles([*two, change(3, "a", "hard", 0.0)]) == dict.fromkeys(names, frozenset(names))


def test_a_profile_that_the_file_lost_is_taken_from_the_entry_or_from_what_followed() -> None:
    """A file that was cleaned up doesn't stop anybody."""
    eras = make_eras(SOFT, [change(5, "desert", "soft", 900.0)], {})
    assert [one.profile.name for one in eras] == ["soft", "soft"]


@given(
    st.lists(st.floats(0.0, 100.0), min_size=1, max_size=8), st.lists(st.floats(-10.0, 500.0), min_size=1, max_size=4)
)
def test_shares_of_a_row_add_up_wherever_it_is_cut(lengths: list[float], cuts: list[float]) -> None:
    """No second counts twice, none is lost; rows without length too."""
    end_s = np.cumsum(lengths)
    start_s = end_s - np.array(lengths)
    eras = [Era(-np.inf, DESERT), *(Era(at, SOFT) for at in sorted(cuts))]
    weights = weigh_eras(eras, start_s, end_s)
    assert sum(weights) == pytest.approx(np.ones(len(lengths)), abs=1e-9)
    assert all((one >= -1e-12).all() for one in weights)


def test_each_row_is_mixed_by_its_time_on_either_side() -> None:
    """A quarter of the row lies behind the cut."""
    start_s, end_s = np.array([0.0, 60.0, 120.0]), np.array([60.0, 120.0, 180.0])
    eras = (Era(-np.inf, DESERT), Era(105.0, SOFT))
    found = mix(eras, weigh_eras(eras, start_s, end_s), lambda one: {"x": np.full(3, 4.0 if one is SOFT else 0.0)})
    assert found["x"].tolist() == [0.0, 1.0, 4.0]


def test_without_rows_the_names_are_there() -> None:
    """A damper that was revalved before its first minute."""
    none = np.zeros(0)
    eras = (Era(-np.inf, DESERT), Era(0.0, SOFT))
    assert list(mix(eras, weigh_eras(eras, none, none), lambda _: {"x": none})) == ["x"]
