"""Triage: each rule at its limit, reasons strongest first, and no finding that makes a damper look better."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.known_unit import TODAY, found, gas, trip, unit, with_part
from bench.triage_cases import CASES, Case
from dutylog.bench.facts import AlertFact, ServiceFact, UnitFacts
from dutylog.bench.figures import say
from dutylog.bench.findings import NOT_LOOKED, Finding
from dutylog.bench.inspection_items import ITEM_OF, ITEMS, items_for
from dutylog.bench.items_inside import GAS
from dutylog.bench.items_outside import MORE, STANDS
from dutylog.bench.rules_book import Rules, parse_rules, shipped_rules
from dutylog.bench.triage import Limit, Triage, judge
from dutylog.bench.triage_words import FINE, OUTING, ROW_WORDS, ROWS, STOP, WATCH, WITHIN
from dutylog.domain.wear import AS_NEW, FAILED, GRADES, USABLE, WORN
from dutylog.units import M_PER_MILE

RULES = shipped_rules()
EVERYTHING = tuple(found(item.key, AS_NEW) for item in items_for(unit().construction, unit().reservoir, unit().joints))
BY_CASE = [
    (key, place, case, kind)
    for key, rows in CASES.items()
    for kind, cases in (("fires", rows.fires), ("just_not", rows.just_not))
    for place, case in enumerate(cases)
]


def judged(case: Case, rules: Rules = RULES) -> Triage:
    return judge(case.facts, case.findings, rules, TODAY)


def keys(triage: Triage) -> list[str]:
    return [reason.rule.key for reason in triage.reasons]


def test_every_shipped_rule_has_its_cases() -> None:
    """A rule without a test is one nobody has seen fire."""
    assert {rule.key for rule in RULES.rules} == {*CASES, "not_all_looked_at"}
    assert all(rows.fires and rows.just_not for rows in CASES.values())


@pytest.mark.parametrize(
    ("key", "case", "kind"),
    [(key, case, kind) for key, _, case, kind in BY_CASE],
    ids=[f"{key}-{kind}-{place}" for key, place, _, kind in BY_CASE],
)
def test_a_rule_fires_at_its_limit_and_not_just_before_it(key: str, case: Case, kind: str) -> None:
    """At the limit and on the mild side of it; the verdict is never milder than the rule that fired."""
    triage = judged(case)
    assert (key in keys(triage)) == (kind == "fires")
    if kind == "fires":
        rule = RULES.rule(key)
        assert rule is not None
        assert ROWS.index(triage.row) <= ROWS.index(rule.row)
        reason = next(one for one in triage.reasons if one.rule.key == key)
        assert reason.seen
        assert all(say(one).strip() and "\n" not in say(one) for one in reason.seen)


def test_points_nobody_looked_at_are_told() -> None:
    """An empty inspection must not read as a good one."""
    outside = tuple(one for one in EVERYTHING if ITEM_OF[one.item].step <= 2)
    assert judged(Case()).open_count == len(outside)
    assert judged(Case()).row == WATCH
    assert keys(judged(Case(outside))) == []
    assert judged(Case(outside)).row == FINE
    left_out = judged(Case((*EVERYTHING, found("bolts", NOT_LOOKED, entry=2))))
    assert (left_out.row, left_out.open_count, keys(left_out)) == (WATCH, 1, ["not_all_looked_at"])


def test_a_damper_that_stays_closed_can_be_fine_and_one_that_was_opened_is_looked_through() -> None:
    """Oil and seals can't be seen from outside; but who has the cap off and stops half way has not inspected it."""
    outside = tuple(one for one in EVERYTHING if ITEM_OF[one.item].step <= 2)
    inside = [one for one in EVERYTHING if ITEM_OF[one.item].step == 3]
    half = judged(Case((*outside, inside[0])))
    assert (half.row, half.open_count) == (WATCH, len(inside) - 1)
    whole = judged(Case((*outside, *inside)))
    assert (whole.row, whole.open_count) == (FINE, 0)


def test_a_dry_film_is_fine_and_says_why() -> None:
    film = found("leak_seal_head", AS_NEW, entry=2, wiped=1.0, wet_again=1.0)
    triage = judged(Case((*EVERYTHING, film)))
    assert (triage.row, keys(triage)) == (FINE, ["dry_film"])
    assert triage.reasons[0].rule.says.startswith("A dry film on the shaft is normal")


def test_reasons_stand_by_row_then_as_the_table_has_them() -> None:
    """The strongest reason first: what forbids to drive never hides behind what may wait."""
    case = Case(
        (
            found("valving_state", USABLE),
            found("corrosion", WORN),
            found("bolts", FAILED),
            found("mounts_cracked", FAILED),
        ),
        with_part(unit(), "shaft_seal", used_ratio=1.4),
    )
    triage = judged(case)
    assert triage.row == STOP
    assert keys(triage)[:2] == ["mount_gone", "bolts_gone"]
    rows = [ROWS.index(reason.row) for reason in triage.reasons]
    assert rows == sorted(rows)
    order = [rule.key for rule in RULES.rules]
    for row in ROWS:
        of_row = [order.index(reason.rule.key) for reason in triage.reasons if reason.row == row]
        assert of_row == sorted(of_row)
    assert {"seal_used_up", "to_be_replaced", "signs"} <= set(keys(triage))


def test_a_reason_names_who_found_what_and_its_cautions() -> None:
    triage = judged(Case((found("leak_seal_head", FAILED),)))
    reason = triage.reasons[0]
    assert (reason.rule.key, reason.is_found) == ("oil_runs", True)
    assert say(reason.seen[0]) == "Seal head: does its job no longer (Ada)"
    assert {GAS, STANDS} <= set(reason.cautions)
    measured = judged(Case(facts=with_part(unit(), "shaft_seal", used_ratio=1.25))).reasons[0]
    assert not measured.is_found
    assert say(measured.seen[0]).replace("\u00a0", " ") == "shaft seal and wiper: 125 % of the believed budget used"


def test_an_estimate_says_that_it_is_one() -> None:
    facts = with_part(unit(), "shaft_seal", used_ratio=1.25, is_estimate=True)
    assert "estimate from what was told" in say(judged(Case(facts=facts)).reasons[0].seen[0])


def test_duty_and_findings_count_together() -> None:
    """A knock alone is watched, a low charge alone is filled soon; both together are before the next outing."""
    knock = Case((found("clunk_floating_piston", USABLE),))
    low = Case(facts=unit(gas=(gas(0.94),)))
    both = Case(knock.findings, low.facts)
    assert [judged(one).row for one in (knock, low, both)] == [WATCH, WITHIN, OUTING]


def test_a_reading_at_the_bench_counts_instead_of_an_older_one() -> None:
    told = {"gauge_pa": 200 * 6894.757, "body_c": 20.0, "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 0.0}
    low = unit(gas=(gas(0.7),))
    assert "charge_lost" in keys(judged(Case(facts=low)))
    assert "charge_lost" not in keys(judged(Case((found("charge_before", AS_NEW, **told),), low)))


def test_what_was_before_the_last_service_is_over() -> None:
    """Bottom-outs and heat of a life that ended with the last rebuild must not send a damper home for ever."""
    hard = trip(day=date(2026, 5, 1), bottom_outs_count=500, peak_body_c=150.0)
    facts = unit(trips=(trip(), hard), life=replace(unit().life, bottom_outs_count=500))
    assert {"hard_hits", "too_hot"} <= set(keys(judged(Case(facts=facts))))
    served = replace(facts, services=(ServiceFact(date(2026, 6, 1), "Ada", ("oil", "shaft_seal")),))
    assert not {"hard_hits", "too_hot"} & set(keys(judged(Case(facts=served))))


def test_mud_wears_off_and_a_service_takes_it_away() -> None:
    """Told once and never washed, mud of two years ago must not be asked for on every visit."""
    mud = trip(day=date(2026, 5, 1), dirt="mud", washed=False)
    hour = trip(day=date(2026, 9, 1), moving_s=3600.0)
    assert "unwashed" in keys(judged(Case(facts=unit(trips=(*[hour] * 10, mud)))))
    assert "unwashed" not in keys(judged(Case(facts=unit(trips=(*[hour] * 11, mud)))))
    served = unit(trips=(hour, mud), services=(ServiceFact(date(2026, 6, 1), "Ada", ("shaft_seal",)),))
    assert "unwashed" not in keys(judged(Case(facts=served)))


def test_what_a_service_ended_is_no_reason_any_more() -> None:
    """An alert before it, and a reading of a charge that has been renewed since."""
    old = AlertFact(date(2026, 5, 1), "damping_lost", "act_now", "less damping", False)
    facts = unit(alerts=(old,), gas=(gas(0.6, date(2026, 5, 1)),))
    assert {"damping_alert", "charge_lost"} <= set(keys(judged(Case(facts=facts))))
    served = replace(facts, services=(ServiceFact(date(2026, 6, 1), "Ada", ("oil", "charge")),))
    assert not {"damping_alert", "charge_lost", "charge_low"} & set(keys(judged(Case(facts=served))))
    again = replace(served, gas=(*facts.gas, gas(0.6, date(2026, 7, 1))))
    assert "charge_lost" in keys(judged(Case(facts=again)))


def served(facts: UnitFacts, *parts: str) -> UnitFacts:
    return replace(facts, services=(ServiceFact(date(2026, 6, 1), "Ada", parts),))


@pytest.mark.parametrize(
    ("facts", "key", "ending"),
    [
        (unit(alerts=(AlertFact(date(2026, 5, 1), "damping_lost", "act_now", "less", False),)), "damping_alert", "oil"),
        (unit(alerts=(AlertFact(date(2026, 5, 1), "charge_leaking", "act_now", "x", False),)), "charge_lost", "charge"),
        (unit(trips=(trip(day=date(2026, 5, 1), dirt="mud", washed=False),)), "unwashed", "shaft_seal"),
    ],
)
def test_only_the_part_concerned_ends_a_reason(facts: UnitFacts, key: str, ending: str) -> None:
    """New rod ends give no damping back: a small service must not wipe what it didn't touch."""
    assert key in keys(judged(Case(facts=facts)))
    for part in ("joints", "hose", *({"oil", "charge", "shaft_seal"} - {ending})):
        assert key in keys(judged(Case(facts=served(facts, part)))), part
    assert key not in keys(judged(Case(facts=served(facts, ending))))


def test_heat_is_over_when_both_seal_and_oil_are_new() -> None:
    """It cooked both; the sentence says since when."""
    hot = unit(trips=(trip(day=date(2026, 5, 1), peak_body_c=150.0),))
    for parts in ((), ("joints",), ("oil",), ("shaft_seal",)):
        assert "too_hot" in keys(judged(Case(facts=served(hot, *parts)))), parts
    assert "too_hot" not in keys(judged(Case(facts=served(hot, "oil", "shaft_seal"))))
    seal_first = (ServiceFact(date(2026, 4, 1), "Ada", ("shaft_seal",)), ServiceFact(date(2026, 6, 1), "Ada", ("oil",)))
    assert "too_hot" in keys(judged(Case(facts=replace(hot, services=seal_first)))), "it cooked the new seal"
    reason = judged(Case(facts=hot)).reasons[0]
    assert "since seal and oil were new" in say(reason.seen[0])


def test_a_cold_low_reading_is_not_wiped_by_a_warm_one() -> None:
    """A warm gauge has no verdict; it must not turn a charge that was found low into a good one."""
    low = unit(gas=(gas(0.94),))
    warm = found(
        "charge_before", AS_NEW, gauge_pa=200 * 6894.757, body_c=45.0, air_c=20.0, travel_mm=0.0, altitude_m=0.0
    )
    assert "charge_low" in keys(judged(Case(facts=low)))
    assert "charge_low" in keys(judged(Case((warm,), low)))
    assert "charge_low" not in keys(judged(Case((warm,), unit())))
    cold = replace(warm, measures={**warm.measures, "body_c": 20.0})
    assert "charge_low" not in keys(judged(Case((cold,), low)))


def test_no_pressure_at_all_speaks_without_profile_or_the_rest_of_a_reading() -> None:
    """An empty damper of which nobody knows what it should hold is still empty."""
    empty = (found("charge_before", AS_NEW, gauge_pa=0.0),)
    for facts in (unit(), unit(profile=None), unit(profile=None, construction="emulsion")):
        assert "charge_lost" in keys(judged(Case(empty, facts)))
    assert "charge_lost" not in keys(judged(Case(empty, unit(profile=None, construction="twin_tube"))))
    assert "charge_lost" not in keys(judged(Case((replace(empty[0], grade=NOT_LOOKED),))))
    renewed = served(unit(gas=(gas(0.0, date(2026, 5, 1)),)), "charge")
    assert "charge_lost" not in keys(judged(Case(facts=renewed)))


def test_hits_that_trips_may_lack_are_bounded_from_both_sides() -> None:
    """A card holds its newest 50 trips: a hard year behind them is not gone."""
    trips = tuple(trip(bottom_outs_count=1) for _ in range(50))
    facts = served(unit(trips=trips, life=replace(unit().life, bottom_outs_count=5000)), "oil")
    reason = next(one for one in judged(Case(facts=facts)).reasons if one.rule.key == "hard_hits")
    text = say(reason.seen[0]).replace("\u202f", " ")
    assert text.startswith(
        "at least 50 bottom-outs since its last service, at most 5 000 (its card holds the newest 50"
    )
    # One trip from before the service on the card: none since then can lack.
    whole = replace(facts, trips=(*trips[1:], trip(day=date(2026, 5, 1), bottom_outs_count=900)))
    assert "hard_hits" not in keys(judged(Case(facts=whole)))
    assert "hard_hits" not in keys(judged(Case(facts=replace(facts, trips=trips[1:]))))


def test_days_of_a_clock_that_nobody_vouched_for_are_no_reason() -> None:
    """A clock that began in 1975 would call every part fifty years old, and every limit over."""
    old = with_part(unit(), "shaft_seal", calendar_day=date(1975, 1, 1), due_early=date(1975, 1, 1), used_ratio=1.2)
    assert "too_old" in keys(judged(Case(facts=old)))
    unset = judged(Case(facts=replace(old, is_clock_sure=False)))
    assert "too_old" not in keys(unset)
    assert "clock_unset" in keys(unset)
    seal = next(one for one in unset.reasons if one.rule.key == "seal_used_up")
    assert (seal.row, seal.limit) == (WITHIN, Limit(500 * M_PER_MILE, 6, TODAY + timedelta(weeks=6)))


def test_figures_worked_out_count_beside_what_was_put_down() -> None:
    """They fire what they should, play nothing down, and don't answer a point."""
    lost = (found("damping_curve", AS_NEW, rebound_lost_percent=70.0),)
    bare = judged(Case())
    with_curve = judge(unit(), (), RULES, TODAY, lost)
    assert "damping_gone" in keys(with_curve)
    assert with_curve.open_count == bare.open_count
    typed = found("damping_curve", AS_NEW, rebound_lost_percent=5.0)
    assert "damping_gone" in keys(judge(unit(), (typed,), RULES, TODAY, lost))
    worse = found("damping_curve", AS_NEW, compression_lost_percent=61.0)
    assert "damping_gone" in keys(judge(unit(), (worse,), RULES, TODAY, (found("damping_curve", AS_NEW),)))
    assert with_curve.reasons[0].points.items == {"damping_curve"}


@pytest.mark.parametrize("construction", ["bladder", "emulsion"])
def test_no_sentence_speaks_of_a_piston_that_is_not_there(construction: str) -> None:
    """Whoever reads of a piston in a damper with a bladder stops reading."""
    facts = unit(construction=construction, profile=None, parts=())
    bad = [found(key, grade) for key in ("charge_before", "charge_valve") for grade in (WORN, FAILED)]
    for finding in bad:
        for reason in judged(Case((finding,), facts)).reasons:
            text = reason.rule.says + reason.rule.consequence
            assert "piston" not in text or "floating piston or bladder" in text


def test_the_strictest_limit_counts_and_each_reason_keeps_its_own() -> None:
    """Within 500 miles or 6 weeks, and within 200 miles or 2 weeks, is 200 miles or 2 weeks."""
    facts = with_part(unit(gas=(gas(0.94),)), "shaft_seal", used_ratio=1.2)
    triage = judged(Case(facts=facts))
    assert triage.row == WITHIN
    assert triage.limit == Limit(200 * M_PER_MILE, 2, TODAY + timedelta(weeks=2))
    limits = {one.rule.key: one.limit for one in triage.reasons if one.row == WITHIN}
    assert limits["seal_used_up"] == Limit(500 * M_PER_MILE, 6, TODAY + timedelta(weeks=6))


def test_being_due_earlier_shortens_the_weeks_and_a_time_that_is_over_is_now() -> None:
    def due(day: date | None) -> Triage:
        return judged(Case(facts=with_part(unit(), "shaft_seal", used_ratio=1.2, due_early=day)))

    assert due(TODAY + timedelta(25)).limit == Limit(500 * M_PER_MILE, 3, TODAY + timedelta(weeks=3))
    assert due(None).limit == Limit(500 * M_PER_MILE, 6, TODAY + timedelta(weeks=6))
    assert due(TODAY + timedelta(7)).limit == Limit(500 * M_PER_MILE, 1, TODAY + timedelta(weeks=1))
    for day in (TODAY + timedelta(6), TODAY, TODAY - timedelta(400)):
        assert (due(day).row, due(day).limit) == (OUTING, None)
        assert (due(day).reasons[0].row, due(day).reasons[0].limit) == (OUTING, None)


def test_only_the_row_within_has_a_limit() -> None:
    stopped = judged(Case((found("bolts", FAILED),), with_part(unit(), "oil", used_ratio=1.5)))
    assert (stopped.row, stopped.limit) == (STOP, None)
    assert next(one for one in stopped.reasons if one.rule.key == "oil_used_up").limit is not None


def test_a_damper_of_which_nothing_is_known_can_be_judged() -> None:
    bare = UnitFacts("T-1", None, None, "T-1", "stated", TODAY, None, "twin_tube", "none", "bushing")
    assert judged(Case(facts=bare)).row == WATCH
    assert judged(Case((found("leak_seal_head", FAILED),), bare)).row == STOP


def test_rows_are_worded_for_people() -> None:
    assert tuple(ROW_WORDS) == ROWS
    for rule in RULES.rules:
        assert rule.says.endswith(".")
        assert rule.consequence.endswith(".")
        assert rule.source.startswith(("judgement", "common practice", "DIN"))


def worse_words(finding: Finding, steps: int, share: float) -> Finding:
    """Return a finding with a grade or measures that are no better."""
    grade = GRADES[min(GRADES.index(finding.grade) + steps, len(GRADES) - 1)]
    measures = {}
    for measure in ITEM_OF[finding.item].measures:
        value = finding.measures.get(measure.key)
        if value is None:
            continue
        if measure.worse == MORE and measure.choices:
            value = max(value, measure.choices[round(share * (len(measure.choices) - 1))][0])
        elif measure.worse == MORE:
            value += share * (measure.most - value)
        measures[measure.key] = value
    return replace(finding, grade=grade, measures=measures)


@st.composite
def some_findings(draw: st.DrawFn) -> list[Finding]:
    chosen = draw(st.lists(st.sampled_from(ITEMS), unique_by=lambda item: item.key, max_size=8))
    findings = []
    for item in chosen:
        measures = {}
        for measure in item.measures:
            values = (
                st.sampled_from([value for value, _ in measure.choices])
                if measure.choices
                else st.floats(measure.least, measure.most)
            )
            if draw(st.booleans()):
                measures[measure.key] = draw(values)
        findings.append(found(item.key, draw(st.sampled_from(GRADES)), **measures))
    return findings


@settings(max_examples=120, deadline=None)
@given(
    findings=some_findings(),
    worse=st.lists(st.tuples(st.integers(0, 3), st.floats(0.0, 1.0)), min_size=8, max_size=8),
    extra=some_findings(),
    used=st.floats(0.0, 2.0),
    share=st.floats(0.5, 1.6),
    lost=st.floats(-300.0, 100.0),
)
def test_a_worse_finding_never_makes_a_milder_row(
    findings: list[Finding],
    worse: list[tuple[int, float]],
    extra: list[Finding],
    used: float,
    share: float,
    lost: float,
) -> None:
    """Nobody must be able to talk a damper back onto the road by finding more wrong with it."""
    facts = with_part(unit(gas=(gas(share),)), "shaft_seal", used_ratio=used)
    curve = found("damping_curve", AS_NEW, rebound_lost_percent=lost)
    before = judge(facts, findings, RULES, TODAY, (curve,))
    harder = [worse_words(one, *by) for one, by in zip(findings, worse, strict=False)]
    after = judge(facts, harder, RULES, TODAY, (worse_words(curve, 0, worse[-1][1]),))
    assert ROWS.index(before.row) <= ROWS.index(judge(facts, findings, RULES, TODAY).row)
    assert ROWS.index(after.row) <= ROWS.index(before.row)
    fired = {one.rule.key for one in before.reasons if one.row != FINE}
    assert fired <= {one.rule.key for one in after.reasons}
    # A point looked at as well, good or bad; that nobody looked at it was a reason itself, and a gauge read anew counts
    # instead of the older one.
    more = [one for one in extra if one.item not in {own.item for own in findings} | {"charge_before"}]
    wider = judge(facts, [*findings, *more], RULES, TODAY, (curve,))
    assert fired - {"not_all_looked_at"} <= {one.rule.key for one in wider.reasons}


@settings(max_examples=50, deadline=None)
@given(item=st.sampled_from(ITEMS), grade=st.sampled_from((USABLE, WORN, FAILED)))
def test_nothing_found_goes_unheard(item: object, grade: str) -> None:
    """Every bad finding, at whatever point, has a rule: does its job no longer is never only watched."""
    key = getattr(item, "key", "")
    least = {USABLE: WATCH, WORN: WITHIN, FAILED: OUTING}[grade]
    assert ROWS.index(judge(unit(), [found(key, grade)], RULES, TODAY).row) <= ROWS.index(least)


def test_rules_of_ones_own_are_judged_as_written() -> None:
    rules = parse_rules(
        """
        schema = 1
        [[rule]]
        key = "loose"
        row = "stop"
        when = { item = "bolts", grade = "usable" }
        says = "Ours."
        consequence = "None."
        source = "judgement"
        """,
        3,
    )
    triage = judged(Case((found("bolts", USABLE),)), rules)
    assert (triage.row, triage.rules_version) == (STOP, 3)
    assert judged(Case((found("bolts", AS_NEW),)), rules).row == FINE
