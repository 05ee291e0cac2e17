"""Duty by radio: how far it moves the used share of parts, and when it must not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.facts_made import TODAY, make_facts, make_trip, with_part
from dutylog.bench.facts import CARD, STATED, UnitFacts
from dutylog.bench.figures import say
from dutylog.bench.intake import make_intake
from dutylog.bench.radio_use import LEAST_OWN_M, find_gain, sliding_since, with_radio
from dutylog.bench.store.rows import RadioDuty, Service
from dutylog.life.parts import PARTS
from dutylog.life.reference import REFERENCE, per_mile, read_driven, share_per_mile
from dutylog.life.setups import SHARES

HEARD = TODAY + timedelta(days=30)
SERVICE_DAY = date(2026, 3, 1)


def radio(travel_m: float = 25_000.0, day: date = HEARD, **changes: Any) -> RadioDuty:
    """Return duty of a damper of facts_made (20 km slid, 4 MJ, 10 h moved) that went on sliding at its pace."""
    share = travel_m / 20_000.0
    totals = {
        "shaft_travel_um": round(travel_m * 1e6),
        "energy_compression_uj": round(2e12 * share),
        "energy_rebound_uj": round(2e12 * share),
        "moving_us": round(36_000e6 * share),
    }
    told = RadioDuty("d-1", "truck", "u-1", 1, 9, f"{day}T10:00:00Z", totals)
    return replace(told, **changes)


def facts(**changes: Any) -> UnitFacts:
    """Return a damper whose parts were never replaced: all of its sliding is theirs."""
    made = make_facts(revision=1, **changes)
    return made.with_parts(tuple(replace(one, since_entry=None) for one in made.parts))


def test_a_quarter_more_sliding_is_a_quarter_more_of_what_was_measured() -> None:
    """20 km took a tenth of the seal; 5 km more take a fortieth, and it stands apart as radio's."""
    worn, is_moved = with_radio(facts(), radio(), HEARD)
    seal = worn.part("shaft_seal")
    assert is_moved
    assert seal is not None
    assert (seal.used_ratio, seal.radio_share) == (pytest.approx(0.125), pytest.approx(0.025))
    charge = worn.part("charge")
    assert charge is not None
    assert (charge.used_ratio, charge.radio_share) == (None, 0.0), "years don't slide"


def test_what_was_told_is_not_taken_for_the_pace_of_what_was_measured() -> None:
    """Half of the share was told: the 20 km took only the other half."""
    worn, _ = with_radio(with_part(facts(), "shaft_seal", measured_ratio=0.5), radio(), HEARD)
    assert worn.parts[0].radio_share == pytest.approx(0.0125)


def test_due_days_stay_where_driving_went_on_as_foreseen() -> None:
    """A part due in 100 days, half used: 30 days on at the same pace it is due in 70, so on the same day."""
    start = facts()
    told = with_part(
        start, "shaft_seal", used_share=0.5, used_ratio=0.5, due_early=TODAY + timedelta(50), calendar_day=None,
        due_likely=TODAY + timedelta(100), due_late=TODAY + timedelta(200),
    )  # fmt: skip
    gained = 20_000.0 * (0.15 / 0.5)
    seal = with_radio(told, radio(20_000.0 + gained), HEARD)[0].parts[0]
    assert seal.used_ratio == pytest.approx(0.65)
    assert seal.due_likely == TODAY + timedelta(100)
    idle = with_radio(told, radio(20_000.1), HEARD)[0].parts[0]
    assert idle.due_likely == TODAY + timedelta(130), "it hardly moved for 30 days"
    hard = with_radio(told, radio(20_000.0 + 25_000.0), HEARD)[0].parts[0]
    assert hard.used_ratio is not None
    assert hard.used_ratio > 1.0
    assert (hard.due_likely, hard.due_late) == (HEARD, HEARD)
    capped = with_part(told, "shaft_seal", calendar_day=TODAY + timedelta(110))
    assert with_radio(capped, radio(20_000.1), HEARD)[0].parts[0].due_likely == TODAY + timedelta(110)


@given(st.floats(0.0, 1e6), st.floats(0.0, 1e6))
def test_more_sliding_never_means_less_wear_or_later_days(one_m: float, other_m: float) -> None:
    less, more = sorted((one_m, other_m))
    before = with_radio(facts(), radio(20_000.0 + less), HEARD)[0].parts
    after = with_radio(facts(), radio(20_000.0 + more), HEARD)[0].parts
    for early, late in zip(before, after, strict=True):
        if find_gain(facts(), radio(20_000.0 + more)).is_likely(TODAY):  # type: ignore[union-attr]
            assert late.used_share >= early.used_share - 1e-12
            assert late.due_likely is not None
            assert early.due_likely is not None
            assert late.due_likely <= max(early.due_likely, HEARD) or early.radio_share == 0.0


@pytest.mark.parametrize(
    ("changes", "made"),
    [
        ({"revision": 2}, {}),
        ({"utc": "2026-11-29T10:00:00Z"}, {}),
        ({"totals": {"shaft_travel_um": 25_000_000_000}}, {}),
        ({"totals": {"shaft_travel_um": "much"}}, {}),
        ({"totals": {**radio().totals, "energy_rebound_uj": 1}}, {}),
        ({"totals": {**radio().totals, "shaft_travel_um": 19_000_000_000}}, {}),
        ({"totals": {**radio().totals, "moving_us": 36_000_000_001}}, {}),
        ({"totals": {**radio().totals, "moving_us": 10**14}}, {}),
        ({}, {"basis": STATED}),
    ],
    ids=["revision", "older", "lacking", "text", "energy fell", "travel fell", "too fast", "too long", "stated"],
)  # fmt: skip
def test_what_cannot_be_compared_or_cannot_be_moves_nothing(changes: dict[str, Any], made: dict[str, Any]) -> None:
    """It is unsigned: whoever may publish under the vehicle's topic can say anything."""
    told = facts(**made)
    assert with_radio(told, radio(**changes), HEARD) == (told, False)


def test_nothing_came_or_nothing_was_done() -> None:
    assert with_radio(facts(), None, HEARD)[1] is False
    assert with_radio(facts(), radio(20_000.0), HEARD)[1] is False


def test_sliding_since_a_part_counts_goes_by_the_energy_of_trips_since() -> None:
    trips = (
        make_trip(date(2026, 1, 1), energy_j=3e6),
        make_trip(SERVICE_DAY, energy_j=0.5e6),
        make_trip(None, energy_j=0.5e6),
    )
    made = make_facts(trips=trips, revision=1)
    seal = replace(made.parts[0], since_entry=7, since=SERVICE_DAY)
    assert sliding_since(seal, made) == pytest.approx(5000.0)
    assert sliding_since(replace(seal, since_entry=None), made) == pytest.approx(20_000.0)
    assert sliding_since(replace(seal, since=None), made) is None
    assert sliding_since(seal, make_facts()) is None, "no trip is known"
    full = make_facts(trips=(make_trip(SERVICE_DAY, energy_j=1e4),) * 50)
    assert sliding_since(seal, full) is None, "older trips of the time since may lack"
    enough = make_facts(
        trips=(make_trip(date(2026, 1, 1), energy_j=1e6), *(make_trip(SERVICE_DAY, energy_j=2e4),) * 49)
    )
    assert sliding_since(seal, enough) == pytest.approx(20_000.0 * 0.98e6 / 4e6)


def test_a_part_that_just_began_goes_at_the_pace_of_the_hard_mix() -> None:
    """Its own share over a few metres would be a pace out of nothing."""
    made = with_part(facts(), "shaft_seal", since_entry=7, since=TODAY, used_share=0.0, used_ratio=0.0)
    seal = with_radio(made, radio(), HEARD)[0].parts[0]
    driven = read_driven()[REFERENCE]
    metres = sum(
        part * driven.rates[surface][damper.position].sliding_m
        for surface, part in SHARES["hard"].items()
        for damper in driven.vehicle.dampers
    ) / len(driven.vehicle.dampers)
    part = next(one for one in PARTS if one.key == "shaft_seal")
    assert seal.radio_share == pytest.approx(5000.0 * share_per_mile(part, per_mile("hard")) / metres)
    assert 0.0 < seal.radio_share < 0.1, "5 km of sliding are some hundred miles"
    assert LEAST_OWN_M < 20_000.0


def test_the_intake_shows_it_apart_and_leaves_out_what_was_replaced_here() -> None:
    """What a part did before the bench made it new isn't told apart from what it did after."""
    made = facts()
    intake = make_intake(made, radio=radio(), today=HEARD)
    seal = next(one for one in intake.parts if one.part.key == "shaft_seal")
    lines = [say(one).replace("\u00a0", " ") for one in seal.lines]
    assert lines[0].startswith("13 % of its believed budget used")
    assert lines[1] == "3 % of that by radio since its card, unsigned"
    assert [one.level for one in intake.notices if one.key == "radio"] == ["note"]
    served = Service("d-1", "bench", 7, TODAY.isoformat(), "Bo", ("shaft_seal",), {}, None, 1, "d" * 64, 70)
    later = make_intake(made, radio=radio(), today=HEARD, services=[served])
    assert next(one for one in later.parts if one.part.key == "shaft_seal").part.radio_share == 0.0
    assert next(one for one in later.parts if one.part.key == "oil").part.radio_share > 0.0


def test_the_intake_says_where_it_does_not_believe_it() -> None:
    wild = radio(totals={**radio().totals, "moving_us": 10**14})
    intake = make_intake(facts(), radio=wild, today=HEARD)
    notices = {one.key: (one.level, say(one.text)) for one in intake.notices}
    assert notices["radio_unlikely"][0] == "care"
    assert "counts for nothing here" in notices["radio_unlikely"][1]
    assert all(one.part.radio_share == 0.0 for one in intake.parts)
    assert intake.facts.basis == CARD
