"""What parts a job needs: nothing that the damper doesn't have, nothing forgotten when it is opened."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from datetime import date

import pytest

from bench.facts_made import TODAY, make_facts, with_part
from dutylog.bench.facts import AlertFact, UnitFacts
from dutylog.bench.findings import Finding
from dutylog.bench.items_work import UNLESS_GRADED
from dutylog.bench.order import LABOUR, PART
from dutylog.bench.order_lines import Plan, plan_work, propose_lines
from dutylog.bench.part_needs import NEEDS, OPENING, UNITS, has_part, need_of, needs_for, oil_litres
from dutylog.bench.rules_book import shipped_rules
from dutylog.bench.triage import judge
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.domain.wear import PARTS
from dutylog.errors import InputError
from dutylog.life.parts import part_names, parts_of
from ledger.builders import make_profile

RULES = shipped_rules()
BUILDS = tuple(itertools.product(CONSTRUCTIONS, RESERVOIRS, JOINTS))


def keys(
    parts: list[str], construction: str = "floating_piston", reservoir: str = "none", joints: str = "rod_end"
) -> set[str]:
    return {one.need.key for one in needs_for(parts, construction, reservoir, joints)}


@pytest.mark.parametrize(("construction", "reservoir", "joints"), BUILDS)
def test_every_wear_part_of_every_build_can_be_had(construction: str, reservoir: str, joints: str) -> None:
    """A part that wears and that no line stands for would be forgotten on every order."""
    profile = replace(make_profile(), construction=construction, reservoir=reservoir, joints=joints)
    there = {part.key for part in parts_of(profile)}
    for part in PARTS:
        assert has_part(part, construction, reservoir) == (part in there)
        if part in there:
            assert any(part in one.parts for one in needs_for([part], construction, reservoir, joints, profile))


def test_needs_are_well_formed() -> None:
    """Keys are what catalogues and orders refer to: one each, for parts there are, in units we know."""
    assert len({one.key for one in NEEDS}) == len(NEEDS)
    for one in NEEDS:
        assert set(one.parts) <= set(PARTS)
        assert one.unit in UNITS
        assert one.count > 0
        assert need_of(one.key) is one
    with pytest.raises(InputError, match="no need 'x'"):
        need_of("x")
    with pytest.raises(InputError, match="no wear part 'x'"):
        needs_for(["x"], "floating_piston", "none", "rod_end")


def test_an_opened_damper_gets_oil_rings_and_gas_whatever_it_was_opened_for() -> None:
    """Oil that was drained isn't poured back."""
    for part in OPENING:
        assert {"oil", "seal_head_o_rings", "nitrogen"} <= keys([part], reservoir="hose")
    assert keys(["joints"]) == {"rod_end"}
    assert keys(["joints"], joints="bushing") == {"eye_bushing"}
    assert keys(["charge"]) == {"gas_valve_core", "nitrogen"}


def test_a_damper_without_a_valve_needs_no_nitrogen() -> None:
    """Nor a bladder where there is none."""
    assert not keys(["oil", "shaft_seal"], "twin_tube") & {"nitrogen", "gas_valve_core"}
    assert "bladder" not in keys(["bladder"], "floating_piston")
    assert "hose" not in keys(["hose"], reservoir="attached")


def test_oil_follows_from_the_profile() -> None:
    """1.1 kg at 870 kg/m3 are 1.264 l; a fifth more is 1.517, so 1.6 to buy."""
    assert oil_litres(make_profile()) == 1.6
    assert oil_litres(replace(make_profile(), oil_mass_kg=0.725)) == 1.0  # exactly 1.0 l stays
    assert oil_litres(None) == 0.5


# lines


@dataclass(frozen=True)
class Part:
    part_no: str
    name: str
    need: str | None
    profile_name: str | None = None
    price_minor: int | None = None


def found(item: str, grade: str, **measures: float) -> Finding:
    return Finding(item, grade, measures, by="Ada")


def plan(facts: UnitFacts, *findings: Finding, today: date = TODAY) -> Plan:
    """Return the plan with the triage that those findings come to, as the order's page makes it."""
    return plan_work(facts, findings, today, judge(facts, findings, RULES, today).reasons)


def needs_of(facts: UnitFacts, *findings: Finding) -> set[str | None]:
    return {one.need for one in propose_lines(facts, plan(facts, *findings)) if one.kind == PART}


def texts_of(facts: UnitFacts, *findings: Finding) -> str:
    return " | ".join(one.text for one in propose_lines(facts, plan(facts, *findings)) if one.kind == LABOUR)


def test_what_was_found_worn_is_proposed_and_what_is_fine_is_not() -> None:
    """Signs alone don't order parts: `usable` would go on."""
    wanted = plan(make_facts(), found("leak_seal_head", "failed"), found("rod_end_play", "usable")).wanted
    assert [(one.part, one.is_found) for one in wanted] == [("shaft_seal", True), ("oil", False), ("charge", False)]
    assert wanted[0].why == "found failed by Ada"


def test_a_part_it_does_not_have_is_never_proposed() -> None:
    """A mistaken answer at the bladder of a damper with a floating piston orders none."""
    none = plan(make_facts(), found("bladder_state", "failed"), found("reservoir_clamps", "failed"))
    assert (none.wanted, none.needs, none.is_opened) == ((), (), False)


def test_what_is_used_up_is_proposed_with_its_basis() -> None:
    """A customer who reads it can tell measured from told."""
    facts = with_part(make_facts(), "joints", used_ratio=1.25, used_share=1.25)
    assert [one.why for one in plan(facts).wanted] == ["125 % of its budget used, measured"]
    told = with_part(facts, "joints", is_estimate=True)
    assert "by what was told, not measured" in plan(told).wanted[0].why
    over = with_part(make_facts(), "charge", calendar_day=date(2026, 11, 1))
    assert [one.part for one in plan(over).wanted] == ["charge"]
    not_yet = with_part(make_facts(), "charge", calendar_day=date(2026, 12, 1))
    assert plan(not_yet).wanted == ()
    # The day that counts is today, not that of a card which may be months old; and no day of a clock nobody set.
    assert [one.part for one in plan(not_yet, today=date(2026, 12, 2)).wanted] == ["charge"]
    assert plan(replace(over, is_clock_sure=False)).wanted == ()


def test_what_is_nearly_used_up_goes_along_only_when_it_is_open_anyway() -> None:
    """Opening costs more than the band."""
    facts = with_part(make_facts(), "wear_band", used_ratio=0.85)
    assert plan(facts).wanted == ()
    opened = plan(facts, found("leak_seal_head", "worn"))
    assert [one.part for one in opened.wanted] == ["shaft_seal", "oil", "wear_band", "charge"]
    assert opened.is_opened


@pytest.mark.parametrize(
    ("item", "needs"),
    [
        ("mounts_cracked", {"mount"}),
        ("bolts", {"fasteners"}),
        ("bump_stops", {"bump_stop"}),
        ("straps", {"limit_strap"}),
        ("clunk_mounts", {"mount", "fasteners"}),
        ("rod_end_cap", {"rod_end", "end_cap"}),
        ("tyre_wear", set()),
    ],
)
def test_what_is_no_wear_part_is_proposed_as_what_it_is(item: str, needs: set[str]) -> None:
    """A cracked mount is no worn shaft, and a stop of the triage is never left off the order."""
    for grade in ("worn", "failed"):
        assert needs_of(make_facts(), found(item, grade)) == needs
        assert not plan(make_facts(), found(item, grade)).is_opened
    assert "shaft" not in needs


@pytest.mark.parametrize(
    ("item", "need"),
    [
        ("leak_fittings", "fitting_seals"), ("body_dents", "body"), ("corrosion", "body"), ("bore_state", "body"),
        ("valving_state", "shims"),
    ],
)  # fmt: skip
def test_what_is_mended_inside_opens_it(item: str, need: str) -> None:
    """Whoever replaces a body has poured the oil out and let the gas go."""
    facts = make_facts()
    assert needs_of(facts, found(item, "worn")) == {need, "oil", "seal_head_o_rings", "gas_valve_core", "nitrogen"}
    assert texts_of(facts, found(item, "worn")).startswith("Open, clean and inspect")


@pytest.mark.parametrize("item", ["shaft_marks", "shaft_rust"])
def test_a_shaft_is_bought_where_somebody_said_so_and_looked_at_where_a_rule_did(item: str) -> None:
    """A mark is dressed where the maker lets it be; its seal is cut either way, and looking at it opens the damper."""
    for grade in ("worn", "failed"):  # the button of the first says "replace"
        assert "shaft" in needs_of(make_facts(), found(item, grade))
        assert "Take the shaft out" not in texts_of(make_facts(), found(item, grade))
    assert set(UNLESS_GRADED) == {"shaft_marks", "shaft_rust"}
    sharp = found("shaft_marks", "usable", mark_sharp=1.0, mark_size_mm=2.0)
    assert [one.part for one in plan(make_facts(), sharp).wanted] == ["shaft_seal", "oil", "charge"]
    assert "shaft" not in needs_of(make_facts(), sharp)
    assert "Take the shaft out and look at it" in texts_of(make_facts(), sharp)


def test_a_line_that_names_too_much_says_so_in_whole_words() -> None:
    """A text of an order has room for 200 signs; it ends with a word, not in one."""
    facts = with_part(with_part(make_facts(), "wear_band", used_ratio=0.9), "piston_seal", used_ratio=1.5)
    text = texts_of(facts, found("leak_seal_head", "failed")).split(" | ")[0]
    assert text.startswith("Open, clean and inspect; replace what is listed; fill")
    assert text.endswith("leak check overnight")


def test_joints_are_called_what_they_are() -> None:
    """Nobody orders rod ends for a damper with rubber in its eyes."""
    for joints, name in (("rod_end", "rod ends"), ("bushing", "bushings")):
        facts = make_facts(profile=replace(make_profile(), joints=joints), joints=joints)
        item = "rod_end_play" if joints == "rod_end" else "bushing_cracks"
        assert [one.name for one in plan(facts, found(item, "worn")).wanted] == [name]
        assert f"Replace {name}" in texts_of(facts, found(item, "worn"))
    assert part_names(None)["joints"] == "rod ends or bushings"


def test_reservoir_and_hose_have_their_pieces() -> None:
    profile = replace(make_profile(), reservoir="hose")
    facts = make_facts(profile=profile, reservoir="hose")
    assert "reservoir_seals" in needs_of(facts, found("leak_reservoir", "failed"))
    assert "hose" in needs_of(facts, found("hose_route", "worn"))
    assert "Lay the hose clear" in texts_of(facts, found("hose_route", "worn"))
    assert needs_of(facts, found("reservoir_clamps", "worn")) == {"reservoir_clamps"}


def test_what_makes_a_rule_fire_is_proposed_whatever_grade_it_got() -> None:
    """Oil that runs is no sign that would go on, though somebody pressed the wrong button."""
    runs = plan(make_facts(), found("leak_seal_head", "usable", wiped=1.0, wet_again=3.0))
    assert [one.part for one in runs.wanted] == ["shaft_seal", "oil", "charge"]
    assert runs.wanted[0].why == "triage: Oil runs out of it."
    empty = plan(make_facts(), found("charge_before", "usable", gauge_pa=0.0))
    assert [one.part for one in empty.wanted] == ["charge"]
    alert = AlertFact(date(2026, 11, 1), "damping_lost", "act_now", "less", False)
    assert "oil" in {one.part for one in plan(make_facts(alerts=(alert,))).wanted}
    muddy = make_facts(dirt_words=("mud",))
    assert (plan(muddy).wanted, "Wash off mud" in texts_of(muddy)) == ((), True)
    # What is only watched orders nothing.
    assert plan(make_facts(), found("leak_seal_head", "usable", wiped=1.0, wet_again=1.0)) == Plan(())


def test_one_that_cannot_be_opened_is_replaced_whole() -> None:
    """No seal, oil or hour of opening for a damper whose maker presses it shut."""
    facts = make_facts(profile=replace(make_profile(), is_rebuildable=False))
    lines = propose_lines(facts, plan(facts, found("leak_seal_head", "failed"), found("bump_stops", "worn")))
    assert {one.need for one in lines if one.kind == PART} == {"damper", "bump_stop"}
    assert lines[0].text.startswith("Replace the damper")
    assert not any("Open" in one.text for one in lines)
    assert needs_of(facts, found("rod_end_play", "worn")) == {"rod_end"}
    assert needs_of(facts, found("body_dents", "worn")) == {"damper"}
    inside = texts_of(
        facts,
        found("shaft_marks", "usable", mark_sharp=1.0, mark_size_mm=2.0),
        found("body_dents", "worn"),
        found("bolts", "worn"),
    )
    assert "Take the shaft out" not in inside
    assert "dented body" not in inside
    assert "bolts" in inside


def test_lines_take_the_shops_own_part_where_it_fits() -> None:
    """One for this profile goes before one for any; one for another profile is never taken."""
    facts = make_facts()
    wanted = plan(facts, found("rod_end_play", "worn"))
    catalogue = [
        Part("R-0", "other", "rod_end", "street", 900),
        Part("R-1", "any", "rod_end", None, 800),
        Part("R-2", "ours", "rod_end", "desert", 700),
        Part("X-1", "nothing", None),
    ]
    labour, line = propose_lines(facts, wanted, catalogue)
    assert labour.kind == "labour"
    assert (line.part_no, line.text, line.count, line.price_minor) == ("R-2", "ours", 2, 700)
    generic = propose_lines(facts, wanted)[1]
    assert (generic.part_no, generic.text, generic.need) == (None, "rod-end bearing", "rod_end")
    assert set(generic.as_data("a")) >= {"line_id", "kind", "text", "count", "is_gone"}


def test_a_damper_that_needs_nothing_still_has_its_labour() -> None:
    """Somebody looked at it."""
    assert [one.kind for one in propose_lines(make_facts(), Plan(()))] == ["labour"]
