"""The list of an inspection: the most suspicious first, in a safe order, and what its answers come to."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.known_unit import PROFILE, TODAY, found, gas, trip, unit, with_part
from dutylog.bench.facts import AlertFact, HeatFacts, MarkFact, ServiceFact, UnitFacts
from dutylog.bench.figures import say
from dutylog.bench.findings import NOT_LOOKED
from dutylog.bench.inspection import (
    SEQUENCES,
    SPEAKS_FOR,
    ListedItem,
    make_list,
    suggest_leak_grade,
)
from dutylog.bench.inspection_items import ITEMS, items_for
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.domain.wear import AS_NEW, DIRTS, FAILED, USABLE, WORN

SERVICE = ServiceFact(date(2026, 10, 1), "Ada", (), (("joints", WORN),))


def suspicion(facts: UnitFacts, key: str) -> float:
    return next(one.suspicion for one in make_list(facts) if one.item.key == key)


def why(facts: UnitFacts, key: str) -> str:
    return " | ".join(say(text) for one in make_list(facts) if one.item.key == key for text in one.why)


def blocks_of(listed: tuple[ListedItem, ...]) -> list[tuple[int, float]]:
    """Return step and suspicion of each block that stays together, in the order of the list."""
    blocks: list[tuple[int, str, float]] = []
    for one in listed:
        name = one.item.group if one.item.group in SEQUENCES else one.item.key
        if blocks and blocks[-1][:2] == (one.item.step, name):
            blocks[-1] = (*blocks[-1][:2], max(blocks[-1][2], one.suspicion))
        else:
            blocks.append((one.item.step, name, one.suspicion))
    return [(step, value) for step, _, value in blocks]


@settings(max_examples=60, deadline=None)
@given(
    build=st.tuples(st.sampled_from(CONSTRUCTIONS), st.sampled_from(RESERVOIRS), st.sampled_from(JOINTS)),
    used=st.lists(st.floats(0.0, 3.0), min_size=9, max_size=9),
    hot_s=st.floats(0.0, 1e6),
    hits=st.integers(0, 5000),
    dirt=st.sampled_from((*DIRTS, None)),
    grades=st.dictionaries(
        st.sampled_from([item.key for item in ITEMS]), st.sampled_from((AS_NEW, USABLE, WORN, FAILED, NOT_LOOKED))
    ),
)
def test_order_follows_suspicion_within_the_safe_steps(
    build: tuple[str, str, str], used: list[float], hot_s: float, hits: int, dirt: str | None, grades: dict[str, str]
) -> None:
    """Whatever happened: only this damper's points, each once; nothing is opened before its charge was read; and within
    a step nothing that is more suspicious stands behind something that is less."""
    facts = unit(
        construction=build[0],
        reservoir=build[1],
        joints=build[2],
        heat=HeatFacts(hot_s, hot_s),
        trips=(trip(bottom_outs_count=hits, top_outs_count=hits // 2, dirt=dirt),),
    )
    facts = replace(
        facts, parts=tuple(replace(one, used_ratio=ratio) for one, ratio in zip(facts.parts, used, strict=False))
    )
    listed = make_list(facts, [found(key, grade) for key, grade in grades.items()])
    assert sorted(one.item.key for one in listed) == sorted(item.key for item in items_for(*build))
    blocks = blocks_of(listed)
    assert blocks == sorted(blocks, key=lambda block: (block[0], -block[1]))
    assert len({step for step, _ in blocks}) >= 3
    places = [one.item.key for one in listed]
    for group in SEQUENCES:
        for step in {item.step for item in ITEMS}:
            written = [item.key for item in ITEMS if item.group == group and item.step == step and item.key in places]
            start = places.index(written[0]) if written else 0
            assert places[start : start + len(written)] == written
    assert all(0.0 <= one.suspicion <= 1.0 for one in listed)


@settings(max_examples=40, deadline=None)
@given(
    key=st.sampled_from(["shaft_seal", "oil", "joints", "wear_band", "piston_seal", "hose", "structure"]),
    low=st.floats(0.0, 3.0),
    more=st.floats(0.0, 3.0),
)
def test_more_use_never_makes_a_point_less_suspicious(key: str, low: float, more: float) -> None:
    before = {one.item.key: one.suspicion for one in make_list(with_part(unit(), key, used_ratio=low))}
    after = {one.item.key: one.suspicion for one in make_list(with_part(unit(), key, used_ratio=low + more))}
    assert all(after[item] >= before[item] - 1e-12 for item in before)


MARK = MarkFact("nick", 60.0, 1.5, True, 40.0, "stop", "sharp nick of 1.5 mm at 60 mm")
HINTS = [
    (with_part(unit(), "shaft_seal", used_ratio=1.2), "leak_seal_head", "120"),
    (with_part(unit(), "oil", used_ratio=0.9), "oil_colour", "90"),
    (with_part(unit(), "hose", calendar_day=date(2026, 11, 1)), "leak_hose_crimp", "2026-11-01"),
    (unit(marks=(MARK,)), "shaft_marks", "sharp nick"),
    (unit(trips=(trip(dirt="mud", washed=False),)), "leak_seal_head", "mud"),
    (unit(dirt_words=("sand",)), "bearing_dirt", "sand"),
    (unit(trips=(trip(bottom_outs_count=120),)), "bump_stops", "120"),
    (unit(trips=(trip(top_outs_count=60),)), "straps", "60"),
    (unit(heat=HeatFacts(hot_seal_s=7200.0)), "seal_lips", "2:00:00"),
    (unit(heat=HeatFacts(hot_oil_s=7200.0)), "oil_colour", "2:00:00"),
    (unit(heat=HeatFacts(peak_body_c=140.0)), "leak_seal_head", "140"),
    (unit(gas=(gas(0.7),)), "charge_before", "charge"),
    (unit(gas=(gas(0.7),)), "piston_seal_state", "charge"),
    (
        unit(alerts=(AlertFact(date(2026, 11, 2), "damping_lost", "act_now", "rear left: less damping", False),)),
        "damping_lost",
        "less damping",
    ),
    (unit(services=(SERVICE,)), "rod_end_play", "worn"),
]


@pytest.mark.parametrize(("facts", "key", "words"), HINTS, ids=[f"{key}-{words}" for _, key, words in HINTS])
def test_what_was_measured_points_at_the_right_place(facts: UnitFacts, key: str, words: str) -> None:
    """Each kind of hint lifts its point above that of the same damper without it, and says why."""
    assert suspicion(facts, key) > suspicion(unit(), key)
    assert words in why(facts, key).replace("\u00a0", " ")
    listed = make_list(facts)
    assert suspicion(facts, key) > max(one.suspicion for one in listed if not one.why)


def test_nothing_known_gives_the_written_order_with_what_is_often_found_first() -> None:
    listed = make_list(unit())
    assert [one.item.key for one in listed][:2] == ["leak_seal_head", "shaft_marks"]
    assert not any(one.why for one in listed)


def test_a_bad_finding_points_at_its_neighbours() -> None:
    """A wet seal with a look at the seal alone is back in a month: the shaft has cut it."""
    listed = make_list(unit(), [found("leak_seal_head", FAILED)])
    mark = next(one for one in listed if one.item.key == "shaft_marks")
    assert say(mark.why[0]) == "Seal head was found: does its job no longer"
    assert mark.suspicion > suspicion(unit(), "shaft_marks")
    good = make_list(unit(), [found("leak_seal_head", AS_NEW)])
    assert [one.suspicion for one in good] == [one.suspicion for one in make_list(unit())]


def test_the_newest_word_counts() -> None:
    """Two technicians at one damper: what was written last is shown, whatever order entries came in."""
    words = [found("bolts", WORN, entry=7), found("bolts", AS_NEW, entry=3)]
    listed = {one.item.key: one for one in make_list(unit(), words)}
    assert listed["bolts"].finding == words[0]
    assert listed["straps"].finding is None


def test_time_over_is_counted_from_the_day_it_is_asked() -> None:
    facts = with_part(unit(), "hose", calendar_day=date(2027, 6, 1))
    later = {one.item.key: one.suspicion for one in make_list(facts, today=date(2027, 6, 2))}
    assert later["leak_hose_crimp"] > suspicion(facts, "leak_hose_crimp")
    assert facts.day == TODAY


@pytest.mark.parametrize(
    ("measures", "grade"),
    [
        ({}, None),
        ({"wiped": 0.0, "wet_again": 3.0}, None),
        ({"wet_again": 3.0}, None),
        ({"wiped": 1.0}, None),
        ({"wiped": 1.0, "wet_again": 0.0}, AS_NEW),
        ({"wiped": 1.0, "wet_again": 1.0}, AS_NEW),
        ({"wiped": 1.0, "wet_again": 2.0}, WORN),
        ({"wiped": 1.0, "wet_again": 3.0}, FAILED),
    ],
)
def test_a_leak_is_asked_in_two_steps_and_a_dry_film_is_normal(measures: dict[str, float], grade: str | None) -> None:
    told = suggest_leak_grade(measures)
    assert (told[0] if told else None) == grade
    if measures.get("wiped") == 1.0 and measures.get("wet_again") == 1.0:
        assert told == (AS_NEW, "a dry film on the shaft is normal")


def test_one_that_cannot_be_rebuilt_is_not_looked_into() -> None:
    facts = unit(profile=replace(unit().profile or PROFILE, is_rebuildable=False))
    assert 3 not in {one.item.step for one in make_list(facts)}
    assert 3 in {one.item.step for one in make_list(unit())}


def test_a_mount_of_the_vehicle_is_no_part_of_the_damper() -> None:
    """A cracked weld at the frame must not teach that shafts break early."""
    assert not any("mounts_cracked" in items for items in SPEAKS_FOR.values())
    assert "shaft_on_blocks" in SPEAKS_FOR["structure"]


def test_only_points_that_see_the_part_itself_grade_it() -> None:
    """What teaches budgets: lost damping must not end the life of an oil, nor a sharp mark that of a shaft seal."""
    graded = {item for items in SPEAKS_FOR.values() for item in items}
    assert not graded & {
        "damping_lost",
        "damping_curve",
        "shaft_marks",
        "oil_metal",
        "oil_volume",
        "bolts",
        "charge_before",
    }
    by_key = {item.key: item for item in ITEMS}
    for part, items in SPEAKS_FOR.items():
        assert all(part in by_key[item].parts for item in items)
