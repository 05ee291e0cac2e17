"""A whole Review from an invented trip: sums add up, people's words are in it, and nothing is made of nothing."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from dutylog.domain.vehicle import Setting
from dutylog.ledger.life_entries import Said, Service
from dutylog.ledger.trip_notes import CareDone, Notes, RoadSaid
from dutylog.review.changes import Change, DatedTrip, Sided, day_of_trip, find_changes, take_sides
from dutylog.review.hits import MOST_OF_KIND
from dutylog.review.make import WHAT_IS_LEFT, make_review
from dutylog.review.roads_said import as_said
from dutylog.review.standing import LEVEL_UNKNOWN
from dutylog.review.stretches import make_stretches
from dutylog.review.text import difference_lines, review_lines
from dutylog.review.to_dict import review_from_dict, review_to_dict
from dutylog.review.told import Told
from dutylog.review.trip_data import BUMP_STOP, JUMPS, ROUGH, TOPPED_OUT, WASHBOARD, Contact, Segment
from review.made_trips import START_UTC_S, made_trip
from review.told_trips import book_of


def review_of(data, told=None, **book):
    return make_review(data, book_of(data, **book), told or Told())


def test_roads_add_up_to_the_dampers_heat():
    review = review_of(made_trip())
    for row in review.dampers:
        by_road = sum(road.energy_j[row.position] for road in review.roads)
        # sums of floats of whole microjoules, in another order
        assert by_road == pytest.approx(row.energy_j, rel=1e-12)
    assert sum(road.energy_ratio for road in review.roads) == pytest.approx(1.0, abs=1e-12)
    assert sum(road.seconds for road in review.roads) == review.facts.seconds
    assert [road.kind for road in review.roads] == ["washboard", "graded", "parked"]


def test_roads_tell_distance_and_heat_by_metre_only_with_speed():
    data = made_trip()
    washboard = review_of(data).roads[0]
    assert washboard.distance_m == pytest.approx(float(data.vehicle_mps[600:1200].astype(float).sum()), rel=1e-9)
    assert washboard.mean_mps == pytest.approx(13.0, rel=0.01)
    assert washboard.energy_per_m_j == pytest.approx(sum(washboard.energy_j.values()) / washboard.distance_m)
    unknown = review_of(made_trip(with_speed=False)).roads[0]
    assert (unknown.distance_m, unknown.mean_mps, unknown.energy_per_m_j) == (None, None, None)
    gone = np.array(data.vehicle_mps)
    gone[600:660] = np.nan
    bridged = review_of(replace(data, vehicle_mps=gone)).roads[0]
    assert bridged.distance_m == pytest.approx(washboard.distance_m, rel=0.01)
    gone[600:750] = np.nan
    assert review_of(replace(data, vehicle_mps=gone)).roads[0].distance_m is None


def test_what_people_say_of_a_road_is_laid_over_what_was_found():
    data = made_trip()
    said = Notes(roads=(RoadSaid(4, 300.0, 600.0, ROUGH, "Ana"),))
    review = review_of(data, Told(notes=said))
    assert Segment(ROUGH, 300.0, 600.0, True) in review.segments
    rough = next(road for road in review.roads if road.kind == ROUGH)
    assert rough.seconds == 300.0
    assert rough.energy_j["rear_left"] == pytest.approx(float(data.dampers[2].energy_uj[300:600].sum()) / 1e6)


def test_load_and_care_are_in_the_review():
    notes = Notes(care=(CareDone(12, "wash", "Ana", "by hand", 5.0),), load_note="two spare wheels")
    review = review_of(made_trip(), Told(notes=notes))
    assert review.facts.load_note == "two spare wheels"
    assert {one.load_note for one in review.heights} == {"two spare wheels"}
    wash = next(one for one in review.care if one.key == "wash")
    assert (wash.done_by, wash.note, wash.row) == ("Ana", "by hand", 12)


def test_a_review_of_made_trips_survives_json_with_and_without_sensors():
    for how in ({}, {"with_gps": False, "with_speed": False, "with_body": False}, {"seconds": 3}, {"seconds": 1}):
        review = review_of(made_trip(**how))
        assert review_from_dict(json.loads(json.dumps(review_to_dict(review), allow_nan=False))) == review
        assert review_lines(review, "us")


def test_the_same_trip_gives_the_same_review():
    assert review_of(made_trip()) == review_of(made_trip())


def test_peaks_are_those_of_the_rows():
    data = made_trip()
    row = review_of(data).dampers[3]
    body_c = data.dampers[3].body_c.astype(float)
    assert row.peak_rise_k == pytest.approx(float((body_c - data.ambient_c).max()))
    heat_j = data.dampers[3].energy_uj / 1e6
    best_w = max(heat_j[first : first + 60].sum() / 60.0 for first in range(len(heat_j) - 59))
    assert row.peak_heat_w == pytest.approx(best_w)


def test_hits_come_in_turns_the_hardest_of_each_kind_first_and_contacts_that_cannot_be_told_are_absent():
    data = made_trip()
    review = review_of(replace(data, dampers=tuple(replace(one, strap_m=None) for one in data.dampers)))
    kinds = {one.kind for one in data.contacts}
    assert {one.kind for one in review.hits[: len(kinds)]} == kinds
    for kind in kinds:
        speeds = [one.speed_mps for one in review.hits if one.kind == kind]
        assert speeds == sorted((one.speed_mps for one in data.contacts if one.kind == kind), reverse=True)
    assert all(set(row.contacts_count) == {"bump_stop", "bottomed", "topped_out"} for row in review.dampers)


def test_hits_are_the_hardest_of_each_kind_and_counted_in_the_rows():
    """A day of a thousand light touches must not crowd out what bottomed, nor make a file of megabytes."""
    data = made_trip()
    light = tuple(Contact("rear_left", BUMP_STOP, 60.0 + k / 10, 2.0 + k / 1000) for k in range(300))
    hard = tuple(Contact("rear_left", TOPPED_OUT, 30.0 + k, 0.1) for k in range(3))
    review = review_of(replace(data, contacts=(*light, *hard)))
    assert [one.kind for one in review.hits].count(BUMP_STOP) == MOST_OF_KIND
    assert [one.kind for one in review.hits].count(TOPPED_OUT) == 3
    assert min(one.speed_mps for one in review.hits if one.kind == BUMP_STOP) == pytest.approx(2.240)
    row = next(row for row in review.dampers if row.position == "rear_left")
    assert (row.contacts_count[BUMP_STOP], row.contacts_count[TOPPED_OUT]) == (300, 3)
    lines = review_lines(review, "metric")
    at = next(place for place, line in enumerate(lines) if line.startswith("hits, "))
    bottomed = sum(row.bottom_outs_count for row in review.dampers)
    assert lines[at] == f"hits, the hardest of each kind, 10 of {303 + bottomed}"
    assert sum("topped out" in line for line in lines[at + 2 : at + 12]) == 3


def test_of_a_log_with_holes_only_the_ledger_s_bottom_outs_are_counted():
    data = made_trip()
    review = review_of(replace(data, is_raw_whole=False))
    assert [dict(row.contacts_count) for row in review.dampers] == [
        {"bottomed": one.totals.bottom_outs_count} for one in data.dampers
    ]
    text = "\n".join(review_lines(review, "us"))
    assert "roads, of what is left of the log" in text
    assert WHAT_IS_LEFT in review.notes
    assert "hits, the hardest" not in text
    assert WHAT_IS_LEFT not in review_of(data).notes


def test_that_the_ground_may_slope_is_said_beside_heights_and_only_there():
    review = review_of(made_trip())
    assert review.heights
    assert LEVEL_UNKNOWN in review.notes
    assert review_lines(review, "us").count(LEVEL_UNKNOWN) == 1
    bare = review_of(made_trip(seconds=30))
    assert not bare.heights
    assert LEVEL_UNKNOWN not in bare.notes


def test_a_word_on_a_road_changes_care_too():
    """Who says that it was jumps is asked to feel the joints."""
    data = replace(made_trip(), contacts=())
    dampers = []
    for one in data.dampers:
        totals = one.totals.copy()
        totals.bottom_outs_count = 0
        dampers.append(replace(one, totals=totals))
    data = replace(data, dampers=tuple(dampers))
    said = Told(notes=Notes(roads=(RoadSaid(4, 300.0, 600.0, JUMPS, "Ana"),)))
    asked = [{one.key for one in review_of(data, told).care if one.is_asked} for told in (Told(), said)]
    assert asked[1] - asked[0] == {"joints"}
    assert as_said(data, said.notes.roads).segments == review_of(data, said).segments
    assert data.segments == made_trip().segments


def test_contacts_are_those_of_the_damper_that_sat_there_then():
    data = made_trip()
    first = replace(data.dampers[2], bump_stop_m=0.15)
    later = replace(first, unit_id="00000000-0000-4000-8000-00000000000f", label="SPARE-1")
    hits = [Contact("rear_left", BUMP_STOP, float(k), 1.0 + k, unit_id=first.unit_id) for k in range(3)]
    hits.append(Contact("rear_left", BUMP_STOP, 99.0, 9.0, unit_id=later.unit_id))
    dampers = (*data.dampers[:2], first, data.dampers[3], later)
    review = review_of(replace(data, dampers=dampers, contacts=tuple(hits)))
    counts = [row.contacts_count[BUMP_STOP] for row in review.dampers if row.position == "rear_left"]
    assert counts == [3, 1]
    assert any("rear left with serial SPARE-1" in line and "9.00" in line for line in review_lines(review, "metric"))


def test_two_units_at_one_position_are_two_rows_and_one_sum_by_road():
    data = made_trip()
    first = data.dampers[0]
    later = replace(first, unit_id="00000000-0000-4000-8000-00000000000f", label="spare")
    data = replace(data, dampers=(*data.dampers, later))
    review = review_of(data)
    assert [row.position for row in review.dampers].count("front_left") == 2
    both_j = sum(row.energy_j for row in review.dampers if row.position == "front_left")
    assert sum(road.energy_j["front_left"] for road in review.roads) == pytest.approx(both_j, rel=1e-12)


def test_names_cannot_write_into_the_terminal():
    review = review_of(made_trip(), name="lake \x1b[31m\r\nact now")
    text = "\n".join(review_lines(review, "metric"))
    assert "\x1b" not in text
    assert "\r" not in text


def test_an_empty_trip_is_told_without_a_fall():
    data = made_trip(seconds=3)
    empty = {"t_s", "dt_s", "moving", "vehicle_mps", "ambient_c", "latitude_deg", "longitude_deg", "distance_m"}
    cut = {name: getattr(data, name)[:0] for name in empty}
    rows = [name for name in data.dampers[0].__slots__ if isinstance(getattr(data.dampers[0], name), np.ndarray)]
    by_row = [name for name in rows if len(getattr(data.dampers[0], name)) == 3]
    dampers = tuple(replace(one, **{name: getattr(one, name)[:0] for name in by_row}) for one in data.dampers)
    review = review_of(replace(data, **cut, dampers=dampers, contacts=(), segments=(), faults=()))
    assert review.roads == ()
    assert review.ambient_c is None
    assert review_from_dict(review_to_dict(review)) == review


# changes


def _setting(day, name, clicks):
    return Setting(date.fromisoformat(day), name, clicks, 5)


def _with_settings(vehicle, position, settings):
    dampers = tuple(replace(one, settings=settings) if one.position == position else one for one in vehicle.dampers)
    return replace(vehicle, dampers=dampers)


def test_the_latest_change_of_each_damper_is_found():
    vehicle = _with_settings(
        made_trip().vehicle,
        "rear_left",
        (_setting("2026-01-01", "soft", 3), _setting("2026-03-01", "same", 3), _setting("2026-05-01", "firm", 9)),
    )
    units = {"rear_left": "u1", "rear_right": "u2"}
    service = Service(Said(4, "Ana", None, date(2026, 4, 2)), "u2", 0.0, ("shaft_seal", "oil"), {})
    found = find_changes(vehicle.dampers, units, [service], date(2026, 6, 1))
    assert [(one.position, one.day.isoformat(), one.what) for one in found] == [
        ("rear_left", "2026-05-01", "setting firm"),
        ("rear_right", "2026-04-02", "new shaft seal and wiper, damper oil"),
    ]
    before = find_changes(vehicle.dampers, units, [service], date(2026, 4, 2))
    assert [one.what for one in before] == ["setting same"]
    on_day = find_changes(vehicle.dampers, units, [], date(2026, 5, 1))
    assert [one.what for one in on_day] == ["setting firm"]


def test_a_day_nobody_vouched_for_is_no_day():
    assert day_of_trip(START_UTC_S, False) is None
    assert day_of_trip(None, True) is None
    assert day_of_trip(START_UTC_S, True) == datetime.fromtimestamp(START_UTC_S, UTC).date()


def test_trips_are_put_on_their_side_of_a_change_and_loaded_once():
    trips = [DatedTrip(str(key), date(2026, 5, key)) for key in (9, 8, 7, 6, 5, 4, 3, 2, 1)]
    loaded = []

    def load(key):
        loaded.append(key)
        data = made_trip(seconds=300, key=key)
        return None if key == "3" else make_stretches(data, data.segments, f"trip {key}")

    service = Change("rear_left", date(2026, 5, 5), "new damper oil", from_day=False)
    setting = Change("rear_right", date(2026, 5, 5), "setting firm", from_day=True)
    sided = take_sides([service, setting], trips, load)
    names = [([trip.name for trip in one.before], [trip.name for trip in one.after]) for one in sided]
    earlier = ["trip 1", "trip 2", "trip 4"]
    assert names == [
        (earlier, ["trip 9", "trip 8", "trip 7", "trip 6"]),
        (earlier, ["trip 9", "trip 8", "trip 7", "trip 6", "trip 5"]),
    ]
    assert len(loaded) == len(set(loaded))


def test_a_change_is_compared_before_and_after_in_the_review():
    before, now = made_trip(seed=3, key="6"), made_trip(seed=4)
    weak = tuple(
        replace(one, energy_compression_uj=one.energy_compression_uj // 2, energy_rebound_uj=one.energy_rebound_uj // 2)
        if one.position == "rear_left"
        else one
        for one in now.dampers
    )
    change = Change("rear_left", date(2026, 9, 20), "setting soft", from_day=True)
    sided = Sided(change, (make_stretches(before, before.segments, "trip 6"),), ())
    review = review_of(replace(now, dampers=weak), Told(sided=(sided,)))
    found = {one.what: one for one in review.differences}
    heat = found["rear left: heat on washboard"]
    assert (heat.first_name, heat.second_name) == ("before: setting soft", "after: setting soft")
    assert heat.is_clear
    assert heat.ratio == pytest.approx(0.5, rel=0.03)
    assert found["rear left: share of the heat on washboard"].is_clear
    assert not found["rear left: strokes on washboard"].is_clear
    assert any("before: setting soft" in line for line in difference_lines(review.differences, "metric"))


def test_a_trip_that_was_no_drive_is_not_compared_as_one_after_a_change():
    before = made_trip(seed=3, key="6")
    change = Change("rear_left", date(2026, 9, 20), "setting soft", from_day=True)
    told = Told(sided=(Sided(change, (make_stretches(before, before.segments, "trip 6"),), ()),))
    names = [
        {one.first_name for one in review_of(made_trip(), told, **how).differences}
        for how in ({}, {"not_driven": "dyno"})
    ]
    assert "before: setting soft" in names[0]
    assert "before: setting soft" not in names[1]


def test_segments_of_the_kind_are_those_the_stretches_are_cut_by():
    data = made_trip()
    trip = make_stretches(data, data.segments, "trip 7")
    assert trip.kinds == ("graded",) * 20 + (WASHBOARD,) * 20
    assert float(trip.seconds.sum()) == 1200.0
    heat_j = sum(float(one.energy_j.sum()) for one in trip.dampers)
    assert heat_j == pytest.approx(sum(float(one.energy_uj.sum()) for one in data.dampers) / 1e6)
