"""The intake as a whole: what the bench reads in its two minutes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from bench.card_made import CARD_DAY, Yard, open_card
from bench.facts_made import LEDGER, SINCE, TODAY, make_facts, make_part, make_trip, with_part
from dutylog.bench.estimate import ESTIMATE, Statement, facts_of_statement
from dutylog.bench.facts import STATED, AlertFact, GasFact, LifeFacts, ServiceFact, UnitFacts
from dutylog.bench.facts_card import facts_of_card
from dutylog.bench.figures import say
from dutylog.bench.intake import BASIS_WORDS, Intake, due_entries, make_intake
from dutylog.bench.intake_notices import CARE, LEVELS, NOTE, OLD_DAYS, STOP, Trust
from dutylog.bench.store.rows import LikeRow, PartLook, RadioDuty, Service
from dutylog.domain.quantity import SYSTEMS
from dutylog.units import M_PER_MILE

NBSP = "\u00a0"


def lines(intake: Intake, part: str, system: str = "metric") -> list[str]:
    done = next(one for one in intake.parts if one.part.key == part)
    return [say(line, system).replace(NBSP, " ") for line in done.lines]


def notices(facts: UnitFacts, **more: Any) -> dict[str, tuple[str, str]]:
    intake = make_intake(facts, **{"today": TODAY, **more})
    return {one.key: (one.level, say(one.text).replace(NBSP, " ")) for one in intake.notices}


def served(day: str, digest: str = "d" * 64, source: str = "bench") -> Service:
    return Service("d-1", source, 7, day, "Bo", ("oil", "shaft_seal"), {"oil": "worn"}, None, 1, digest, 70)


def radio(**changes: int) -> RadioDuty:
    totals = {"shaft_travel_um": 25_000_000_000, "energy_compression_uj": 3 * 10**12, "energy_rebound_uj": 2 * 10**12}
    return RadioDuty("d-1", "truck", "u-1", 0, 9, "2026-12-03T10:00:00Z", totals | changes)


def test_a_real_card_from_file_to_page(tmp_path: Any) -> None:
    """Mud that nobody washed off, a nick, oil that was found worn and replaced: the shaft comes first."""
    card = open_card(Yard(tmp_path / "data").issue())
    intake = make_intake(facts_of_card(card.body), today=CARD_DAY)
    assert intake.basis == (
        "measured on its vehicle, and worked out for up to 100\u00a0% of a part's use, by its signed duty card"
    ), "35 minutes were measured, 4000 km told"
    facts = facts_of_card(card.body)
    measured = replace(facts, parts=tuple(replace(one, measured_ratio=1.0) for one in facts.parts))
    assert make_intake(measured, today=CARD_DAY).basis == BASIS_WORDS["card"]
    assert not intake.is_estimate
    assert intake.first_looks[0].topic == "seal_head"
    rules = {reason.rule for reason in intake.first_looks[0].reasons}
    assert rules == {"mark", "dirt", "used"}, "4000 km of desert were told of it before"
    assert intake.last_service is not None
    assert intake.last_service.day == date(2026, 3, 4)
    order = [one.urgency.order for one in intake.parts]
    assert order == sorted(order)
    assert [one.key for one in intake.notices] == ["gas_no_verdict"], "its profile states no target"
    life = [say(one).replace(NBSP, " ") for one in intake.life]
    assert life[:4] == ["31.5 km driven", "0:35:00 h moving", "420 kJ turned to heat", "2.5 km of shaft travel"]
    for system in SYSTEMS:
        assert all(say(line, system) for one in intake.parts for line in one.lines)


def test_a_part_is_told_against_its_budget_and_like_units() -> None:
    """62 % used since March over 1000 km; four others were replaced at about 70 %."""
    facts = with_part(make_facts(), "shaft_seal", used_ratio=0.62, used_share=0.62, measured_ratio=0.9)
    intake = make_intake(facts, [LikeRow("shaft_seal", 4, 0.5, 0.7, 1.1)], today=TODAY)
    assert lines(intake, "shaft_seal") == [
        "62 % of its believed budget used since 2026-03-01, 1 000 km driven".replace("1 000", "1\u202f000"),
        "as much as 5\u202f000 km of street",
        "90 % of its use was measured, the rest is worked out",
        "like units: replaced 4 times at 70 % (50 % to 110 %)",
    ]
    assert lines(intake, "shaft_seal", "us")[1] == "as much as 3\u202f110 mi of street"
    assert lines(intake, "charge") == ["counts since 2026-03-01"]
    assert intake.parts[0].part.key == "shaft_seal"


def test_what_the_bench_has_found_moves_use_order_and_text() -> None:
    """Oil of like units was found worn at half the budget, again and again: this one is over."""
    looks = [
        PartLook(n, "oil", f"d-{n}", "desert", f"2026-05-{n + 1:02d}", "worn", True, 0.4, 0.4, n) for n in range(20)
    ]
    facts = with_part(make_facts(), "oil", used_ratio=0.6, used_share=0.6)
    intake = make_intake(facts, (), looks, today=TODAY)
    oil = intake.parts[0]
    assert oil.part.key == "oil"
    assert oil.state == "over"
    assert oil.belief.evidence_count == 20
    assert oil.part.used_ratio == pytest.approx(0.6 / oil.belief.budget.median)
    assert any("from 20 parts looked at (20 worn or failed)" in line for line in lines(intake, "oil"))
    assert intake.first_looks[0].topic == "oil"
    own = make_intake(
        with_part(facts, "oil", findings_count=20), (), looks, today=TODAY, own_dampers=[f"d-{n}" for n in range(20)]
    )
    assert next(one.part.used_ratio for one in own.parts if one.part.key == "oil") == 0.6


def test_without_a_card_every_line_is_an_estimate() -> None:
    """Basis, notices and parts say so."""
    told = Statement(None, "T-12", "twin_tube", distance_m=30_000 * M_PER_MILE, years=4.0)
    intake = make_intake(facts_of_statement(told, TODAY), today=TODAY)
    assert intake.is_estimate
    assert intake.basis == ESTIMATE == BASIS_WORDS[STATED]
    assert intake.notices[0].level == CARE
    assert ESTIMATE in say(intake.notices[0].text)
    assert all(one.part.is_estimate for one in intake.parts)
    assert any("(estimate)" in say(reason.text) for look in intake.first_looks for reason in look.reasons)
    assert intake.facts.label == "T-12"


@pytest.mark.parametrize(
    ("key", "level", "words", "facts", "more"),
    [
        ("first_sight", CARE, "first card", make_facts(), {"trust": Trust((("first_sight", "first card"),))}),
        (
            "key_changed",
            STOP,
            "accepted by a manager: new key (Ada)",
            make_facts(),
            {"trust": Trust((("key_changed", "accepted by a manager: new key"),), ("key_changed",), "Ada")},
        ),
        (
            "rolled_back",
            STOP,
            "refused for rolled back (Ada)",
            make_facts(),
            {"trust": Trust((), ("rolled_back",), "Ada")},
        ),
        ("other", NOTE, "something new", make_facts(), {"trust": Trust((("other", "something new"),))}),
        ("clock_unset", CARE, "clock", make_facts(is_clock_sure=False, notes=("the clock was never set",)), {}),
        (
            "coverage",
            CARE,
            "only 94.9 % of its moving time was measured, 0:30:36 h were not",
            make_facts(life=replace(make_facts().life, coverage_ratio=0.949)),
            {},
        ),
        (
            "coverage",
            CARE,
            "never moved while it was measured",
            make_facts(life=replace(make_facts().life, coverage_ratio=None)),
            {},
        ),
        ("old", CARE, "made 61 days ago, on 2026-09-30", make_facts(day=TODAY - timedelta(OLD_DAYS + 1)), {}),
        ("from_future", CARE, "still to come", make_facts(day=TODAY + timedelta(2)), {}),
        (
            "sensors",
            NOTE,
            "raised 1 alert",
            make_facts(alerts=(AlertFact(TODAY, "damper_fault", "advice", "no signal", True),)),
            {},
        ),
        (
            "record_not_taken",
            STOP,
            "our service record of 2026-11-01: shaft seal and wiper, damper oil count",
            make_facts(),
            {"services": [served("2026-11-01")]},
        ),
        ("serviced_since", NOTE, "serviced here on 2026-11-30", make_facts(), {"services": [served("2026-11-30")]}),
        (
            "radio",
            NOTE,
            "unsigned, as heard on 2026-12-03: 5 km of shaft travel and 1.00 MJ since",
            make_facts(),
            {"radio": radio()},
        ),
        (
            "gas_no_verdict",
            NOTE,
            "too warm",
            make_facts(gas=(GasFact(TODAY, "check", 1.4e6, 60.0, None, 20.0, 0.0, 0.0, "Bo"),)),
            {},
        ),
        (
            "gas_left_out",
            NOTE,
            "1 gauge reading can't be of such a damper",
            make_facts(gas=(GasFact(TODAY, "check", 1.4e6, 20.0, None, 20.0, 1900.0, 0.0, "Bo"),)),
            {},
        ),
    ],
)
def test_each_warning_is_given_with_its_level(
    key: str, level: str, words: str, facts: UnitFacts, more: dict[str, Any]
) -> None:
    """Trust, age, coverage, clock: without them a figure looks better than it is."""
    found = notices(facts, **more)
    assert found[key][0] == level
    assert words in found[key][1]


@pytest.mark.parametrize(
    ("facts", "more"),
    [
        (make_facts(), {}),
        (make_facts(day=TODAY - timedelta(OLD_DAYS)), {}),
        (make_facts(day=TODAY + timedelta(1)), {}),
        (make_facts(life=replace(make_facts().life, coverage_ratio=0.95)), {}),
        (make_facts(taken_records=("d" * 64,)), {"services": [served("2026-11-01")]}),
        (make_facts(), {"services": [served("2026-11-01", source="vehicle")]}),
        (make_facts(), {"radio": radio(shaft_travel_um=19_000_000_000)}),
        (make_facts(), {"radio": replace(radio(), utc="2026-11-29T00:00:00Z")}),
        (make_facts(), {"radio": replace(radio(), totals={"shaft_travel_um": "much"})}),
    ],
)  # fmt: skip
def test_no_warning_where_there_is_nothing_to_warn_of(facts: UnitFacts, more: dict[str, Any]) -> None:
    """Warnings that are always there are soon overlooked."""
    assert notices(facts, **more) == {}


def test_the_weightiest_warning_comes_first() -> None:
    """A changed key before an old card before a sensor's fault."""
    facts = make_facts(
        day=TODAY - timedelta(90), alerts=(AlertFact(TODAY, "damper_fault", "advice", "no signal", True),)
    )
    trust = Trust((("key_changed", "new key"),), ("key_changed",), "Ada")
    intake = make_intake(facts, today=TODAY, trust=trust)
    assert [one.key for one in intake.notices] == ["key_changed", "old", "sensors"]
    assert [LEVELS.index(one.level) for one in intake.notices] == [0, 1, 2]


def test_a_service_of_this_bench_that_the_card_has_not_heard_of_is_counted_in() -> None:
    """Hits before it don't speak any more, and what was found worn then and left in does."""
    trip = make_trip(day=date(2026, 6, 1), bottom_outs_count=50)
    facts = make_facts(trips=(trip,), services=(ServiceFact(SINCE, "Ada", ("oil",)),))
    assert [one.topic for one in make_intake(facts, today=TODAY).first_looks] == ["hard_hits"]
    service = replace(served("2026-11-01"), found={"joints": "worn"})
    after = make_intake(facts, today=TODAY, services=[service])
    assert [one.topic for one in after.first_looks] == ["joints"]
    assert after.last_service is not None
    assert after.last_service.day == date(2026, 11, 1)


def test_what_it_has_done_since_its_last_service_is_told() -> None:
    """Two trips after it, one of an unknown distance; the one before doesn't count. A full card may lack some."""
    trips = (
        make_trip(date(2026, 6, 1), peak_body_c=91.0), make_trip(date(2026, 5, 1), distance_m=None),
        make_trip(date(2026, 2, 1)),
    )  # fmt: skip
    facts = make_facts(trips=trips, services=(ServiceFact(SINCE, "Bo", ("oil",)),))
    assert [say(one).replace(NBSP, " ") for one in make_intake(facts).since] == [
        "2 trips since 2026-03-01",
        "at least 30.0 km driven",
        "2:00:00 h moving",
        "1.40 MJ turned to heat",
        "0 bottom-outs",
        "hottest body 91 °C",
    ]
    assert make_intake(make_facts(trips=trips)).since == ()
    full = make_intake(replace(facts, trips=(trips[0],) * 50)).since
    assert say(full[0]) == "at least 50 trips since 2026-03-01"
    assert say(full[3]).startswith("at least ")


def test_due_rows_are_what_the_board_needs() -> None:
    """Days as text; a part that is over is due today, even if the card still hoped."""
    facts = with_part(make_facts(), "oil", used_ratio=1.2)
    facts = with_part(facts, "structure", due_early=None, due_likely=None, due_late=None, order_by=None)
    rows = {one["part"]: one for one in due_entries(facts, TODAY)}
    assert list(rows) == [one.key for one in facts.parts]
    assert rows["shaft_seal"] == {
        "part": "shaft_seal", "early": "2027-06-01", "likely": "2027-11-01", "late": "2028-11-01",
        "order_by": "2027-05-11", "used_ratio": 0.1,
    }  # fmt: skip
    assert {rows["oil"][key] for key in ("early", "likely", "late", "order_by")} == {"2026-11-30"}
    assert rows["structure"]["likely"] is None
    assert rows["charge"]["used_ratio"] is None


def test_days_of_a_clock_nobody_set_do_not_reach_the_board() -> None:
    """A vehicle that thinks it is 1970 would fill the whole board; what is used up is due today all the same."""
    facts = with_part(replace(make_facts(), is_clock_sure=False), "oil", used_ratio=1.2)
    rows = {one.pop("part"): one for one in due_entries(facts, TODAY)}
    days = {part: {row[key] for key in ("early", "likely", "late", "order_by")} for part, row in rows.items()}
    assert days.pop("oil") == {"2026-11-30"}
    assert set().union(*days.values()) == {None}
    assert rows["shaft_seal"]["used_ratio"] == 0.1


def test_an_intake_of_a_damper_of_which_hardly_anything_is_known_holds() -> None:
    """A summary's facts: no parts, no profile, no totals."""
    bare = replace(make_facts(), parts=(), profile=None, life=LifeFacts(*([None] * 8)), ledger_id=None)
    intake = make_intake(bare)
    assert (intake.parts, intake.first_looks, intake.life, intake.today) == ((), (), (), TODAY)
    assert make_intake(bare.with_parts((make_part("oil", None, since=None),))).parts[0].lines[0] == (
        "counts since nobody knows when",
    )
    assert make_facts().ledger_id == LEDGER


def test_a_clock_at_nought_is_not_told() -> None:
    """ "0:00:00 h moving" would read as a measurement."""
    told = [
        say(one) for one in make_intake(make_facts(life=replace(make_facts().life, moving_s=0.0)), today=TODAY).life
    ]
    assert not [one for one in told if "moving" in one]
