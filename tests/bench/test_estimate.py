"""A damper without a card: what is told becomes an estimate, and never anything better."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.bench.estimate import DOUBT, ESTIMATE, MILES_A_YEAR, YEARS_DOUBT, Statement, facts_of_statement
from dutylog.bench.facts import STATED, UnitFacts
from dutylog.domain.wear import DIRTS, MIXES
from dutylog.errors import InputError
from dutylog.units import M_PER_MILE

TODAY = date(2026, 11, 30)
TOLD = Statement("SN-7", None, "floating_piston", "hose", distance_m=10_000 * M_PER_MILE, years=2.0, mix="hard")


def used(facts: UnitFacts) -> dict[str, float]:
    return {one.key: one.used_ratio for one in facts.parts if one.used_ratio is not None}


def test_ten_thousand_hard_miles_use_up_every_part() -> None:
    """That is what a budget is made of (shared/LIFE.md), so the estimate must give just 1."""
    facts = facts_of_statement(TOLD, TODAY)
    assert list(used(facts)) == ["shaft_seal", "oil", "wear_band", "joints", "piston_seal", "hose", "structure"]
    for ratio in used(facts).values():
        assert ratio == pytest.approx(1.0, rel=0.01), "the median of the prior budget is 1 within its grid"
    assert all(one.used_share == pytest.approx(1.0, rel=1e-9) for one in facts.parts if one.used_ratio)
    half = facts_of_statement(replace(TOLD, distance_m=5_000 * M_PER_MILE), TODAY)
    assert [one.used_share for one in half.parts if one.used_ratio] == pytest.approx([0.5] * 7, rel=1e-9)


def test_everything_of_it_says_that_it_is_an_estimate() -> None:
    """An estimate that somebody takes for a measurement is worse than none."""
    facts = facts_of_statement(TOLD, TODAY)
    assert facts.basis == STATED
    assert ESTIMATE in facts.notes[0]
    for one in facts.parts:
        assert one.is_estimate
        assert one.text.startswith(ESTIMATE)
        assert one.measured_ratio in (0.0, None)
    seal = facts.part("shaft_seal")
    assert seal is not None
    assert "in 8 of 10 cases 50 % to 200 %" in seal.text.replace("\u00a0", " ")


def test_its_doubt_is_a_factor_of_two_and_of_three_where_only_years_were_told() -> None:
    """One deviation of a log-normal whose 80 % range is that factor either way."""
    miles = facts_of_statement(TOLD, TODAY).part("oil")
    years = facts_of_statement(replace(TOLD, distance_m=None, years=1.0), TODAY).part("oil")
    assert miles is not None
    assert years is not None
    for part, factor in ((miles, DOUBT), (years, YEARS_DOUBT)):
        sd_ratio = math.sqrt(math.exp((math.log(factor) / 1.2815515655446004) ** 2) - 1.0)
        assert part.used_sd / part.used_share == pytest.approx(sd_ratio, rel=1e-9)
    assert years.driven_m == pytest.approx(10_000 * M_PER_MILE), "hard use is 10 000 miles a year where nobody says"


def test_due_days_follow_from_pace_and_doubts() -> None:
    """5000 hard miles in a year: the seal's budget ends in another year, in 8 of 10 cases by a known factor."""
    facts = facts_of_statement(replace(TOLD, distance_m=5_000 * M_PER_MILE, years=1.0), TODAY)
    seal = facts.part("shaft_seal")
    assert seal is not None
    assert seal.used_ratio is not None
    log_sd = math.hypot(
        math.log(2.0) / 1.2815515655446004, math.log(seal.budget_high / seal.budget_low) / 2.563103131, 0.3
    )
    for day, sds in ((seal.due_early, -1.2815515655), (seal.due_likely, 0.0), (seal.due_late, 1.2815515655)):
        days = 365.25 * (math.exp(sds * log_sd) / seal.used_ratio - 1.0)
        assert day == TODAY + timedelta(days=max(0, round(days)))
    assert seal.order_by == TODAY
    assert seal.calendar_day == date(2025, 11, 30) + timedelta(days=round(7 * 365.25))


def test_the_calendar_caps_and_stands_alone_for_a_charge() -> None:
    """Two years without a look at the gas: over, whatever was driven."""
    facts = facts_of_statement(replace(TOLD, distance_m=10.0), TODAY)
    charge, hose = facts.part("charge"), facts.part("hose")
    assert charge is not None
    assert hose is not None
    assert charge.used_ratio is None
    assert (charge.due_early, charge.due_likely, charge.due_late) == (TODAY, TODAY, TODAY)
    assert charge.calendar_day is not None
    assert charge.calendar_day < TODAY
    assert hose.due_late == hose.calendar_day


def test_a_rebuild_makes_new_what_rebuilds_make_new() -> None:
    """Miles are told since the last service then; shaft, eyelets and hose go on from when the damper was new."""
    told = replace(TOLD, distance_m=2_000 * M_PER_MILE, years=6.0, last_service=TODAY - timedelta(days=365))
    facts = facts_of_statement(told, TODAY)
    share = {one.key: one.used_share for one in facts.parts}
    pace = 2_000 / 365
    assert share["shaft_seal"] == pytest.approx(0.2, rel=1e-9)
    for key in ("hose", "structure"):
        assert share[key] == pytest.approx(0.2 + pace * (6.0 * 365.25 - 365) / 10_000, rel=1e-9)
    seal, hose = facts.part("shaft_seal"), facts.part("hose")
    assert seal is not None
    assert hose is not None
    assert seal.since == TODAY - timedelta(days=365)
    assert hose.since == TODAY - timedelta(days=round(6 * 365.25))
    assert set(facts.services[0].replaced) == {"shaft_seal", "oil", "wear_band", "joints", "piston_seal", "charge"}
    plain = facts_of_statement(replace(told, was_rebuilt=False), TODAY)
    assert {one.key for one in plain.parts if one.since == TODAY - timedelta(days=365)} == {"oil", "charge"}


def test_a_small_service_renews_neither_seal_nor_calendar() -> None:
    """60 000 miles in six years, oil changed a year ago: the seal has run them all, the oil a sixth."""
    told = replace(
        TOLD,
        distance_m=60_000 * M_PER_MILE,
        years=6.0,
        last_service=TODAY - timedelta(days=365),
        was_rebuilt=False,
    )
    facts = facts_of_statement(told, TODAY)
    for key in ("shaft_seal", "wear_band", "joints", "piston_seal", "hose", "structure"):
        part = facts.part(key)
        assert part is not None
        assert part.driven_m == pytest.approx(60_000 * M_PER_MILE)
        assert part.since == TODAY - timedelta(days=round(6 * 365.25))
    oil = facts.part("oil")
    assert oil is not None
    assert oil.driven_m == pytest.approx(60_000 * M_PER_MILE * 365 / (6 * 365.25))
    assert oil.since == TODAY - timedelta(days=365)
    assert facts.life.distance_m == pytest.approx(60_000 * M_PER_MILE)
    ageless = facts_of_statement(replace(told, years=None), TODAY)
    for part in ageless.parts:
        assert (part.since is None) == (part.key not in ("oil", "charge")), part.key
        assert part.key == "charge" or (part.driven_m or 0.0) <= 60_000 * M_PER_MILE * 1.0001
    seal = ageless.part("shaft_seal")
    assert seal is not None
    assert seal.calendar_day is None
    assert seal.driven_m == pytest.approx(60_000 * M_PER_MILE)


@pytest.mark.parametrize("years", [None, 1.0])
def test_no_part_has_run_further_than_was_told(years: float | None) -> None:
    """1000 miles are 1000 miles, whatever the usual pace or a slip of the years would make of them."""
    told = replace(
        TOLD,
        distance_m=1_000 * M_PER_MILE,
        years=years,
        last_service=TODAY - timedelta(days=3 * 365),
        was_rebuilt=False,
    )
    for part in facts_of_statement(told, TODAY).parts:
        if part.key != "charge":
            assert part.driven_m == pytest.approx(1_000 * M_PER_MILE), part.key


def test_years_told_since_a_rebuild_are_no_age_of_the_hose() -> None:
    """Who rebuilt it a year ago and says `one year` hasn't said how old the hose is."""
    told = replace(TOLD, years=1.0, last_service=TODAY - timedelta(days=365))
    hose, seal = (facts_of_statement(told, TODAY).part(key) for key in ("hose", "shaft_seal"))
    assert hose is not None
    assert seal is not None
    assert (hose.since, hose.calendar_day) == (None, None)
    assert hose.driven_m == pytest.approx(10_000 * M_PER_MILE)
    assert seal.since == TODAY - timedelta(days=365)


def test_what_was_washed_off_is_kept() -> None:
    """Else the bench asks its owner to wash what he said he has washed."""
    for washed in (True, False, None):
        facts = facts_of_statement(replace(TOLD, dirt=("mud",), is_washed=washed), TODAY)
        assert facts.is_dirt_washed is washed


def test_nothing_told_gives_no_figures() -> None:
    """Not even a guess: with neither miles nor years every part is unknown, and it says so."""
    facts = facts_of_statement(replace(TOLD, distance_m=None, years=None), TODAY)
    assert used(facts) == {}
    assert all(one.due_likely is None and one.since is None for one in facts.parts)
    assert any("nothing can be said of use" in note for note in facts.notes)
    assert any("nobody told its age" in note for note in facts.notes)


def test_miles_without_years_take_the_usual_pace() -> None:
    """The day it is due needs some pace; the calendar stays unknown."""
    facts = facts_of_statement(replace(TOLD, distance_m=5_000 * M_PER_MILE, years=None, mix="desert"), TODAY)
    hose = facts.part("hose")
    assert hose is not None
    assert hose.due_likely is not None
    assert (hose.since, hose.calendar_day) == (None, None)
    assert MILES_A_YEAR["desert"] == 5_000.0


@pytest.mark.parametrize(
    ("construction", "reservoir", "joints", "there"),
    [
        ("twin_tube", "none", "bushing", {"shaft_seal", "oil", "wear_band", "joints", "structure"}),
        ("emulsion", "none", "rod_end", {"shaft_seal", "oil", "wear_band", "joints", "structure", "charge"}),
        (
            "bladder", "hose", "rod_end",
            {"shaft_seal", "oil", "wear_band", "joints", "structure", "charge", "bladder", "hose"},
        ),
    ],
)  # fmt: skip
def test_only_parts_of_its_construction_are_told(
    construction: str, reservoir: str, joints: str, there: set[str]
) -> None:
    """A bladder in a twin tube is ordered and sent back."""
    facts = facts_of_statement(replace(TOLD, construction=construction, reservoir=reservoir, joints=joints), TODAY)
    assert {one.key for one in facts.parts} == there
    joint = facts.part("joints")
    assert joint is not None
    assert joint.name == ("bushings" if joints == "bushing" else "rod ends")


@given(
    st.floats(0.0, 3e8),
    st.floats(0.0, 3e8),
    st.sampled_from(MIXES),
    st.sets(st.sampled_from(DIRTS)),
    st.sampled_from(DIRTS),
)
def test_more_miles_or_more_dirt_never_use_less(
    first: float, second: float, mix: str, dirt: set[str], more: str
) -> None:
    """Else somebody would be better off to have driven more."""
    low, high = sorted((first, second))
    told = replace(TOLD, mix=mix, dirt=tuple(sorted(dirt)))
    a, b = (used(facts_of_statement(replace(told, distance_m=far), TODAY)) for far in (low, high))
    c = used(facts_of_statement(replace(told, distance_m=high, dirt=tuple(sorted(dirt | {more}))), TODAY))
    assert all(a[key] <= b[key] <= c[key] for key in a)


@given(st.one_of(st.none(), st.floats(0.0, 1e9)), st.one_of(st.none(), st.floats(0.0, 60.0)), st.integers(-1, 20_000))
def test_days_are_in_order_and_never_past(distance_m: float | None, years: float | None, ago: int) -> None:
    """Whatever is told, early comes before late and neither before today."""
    service = None if ago < 0 else TODAY - timedelta(days=ago)
    facts = facts_of_statement(replace(TOLD, distance_m=distance_m, years=years, last_service=service), TODAY)
    for one in facts.parts:
        days = [day for day in (one.due_early, one.due_likely, one.due_late) if day is not None]
        assert days == sorted(days)
        assert all(day >= TODAY for day in days)
        assert one.order_by is None or one.order_by >= TODAY


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"serial": None, "tag": ""}, "no serial and no tag"),
        ({"construction": "magic\n"}, "construction: 'magic"),
        ({"reservoir": None}, "reservoir: None"),
        ({"joints": 3}, "joints: 3"),
        ({"mix": ["street"]}, "mix:"),
        ({"dirt": ("mud", "treacle")}, "dirt: 'treacle'"),
        ({"distance_m": -1.0}, "distance: -1.0 m"),
        ({"distance_m": float("nan")}, "distance: nan"),
        ({"distance_m": True}, "distance: True"),
        ({"years": 61.0}, "age: 61.0 years, expected 0 to 60"),
        ({"stroke_m": 12.0}, "stroke: 12.0 m"),
        ({"remarks": "x" * 2001}, "remarks:"),
        ({"serial": "x" * 81}, "serial:"),
        ({"serial": 7}, "serial: 7"),
        ({"years": "2"}, "age: '2'"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_one_line(change: dict[str, Any], words: str) -> None:
    """A form is filled in with gloves on, and by strangers."""
    with pytest.raises(InputError) as told:
        replace(TOLD, **change)
    assert words in str(told.value)
    assert "\n" not in str(told.value)


def test_a_service_to_come_is_refused() -> None:
    """A slip of the year would make a worn damper new."""
    with pytest.raises(InputError, match="after today"):
        facts_of_statement(replace(TOLD, last_service=TODAY + timedelta(days=1)), TODAY)


def test_a_statement_is_kept_as_it_was_told() -> None:
    """By way of the chain's JSON."""
    told = replace(
        TOLD, dirt=("mud", "water"), is_washed=False, last_service=date(2025, 1, 2), remarks="dives\nunder braking"
    )
    assert Statement.from_dict(json.loads(json.dumps(told.to_dict()))) == told
    for garbled in ({}, {"last_service": 5}, {"dirt": 3}, told.to_dict() | {"last_service": "soon"}):
        with pytest.raises(InputError):
            Statement.from_dict(garbled)
    assert any("dives under braking" in note for note in facts_of_statement(told, TODAY).notes)
