"""What is asked for after a trip, and what isn't: each rule with trips on either side of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dutylog.domain.quantity import METRIC, quantity_text
from dutylog.duty.totals import Totals
from dutylog.ledger.trip_notes import CARE_ITEMS, CareDone
from dutylog.review.care import DIRTY_S, GAS_DAYS, lay_done, make_care
from dutylog.review.damper_rows import make_damper_rows
from dutylog.review.review import CareItem, Words
from dutylog.review.trip_data import (
    BUMP_STOP,
    GRADED,
    JUMPS,
    PARKED,
    STRAP,
    STREET,
    TOPPED_OUT,
    Contact,
    Segment,
    TripData,
)
from review.made_trips import made_trip
from review.told_trips import book_of

PLACES = ("front_left", "front_right", "rear_left", "rear_right")
READ = dict.fromkeys(PLACES, 10.0)


def said(words: Words, system: str = METRIC) -> str:
    return "".join(one if isinstance(one, str) else quantity_text(one.kind, one.value, system) for one in words)


def quiet_trip() -> TripData:
    """Return a cool trip on a street on which nothing was hit."""
    trip = made_trip(seconds=300)
    cool = np.full(300, 40.0, np.float32)
    dampers = tuple(replace(one, body_c=cool, totals=Totals()) for one in trip.dampers)
    road = (Segment(STREET, 0.0, 200.0), Segment(PARKED, 200.0, 300.0))
    return replace(trip, dampers=dampers, contacts=(), segments=road)


def care_of(
    trip: TripData,
    dirt: str | None = None,
    is_washed: bool | None = None,
    gas_days: Mapping[str, float | None] = READ,
    done: Iterable[CareDone] = (),
) -> dict[str, CareItem]:
    items = make_care(
        data=trip,
        dampers=make_damper_rows(trip, book_of(trip), {}),
        seconds=300.0,
        dirt=dirt,
        is_washed=is_washed,
        gas_days=gas_days,
        done=tuple(done),
    )
    assert [one.key for one in items] == list(CARE_ITEMS)
    return {one.key: one for one in items}


def asked(items: Mapping[str, CareItem]) -> set[str]:
    return {key for key, one in items.items() if one.is_asked}


def with_bodies(trip: TripData, place: str, body_c: Any) -> TripData:
    dampers = (replace(one, body_c=body_c) if one.position == place else one for one in trip.dampers)
    return replace(trip, dampers=tuple(dampers))


def with_contact(trip: TripData, kind: str, speed_mps: float) -> TripData:
    return replace(trip, contacts=(Contact("rear_left", kind, 10.0, speed_mps),))


def test_a_quiet_trip_asks_for_a_look_alone_and_says_why_not_the_rest() -> None:
    """A list that asks for everything every time is read by nobody."""
    items = care_of(quiet_trip())
    assert asked(items) == {"leaks"}
    assert all(said(one.why) for one in items.values())
    assert items["gas"].caution is not None
    assert "nothing bottomed" in said(items["bolts"].why)


def test_a_hot_end_asks_to_cool_first_and_an_unknown_one_too() -> None:
    """48 degC, 10 minutes' contact; who can't know waits."""
    trip = quiet_trip()
    for last_c, is_asked in ((47.9, False), (48.1, True)):
        body_c = np.full(300, 90.0, np.float32)
        body_c[-1] = last_c
        assert care_of(with_bodies(trip, "rear_left", body_c))["cool"].is_asked is is_asked
    blind = replace(trip, dampers=tuple(replace(one, body_c=np.full(300, np.nan)) for one in trip.dampers))
    assert care_of(blind)["cool"].is_asked
    assert "no body temperature was measured" in said(care_of(blind)["cool"].why)
    late = np.full(300, 80.0, np.float32)
    late[-20:] = np.nan  # the last that is known counts
    assert care_of(with_bodies(trip, "rear_left", late))["cool"].is_asked


def moving(trip: TripData) -> TripData:
    """Return the trip with dampers that moved by their sums too."""
    totals = Totals(moving_us=200_000_000, moving_measured_us=200_000_000, measured_us=300_000_000)
    return replace(trip, dampers=tuple(replace(one, totals=totals) for one in trip.dampers))


def test_only_a_reading_of_the_last_minute_tells_that_a_damper_is_cool() -> None:
    """A body goes on warming from its oil; a reading of ten minutes ago says nothing."""
    trip = moving(quiet_trip())
    for last_row, is_asked in ((245, False), (239, True)):
        body_c = np.full(300, 40.0, np.float32)
        body_c[last_row + 1 :] = np.nan
        item = care_of(with_bodies(trip, "rear_left", body_c))["cool"]
        assert item.is_asked is is_asked
        assert ("not measured at the end: rear left; " in said(item.why)) is is_asked


def test_one_cool_damper_doesn_t_speak_for_those_nobody_measured() -> None:
    """Each that moved may burn."""
    trip = moving(quiet_trip())
    blind = np.full(300, np.nan, np.float32)
    dampers = tuple(replace(one, body_c=blind) if one.position != "front_left" else one for one in trip.dampers)
    item = care_of(replace(trip, dampers=dampers))["cool"]
    assert item.is_asked
    assert "not measured at the end: front right, rear left and rear right" in said(item.why)
    assert "the hottest of the others had 40\u00a0°C" in said(item.why)


def test_where_the_log_is_gone_the_ledger_s_peak_is_told() -> None:
    """The ledger knows how hot it was, not how hot it is."""
    trip = quiet_trip()
    rows = {"body_c": np.full(300, np.nan, np.float32)}
    totals = Totals(moving_us=10**8, peak_body_mc=93_000)
    dampers = (replace(one, **rows, totals=totals if one.position == "rear_left" else Totals()) for one in trip.dampers)
    item = care_of(replace(trip, dampers=tuple(dampers), is_raw_whole=False))["cool"]
    assert item.is_asked
    assert "rear left had up to 93\u00a0°C on the trip" in said(item.why)
    assert "no body temperature was measured" not in said(item.why)


def test_a_log_that_lost_its_end_has_no_last_minute() -> None:
    """Its last row is not the end of the trip."""
    trip = replace(moving(quiet_trip()), is_raw_whole=False)
    how = {"dirt": None, "is_washed": None, "gas_days": READ, "done": ()}
    for seconds, is_asked in ((300.0, False), (900.0, True)):
        rows = make_damper_rows(trip, book_of(trip), {})
        items = make_care(data=trip, dampers=rows, seconds=seconds, **how)
        assert items[0].is_asked is is_asked


def test_what_a_lost_log_would_have_told_is_unknown_not_well() -> None:
    """Nobody knows whether a strap was pulled in minutes that aren't there."""
    trip = quiet_trip()
    lost = care_of(replace(trip, is_raw_whole=False))
    for key in ("straps", "bump_stops", "joints", "wash"):
        assert lost[key].is_asked, key
        assert "part of the raw log is gone" in said(lost[key].why)
        assert not care_of(trip)[key].is_asked
    assert not lost["bolts"].is_asked  # bottom-outs are the ledger's


def test_washing_follows_the_owner_s_word_and_without_one_the_road() -> None:
    """Told and washed: dried only. Not told: look and say so."""
    trip = quiet_trip()
    assert {"wash", "dry", "protect"} <= asked(care_of(trip, "mud", False))
    washed = care_of(trip, "mud", True)
    assert "wash" not in asked(washed)
    assert {"dry", "protect"} <= asked(washed)
    for long_s, is_asked in ((DIRTY_S - 1.0, False), (DIRTY_S, True)):
        dirty = replace(trip, segments=(Segment(GRADED, 0.0, long_s), Segment(STREET, long_s, 300.0)))
        assert care_of(dirty)["wash"].is_asked is is_asked


def test_hits_ask_for_bolts_stops_joints_and_say_how_hard() -> None:
    """Who bottomed is named, by the counts that the ledger has."""
    trip = quiet_trip()
    totals = Totals(bottom_outs_count=3)
    dampers = (replace(one, totals=totals) if one.position == "rear_left" else one for one in trip.dampers)
    items = care_of(replace(trip, dampers=tuple(dampers)))
    assert asked(items) == {"leaks", "bolts", "bump_stops", "joints"}
    assert said(items["bolts"].why) == "rear left bottomed, 3 times in all"
    assert "Vehicle on stands" in str(items["bolts"].caution)


@pytest.mark.parametrize(
    ("kind", "speed_mps", "more"),
    [
        (BUMP_STOP, 0.99, set()),
        (BUMP_STOP, 1.0, {"bump_stops"}),
        (STRAP, 0.2, {"straps"}),
        (TOPPED_OUT, 0.2, {"straps"}),
    ],
)
def test_other_contacts_ask_for_what_they_met(kind: str, speed_mps: float, more: set[str]) -> None:
    """A bump stop is made to be met, gently."""
    assert asked(care_of(with_contact(quiet_trip(), kind, speed_mps))) == {"leaks"} | more


def test_jumps_ask_for_joints() -> None:
    """Landings load them most."""
    trip = quiet_trip()
    assert "joints" in asked(care_of(replace(trip, segments=(*trip.segments, Segment(JUMPS, 300.0, 310.0)))))


@pytest.mark.parametrize(
    ("gas_days", "is_asked", "why"),
    [
        ({}, False, "no damper here"),
        ({**READ, "rear_left": None}, True, "how old the last reading of rear left was"),
        ({**READ, "rear_left": GAS_DAYS - 1}, False, "of rear left, was 179 days old at the end"),
        ({**READ, "rear_left": GAS_DAYS}, True, "was 180 days old"),
        ({**READ, "rear_left": 0.0}, False, "was 10 days old"),
        ({"front_left": -3.0}, False, "every charge was read after the trip"),
    ],
)
def test_nitrogen_is_read_where_nobody_did_for_long(
    gas_days: dict[str, float | None], is_asked: bool, why: str
) -> None:
    """Half a year; a charge is looked at once a year at least."""
    item = care_of(quiet_trip(), gas_days=gas_days)["gas"]
    assert item.is_asked is is_asked
    assert why in said(item.why)


def test_heat_near_the_limit_asks_for_gas_and_seals() -> None:
    """Within 10 K of the profile's limit."""
    trip = quiet_trip()
    place = trip.vehicle.dampers[2]
    limit_c = trip.vehicle.profile_of(place).body_limit_c
    for peak_c, is_asked in ((limit_c - 10.5, False), (limit_c - 10.0, True)):
        body_c = np.full(300, 40.0, np.float32)
        body_c[100] = peak_c
        items = care_of(with_bodies(trip, place.position, body_c))
        assert items["gas"].is_asked is is_asked
        assert ("came near the body's limit" in said(items["leaks"].why)) is is_asked


def test_parts_that_a_vehicle_lacks_aren_t_spoken_of() -> None:
    """No hose, no hose crimp; bushings aren't rod ends."""
    trip = quiet_trip()
    for reservoir, joints, leak, feel in (("hose", "rod_end", "crimps", "rod ends"), ("none", "bushing", "", "bushin")):
        profiles = tuple(replace(one, reservoir=reservoir, joints=joints) for one in trip.vehicle.profiles)
        items = care_of(replace(trip, vehicle=replace(trip.vehicle, profiles=profiles)))
        assert (leak and leak in said(items["leaks"].text)) or "crimps" not in said(items["leaks"].text)
        assert feel in said(items["joints"].text)


def test_the_cautions_that_keep_people_whole_are_there() -> None:
    """Water on hot metal, gas, oxygen, stands: said where the hand is."""
    items = care_of(quiet_trip())
    for key, words in (
        ("cool", "burn"),
        ("wash", "Never water on a hot damper"),
        ("protect", "Never on a shaft"),
        ("gas", "never air or oxygen"),
        ("gas", "regulator and a relief"),
        ("gas", "qualified technician"),
        ("bolts", "stands"),
    ):
        assert words in str(items[key].caution), key
    assert "below 118\u00a0°F" in said(items["cool"].caution or (), "us")
    assert "above 104\u00a0°F" in said(items["gas"].caution or (), "us")
    assert "half a metre" in said(items["wash"].text)
    assert "50 strokes" in said(items["leaks"].text)


def test_who_did_what_is_laid_over_and_taken_off_again() -> None:
    """The list of a stored review is brought up to date without making it anew."""
    word = CareDone(7, "dry", "Ada", "soft cloth", 1.6e9)
    items = care_of(quiet_trip(), done=[word, CareDone(8, "polish", "Bo", None, None)])
    dry = items["dry"]
    assert (dry.done_by, dry.done_utc_s, dry.row, dry.note) == ("Ada", 1.6e9, 7, "soft cloth")
    assert items["wash"].done_by is None
    undone = lay_done(tuple(items.values()), ())
    assert [one.done_by for one in undone] == [None] * len(CARE_ITEMS)
    assert undone == tuple(care_of(quiet_trip()).values())


def test_a_trip_without_rows_or_dampers_has_a_list_too() -> None:
    """A trip whose raw log is gone."""
    trip = replace(quiet_trip(), dampers=(), segments=())
    assert {"cool", "leaks"} <= asked(care_of(trip))


def test_a_damper_swapped_on_the_way_leaves_both_their_hits() -> None:
    """Two units of one position: the place was hit as often as both together."""
    trip = quiet_trip()
    first = replace(trip.dampers[2], totals=Totals(bottom_outs_count=2))
    second = replace(first, unit_id="another", totals=Totals(bottom_outs_count=3))
    items = care_of(replace(trip, dampers=(*trip.dampers[:2], first, trip.dampers[3], second)))
    assert said(items["bolts"].why) == "rear left bottomed, 5 times in all"
