"""Counters stay with the right damper and part through services, moves, dirt, and what nobody measured."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dutylog.duty.totals import Totals
from dutylog.errors import InputError
from dutylog.ledger.rows import Commit
from dutylog.life.account import Since, compute_used
from dutylog.life.dirt import CARRIED_RATIO, FACTORS
from dutylog.life.parts import PARTS
from dutylog.life.unit_life import Lives, UnitLife
from dutylog.units import M_PER_MILE
from life.lived import START, TODAY, Lived

SEAL, OIL, BAND = "shaft_seal", "oil", "wear_band"


@pytest.fixture
def lived(tmp_path: Path) -> Iterator[Lived]:
    made = Lived(tmp_path)
    yield made
    made.close()


def life_of(lived: Lived, unit: int = 0) -> UnitLife:
    lives = Lives(lived.ledger, TODAY)
    return lives.read(lived.ledger.find_unit(f"SN-{unit + 1}"))


def shares_of(lived: Lived, unit: int = 0) -> dict[str, float]:
    return {one.part.key: one.used.share for one in life_of(lived, unit).parts}


def test_every_part_of_the_profile_is_there_and_nothing_else(lived: Lived) -> None:
    """A floating-piston damper without a hose has no bladder and no hose to wear."""
    lived.drive(START, 5)
    assert [one.part.key for one in life_of(lived).parts] == [
        "shaft_seal", "oil", "wear_band", "joints", "piston_seal", "charge", "structure"
    ]  # fmt: skip


def test_a_damper_that_never_drove_has_used_nothing(lived: Lived) -> None:
    """A new vehicle on its first day: the calendar is all there is, and nothing fails."""
    life = life_of(lived)
    assert {one.part.key: one.used.share for one in life.parts} == dict.fromkeys(shares_of(lived), 0.0)
    assert all("not enough driving" in one.forecast.text for one in life.parts if one.part.weights)
    assert life.part("charge").forecast.text == f"by the calendar on {life.part('charge').calendar}"
    assert all(one.used.measured_ratio is None for one in life.parts)


def test_two_drives_use_what_each_uses(lived: Lived, tmp_path: Path) -> None:
    """Use adds: nothing is lost or doubled between drives."""
    lived.drive(START, 10)
    first = shares_of(lived)
    lived.drive(START + timedelta(30), 20)
    both = shares_of(lived)
    other_folder = tmp_path / "other"
    other_folder.mkdir()
    other = Lived(other_folder)
    other.drive(START + timedelta(30), 20)
    second = shares_of(other)
    other.close()
    assert both[SEAL] > first[SEAL] > 0.0
    for part, share in both.items():
        assert share == pytest.approx(first[part] + second[part], rel=1e-9)


def test_a_replaced_part_begins_anew_and_no_other_does(lived: Lived) -> None:
    """A new seal on a damper with old oil."""
    lived.drive(START, 30)
    before = shares_of(lived)
    row = lived.tell("service", unit="SN-1", replaced=[SEAL], found={})["entry"]
    after = shares_of(lived)
    assert after[SEAL] == 0.0
    assert {part: share for part, share in after.items() if part != SEAL} == {
        part: share for part, share in before.items() if part != SEAL
    }
    assert shares_of(lived, 1) == before
    assert life_of(lived).part(SEAL).since.row == row
    lived.drive(START + timedelta(10), 30)
    assert shares_of(lived)[SEAL] == pytest.approx(before[SEAL], rel=1e-9)


def test_a_service_within_a_minute_splits_that_minute(lived: Lived) -> None:
    """At the side of the track, in the middle of a trip: the minute under way is cut where the work was done."""
    lived.drive(START, 10)
    whole = shares_of(lived)[BAND]
    # Twenty seconds of the next minute are in the totals, its row isn't written yet.
    lived.totals[lived.ids[0]].merge(
        Totals(measured_us=20_000_000, moving_us=20_000_000, moving_measured_us=20_000_000)
    )
    lived.ledger.commit(Commit(sequence=lived.sequence + 1, engine="test", hot=dict(lived.totals)))
    lived.sequence += 1
    lived.tell("service", unit="SN-1", replaced=[BAND], found={})
    lived.totals[lived.ids[0]] = lived.ledger.totals(lived.ids[0]).since(
        Totals(measured_us=20_000_000, moving_us=20_000_000, moving_measured_us=20_000_000)
    )
    lived.drive(START + timedelta(1), 1)
    assert shares_of(lived)[BAND] == pytest.approx(whole / 10 * 40 / 60, rel=1e-9)
    assert shares_of(lived, 1)[BAND] == pytest.approx(whole * 1.1, rel=1e-9)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.floats(0.0, 2400.0), min_size=1, max_size=5))
def test_shares_before_and_after_any_cuts_add_up(tmp_path_factory: pytest.TempPathFactory, cuts: list[float]) -> None:
    """Whatever services fall wherever, all pieces together are the whole, part by part."""
    history = _driven_history(tmp_path_factory)
    ends = [-1.0, *sorted(cuts), 1e9]
    for part in PARTS[:5]:
        after = [compute_used(part, history, Since(at, START, "", 1), ()).share for at in ends]
        pieces = [first - last for first, last in itertools.pairwise(after)]
        assert all(piece >= -1e-15 for piece in pieces)
        assert sum(pieces) == pytest.approx(after[0], rel=1e-9)
        assert after[0] > 0.0


def _driven_history(factory: pytest.TempPathFactory):
    if not _KEPT:
        lived = Lived(factory.mktemp("cuts"))
        lived.drive(START, 15, watts=100.0)
        lived.drive(START + timedelta(1), 25, watts=600.0)
        _KEPT.append(life_of(lived).history)
        lived.close()
    return _KEPT[0]


_KEPT: list = []


def test_a_moved_damper_takes_its_use_along(lived: Lived) -> None:
    """What was done at the front stays with the unit that did it, at whatever corner it sits."""
    lived.drive(START, 10)
    for unit in ("SN-1", "SN-4"):
        lived.tell_plain("remove", unit=unit)
    lived.tell_plain("install", unit="SN-1", position="rear_right")
    lived.tell_plain("install", unit="SN-4", position="front_left")
    lived.drive(START + timedelta(1), 10, units=(0,))
    assert life_of(lived, 0).position == "rear_right"
    assert shares_of(lived, 0)[SEAL] == pytest.approx(2 * shares_of(lived, 3)[SEAL], rel=1e-6)


def test_a_damper_on_the_shelf_ages_by_the_calendar_only(lived: Lived) -> None:
    """Storage brings no use, and its rubber still has a last day."""
    lived.drive(START, 10)
    lived.tell_plain("remove", unit="SN-1")
    before = shares_of(lived)
    lived.drive(START + timedelta(20), 50, units=(1, 2, 3))
    after = life_of(lived)
    assert {one.part.key: one.used.share for one in after.parts} == before
    assert after.position is None
    assert after.part(SEAL).calendar is not None


def test_a_withdrawn_service_never_was(lived: Lived) -> None:
    """The wrong damper was picked in the list: withdrawn, its use is back."""
    lived.drive(START, 10)
    before = shares_of(lived)
    row = lived.tell("service", unit="SN-1", replaced=[SEAL, OIL], found={})["entry"]
    assert shares_of(lived)[OIL] == 0.0
    lived.tell("withdraw", entry=row, why="it was SN-2")
    assert shares_of(lived) == before


def test_a_service_told_later_counts_from_its_day(lived: Lived) -> None:
    """The shop's note turns up weeks later: driving after its day is on the new seal, before it on the old."""
    lived.drive(START, 10)
    first = shares_of(lived)[BAND]
    lived.drive(START + timedelta(20), 30)
    lived.tell("service", unit="SN-1", replaced=[BAND], found={}, on=(START + timedelta(10)).isoformat())
    assert shares_of(lived)[BAND] == pytest.approx(3 * first, rel=1e-9)
    assert life_of(lived).part(BAND).since.day == START + timedelta(10)


def test_mud_wears_the_seal_three_times_as_fast_and_leaves_the_oil_alone(lived: Lived) -> None:
    """What no sensor sees is told by the owner; washed off it is over with the trip."""
    lived.drive(START, 10)
    clean = life_of(lived)
    lived.trip(1, 10)
    lived.tell("dirt", trip=1, what="mud", washed=True)
    muddy = life_of(lived)
    dose = {name: one.part(SEAL).used.by_mechanism["abrasion"] for name, one in (("c", clean), ("m", muddy))}
    assert dose["m"] == pytest.approx(FACTORS["mud"] * dose["c"], rel=1e-9)
    assert muddy.part(OIL).used.share == clean.part(OIL).used.share
    lived.drive(START + timedelta(1), 10)
    assert life_of(lived).part(SEAL).used.by_mechanism["abrasion"] == pytest.approx(4 * dose["c"], rel=1e-9)


def test_unwashed_mud_goes_on_wearing(lived: Lived) -> None:
    """Half of its excess goes on until somebody says that it was washed."""
    lived.drive(START, 10)
    clean = life_of(lived).part(SEAL).used.by_mechanism["abrasion"]
    lived.trip(1, 10)
    lived.tell("dirt", trip=1, what="mud", washed=False)
    lived.drive(START + timedelta(1), 10)
    carried = 1.0 + CARRIED_RATIO * (FACTORS["mud"] - 1.0)
    found = life_of(lived).part(SEAL).used.by_mechanism["abrasion"]
    assert found == pytest.approx((FACTORS["mud"] + carried) * clean, rel=1e-9)


def test_mud_wears_in_every_epoch_of_a_trip_and_is_not_carried_before_its_end(lived: Lived) -> None:
    """Sensors that went away for a moment begin a new epoch, not a new trip."""
    lived.drive(START, 10)
    clean = life_of(lived).part(SEAL).used.by_mechanism["abrasion"]
    lived.drive(START, 10, from_s=630)
    lived.trip(1, 20, lasts_s=1230)
    lived.tell("dirt", trip=1, what="mud", washed=False)
    found = life_of(lived).part(SEAL).used.by_mechanism["abrasion"]
    assert found == pytest.approx(2 * FACTORS["mud"] * clean, rel=1e-9)


def test_moving_time_that_was_not_measured_is_an_estimate_and_named_so(lived: Lived) -> None:
    """A connector that shook loose for half of a drive hides wear: the rest of the day stands in for it."""
    lived.drive(START, 20)
    full = life_of(lived).part(SEAL).used
    assert (full.missed, full.measured_ratio) == (0.0, 1.0)
    lived.drive(
        START + timedelta(1),
        20,
        energy_compression_uj=0,
        energy_rebound_uj=0,
        strokes_count=0,
        shaft_travel_um=0,
        measured_us=0,
        unmeasured_us=60_000_000,
        moving_measured_us=0,
    )
    used = life_of(lived).part("wear_band").used
    assert used.missed == pytest.approx(used.measured, rel=1e-6)
    assert used.measured_ratio == pytest.approx(0.5, rel=1e-6)
    assert used.sd > 0.4 * used.missed


def test_a_told_distance_counts_like_the_reference_and_is_doubted(lived: Lived) -> None:
    """50 000 km before the logger: an estimate with a range of its own, not nothing."""
    lived.drive(START, 1)
    before = life_of(lived).part(SEAL).used
    lived.tell(
        "stated_use", unit="SN-1", distance_m=10_000 * M_PER_MILE, mix="hard", kind="before_install",
        from_day="2024-01-01", to_day="2025-12-31", factor=2.0,
    )  # fmt: skip
    used = life_of(lived).part(SEAL).used
    assert used.stated == pytest.approx(1.0, rel=1e-9)
    assert used.measured == before.measured
    assert 0.4 < used.sd < 1.0
    assert life_of(lived).part(SEAL).since.day == date(2024, 1, 1)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={}, on="2026-01-20")
    assert life_of(lived).part(SEAL).used.stated == 0.0
    assert life_of(lived).part(OIL).used.stated == pytest.approx(1.0, rel=1e-9)


def test_findings_of_like_dampers_move_the_budget(lived: Lived) -> None:
    """Seals found worn at little use lower what is believed of all like seals; withdrawn, they no longer do."""
    for week in range(12):
        lived.drive(START + timedelta(7 * week), 60)
    unknown = life_of(lived, 3).part(SEAL).belief
    assert (unknown.evidence_count, unknown.budget.median) == (0, pytest.approx(1.0))
    rows = [lived.tell("service", unit=f"SN-{n}", replaced=[SEAL], found={SEAL: "worn"})["entry"] for n in (1, 2, 3)]
    learned = life_of(lived, 3).part(SEAL).belief
    assert learned.evidence_count == 3
    assert learned.budget.median < unknown.budget.median
    for row in rows:
        lived.tell("withdraw", entry=row, why="misread")
    assert life_of(lived, 3).part(SEAL).belief == unknown


def test_a_nick_on_the_shaft_costs_the_seal_and_brings_its_day_nearer(lived: Lived) -> None:
    """The same sliding over a sharp nick wears more, from when it was seen, and the forecast goes on with it."""
    for week in range(20):
        lived.drive(START + timedelta(7 * week), 30)
    before = life_of(lived).part(SEAL)
    lived.tell("shaft_mark", unit="SN-1", mark="nick", distance_mm=60.0, size_mm=1.5, is_sharp=True)
    lived.drive(START + timedelta(141), 30)
    unmarked = life_of(lived, 1).part(SEAL)
    lived.keep_passes(0, 60.0, 20_000)
    marked = life_of(lived)
    assert marked.marked[0].judged.passes_so_far == 20_000
    seal = marked.part(SEAL)
    assert seal.used.marks > 0.0
    assert seal.used.share == pytest.approx(unmarked.used.share + seal.used.marks, rel=1e-9)
    assert before.forecast.day_50 is not None
    assert seal.forecast.day_50 is not None
    assert seal.forecast.day_50 < unmarked.forecast.day_50
    lives = Lives(lived.ledger, TODAY)
    made = [{one.part.key: plan for one, plan in lives.plan(life, 400.0, "desert", [TODAY])} for life in
            (marked, life_of(lived, 1))]  # fmt: skip
    assert made[0][SEAL].takes_10 > 2.0 * made[1][SEAL].takes_10
    assert made[0][BAND].takes_10 == made[1][BAND].takes_10
    lived.tell("service", unit="SN-1", replaced=["structure"], found={})
    assert life_of(lived).marked == ()


def test_what_became_of_a_seal_over_a_marked_shaft_says_nothing_of_others(lived: Lived) -> None:
    """A nick cut it; like seals on clean shafts don't wear out sooner for that."""
    for week in range(12):
        lived.drive(START + timedelta(7 * week), 60)
    lived.tell("shaft_mark", unit="SN-1", mark="nick", distance_mm=60.0, size_mm=1.5, is_sharp=True)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={SEAL: "failed", OIL: "worn"})
    assert life_of(lived, 1).part(SEAL).belief.evidence_count == 0
    assert life_of(lived, 1).part(OIL).belief.evidence_count == 1


def test_a_part_found_worn_twice_before_it_is_replaced_ended_once(lived: Lived) -> None:
    """Looked at, parts ordered, looked at again at the bench: one life."""
    for week in range(12):
        lived.drive(START + timedelta(7 * week), 60)
    lived.tell("service", unit="SN-1", replaced=[], found={SEAL: "worn"})
    once = life_of(lived, 3).part(SEAL).belief
    lived.drive(START + timedelta(100), 10)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={SEAL: "worn"})
    assert life_of(lived, 3).part(SEAL).belief == once
    lived.drive(START + timedelta(120), 60)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={SEAL: "worn"})
    assert life_of(lived, 3).part(SEAL).belief.evidence_count == 2


def test_a_spare_has_none_of_the_mud_it_was_not_in(lived: Lived) -> None:
    """Fitted after the muddy trip, it starts on a clean shaft."""
    lived.drive(START, 10, units=(0, 1, 2))
    lived.trip(1, 10)
    lived.tell("dirt", trip=1, what="mud", washed=False)
    lived.drive(START + timedelta(1), 10)
    spare, carried = life_of(lived, 3).part(SEAL), life_of(lived, 0).part(SEAL)
    assert carried.used.by_mechanism["abrasion"] > 4 * spare.used.by_mechanism["abrasion"]


def test_a_distance_before_the_logger_is_not_charged_to_a_new_seal(lived: Lived) -> None:
    """Told today, without dates: it came before everything that was replaced since."""
    lived.drive(START, 5)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={})
    lived.tell("stated_use", unit="SN-1", distance_m=3e7, mix="hard", kind="before_install", factor=2.0)
    life = life_of(lived)
    assert life.part(SEAL).used.stated == 0.0
    assert life.part(OIL).used.stated > 1.0


def test_heat_of_unmeasured_time_counts_once(lived: Lived) -> None:
    """The thermocouple went on while travel was lost: what the oil aged is known, not estimated beside it."""
    lived.drive(START, 20)
    full = life_of(lived).part(OIL).used.by_mechanism["oil_heat"]
    lost = {"energy_compression_uj": 0, "energy_rebound_uj": 0, "strokes_count": 0, "shaft_travel_um": 0}
    lost |= {"measured_us": 0, "unmeasured_us": 60_000_000, "moving_measured_us": 0}
    lived.drive(START + timedelta(1), 20, **lost)
    history = life_of(lived).history
    whole = history.doses["oil_heat"].sum() + history.missed["oil_heat"].sum()
    # Without power the oil is taken to be as cool as the body, 3 K less here: a fifth less by the rule of 10 K.
    assert 1.7 * full < whole <= 2.0 * full


def test_a_clock_behind_the_rows_stops_nobody(lived: Lived) -> None:
    """A board without a clock battery comes up in the past: no forecast by use, and no failure."""
    lived.drive(TODAY, 30)
    for day in (TODAY - timedelta(30), date(1970, 1, 1)):
        life = Lives(lived.ledger, day).read(lived.ledger.find_unit("SN-1"))
        assert life.part(SEAL).used.share > 0.0
        assert life.part(SEAL).forecast.miles_50 is None


def test_a_first_minute_without_speed_costs_no_mileage(lived: Lived) -> None:
    """A receiver that needs a minute to find its satellites."""
    for week in range(20):
        lived.drive(START + timedelta(7 * week), 30, first_speed_mps=None)
        lived.drive(START + timedelta(7 * week + 1), 30)
    due = life_of(lived).part(SEAL).forecast
    assert due.miles_50 is not None


def test_a_service_by_a_clock_that_ran_behind_is_no_negative_share(lived: Lived) -> None:
    """Replaced in June, told of May's miles, found by a clock that says January: shares stay shares."""
    lived.drive(START, 60)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={}, on="2026-06-01")
    lived.tell(
        "stated_use", unit="SN-1", distance_m=3e7, mix="hard", kind="unlogged",
        from_day="2026-05-01", to_day="2026-05-31", factor=2.0,
    )  # fmt: skip
    lived.drive(date(2026, 7, 1), 10)
    lived.now = date(2026, 1, 1)
    lived.tell("service", unit="SN-1", replaced=[], found={SEAL: "usable"})
    lived.now = TODAY
    assert life_of(lived, 1).part(SEAL).belief.evidence_count == 1


def test_a_day_that_nobody_knew_is_taken_from_the_driving_around_it(lived: Lived) -> None:
    """Entered while the clock stood at 1970, a new seal isn't decades old."""
    lived.drive(START, 30)
    lived.now = date(1970, 1, 1)
    lived.tell("service", unit="SN-1", replaced=[SEAL], found={})
    lived.now = TODAY
    assert life_of(lived).part(SEAL).since.day == START


def test_what_a_trip_took_is_its_part_of_the_whole(lived: Lived) -> None:
    """A trip of half of the only drive took half of everything but the cool-down behind it."""
    lived.drive(START, 20)
    lived.trip(1, 10)
    lives = Lives(lived.ledger, TODAY)
    costs = lives.trip(1)
    assert [one.position for one in costs] == ["front_left", "front_right", "rear_left", "rear_right"]
    whole = shares_of(lived)
    for part in (BAND, "joints"):
        assert costs[0].shares[part] == pytest.approx(0.5 * whole[part], rel=1e-9)
    most = max(costs[0].shares, key=lambda key: costs[0].shares[key])
    assert costs[0].most.key == most
    part = life_of(lived).part(most)
    assert part.street_miles is not None
    assert costs[0].street_miles / part.street_miles == pytest.approx(costs[0].shares[most] / whole[most], rel=1e-9)


def test_regular_use_gives_a_due_date_and_a_plan_takes_its_share(lived: Lived) -> None:
    """The owner's question: when, and will it make the race."""
    day = START
    while day < TODAY:
        lived.drive(day, 90, watts=400.0)
        day += timedelta(7)
    lives = Lives(lived.ledger, TODAY)
    life = lives.read(lived.ledger.find_unit("SN-1"))
    due = life.most_used.forecast
    assert due.day_10 is not None
    assert due.day_50 is not None
    assert TODAY.toordinal() <= due.day_10 <= due.day_50
    made = {one.part.key: plan for one, plan in lives.plan(life, 400.0, "desert", [TODAY + timedelta(5)])}
    longer = {one.part.key: plan for one, plan in lives.plan(life, 4000.0, "desert", [TODAY + timedelta(5)])}
    assert longer[SEAL].takes_90 == pytest.approx(10 * made[SEAL].takes_90, rel=1e-6)
    assert longer[SEAL].ratio <= made[SEAL].ratio
    with pytest.raises(InputError, match="is past"):
        lives.plan(life, 400.0, "desert", [TODAY - timedelta(1)])


def test_a_damper_whose_profile_is_gone_is_said_in_a_line(lived: Lived) -> None:
    """A damper on the shelf may be of a profile that nobody kept in the vehicle file."""
    lived.ledger.add_unit("OLD-1", "forgotten")
    lives = Lives(lived.ledger, TODAY)
    assert "OLD-1" not in [unit.label for unit in lives.units()]
    with pytest.raises(InputError, match="add it there"):
        lives.read(lived.ledger.find_unit("OLD-1"))
