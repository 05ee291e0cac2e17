"""The points of an inspection: all that is asked for, only what a damper has, cautions where the hand is."""

from __future__ import annotations

import math
import re
from itertools import product

import pytest

from dutylog.bench.build_fields import FIELDS, GAS_CAUTION
from dutylog.bench.findings import Item
from dutylog.bench.inspection import SEQUENCES, SPEAKS_FOR
from dutylog.bench.inspection_items import ITEM_OF, ITEMS, STEP_WORDS, check_measures, items_for
from dutylog.bench.items_inside import OPENED
from dutylog.bench.items_outside import CHARGED, ROCKED, STANDS
from dutylog.bench.items_work import ITEM_WORK, OF_DAMPER
from dutylog.bench.look_rules import LOOK_RULES, TOPICS
from dutylog.bench.part_needs import need_of
from dutylog.bench.suspicion import BASES, OF_RULE, OF_TOPIC, RELATED
from dutylog.domain.quantity import KINDS
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.domain.wear import PARTS
from dutylog.errors import InputError

BUILDS = list(product(CONSTRUCTIONS, RESERVOIRS, JOINTS))
ASKED = {
    "leak_seal_head", "leak_fittings", "leak_hose_crimp", "clunk_mounts", "clunk_joints",
    "clunk_top_out", "clunk_floating_piston", "rod_end_noise", "rod_end_play", "rod_end_cap",
    "bushing_bulge", "bushing_cracks", "bearing_rust", "bearing_dirt", "bearing_rattle",
    "shaft_marks", "shaft_runout", "shaft_rust", "body_dents", "mounts_cracked",
    "reservoir_clamps", "straps", "bump_stops", "bolts", "tyre_wear",
    "damping_lost", "charge_before", "charge_after", "corrosion", "damping_curve",
    "oil_volume", "oil_colour", "oil_metal", "piston_depth",
}  # fmt: skip
"""Leaks, clunk, rod ends, bushings, bearings, shaft, body, mounts, clamps, straps, stops, bolts, tyre, damping,
nitrogen before and after, corrosion; as found: curve, oil, floating piston."""


def keys(construction: str, reservoir: str, joints: str) -> set[str]:
    return {item.key for item in items_for(construction, reservoir, joints)}


def test_everything_asked_for_has_its_point() -> None:
    """A point that isn't on the list is a leak nobody looked for."""
    assert set(ITEM_OF) >= ASKED
    assert len(ITEMS) == len(ITEM_OF)


@pytest.mark.parametrize("build", BUILDS)
def test_only_what_a_construction_has_is_asked(build: tuple[str, str, str]) -> None:
    """Asking for the hose of a damper without one teaches people to answer without looking."""
    construction, reservoir, joints = build
    held = keys(*build)
    assert ("leak_hose_crimp" in held) == ("hose_route" in held) == (reservoir == "hose")
    assert ("reservoir_clamps" in held) == ("leak_reservoir" in held) == (reservoir != "none")
    assert ("rod_end_play" in held) == ("bearing_rust" in held) == (joints == "rod_end")
    assert ("bushing_bulge" in held) == (joints == "bushing")
    assert ("piston_depth" in held) == ("clunk_floating_piston" in held) == (construction == "floating_piston")
    assert ("bladder_state" in held) == (construction == "bladder")
    assert ("charge_before" in held) == ("charge_after" in held) == (construction != "twin_tube")
    assert {"leak_seal_head", "shaft_marks", "oil_colour", "bolts"} <= held


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: item.key)
def test_a_point_says_what_to_decide_how_and_with_which_caution(item: Item) -> None:
    """The maker's manual comes first; whoever stands under a vehicle or opens a damper reads the caution there."""
    assert item.question.endswith("?")
    assert item.how.startswith("The maker's manual first")
    assert item.caution
    assert item.step in STEP_WORDS
    text = item.name + item.question + item.how + item.caution
    assert text.isprintable()
    assert set(item.parts) <= set(PARTS)
    for words, known in (
        (item.constructions, CONSTRUCTIONS), (item.reservoirs, RESERVOIRS), (item.joints, JOINTS)
    ):  # fmt: skip
        assert set(words) <= set(known)
    if item.step == 0 and item.key != "bushing_bulge":
        assert "stands" in item.caution
    if item.step in (2, 4):
        assert "Nitrogen under pressure" in item.caution
    if item.step == 3:
        assert "Charge let out" in item.caution


PUSHED = (
    "leak_seal_head", "leak_fittings", "leak_hose_crimp", "leak_reservoir", "clunk_mounts", "clunk_joints",
    "clunk_floating_piston", "damping_lost",
)  # fmt: skip


@pytest.mark.parametrize("key", PUSHED)
def test_nobody_is_sent_to_rock_a_vehicle_on_stands(key: str) -> None:
    """A vehicle rocked on stands falls off them; and a mount shows its play under weight only."""
    assert ROCKED in ITEM_OF[key].caution
    assert "never on stands or a jack" in ROCKED
    if key == "clunk_mounts":
        assert STANDS not in ITEM_OF[key].caution
        assert "weight on its wheels" in ITEM_OF[key].how


def test_what_is_stroked_by_hand_is_told_to_be_under_pressure() -> None:
    for key in ("damping_lost", "damping_curve", "clunk_floating_piston"):
        assert CHARGED in ITEM_OF[key].caution


def test_a_shaft_on_blocks_is_a_point_of_an_opened_damper() -> None:
    """Outside, the shaft turns in its guide; who takes it out lets the gas out first."""
    outside, blocks = ITEM_OF["shaft_runout"], ITEM_OF["shaft_on_blocks"]
    assert (outside.step, blocks.step) == (1, 3)
    assert blocks.caution == OPENED
    assert "nothing opened" in outside.how
    assert "On V-blocks" in blocks.how
    assert "On V-blocks" not in outside.how


def test_one_without_a_valve_is_no_empty_one() -> None:
    """A twin tube may hold gas too, and nothing shows how much."""
    assert "twin tube too, may hold gas" in OPENED
    inside = [one for one in items_for("twin_tube", "none", "bushing") if one.step == 3]
    assert inside
    assert all(OPENED in one.caution for one in inside)


def test_what_cannot_be_opened_has_no_points_inside() -> None:
    """Ten points that nobody can answer make people press through the others."""
    for build in BUILDS:
        closed = items_for(*build, can_open=False)
        assert {one.step for one in closed} <= {0, 1, 2, 4}
        assert {one.key for one in closed} < {one.key for one in items_for(*build)}


def test_every_point_says_what_it_calls_for() -> None:
    """Pieces by keys that exist; a point that calls for nothing would be found bad and forgotten on the order."""
    assert set(ITEM_WORK) == set(ITEM_OF)
    for work in ITEM_WORK.values():
        assert work.parts or work.needs or work.labour
        assert set(work.parts) <= set(PARTS)
        assert all(need_of(key).key == key for key in work.needs)
        assert len(work.labour) <= 200
    assert all(need_of(key).key == key for key in OF_DAMPER)


def test_measures_are_of_kinds_that_pages_can_show() -> None:
    for item in ITEMS:
        for measure in item.measures:
            assert measure.kind == "" or measure.kind in KINDS
            assert measure.least < measure.most
            assert measure.worse in ("", "more", "less")
            assert all(measure.least <= value <= measure.most for value, _ in measure.choices)


def test_tables_of_suspicion_name_points_that_exist() -> None:
    """A mistyped key would silently never raise a suspicion."""
    named = [*BASES, *RELATED, *(key for keys in RELATED.values() for key in keys)]
    for shares in (*OF_TOPIC.values(), *OF_RULE.values()):
        named += shares
        assert all(0.0 < share <= 1.0 for share in shares.values())
    named += [key for keys in SPEAKS_FOR.values() for key in keys]
    assert set(named) <= set(ITEM_OF)
    assert set(OF_TOPIC) == set(TOPICS) - {"whole"}
    assert set(OF_RULE) <= set(LOOK_RULES)
    assert set(SPEAKS_FOR) <= set(PARTS)
    assert set(SEQUENCES) <= {item.group for item in ITEMS}


@pytest.mark.parametrize(
    ("measures", "words"),
    [
        ({"runout_mm": math.nan}, "nan mm, expected 0 to 20 mm"),
        ({"runout_mm": math.inf}, "inf mm"),
        ({"runout_mm": -0.1}, "-0.1 mm, expected 0 to 20 mm"),
        ({"runout_mm": "0.1"}, "'0.1' is no number"),
        ({"runout_mm": True}, "True is no number"),
        ({"runout_mm": 10**400}, "expected 0 to 20 mm"),
        ({"x" * 999: 1.0}, "isn't one of this point; it has: runout_mm"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_in_one_line(measures: dict[str, float], words: str) -> None:
    with pytest.raises(InputError) as told:
        check_measures(ITEM_OF["shaft_runout"], measures)
    assert words in str(told.value)
    assert "\n" not in str(told.value)
    assert len(str(told.value)) < 200


def test_an_answer_between_the_choices_is_refused() -> None:
    leak = ITEM_OF["leak_seal_head"]
    assert check_measures(leak, {"wiped": 1, "wet_again": 2}) == {"wiped": 1.0, "wet_again": 2.0}
    with pytest.raises(InputError, match=r"1\.5 is none of 0 \(dry\)"):
        check_measures(leak, {"wet_again": 1.5})


@pytest.mark.parametrize("measures", [{"wet_again": 3.0}, {"wiped": 0.0, "wet_again": 0.0}])
def test_wet_again_is_no_answer_before_it_was_wiped(measures: dict[str, float]) -> None:
    """What was wet from before, or splashed, is no leak; and what is dry without a stroke is none that holds."""
    with pytest.raises(InputError, match="only after it was wiped dry and worked 50 strokes"):
        check_measures(ITEM_OF["leak_seal_head"], measures)


def test_cautions_are_read_in_both_scales() -> None:
    """Forty degrees are a warm hand to one reader and frost to another."""
    texts = [*(item.caution for item in ITEMS), *(field.caution for field in FIELDS), GAS_CAUTION]
    warm = [one for one in texts if "°C" in one]
    assert len(warm) > 10
    assert [one for one in warm if len(re.findall(r"°C", one)) != len(re.findall(r"°C \([0-9]+ °F\)", one))] == []
