"""The build sheet: what a build needs follows from what was done, and two people stand for it."""

from __future__ import annotations

import contextlib
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.jobs_made import BUILD, GAS, READING, Job, built_job
from dutylog.bench.build_fields import FIELDS
from dutylog.bench.build_sheet import check_value, make_sheet, needed_fields
from dutylog.bench.job_state import JobState
from dutylog.bench.names import person_key
from dutylog.domain.vehicle import CONSTRUCTIONS, ForceAt, ForceCurve
from dutylog.errors import InputError
from ledger.builders import make_profile


def needed(replaced: list[str], construction: str = "floating_piston", is_revalved: bool = False) -> set[str]:
    return {key for key, is_so in needed_fields(replaced, is_revalved, construction, "rod_end") if is_so}


def test_what_is_needed_follows_from_what_was_made_new() -> None:
    """A changed rod end asks for no oil; an opened damper for everything that can go wrong when it is closed."""
    always = {"replaced", "is_revalved"}
    opened = {"oil_kind", "oil_volume_ml", "floating_piston_mm", "torques", "is_dry"}
    gas = {"gas", "leak_before", "leak_after"}
    assert needed([]) == always
    assert needed(["joints"]) == always
    assert needed(["charge"]) == always | gas
    assert needed(["oil"]) == always | opened | gas
    assert needed(["hose"]) == always | opened | gas
    assert needed(["shaft_seal"], "bladder") == always | opened - {"floating_piston_mm"} | gas
    assert needed(["shaft_seal"], "twin_tube") == always | opened - {"floating_piston_mm"}
    assert needed([], is_revalved=True) == always | opened | gas | {"shims", "after_curve", "profile_name"}


@given(
    st.lists(st.sampled_from(["shaft_seal", "oil", "joints", "charge", "hose"]), unique=True),
    st.sampled_from(CONSTRUCTIONS),
    st.booleans(),
)
def test_more_work_never_asks_for_less(replaced: list[str], construction: str, is_revalved: bool) -> None:
    """Telling of one more new part can't make a field go away that was needed."""
    assert needed(replaced, construction, is_revalved) <= needed([*replaced, "oil"], construction, is_revalved)


def test_an_empty_sheet_lacks_what_is_needed_and_cannot_be_signed() -> None:
    """The reason names the fields."""
    sheet = make_sheet(JobState(), "floating_piston", "none", "rod_end")
    assert sheet.missing_names == ("parts made new", "revalved")
    with pytest.raises(InputError, match="parts made new, revalved not put down"):
        Job().sign("builder", "Ada")


def test_the_second_signature_is_another_persons() -> None:
    """Also where the name is written in another way."""
    job = Job()
    job.build()
    with pytest.raises(InputError, match="signs first"):
        job.sign("checker", "Cleo")
    job.sign("builder", "Ada")
    for same in ("Ada", "ada", " ADA "):
        with pytest.raises(InputError, match="another person's"):
            job.sign("checker", same)
    job.sign("checker", "Cleo")
    assert job.sheet.is_signed("checker")


def test_a_checker_who_got_into_the_chain_by_the_same_name_does_not_count() -> None:
    """The chain takes any word: the fold judges again."""
    job = Job()
    job.build()
    job.sign("builder", "Ada")
    job.tell("signed", "ADA", **{"as": "checker"})
    assert not job.sheet.is_checker_current


@pytest.mark.parametrize("field", [key for key in BUILD if key != "replaced"])
def test_any_later_word_voids_the_signatures(field: str) -> None:
    """Nobody stands for what was changed behind them."""
    job = built_job()
    assert job.sheet.is_checker_current
    job.build(only=[field])
    assert not job.sheet.is_builder_current
    assert not job.sheet.is_checker_current


def test_a_builder_who_signs_again_voids_the_check() -> None:
    """The second person looked at what the first had signed then."""
    job = built_job()
    job.build(only=["oil_volume_ml"])
    job.sign("builder", "Ada")
    assert job.sheet.is_builder_current
    assert not job.sheet.is_checker_current


def test_a_leak_or_a_wet_seal_keeps_the_sheet_from_being_signed() -> None:
    """A damper that loses gas over night goes on no vehicle."""
    job = Job()
    job.build({"leak_after": {**READING, "gauge_pa": 1.1e6}})
    with pytest.raises(InputError, match=r"the leak check failed: expected 13\.80.bar"):
        job.sign("builder", "Ada")
    job.build({"leak_after": READING, "is_dry": False})
    with pytest.raises(InputError, match="wet outside"):
        job.sign("builder", "Ada")


def test_a_part_that_this_damper_does_not_have_cannot_be_new() -> None:
    """A bladder in a damper with a floating piston is a mistyped line."""
    job = Job()
    job.build({"replaced": ["oil", "bladder", "hose"]})
    with pytest.raises(InputError, match="has no bladder, hose"):
        job.sign("builder", "Ada")


def test_a_revalved_damper_needs_stack_curve_and_another_name() -> None:
    """Without them nobody could tell what it is now."""
    job = Job()
    job.build({"is_revalved": True})
    lacking = "shim stack, force curve after the build, name of the new profile"
    with pytest.raises(InputError, match=f"{lacking} not put down"):
        job.sign("builder", "Ada")
    stack = [{"side": "compression", "diameter_mm": 40, "thickness_mm": 0.2, "count": 6}]
    job.build({"is_revalved": True, "shims": stack, "profile_name": "desert"})
    job.curve()
    with pytest.raises(InputError, match="another name than desert"):
        job.sign("builder", "Ada")
    job.build({"profile_name": "desert_2"}, only=["profile_name"])
    job.sign("builder", "Ada")


def test_one_bench_curve_does_not_renew_a_profile_by_travel() -> None:
    """A bypass has a curve at each travel: one measurement is not all of it."""
    old = make_profile()
    curve = ForceCurve((-1.0, 0.0, 1.0), (-1.0, 0.0, 1.0))
    by_travel = type(old)(
        **{name: getattr(old, name) for name in old.__slots__} | {"force": (ForceAt(0.0, curve), ForceAt(0.1, curve))}
    )
    job = Job(profile=by_travel)
    stack = [{"side": "rebound", "diameter_mm": 40, "thickness_mm": 0.2, "count": 6}]
    job.build({"is_revalved": True, "shims": stack, "profile_name": "b2"})
    job.curve()
    with pytest.raises(InputError, match="curves by travel"):
        job.sign("builder", "Ada")


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("oil_volume_ml", 4.9, "4.9 ml, expected 5 to 6000"),
        ("oil_volume_ml", float("inf"), "no number"),
        ("oil_volume_ml", "910", "no number"),
        ("oil_volume_ml", True, "no number"),
        ("floating_piston_mm", 601, "601 mm"),
        ("oil_kind", "  ", "nothing there"),
        ("oil_kind", "x" * 121, "121 characters"),
        ("oil_kind", "a\u202eb", "printable"),
        ("is_dry", "yes", "expected yes or no"),
        ("replaced", ["wheel"], "'wheel' is none of"),
        ("replaced", "oil", "expected a list"),
        ("shims", [], "1 to 60 rows"),
        ("shims", [{}] * 61, "1 to 60 rows"),
        ("shims", [{"side": "up", "diameter_mm": 40, "thickness_mm": 0.2, "count": 1}], "row 1: side 'up'"),
        ("shims", [{"side": "base", "diameter_mm": 40, "thickness_mm": 0.2, "count": 1.5}], "row 1: count: 1.5"),
        ("shims", [{"side": "base", "diameter_mm": 4, "thickness_mm": 0.2, "count": 1}], "row 1: diameter: 4 mm"),
        ("torques", [{"what": "bolt"}], "row 1: expected torque_nm, what"),
        ("torques", [{"what": "bolt", "torque_nm": 0}], "row 1: 0 N m"),
        ("gas", READING, "expected gauge_pa"),
        ("gas", {**GAS, "gauge_pa": 7e6}, "gauge_pa: 7e+06 Pa"),
        ("leak_before", {**READING, "air_c": None}, "air_c: None is no number"),
        ("profile_name", "Desert 2", "small letters"),
        ("after_curve", {}, "file of the force bench"),
        ("no_such", 1, "no field 'no_such'"),
    ],
)
def test_a_value_that_cannot_be_meant_is_one_line_of_why(field: str, value: Any, says: str) -> None:
    """It names the field, what was seen, and what is expected."""
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        check_value(field, value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@given(
    st.sampled_from([one.key for one in FIELDS]),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
        lambda one: st.lists(one, max_size=4) | st.dictionaries(st.text(max_size=8), one, max_size=4),
        max_leaves=12,
    ),
)
def test_no_value_at_all_gets_by_with_anything_but_a_reason(field: str, value: Any) -> None:
    """Whatever a request holds: a value put in order, or InputError."""
    with contextlib.suppress(InputError):
        found = check_value(field, value)
        assert value is None or check_value(field, found) == found


def refused(changes: dict[str, Any], curve: dict[str, Any] | None = None, **more: Any) -> str:
    """Return why a sheet can't be signed."""
    job = Job(**more)
    job.build(changes)
    if curve is not None:
        job.curve(**curve)
    with pytest.raises(InputError) as caught:
        job.sign("builder", "Ada")
    return str(caught.value)


def look(job: Job, item: str, grade: str = "usable") -> None:
    job.tell("finding", item=item, grade=grade, measures={}, note=None, photos=[])


def test_a_damper_that_was_looked_into_was_opened() -> None:
    """Whoever saw its oil or its piston closes it with oil, gas and a leak check, whatever was made new."""
    job = Job()
    job.build(only=["is_revalved"])
    job.tell("build", field="replaced", value=[], note=None)
    assert job.sheet.missing_names == ()
    look(job, "leak_seal_head")
    look(job, "oil_colour", "not_looked")
    assert job.sheet.missing_names == ()
    look(job, "oil_colour")
    names = job.sheet.missing_names
    assert {"oil, kind", "gas fill", "leak check, before the night", "dry outside after the night"} <= set(names)


def test_a_piece_that_needs_it_open_opens_it() -> None:
    """New seals at a fitting let the oil and the gas out, though no wear part is new."""
    job = Job()
    job.build({"replaced": []}, only=["replaced", "is_revalved"])
    for need, is_open in (("mount", False), ("fitting_seals", True)):
        job.tell("line_put", line_id="a", kind="part", text=need, count=1.0, need=need, is_gone=False)
        assert ("gas fill" in job.sheet.missing_names) == is_open


def test_oil_and_gas_that_were_put_in_are_parts_made_new() -> None:
    """Else the vehicle would count the old oil's wear on for the new one."""
    for part in ("oil", "charge"):
        others = [one for one in BUILD["replaced"] if one != part]
        assert f"{part} was put in, but isn't among the parts made new" in refused({"replaced": others})
    stack = [{"side": "rebound", "diameter_mm": 40, "thickness_mm": 0.2, "count": 6}]
    revalved = {"replaced": [], "is_revalved": True, "shims": stack, "profile_name": "b2"}
    assert "oil was put in" in refused(revalved, {})


def test_a_twin_tube_with_new_oil_needs_no_charge() -> None:
    """Its gas has no valve."""
    job = Job("twin_tube")
    job.build({"replaced": ["oil"]})
    job.sign("builder", "Ada")


def test_a_leak_check_that_tells_nothing_or_shows_more_gas_is_not_signed() -> None:
    """Not only a loss: a doubt and a gain are no night that it held."""
    assert "tells nothing" in refused({"leak_before": {**READING, "body_c": 60.0}})
    assert "more than was in it" in refused({"leak_after": {**READING, "gauge_pa": 1.6e6}})
    nothing = {**READING, "gauge_pa": 0.0}
    empty = {"gas": {**GAS, "gauge_pa": 0.0}, "leak_before": nothing, "leak_after": nothing}
    assert "the gas fill shows less than" in refused(empty)
    assert "one of them is wrong" in refused({"gas": {**GAS, "gauge_pa": 1.0e6}})
    stated = type(make_profile())(
        **{name: getattr(make_profile(), name) for name in make_profile().__slots__} | {"charge_pa": 2.0e6}
    )
    assert "profile desert states 20.00" in refused({}, profile=stated)


def test_a_night_is_a_night_or_somebody_says_why() -> None:
    """Both readings typed in one after the other have seen no night; put down late, a note says so."""
    job = Job()
    job.build()
    job.entries[-2] = replace(job.entries[-2], utc="2026-11-30T15:15:01Z")
    assert job.entries[-2].data["field"] == "leak_after"
    with pytest.raises(InputError, match=r"6\.0 h apart, expected 6 h"):
        job.sign("builder", "Ada")
    job.tell("build", field="leak_before", value=READING, note=None)
    job.tell("build", field="leak_after", value=READING, note="stood from Monday to Tuesday")
    job.sign("builder", "Ada")


def test_whatever_opens_a_damper_says_what_may_be_in_it() -> None:
    """Each construction by its own words; the force bench by the words of everything that is hot, charged and moves."""
    told = {}
    for construction in CONSTRUCTIONS:
        job = Job(construction)
        job.build({"replaced": ["oil"] if construction == "twin_tube" else ["oil", "charge"]})
        by_key = {one.field.key: one.field.caution for one in job.sheet.fields}
        told[construction] = by_key["oil_kind"]
        for word in ("burns", "gas pressure", "Guards"):
            assert word in by_key["after_curve"]
    assert "floating piston can hold" in told["floating_piston"]
    assert "behind no valve" in told["twin_tube"]
    for construction in ("bladder", "emulsion"):
        assert "treat it as charged" in told[construction]
        assert "floating piston" not in told[construction]


def test_the_curve_of_a_revalved_damper_is_cold_enough_and_fast_enough() -> None:
    """A curve to walking pace, or of unknown warmth, becomes no profile that the vehicle counts by for years."""
    stack = [{"side": "rebound", "diameter_mm": 40, "thickness_mm": 0.2, "count": 6}]
    revalved = {"is_revalved": True, "shims": stack, "profile_name": "b2"}
    assert "fades with it" in refused(revalved, {"body_c": None})
    assert "too hot" in refused(revalved, {"body_c": 600.0})
    slow = {"speeds_mps": [-1.0, -0.1, 0.1, 0.9], "forces_n": [-900.0, -500.0, 300.0, 500.0]}
    assert "reaches 0.90 m/s" in refused(revalved, {"curve": slow}).replace("\u00a0", " ")
    job = Job()
    job.build(revalved)
    job.curve(curve={"speeds_mps": [-1.0, 1.0], "forces_n": [-900.0, 500.0]})
    job.sign("builder", "Ada")


def test_a_finding_after_the_signatures_voids_them() -> None:
    """The record holds findings: nobody signs for one that is put down later."""
    job = built_job()
    look(job, "leak_seal_head", "failed")
    assert not job.sheet.is_builder_current
    other = built_job()
    other.curve("before")
    assert not other.sheet.is_checker_current


@pytest.mark.parametrize("same", ["A. Da", "a da", "Ａ\u3000Da", "A\u200b Da", "A\u2060. Da.", " A\u00a0DA "])
def test_a_second_spelling_is_no_second_person(same: str) -> None:
    """Dots, widths of blanks and letters, and signs that nobody sees make nobody another."""
    job = Job()
    job.build()
    job.sign("builder", "A Da")
    with pytest.raises(InputError, match="another person's"):
        job.sign("checker", same)
    assert person_key(same) == "a da"


def test_a_revalve_that_was_taken_back_is_told() -> None:
    """The vehicle keeps the profile: whoever corrects the record must know."""
    job = built_job()
    job.tell("record_made", sequence=1, digest="0" * 64, record={"profile": {"name": "b2"}})
    (notice,) = job.sheet.notices
    assert "the profile b2: vehicle and bench keep it" in notice
    assert built_job().sheet.notices == ()


def test_a_correction_keeps_the_name_its_own_record_gave() -> None:
    """The damper has that name by now; another record under it corrects the curve."""
    stack = [{"side": "rebound", "diameter_mm": 40, "thickness_mm": 0.2, "count": 6}]
    job = Job(profile=make_profile("b2"))
    job.tell("record_made", sequence=1, digest="0" * 64, record={"profile": {"name": "b2"}})
    job.build({"is_revalved": True, "shims": stack, "profile_name": "b2"})
    job.curve()
    job.sign("builder", "Ada")
