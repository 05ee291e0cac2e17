"""What the ledger says of a trip, read for its review; and the command that compares two stored ones."""

import json
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from dutylog.cli.main import main
from dutylog.cli.trip_report import _find_trip
from dutylog.ledger.trip_book import TripBook
from dutylog.life.unit_life import Lives
from dutylog.review import store
from dutylog.review import told as told_module
from dutylog.review.heights_book import TripHeights, write_heights
from dutylog.review.make import make_review
from dutylog.review.stamps import make_spans, make_stamp
from dutylog.review.standing import find_stops
from dutylog.review.told import read_told
from dutylog.review.trip_data import Segment
from life.lived import START, TODAY, Lived, noon_ns
from review.driven_trips import review, truck
from review.made_trips import made_trip

__all__ = ["truck"]


def keep(lived, tmp_path, data):
    """Keep a trip's data as its review would."""
    store.save(tmp_path, data, make_stamp(lived.ledger, TripBook(lived.ledger).trip(data.key)))


@pytest.fixture
def lived(tmp_path):
    made = Lived(tmp_path)
    yield made
    made.close()


def data_of(lived, key, day=START, **how):
    """An invented trip of the ledger's own dampers."""
    data = made_trip(key=key, **how)
    dampers = tuple(replace(one, unit_id=unit) for one, unit in zip(data.dampers, lived.ids, strict=True))
    return replace(data, dampers=dampers, start_utc_s=noon_ns(day) / 1e9)


def told_of(lived, tmp_path, key="1", **how):
    trip = TripBook(lived.ledger).trip(key)
    data = data_of(lived, key, **how)
    return read_told(lived.ledger, tmp_path, trip, data), trip, data


def test_costs_are_those_of_the_life_of_parts(lived, tmp_path):
    lived.drive(START, 20)
    lived.trip(1, 10)
    told, _, data = told_of(lived, tmp_path)
    assert told.cost_problem == ""
    expected = {one.unit.unit_id: one for one in Lives(lived.ledger, TODAY).trip(1)}
    assert set(told.costs) == set(expected) == {one.unit_id for one in data.dampers}
    for unit_id, cost in told.costs.items():
        by_part = {one.part: one.ratio for one in cost.used}
        assert by_part[expected[unit_id].most.key] == pytest.approx(expected[unit_id].budget_ratio, rel=1e-9)
        ratios = [one.ratio for one in cost.used]
        assert ratios == sorted(ratios, reverse=True)
        assert cost.street_miles > 0.0


def test_a_part_of_a_trip_costs_its_part(lived, tmp_path):
    lived.drive(START, 20)
    lived.trip(1, 20)
    whole, trip, data = told_of(lived, tmp_path)
    lived.tell("trip_split", trip="1", at_s=600.0)
    sums = []
    for key in ("1.1", "1.2"):
        part = TripBook(lived.ledger).trip(key)
        told = read_told(lived.ledger, tmp_path, part, replace(data, key=key))
        sums.append({one.part: one.ratio for one in told.costs[data.dampers[0].unit_id].used})
    for one in whole.costs[data.dampers[0].unit_id].used:
        assert sums[0][one.part] + sums[1][one.part] == pytest.approx(one.ratio, rel=1e-9)
    assert trip.key == "1"


def test_a_profile_that_is_gone_is_said_and_the_rest_is_told(lived, tmp_path):
    lived.drive(START, 20)
    lived.trip(1, 10)
    vehicle = lived.ledger.vehicle()
    odd = lived.ledger.add_unit("OLD-1", "forgotten")
    trip, data = TripBook(lived.ledger).trip("1"), data_of(lived, "1")
    data = replace(data, dampers=(replace(data.dampers[0], unit_id=odd.unit_id), *data.dampers[1:]))
    told = read_told(lived.ledger, tmp_path, trip, data)
    assert "OLD-1" in told.cost_problem
    assert len(told.costs) == 3
    made = make_review(data, trip, told)
    assert made.cost_problem == told.cost_problem
    assert vehicle is not None


def test_what_people_told_is_read(lived, tmp_path):
    lived.drive(START, 20)
    lived.trip(1, 10)
    lived.tell("dirt", trip=1, what="mud", washed=False, note=None)
    lived.tell("load_note", trip="1", text="full tank")
    lived.tell("care", trip="1", item="dry", note=None)
    lived.tell("road_said", trip="1", from_s=60.0, to_s=120.0, kind="rough")
    told, trip, data = told_of(lived, tmp_path)
    made = make_review(data, trip, told)
    assert made.facts.dirt == "mud, not washed off yet"
    assert made.facts.load_note == "full tank"
    assert next(one.done_by for one in made.care if one.key == "dry") == "Ada"
    assert [one.kind for one in made.segments if one.is_said] == ["rough"]
    assert "dirt" in [one.rule for one in made.verdict]


def test_gas_is_told_by_position(lived, tmp_path):
    lived.drive(START, 20)
    lived.trip(1, 10)
    told, _, _ = told_of(lived, tmp_path)
    assert set(told.gas_days) == {"front_left", "front_right", "rear_left", "rear_right"}
    assert set(told.gas_days.values()) == {None}
    assert not any(told.gas_falling.values())


def _drive_trips(lived, tmp_path, days):
    """Reviewed trips on days, each an epoch; the files of each lie where a review keeps them."""
    for number, day in enumerate(days, start=1):
        lived.drive(day, 30)
        lived.trip(number, 30)
        keep(lived, tmp_path, data_of(lived, str(number), day, seed=number))


def test_trips_before_and_after_a_service_are_compared(lived, tmp_path):
    days = [START + timedelta(7 * week) for week in range(4)]
    _drive_trips(lived, tmp_path, days)
    lived.tell("service", unit="SN-3", replaced=["oil"], found={}, note=None, on=(days[1] + timedelta(2)).isoformat())
    told, trip, data = told_of(lived, tmp_path, "4", day=days[3], seed=4)
    (sided,) = told.sided
    assert (sided.change.position, sided.change.what) == ("rear_left", "new damper oil")
    assert [one.name for one in sided.before] == ["trip 1", "trip 2"]
    assert [one.name for one in sided.after] == ["trip 3"]
    made = make_review(data, trip, told)
    assert "before: new damper oil" in {one.first_name for one in made.differences}


def test_nothing_is_compared_where_no_earlier_trip_was_kept(lived, tmp_path):
    days = [START, START + timedelta(7)]
    for number, day in enumerate(days, start=1):
        lived.drive(day, 30)
        lived.trip(number, 30)
    lived.tell("service", unit="SN-3", replaced=["oil"], found={}, note=None, on=(START + timedelta(2)).isoformat())
    told, _, _ = told_of(lived, tmp_path, "2", day=days[1])
    assert told.sided == ()


def test_a_driven_trip_goes_all_the_way_to_its_review(truck):
    truck.drive(130, 1000)
    data, trip = review(truck, "1")
    with truck.ledger() as ledger:
        made = make_review(data, trip, read_told(ledger, truck.data, trip, data))
    by_ledger = {(one.unit_id, one.position): one.totals for one in trip.dampers}
    for row in made.dampers:
        totals = by_ledger[row.unit_id, row.position]
        assert (row.strokes_count, row.energy_j) == (totals.strokes_count, totals.energy_uj / 1e6)
        assert row.used
    assert sum(road.energy_ratio for road in made.roads) == pytest.approx(1.0, abs=1e-9)
    assert made.verdict
    assert made.care


def test_a_gas_reading_is_as_old_as_it_was_at_the_trip_s_end(lived, tmp_path):
    """Not as old as it is on the day somebody looks; and of an unknown day nobody knows an age."""
    lived.drive(START, 20)
    lived.trip(1, 10)
    for unit in ("SN-1", "SN-2"):
        _read_gas(lived, unit, START - timedelta(30))
    _read_gas(lived, "SN-2", START + timedelta(3))
    told, trip, data = told_of(lived, tmp_path)
    assert told.gas_days == {"front_left": 30.0, "front_right": -3.0, "rear_left": None, "rear_right": None}
    blind = read_told(lived.ledger, tmp_path, replace(trip, utc_trusted=False), data)
    assert set(blind.gas_days.values()) == {None}
    blind = read_told(lived.ledger, tmp_path, replace(trip, end_utc_ns=None), data)
    assert set(blind.gas_days.values()) == {None}


def _read_gas(lived, unit, day):
    said = {"gauge_pa": 1.379e6, "what": "check", "body_c": 21.5, "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 150.0}
    lived.tell("gas_reading", unit=unit, on=day.isoformat(), **said)


def test_heights_of_all_trips_are_compared_not_only_of_the_newest(lived, tmp_path, monkeypatch):
    """The first stops are what height is measured by; a vehicle has more trips than are looked through for changes."""
    monkeypatch.setattr(told_module, "EARLIER_TRIPS", 1)
    _drive_trips(lived, tmp_path, [START + timedelta(day) for day in range(4)])
    for key in ("1", "2", "3", "4"):
        _keep_heights(lived, tmp_path, key)
    (tmp_path / "reviews" / "trip-x").mkdir()
    (tmp_path / "reviews" / "trip-x" / "heights.json").write_text("{}")
    lived.tell("trip_not_driven", trip="2", why="transport", note=None)
    told, _, _ = told_of(lived, tmp_path, "3")
    assert [one.key for one in told.earlier_heights] == ["1"]
    lived.tell("load_note", trip="1", text="full tank")
    told, _, _ = told_of(lived, tmp_path, "4")
    assert [(one.key, one.heights[0].load_note) for one in told.earlier_heights] == [("1", "full tank"), ("3", None)]


def _keep_heights(lived, tmp_path, key):
    trip = TripBook(lived.ledger).trip(key)
    found = find_stops(data_of(lived, key))
    write_heights(tmp_path, TripHeights(key, None, found, make_spans(trip)))


def test_a_trip_that_was_no_drive_stands_on_neither_side_of_a_change(lived, tmp_path):
    """A trailer says nothing of what new oil does."""
    days = [START + timedelta(7 * week) for week in range(4)]
    _drive_trips(lived, tmp_path, days)
    lived.tell("service", unit="SN-3", replaced=["oil"], found={}, note=None, on=(days[1] + timedelta(2)).isoformat())
    lived.tell("trip_not_driven", trip="3", why="transport", note=None)
    told, _, _ = told_of(lived, tmp_path, "4", day=days[3], seed=4)
    assert told.sided[0].after == ()
    told, trip, _ = told_of(lived, tmp_path, "3", day=days[2], seed=3)
    assert trip.not_driven == "transport"
    assert told.sided == ()


def test_a_review_of_another_cut_is_not_compared(lived, tmp_path, capsys):
    """Once a trip was merged, what was kept of it alone is something else."""
    _drive_trips(lived, tmp_path, [date(2026, 2, 1), date(2026, 2, 1), date(2026, 2, 8)])
    assert _run(capsys, "trip", "compare", "1", "3", "--data", str(tmp_path))[0] == 0
    lived.tell("trip_merge", trips=["1", "2"])
    status, _, err = _run(capsys, "trip", "compare", "1", "3", "--data", str(tmp_path))
    assert (status, err) == (2, "dutylog: trip 1 isn't reviewed yet; run `dutylog trip review 1` first\n")
    status, _, err = _run(capsys, "trip", "compare", "1", "2", "--data", str(tmp_path))
    assert (status, err) == (2, "dutylog: trip 1 and 2 are both trip 1, which is twice: name two different trips\n")
    keep(lived, tmp_path, data_of(lived, "1", date(2026, 2, 1)))
    status, out, _ = _run(capsys, "trip", "compare", "2", "3", "--data", str(tmp_path))
    assert status == 0
    assert out.startswith("trip 1 (first) against trip 3 (second)")


def test_an_export_has_the_roads_as_people_put_them_right(lived, tmp_path, capsys):
    """What care and verdict are made from is what a table for other programs says."""
    lived.drive(START, 30)
    lived.trip(1, 30)
    keep(lived, tmp_path, data_of(lived, "1"))
    lived.tell("road_said", trip="1", from_s=60.0, to_s=120.0, kind="rough")
    out = tmp_path / "trip.json"
    assert _run(capsys, "trip", "export", "1", "-o", str(out), "--data", str(tmp_path))[0] == 0
    data, text = _find_trip("1", tmp_path, None)
    assert [one for one in data.segments if one.is_said] == [Segment("rough", 60.0, 120.0, True)]
    assert next(one for one in json.loads(text)["segments"] if one["is_said"])["kind"] == "rough"
    assert not any(one.is_said for one in store.load(tmp_path, "1").segments)


# the command


def _run(capsys, *words):
    status = main(list(words))
    out = capsys.readouterr()
    return status, out.out, out.err


def test_trips_are_compared_by_the_command(lived, tmp_path, capsys):
    _drive_trips(lived, tmp_path, [date(2026, 2, 1), date(2026, 2, 8)])
    softer = data_of(lived, "2", seed=2)
    rear = softer.dampers[3]
    half = {name: getattr(rear, name) // 2 for name in ("energy_compression_uj", "energy_rebound_uj")}
    keep(lived, tmp_path, replace(softer, dampers=(*softer.dampers[:3], replace(rear, **half))))
    status, out, err = _run(capsys, "trip", "compare", "1", "2", "--data", str(tmp_path), "--units", "us")
    assert (status, err) == (0, "")
    line = next(one for one in out.splitlines() if one.startswith("rear right: share of the heat on graded"))
    assert "more than its doubt" in line
    assert "kJ/mi" in out
    status, out, _ = _run(capsys, "trip", "compare", "1", "2", "--data", str(tmp_path), "--format", "json")
    found = json.loads(out)
    assert (status, found["schema"], found["trips"]) == (0, 1, ["1", "2"])
    heat = next(one for one in found["differences"] if one["what"] == "rear right: heat on washboard")
    assert heat["ratio"] == pytest.approx(0.5, rel=0.03)
    assert heat["is_clear"] is True
    assert heat["words"][0]["kind"] == "change_ratio"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("1", "1"), "twice"),
        (("1", "2"), "trip 2 isn't reviewed yet; run `dutylog trip review 2`"),
        (("1", "9"), "9"),
        (("1", "../x"), "x"),
        (("1", "\x1b[31m"), ""),
        (("1", "7" * 500), ""),
    ],
)
def test_what_cannot_be_compared_is_told_in_one_line(lived, tmp_path, capsys, words, says):
    _drive_trips(lived, tmp_path, [date(2026, 2, 1)])
    lived.drive(date(2026, 2, 8), 30)
    lived.trip(2, 30)
    status, out, err = _run(capsys, "trip", "compare", *words, "--data", str(tmp_path))
    assert status == 2
    assert out == ""
    assert says in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert "\x1b" not in err


def test_trips_with_nothing_in_common_say_so(lived, tmp_path, capsys):
    _drive_trips(lived, tmp_path, [date(2026, 2, 1), date(2026, 2, 8)])
    short = data_of(lived, "2", seconds=30)
    keep(lived, tmp_path, replace(short, vehicle_mps=np.full_like(short.vehicle_mps, np.nan)))
    status, out, _ = _run(capsys, "trip", "compare", "1", "2", "--data", str(tmp_path))
    assert status == 0
    assert "too little in common" in out
