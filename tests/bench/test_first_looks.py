"""What to look at first, rule by rule: each speaks at its limit and is silent just below it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.facts_made import SINCE, TODAY, make_facts, make_part, make_trip, with_part
from dutylog.bench import look_rules as rules
from dutylog.bench.facts import (
    STATED,
    AlertFact,
    GasFact,
    HeatFacts,
    LifeFacts,
    MarkFact,
    ServiceFact,
    UnitFacts,
)
from dutylog.bench.figures import say, say_both
from dutylog.bench.first_looks import FirstLook, find_first_looks
from dutylog.bench.store.rows import LikeRow
from dutylog.domain.quantity import SYSTEMS

NBSP = "\u00a0"
SERVED = ServiceFact(SINCE, "Bo", ("oil", "shaft_seal"))


def looks(facts: UnitFacts, *likes: LikeRow) -> dict[str, FirstLook]:
    return {one.topic: one for one in find_first_looks(facts, {one.part: one for one in likes}, TODAY)}


def reasons(facts: UnitFacts, *likes: LikeRow) -> dict[tuple[str, str], float]:
    """Return strengths by rule and topic."""
    return {(one.rule, topic): one.strength for topic, look in looks(facts, *likes).items() for one in look.reasons}


def mark(urgency: str) -> MarkFact:
    return MarkFact("nick", 60.0, 1.5, True, 12.0, urgency, "sharp nick")


def alert(kind: str, day: date | None = date(2026, 6, 1)) -> AlertFact:
    return AlertFact(day, kind, "act_now", f"said {kind}", True)


def reading(day: str, gauge_pa: float, **changes: Any) -> GasFact:
    return replace(GasFact(date.fromisoformat(day), "check", gauge_pa, 20.0, None, 20.0, 0.0, 0.0, "Bo"), **changes)


def life(**changes: Any) -> LifeFacts:
    return replace(make_facts().life, **changes)


def trips(**changes: Any) -> UnitFacts:
    return make_facts(trips=(make_trip(**changes),))


PLAIN = make_facts()


@pytest.mark.parametrize(
    ("rule", "topic", "fires", "silent", "strength"),
    [
        ("mark", "seal_head", make_facts(marks=(mark("stop"),)), PLAIN, 0.97),
        ("mark", "seal_head", make_facts(marks=(mark("watch"),)), PLAIN, 0.25),
        (
            "used",
            "oil",
            with_part(make_facts(), "oil", used_ratio=0.7),
            with_part(make_facts(), "oil", used_ratio=0.6999),
            0.35,
        ),
        ("used", "floating_piston", with_part(make_facts(), "piston_seal", used_ratio=1.0), PLAIN, 0.8),
        ("used", "hard_hits", with_part(make_facts(), "structure", used_ratio=3.0), PLAIN, 0.95),
        ("used", "joints", with_part(make_facts(), "joints", used_ratio=1.0, is_estimate=True), PLAIN, 0.48),
        (
            "calendar",
            "charge",
            with_part(make_facts(), "charge", calendar_day=TODAY),
            with_part(make_facts(), "charge", calendar_day=TODAY + timedelta(91)),
            0.6,
        ),
        ("calendar", "charge", with_part(make_facts(), "charge", calendar_day=TODAY + timedelta(30)), PLAIN, 0.4),
        ("calendar", "charge", with_part(make_facts(), "charge", calendar_day=TODAY + timedelta(90)), PLAIN, 0.25),
        ("hot_seal", "seal_head", make_facts(heat=HeatFacts(60.0)), make_facts(heat=HeatFacts(59.9)), 0.3),
        ("hot_seal", "seal_head", make_facts(heat=HeatFacts(36_000.0)), PLAIN, 0.7),
        ("hot_oil", "oil", make_facts(heat=HeatFacts(0.0, 3600.0)), make_facts(heat=HeatFacts(0.0, 59.9)), 0.7),
        (
            "peak_body",
            "seal_head",
            make_facts(heat=HeatFacts(0.0, 0.0, 110.1)),
            make_facts(heat=HeatFacts(0.0, 0.0, 110.0)),
            0.5,
        ),
        ("bottom_outs", "hard_hits", trips(bottom_outs_count=10), trips(bottom_outs_count=9), 0.3),
        (
            "bottom_outs",
            "hard_hits",
            make_facts(life=life(bottom_outs_count=200)),
            make_facts(life=life(bottom_outs_count=9)),
            0.65,
        ),
        ("top_outs", "top_out", trips(top_outs_count=10), trips(top_outs_count=None), 0.3),
        ("dirt", "seal_head", trips(dirt="mud", washed=True), trips(dirt="dust", washed=False), 0.4),
        (
            "dirt",
            "seal_head",
            trips(dirt="mud", washed=False),
            replace(trips(dirt="mud", day=date(2026, 2, 1)), services=(ServiceFact(SINCE, "Bo", ("shaft_seal",)),)),
            0.6,
        ),
        ("dirt", "seal_head", trips(dirt="sand"), PLAIN, 0.4),
        ("dirt", "seal_head", make_facts(dirt_words=("water",)), PLAIN, 0.3),
        (
            "gas_low",
            "charge",
            make_facts(gas=(reading("2026-10-01", 1.30e6),)),
            make_facts(gas=(reading("2026-10-01", 1.32e6),)),
            0.85,
        ),
        (
            "gas_high",
            "charge",
            make_facts(gas=(reading("2026-10-01", 1.46e6),)),
            make_facts(gas=(reading("2026-10-01", 1.44e6),)),
            0.6,
        ),
        (
            "gas_low",
            "charge",
            make_facts(gas=(reading("2026-10-01", 1.30e6),)),
            make_facts(gas=(reading("2026-10-01", 1.30e6, body_c=60.0),)),
            0.85,
        ),
        (
            "gas_falling",
            "charge",
            make_facts(gas=(reading("2026-04-01", 1.45e6, what="fill"), reading("2026-10-01", 1.36e6))),
            make_facts(gas=(reading("2026-04-01", 1.38e6, what="fill"), reading("2026-10-01", 1.375e6))),
            0.7,
        ),
        (
            "alert",
            "damping",
            make_facts(alerts=(alert("damping_lost"),)),
            make_facts(alerts=(alert("coverage_lost"),)),
            0.9,
        ),
        (
            "alert",
            "charge",
            make_facts(alerts=(alert("charge_leaking"),)),
            make_facts(
                alerts=(alert("charge_leaking", date(2026, 2, 1)),), services=(ServiceFact(SINCE, "Bo", ("charge",)),)
            ),
            0.85,
        ),
        ("alert", "oil", make_facts(alerts=(alert("oil_over_limit"),)), PLAIN, 0.55),
        ("alert", "seal_head", make_facts(alerts=(alert("body_over_limit", None),), services=(SERVED,)), PLAIN, 0.45),
        ("alert", "hard_hits", make_facts(alerts=(alert("bottomed"),)), PLAIN, 0.3),
        (
            "earlier",
            "joints",
            make_facts(services=(ServiceFact(SINCE, "Bo", ("oil",), (("joints", "worn"),)),)),
            make_facts(services=(ServiceFact(SINCE, "Bo", ("joints",), (("joints", "worn"),)),)),
            0.75,
        ),
        (
            "earlier",
            "joints",
            make_facts(services=(ServiceFact(SINCE, "Bo", (), (("joints", "failed"),)),)),
            make_facts(
                services=(ServiceFact(SINCE, "Bo", (), (("joints", "failed"),)), ServiceFact(TODAY, "Bo", ("joints",)))
            ),
            0.9,
        ),
        (
            "unmeasured",
            "whole",
            make_facts(life=life(coverage_ratio=0.4)),
            make_facts(life=life(coverage_ratio=0.95)),
            0.6,
        ),
    ],
)
def test_each_rule_speaks_at_its_limit_and_not_below(
    rule: str, topic: str, fires: UnitFacts, silent: UnitFacts, strength: float
) -> None:
    """A limit that nobody tries is a limit that moves."""
    assert reasons(fires)[rule, topic] == pytest.approx(strength, abs=1e-9)
    assert (rule, topic) not in reasons(silent)


@pytest.mark.parametrize(
    ("kind", "topic", "ending"),
    [
        ("damping_lost", "damping", ("oil",)),
        ("charge_leaking", "charge", ("charge",)),
        ("oil_over_limit", "oil", ("oil", "shaft_seal")),
    ],
)
def test_an_alert_ends_with_the_part_it_speaks_of(kind: str, topic: str, ending: tuple[str, ...]) -> None:
    """New bushings are no reason to forget that it lost its damping."""
    facts = make_facts(alerts=(alert(kind, date(2026, 2, 1)),))
    for parts, is_there in ((("joints",), True), (ending[1:], True), (ending, False)):
        served = replace(facts, services=(ServiceFact(SINCE, "Bo", parts),))
        assert (topic in looks(served)) == is_there, parts


def test_counts_of_a_full_card_say_at_least() -> None:
    """Fifty trips are what it holds, not what it drove."""
    full = make_facts(
        trips=(make_trip(bottom_outs_count=1),) * 50, life=life(bottom_outs_count=900), services=(SERVED,)
    )
    text = say(looks(full)["hard_hits"].reasons[0].text)
    assert "at least 50 times since" in text
    assert "900 in its life" in text
    few = replace(full, trips=full.trips[1:])
    assert say(looks(few)["hard_hits"].reasons[0].text).endswith(f"bottomed out 49 times since {SINCE}")


def test_washed_dirt_and_an_unset_clock_are_heard() -> None:
    washed = make_facts(dirt_words=("mud",), is_dirt_washed=True)
    assert "mud on the shaft: washed off" in say(looks(washed)["seal_head"].reasons[0].text)
    old = with_part(make_facts(), "hose", calendar_day=date(1975, 1, 1)) if make_facts().part("hose") else None
    old = old or with_part(make_facts(), "oil", calendar_day=date(1975, 1, 1))
    assert looks(old)
    assert not looks(replace(old, is_clock_sure=False))


def test_like_units_speak_from_three_on() -> None:
    """At 60 % of its budget the seal of three others was replaced: that one is there now."""
    facts = with_part(make_facts(), "shaft_seal", used_ratio=0.6)
    like = LikeRow("shaft_seal", 3, 0.4, 0.6, 0.9)
    assert reasons(facts, like) == {("like", "seal_head"): 0.4}
    assert reasons(facts, replace(like, count=2)) == {}
    assert reasons(facts, replace(like, median_ratio=0.61)) == {}
    text = say(looks(facts, like)["seal_head"].reasons[0].text).replace(NBSP, " ")
    assert text == "shaft seal and wiper: 3 of like units were replaced at 60 % (40 % to 90 %), this one is at 60 %"


def test_nothing_told_at_all_sends_one_to_every_point() -> None:
    """Without a card, miles, years or a service there is nothing to go by but one's eyes."""
    unknown = tuple(make_part(one.key, None, since=None) for one in make_facts().parts)
    assert reasons(make_facts(basis=STATED, parts=unknown)) == {("untold", "whole"): 0.6}
    assert reasons(make_facts(basis=STATED)) == {}


def test_every_rule_and_topic_has_been_tried_by_a_name_that_exists() -> None:
    """What the tables tell people is what the code knows."""
    tried = {"mark", "used", "calendar", "like", "hot_seal", "hot_oil", "peak_body", "bottom_outs", "top_outs", "dirt"}
    tried |= {"gas_low", "gas_high", "gas_falling", "alert", "earlier", "unmeasured", "untold"}
    assert set(rules.LOOK_RULES) == tried
    assert all(one.source and one.when and one.strength for one in rules.LOOK_RULES.values())
    known = {topic for told in rules.ALERT_TOPICS.values() for topic, _ in told} | set(rules.TOPIC_OF_PART.values())
    assert known | {"top_out", "whole"} == set(rules.TOPICS)


def test_nothing_stands_out_on_a_damper_of_which_nothing_is_known_to_be_wrong() -> None:
    """A list that always shows something is soon read by nobody."""
    assert find_first_looks(make_facts(), {}, TODAY) == ()


def test_the_strongest_comes_first_and_more_reasons_make_it_stronger() -> None:
    """A worn seal over a nick in mud comes before oil that is a little more used up than it."""
    facts = with_part(with_part(make_facts(), "oil", used_ratio=1.1), "shaft_seal", used_ratio=1.0)
    assert [one.topic for one in find_first_looks(facts, {}, TODAY)] == ["oil", "seal_head"]
    dirty = replace(facts, trips=(make_trip(dirt="mud", washed=False),), marks=(mark("soon"),))
    found = find_first_looks(dirty, {}, TODAY)
    assert [one.topic for one in found] == ["seal_head", "oil"]
    assert found[0].strength == pytest.approx(1.0 - (1.0 - 0.85) * (1.0 - 0.8) * (1.0 - 0.6), abs=1e-12)
    assert [one.rule for one in found[0].reasons] == ["mark", "used", "dirt"]
    assert (found[0].level, found[0].parts) == ("look here first", ("shaft_seal",))
    assert "stands" in found[0].caution


def test_a_charged_part_is_never_named_without_its_caution() -> None:
    """Where the hand is, the words are."""
    for topic in ("charge", "floating_piston", "bladder", "hose", "oil", "guide"):
        assert "nitrogen" in rules.TOPICS[topic].caution
    facts = make_facts(gas=(reading("2026-10-01", 1.0e6),))
    assert "nitrogen" in looks(facts)["charge"].caution


def test_figures_come_in_both_systems() -> None:
    """The shop reads psi, its customer bar."""
    facts = make_facts(gas=(reading("2026-10-01", 1.0e6),), heat=HeatFacts(600.0, 0.0, 140.0), marks=(mark("soon"),))
    found = looks(facts)
    charge = found["charge"].reasons[0]
    assert "10.0\u00a0bar" in say(charge.text, "metric")
    assert "145\u00a0psi" in say(charge.text, "us")
    assert "10.0\u00a0bar (145\u00a0psi)" in say_both(charge.text)
    words = {say(one.text, system).replace(NBSP, " ") for system in SYSTEMS for one in found["seal_head"].reasons}
    assert "body at 140 °C, its limit is 110 °C" in words
    assert "body at 284 °F, its limit is 230 °F" in words
    assert any("60 mm from the seal head" in one for one in words)
    assert any("2.4 in from the seal head" in one for one in words)


def test_a_reading_that_can_not_be_is_left_out_and_no_error() -> None:
    """A travel beyond the stroke: the profile has changed, or somebody slipped."""
    facts = make_facts(gas=(reading("2026-10-01", 1.0e6, travel_mm=1900.0),))
    assert reasons(facts) == {}
    assert reasons(replace(facts, profile=None)) == {}
    tube = replace(make_facts().profile, construction="twin_tube")  # type: ignore[type-var]
    assert reasons(make_facts(gas=(reading("2026-10-01", 1.0e6),), profile=tube)) == {}


@given(
    st.floats(0.0, 5.0),
    st.floats(0.0, 5.0),
    st.floats(0.0, 1e6),
    st.floats(0.0, 1e6),
    st.integers(0, 5000),
    st.integers(0, 5000),
)
def test_harder_use_never_weakens_a_look(r1: float, r2: float, h1: float, h2: float, b1: int, b2: int) -> None:
    """More wear, more heat and more hits point more strongly at the same places, never less."""

    def strengths(ratio: float, hot_s: float, hits: int) -> dict[str, float]:
        facts = with_part(make_facts(), "shaft_seal", used_ratio=ratio)
        facts = replace(facts, heat=HeatFacts(hot_s, hot_s), trips=(make_trip(bottom_outs_count=hits),))
        return {one.topic: one.strength for one in find_first_looks(facts, {}, TODAY)}

    mild = strengths(min(r1, r2), min(h1, h2), min(b1, b2))
    hard = strengths(max(r1, r2), max(h1, h2), max(b1, b2))
    assert all(hard.get(topic, 0.0) >= strength for topic, strength in mild.items())
    assert all(0.0 < strength <= rules.MOST for strength in hard.values())


@pytest.mark.parametrize(
    ("factor", "end"), [(1.0, "watch"), (1.09, "watch"), (1.1, "the seal wears 1.1 times as fast")]
)
def test_a_mark_that_hardly_wears_is_told_without_it(factor: float, end: str) -> None:
    """Once as fast says nothing; the size of the mark is too small for a page's figures, it stands in both systems."""
    found = looks(make_facts(marks=(replace(mark("watch"), wear_factor=factor),)))
    text = next(say(one.text) for look in found.values() for one in look.reasons if one.rule == "mark")
    assert text.endswith(end)
    assert "1.5 mm (0.059 in) long" in text
