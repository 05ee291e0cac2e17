"""Every rule of the verdict on both sides of its thresholds; only what matters, the most urgent first."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from dutylog.domain.quantity import SYSTEMS, quantity_text
from dutylog.engine.output import TripDamper
from dutylog.ledger.life_entries import Dirt, Said
from dutylog.ledger.trip_notes import CareDone, Notes
from dutylog.review.costs import Cost
from dutylog.review.heights_book import TripHeights
from dutylog.review.make import make_review
from dutylog.review.review import ACT, FINE, LEVELS, LOOK, Figure, UsedPart
from dutylog.review.standing import find_stops
from dutylog.review.told import Told, ToldAlert
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT, Contact, Fault
from dutylog.review.verdict_rules import MOST_SENTENCES, ORDER, RULES
from review.made_trips import made_trip
from review.told_trips import book_of

PLACES = ("front_left", "front_right", "rear_left", "rear_right")
LIMIT_C = 120.0


def quiet(heat=None, body_c=40.0, **how):
    """A trip on which nothing is to be said: alike left and right, front and rear, on every road."""
    data = made_trip(**how)
    assert {data.vehicle.profile_of(one).body_limit_c for one in data.vehicle.dampers} == {LIMIT_C}
    return replace(
        data, contacts=(), faults=(), dampers=tuple(_quiet(one, heat or {}, body_c, data) for one in data.dampers)
    )


def _quiet(one, heat, body_c, data):
    watts = np.where(data.moving, 200.0, 0.0) * heat.get(one.position, 1.0)
    half_uj = np.round(watts * 5e5).astype(np.int64)
    totals = one.totals.copy()
    totals.energy_compression_uj = totals.energy_rebound_uj = int(half_uj.sum())
    totals.bottom_outs_count = 0
    totals.peak_body_mc = None if body_c is None else round(body_c * 1000)
    n = len(half_uj)
    return replace(
        one,
        energy_compression_uj=half_uj,
        energy_rebound_uj=half_uj,
        bottom_outs_count=np.zeros(n, dtype=np.int64),
        body_c=np.full(n, np.nan if body_c is None else body_c, dtype=np.float32),
        totals=totals,
    )


def with_totals(data, position, **values):
    """The same with other sums of one damper."""
    dampers = []
    for one in data.dampers:
        totals = one.totals.copy()
        for name, value in values.items() if one.position == position else ():
            setattr(totals, name, value)
        dampers.append(replace(one, totals=totals))
    return replace(data, dampers=tuple(dampers))


def with_contacts(data, kind, speeds, position="rear_right"):
    """The same with contacts of one damper."""
    found = tuple(Contact(position, kind, 60.0 + place, speed) for place, speed in enumerate(speeds))
    return replace(data, contacts=(*data.contacts, *found))


def verdict(data, told=None, **book):
    return make_review(data, book_of(data, **book), told or Told()).verdict


def level_of(sentences, rule):
    """The level at which a rule speaks, None where it doesn't."""
    found = [one for one in sentences if one.rule == rule]
    assert len(found) <= 1
    return found[0].level if found else None


def said(words, system="metric"):
    return "".join(one if isinstance(one, str) else quantity_text(one.kind, one.value, system) for one in words)


def text_of(sentences, rule, system="metric"):
    return next(said(one.words, system) for one in sentences if one.rule == rule)


def test_an_uneventful_trip_says_so_in_one_sentence():
    (only,) = verdict(quiet())
    assert (only.rule, only.level) == ("uneventful", FINE)
    assert said(only.words) == (
        "an uneventful trip: nothing met the ends of travel hard, nothing ran hot and left and right took alike"
    )


def test_nothing_is_called_cool_that_nobody_measured():
    (only,) = verdict(quiet(body_c=None))
    assert "hot" not in said(only.words)


def test_one_cool_damper_doesn_t_make_the_others_cool():
    (only,) = verdict(with_totals(quiet(), "rear_left", peak_body_mc=None))
    assert "hot" not in said(only.words)


def test_left_and_right_are_called_alike_only_where_their_ranges_are_narrow():
    """No clear difference between few and wild stretches isn't likeness."""
    data = quiet()
    one = data.dampers[3]
    scatter = np.where(np.arange(len(data.t_s)) // 30 % 12 == 0, 12.0, 0.1)
    wild = np.round(one.energy_compression_uj * scatter).astype(np.int64)
    wild = np.round(wild * (one.energy_compression_uj.sum() / wild.sum())).astype(np.int64)
    one = replace(one, energy_compression_uj=wild, energy_rebound_uj=wild)
    found = verdict(replace(data, dampers=(*data.dampers[:3], one)))
    words = text_of(found, "uneventful")
    assert "alike" not in words
    assert words.endswith("no clear difference showed between left and right")


def test_a_clear_difference_too_small_to_be_told_isn_t_called_likeness_either():
    found = verdict(quiet({"rear_right": 1.12}))
    assert level_of(found, "side_heat") is None
    assert "left" not in text_of(found, "uneventful")


@pytest.mark.parametrize(
    ("count", "mps", "level"),
    [(2, 0.99, None), (1, 1.0, LOOK), (3, 0.5, LOOK), (9, 1.99, LOOK), (10, 0.5, ACT), (1, 2.0, ACT), (0, 0.0, None)],
)
def test_bottom_outs_are_told_by_count_and_by_speed(count, mps, level):
    data = with_contacts(quiet(), BOTTOMED, [mps] + [0.3] * (count - 1) if count else [])
    found = verdict(with_totals(data, "rear_right", bottom_outs_count=count))
    assert level_of(found, BOTTOMED) == level
    if level is not None:
        assert text_of(found, BOTTOMED).startswith(
            "rear right bottomed once" if count == 1 else f"rear right bottomed {count}"
        )
        assert f"{mps:.2f}" in text_of(found, BOTTOMED)
        assert "0:01:00 into the trip" in text_of(found, BOTTOMED)


def test_the_damper_that_was_hit_hardest_is_named_first():
    data = with_contacts(with_contacts(quiet(), BOTTOMED, [1.2] * 4), BOTTOMED, [1.6], "front_left")
    data = with_totals(with_totals(data, "rear_right", bottom_outs_count=4), "front_left", bottom_outs_count=1)
    found = verdict(data)
    assert text_of(found, BOTTOMED) == (
        "front left bottomed once, at 1.60\u00a0m/s, 0:01:00 into the trip (rear right 4 times at up to 1.20\u00a0m/s)"
    )
    assert next(one.positions for one in found if one.rule == BOTTOMED) == ("front_left", "rear_right")


@pytest.mark.parametrize(
    ("kind", "count", "mps", "level"),
    [
        (TOPPED_OUT, 2, 0.99, None),
        (TOPPED_OUT, 3, 0.5, LOOK),
        (TOPPED_OUT, 1, 1.0, LOOK),
        (STRAP, 9, 1.49, None),
        (STRAP, 10, 0.5, LOOK),
        (STRAP, 1, 1.5, LOOK),
    ],
)
def test_full_extension_and_straps_are_told_by_count_and_by_speed(kind, count, mps, level):
    found = verdict(with_contacts(quiet(), kind, [mps] + [0.3] * (count - 1)), distance_m=1000.0)
    assert level_of(found, kind) == level


@pytest.mark.parametrize(("distance_m", "level"), [(1990.0, LOOK), (2010.0, None), (None, LOOK)])
def test_a_strap_is_told_only_where_it_was_met_often(distance_m, level):
    """Straps are there to be met now and then: ten on a long day are nothing, ten on two kilometres are."""
    found = verdict(with_contacts(quiet(), STRAP, [0.5] * 10), distance_m=distance_m)
    assert level_of(found, STRAP) == level
    assert level is None or "5.00\u00a0times a km" in said(next(one.why for one in found if one.rule == STRAP))


@pytest.mark.parametrize(
    ("count", "distance_m", "level"),
    [(19, 1000.0, None), (20, 9900.0, LOOK), (20, 10_100.0, None), (20, None, LOOK)],
)
def test_a_bump_stop_is_told_only_where_it_was_met_often(count, distance_m, level):
    data = with_contacts(quiet(), BUMP_STOP, [0.5] * count)
    assert level_of(verdict(data, distance_m=distance_m), BUMP_STOP) == level


@pytest.mark.parametrize(
    ("peak_c", "level"), [(LIMIT_C - 10.1, None), (LIMIT_C - 10.0, LOOK), (LIMIT_C - 0.1, LOOK), (LIMIT_C, ACT)]
)
def test_a_body_near_its_limit_is_told(peak_c, level):
    found = verdict(with_totals(quiet(), "rear_left", peak_body_mc=round(peak_c * 1000)))
    assert level_of(found, "too_hot") == level
    if level is not None:
        assert "in air of up to 34\u00a0°C" in text_of(found, "too_hot")


@pytest.mark.parametrize(("ratio", "level"), [(1.14, None), (1.16, LOOK), (1.49, LOOK), (1.51, ACT)])
def test_one_side_that_takes_more_heat_is_told_with_percent(ratio, level):
    found = verdict(quiet({"rear_right": ratio}))
    assert level_of(found, "side_heat") == level
    other = verdict(quiet({"rear_left": ratio}))
    assert level_of(other, "side_heat") == level
    if level is not None:
        percent = f"{(ratio - 1) * 100:.0f}\u00a0%"
        assert text_of(found, "side_heat") == f"rear right took {percent} more heat than rear left"
        assert text_of(other, "side_heat") == f"rear left took {percent} more heat than rear right"


def test_a_difference_within_its_doubt_is_not_told():
    data = quiet({"rear_right": 1.3})
    one = data.dampers[3]
    scatter = np.where(np.arange(len(data.t_s)) // 30 % 12 == 0, 12.0, 0.1)
    wild = np.round(one.energy_compression_uj * scatter).astype(np.int64)
    wild = np.round(wild * (one.energy_compression_uj.sum() / wild.sum())).astype(np.int64)
    one = replace(one, energy_compression_uj=wild, energy_rebound_uj=wild)
    found = verdict(replace(data, dampers=(*data.dampers[:3], one)))
    assert level_of(found, "side_heat") is None


@pytest.mark.parametrize(("rise", "level"), [(1.15, None), (1.25, LOOK)])
def test_a_damper_that_sheds_heat_worse_than_the_other_side_is_told(rise, level):
    data = quiet(body_c=64.0)
    body_c = np.full(len(data.t_s), 34.0 + 30.0 * rise, dtype=np.float32)
    right = replace(data.dampers[3], body_c=body_c)
    found = verdict(replace(data, dampers=(*data.dampers[:3], right)))
    assert level_of(found, "side_warmth") == level
    assert level is None or "rises 25\u00a0% more above the air than rear left" in text_of(found, "side_warmth")


@pytest.mark.parametrize(("ratio", "level"), [(1.45, None), (1.55, FINE)])
def test_an_axle_that_takes_far_more_is_told(ratio, level):
    found = verdict(quiet({"rear_left": ratio, "rear_right": ratio}))
    assert level_of(found, "axle_heat") == level


@pytest.mark.parametrize(("washboard_w", "level"), [(240.0, None), (420.0, FINE)])
def test_the_road_that_made_the_heat_is_told(washboard_w, level):
    data = quiet()
    half_uj = np.where(data.t_s < 600, 75e6, np.where(data.moving, washboard_w * 5e5, 0.0)).astype(np.int64)
    dampers = tuple(replace(one, energy_compression_uj=half_uj, energy_rebound_uj=half_uj) for one in data.dampers)
    found = verdict(replace(data, dampers=dampers))
    assert level_of(found, "roads") == level
    if level is not None:
        assert text_of(found, "roads", "us") == "4.8\u00a0mi of washboard made 74\u00a0% of the heat"
    unknown = replace(data, dampers=dampers, vehicle_mps=np.full_like(data.vehicle_mps, np.nan))
    assert level is None or text_of(verdict(unknown), "roads").startswith("0:10:00 of washboard")
    # what is left of a log doesn't tell what the trip was
    assert level_of(verdict(replace(data, dampers=dampers, is_raw_whole=False)), "roads") is None


@pytest.mark.parametrize(("ratio", "level"), [(0.0099, None), (0.0101, FINE), (0.0499, FINE), (0.0501, LOOK)])
def test_what_the_trip_took_of_the_most_used_part_is_told(ratio, level):
    data = quiet()
    used = (UsedPart("shaft_seal", "shaft seal and wiper", ratio), UsedPart("oil", "damper oil", ratio / 2))
    found = verdict(data, Told(costs={data.dampers[2].unit_id: Cost(used, 410.0)}))
    assert level_of(found, "budget") == level
    if level == LOOK:
        assert text_of(found, "budget", "us") == (
            "rear left used 5.0\u00a0% of the budget of its shaft seal and wiper, as much as 410\u00a0mi of street"
        )


@pytest.mark.parametrize(("share", "level"), [(0.951, None), (0.949, LOOK), (0.501, LOOK), (0.499, ACT)])
def test_motion_that_was_not_measured_is_told(share, level):
    data = quiet()
    moving_us = data.dampers[0].totals.moving_us
    found = verdict(with_totals(data, "front_left", moving_measured_us=round(moving_us * share)))
    assert level_of(found, "coverage") == level
    assert level is None or "lower bounds" in text_of(found, "coverage")
    if level is not None:
        assert " of moving time" in text_of(found, "coverage")


def test_a_damper_that_was_never_measured_is_told_first():
    dead = {"measured_us": 0, "moving_measured_us": 0, "unmeasured_us": 1_800_000_000}
    found = verdict(with_totals(quiet(), "front_right", **dead))
    assert level_of(found, "coverage") == ACT
    assert text_of(found, "coverage").startswith("front right was not measured at all")
    partly = with_totals(quiet(), "front_right", **dead)
    moving_us = partly.dampers[0].totals.moving_us
    partly = with_totals(partly, "rear_left", moving_measured_us=round(moving_us * 0.4))
    partly = with_totals(partly, "rear_right", moving_measured_us=round(moving_us * 0.8))
    act, look = [one for one in verdict(partly) if one.rule == "coverage"]
    assert (act.level, act.positions, look.level, look.positions) == (
        ACT,
        ("front_right", "rear_left"),
        LOOK,
        ("rear_right",),
    )
    assert "rear left was measured for only 40\u00a0% of moving time" in said(act.words)


def test_dampers_below_a_level_don_t_stand_under_it():
    """Who reads 'do first' does it for each that is named there."""
    data = with_contacts(with_contacts(quiet(), BOTTOMED, [2.5] * 12), BOTTOMED, [0.5] * 4, "front_left")
    data = with_totals(with_totals(data, "rear_right", bottom_outs_count=12), "front_left", bottom_outs_count=4)
    data = with_totals(data, "rear_right", peak_body_mc=126_000)
    data = with_totals(with_totals(data, "front_left", peak_body_mc=114_000), "rear_left", peak_body_mc=118_000)
    found = {(one.rule, one.level): one for one in verdict(data)}
    assert found[BOTTOMED, ACT].positions == found["too_hot", ACT].positions == ("rear_right",)
    assert found[BOTTOMED, LOOK].positions == ("front_left",)
    assert found["too_hot", LOOK].positions == ("rear_left", "front_left")
    assert said(found["too_hot", LOOK].words).startswith(
        "rear left got as hot as 118\u00a0°C, 2\u00a0K below its limit (front left 6\u00a0K), in air of "
    )


def test_where_speeds_are_lost_the_one_hit_most_often_leads():
    data = replace(quiet(), is_raw_whole=False)
    data = with_totals(with_totals(data, "rear_right", bottom_outs_count=4), "front_left", bottom_outs_count=7)
    assert text_of(verdict(data), BOTTOMED) == "front left bottomed 7 times (rear right 4 times)"


def test_hits_in_what_is_left_of_a_log_are_told_as_the_least_there_were():
    data = replace(with_contacts(quiet(), TOPPED_OUT, [1.2] * 4), is_raw_whole=False)
    assert text_of(verdict(data), TOPPED_OUT).startswith("rear right topped out at least 4 times")


def test_two_dampers_at_one_place_are_counted_and_named_apart():
    data = with_contacts(quiet(), TOPPED_OUT, [0.4] * 3)
    first = data.dampers[3]
    second = replace(first, unit_id="00000000-0000-4000-8000-00000000000f", label="SPARE-1")
    apart = tuple(
        replace(one, unit_id=second.unit_id if place else first.unit_id) for place, one in enumerate(data.contacts)
    )
    data = replace(data, dampers=(*data.dampers, second), contacts=apart)
    assert level_of(verdict(data), TOPPED_OUT) is None
    more = replace(apart[1], t_s=99.0, speed_mps=1.1)
    found = verdict(replace(data, contacts=(*apart, more)))
    assert text_of(found, TOPPED_OUT).startswith("rear right with serial SPARE-1 topped out 3 times")


@pytest.mark.parametrize(("seconds", "level"), [(17.0, None), (19.0, LOOK), (179.0, LOOK), (181.0, ACT)])
def test_sensor_faults_are_told_by_their_time_overlaps_once(seconds, level):
    faults = (Fault("front_left", "travel_open", 100.0, 100.0 + seconds), Fault("front_left", "spike", 101.0, 102.0))
    found = verdict(replace(quiet(), faults=faults))
    assert level_of(found, "sensor") == level
    if level is not None:
        assert f"0:0{int(seconds) // 60}:{int(seconds) % 60:02d}: travel sensor open, spikes" in text_of(
            found, "sensor"
        )


def test_a_fault_without_an_end_lasts_to_the_end_of_the_trip():
    found = verdict(replace(quiet(), faults=(Fault("front_left", "worn_spot", 900.0, None),)))
    assert level_of(found, "sensor") == ACT
    assert "0:15:00" in text_of(found, "sensor")


def _dirt(what, washed):
    return Dirt(Said(5, "Ana", None, None), 7, (1, 0, 10), what, washed)


@pytest.mark.parametrize(
    ("what", "washed", "level"),
    [("mud", False, ACT), ("water", False, ACT), ("dust", False, None), ("mud", True, None)],
)
def test_dirt_that_wears_is_told_until_it_is_washed_off(what, washed, level):
    found = verdict(quiet(), Told(dirt=_dirt(what, washed)))
    assert level_of(found, "dirt") == level
    done = Notes(care=(CareDone(9, "wash", "Ana", None, None),))
    assert level_of(verdict(quiet(), Told(dirt=_dirt(what, washed), notes=done)), "dirt") is None


def test_a_trip_that_was_no_drive_says_so():
    assert level_of(verdict(quiet(), not_driven="dyno"), "not_driven") == LOOK
    data = with_totals(quiet(), "rear_right", bottom_outs_count=12)
    used = Told(costs={data.dampers[2].unit_id: Cost((UsedPart("oil", "damper oil", 0.3),), 4000.0)})
    assert [one.rule for one in verdict(data, used, not_driven="transport")] == ["not_driven", BOTTOMED]
    assert "budget" in [one.rule for one in verdict(data, used)]
    assert level_of(verdict(quiet()), "not_driven") is None


def test_a_raw_log_with_holes_is_told():
    assert level_of(verdict(replace(quiet(), is_raw_whole=False)), "raw_lost") == LOOK


def test_a_trip_on_which_nothing_was_measured_is_not_called_uneventful():
    data = quiet()
    for place in PLACES:
        data = with_totals(data, place, measured_us=0, moving_measured_us=0)
    found = verdict(data)
    assert level_of(found, "nothing_measured") == ACT
    assert level_of(found, "uneventful") is None


@pytest.mark.parametrize(("share", "level"), [(0.049, None), (0.051, LOOK)])
def test_heat_beyond_the_cavitation_margin_is_told(share, level):
    data = quiet()
    energy_uj = round(data.dampers[1].totals.energy_uj * share)
    found = verdict(with_totals(data, "front_right", cavitation_us=3_000_000, cavitation_energy_uj=energy_uj))
    assert level_of(found, "cavitation") == level
    short = with_totals(data, "front_right", cavitation_us=900_000, cavitation_energy_uj=energy_uj)
    assert level_of(verdict(short), "cavitation") is None


@pytest.mark.parametrize(
    ("kind", "rule", "level"),
    [
        ("damping_lost", "damping_lost", ACT),
        ("charge_leaking", "gas_leaking", ACT),
        ("oil_over_limit", "oil_too_hot", LOOK),
        ("heat_rising", "too_hot", None),
    ],
)
def test_alerts_that_no_other_rule_tells_of_are_told(kind, rule, level):
    found = verdict(quiet(), Told(alerts=(ToldAlert(kind, "rear_left"), ToldAlert(kind, "rear_right"))))
    assert level_of(found, rule) == level
    assert level is None or text_of(found, rule).startswith("rear left and rear right ")


@pytest.mark.parametrize(("lower_m", "level"), [(0.001, None), (0.060, LOOK)])
def test_a_wheel_that_stands_much_lower_is_told(lower_m, level):
    data = quiet()
    earlier = [TripHeights(str(key), None, find_stops(data)) for key in range(1, 6)]
    right = replace(data.dampers[3], travel_mean_m=data.dampers[3].travel_mean_m + np.float32(lower_m))
    found = verdict(replace(data, dampers=(*data.dampers[:3], right)), Told(earlier_heights=tuple(earlier)))
    assert level_of(found, "standing") == level
    assert level is None or text_of(found, "standing").startswith("rear right stands 60\u00a0mm lower")


def everything():
    """A trip on which nearly every rule speaks."""
    data = quiet({"rear_right": 1.9, "front_right": 1.6})
    for kind, speeds in ((BOTTOMED, [2.4] * 12), (TOPPED_OUT, [1.2] * 4), (STRAP, [1.6] * 11), (BUMP_STOP, [0.5] * 90)):
        data = with_contacts(data, kind, speeds)
    data = with_totals(data, "rear_right", bottom_outs_count=12, peak_body_mc=131_000, moving_measured_us=10)
    data = replace(data, faults=(Fault("front_left", "gap", 0.0, 500.0),), is_raw_whole=False)
    told = Told(
        costs={data.dampers[2].unit_id: Cost((UsedPart("oil", "damper oil", 0.3),), 4000.0)},
        dirt=_dirt("mud", False),
        alerts=tuple(ToldAlert(kind, "rear_left") for kind in ("damping_lost", "charge_leaking", "oil_over_limit")),
    )
    return make_review(data, book_of(data, not_driven="transport"), told).verdict


def test_at_most_eight_sentences_are_said_the_most_urgent_first():
    found = everything()
    assert len(found) == MOST_SENTENCES
    assert found[0].rule == "not_driven"
    assert [one.level for one in found[1:]] == [ACT] * (MOST_SENTENCES - 1)
    ranks = [(bool(one.positions), ORDER.index(one.rule)) for one in found[1:]]
    assert ranks == sorted(ranks)


def test_levels_come_in_order_and_the_vehicle_before_its_dampers():
    data = with_contacts(quiet({"rear_right": 1.2}), TOPPED_OUT, [1.2] * 4)
    found = verdict(replace(data, is_raw_whole=False), Told(dirt=_dirt("sand", False)))
    assert [one.rule for one in found] == ["dirt", "raw_lost", "side_heat", "topped_out"]
    assert [LEVELS.index(one.level) for one in found] == [0, 1, 1, 1]


def test_every_sentence_reads_in_both_systems_and_gives_its_why():
    for one in (*everything(), *verdict(quiet())):
        assert one.rule in RULES
        for words in (one.words, one.why):
            assert words
            for system in SYSTEMS:
                text = said(words, system)
                assert "–" not in text
                assert "nan" not in text
                assert "\n" not in text
                assert len(text) < 200


def test_figures_of_a_sentence_are_never_written_into_its_text():
    for one in everything():
        plain = "".join(word for word in one.words if isinstance(word, str))
        assert not any(unit in plain for unit in (" m/s", "°", "%", " km", " mi", " mm"))
        assert all(isinstance(word, str | Figure) for word in one.words)


def test_sums_come_from_the_ledger_where_it_has_them():
    data = quiet()
    dampers = []
    for one in data.dampers:
        totals = one.totals.copy()
        totals.bottom_outs_count = 11
        dampers.append(TripDamper(one.unit_id, one.position, totals))
    assert level_of(verdict(data, dampers=tuple(dampers)), BOTTOMED) == ACT


def test_rules_are_a_table_that_nobody_changes():
    assert isinstance(RULES, MappingProxyType)
    assert all(isinstance(rule.limits, MappingProxyType) and rule.what for rule in RULES.values())
