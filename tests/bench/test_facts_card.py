"""What a real card and its summary say of a damper, as facts."""

from __future__ import annotations

import copy
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.card_made import CARD_DAY, Yard, changed, leaves, open_card
from dutylog.bench.facts import CARD, SUMMARY
from dutylog.bench.facts_card import CLOCK_NOTE, SUMMARY_NOTE, facts_of_card, facts_of_summary
from dutylog.bench.keys import CARD_KEY_FILE, read_key
from dutylog.bench.summary_make import make_summary
from dutylog.bench.summary_read import read_summary
from dutylog.errors import InputError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Stamp
from dutylog.life.unit_life import Lives
from dutylog.units import M_PER_MILE
from life.lived import noon_ns

Json = dict[str, Any]


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return Yard(tmp_path_factory.mktemp("vehicle") / "data")


@pytest.fixture(scope="module")
def card(yard: Yard) -> Json:
    return dict(open_card(yard.issue()).body)


def test_a_real_cards_parts_are_those_of_its_ledger(yard: Yard, card: Json) -> None:
    """Asked of the ledger itself: a figure that changes on its way sends the wrong part to the bin."""
    facts = facts_of_card(card)
    with Ledger.open(
        yard.folder / "ledger.sqlite", stamp=lambda: Stamp(noon_ns(CARD_DAY), True, 7, "boot-b")
    ) as ledger:
        life = Lives(ledger).read(ledger.find_unit("SN-1"))
    assert [one.key for one in facts.parts] == [one.part.key for one in life.parts]
    for fact, one in zip(facts.parts, life.parts, strict=True):
        assert (fact.used_share, fact.used_sd, fact.budget) == (one.used.share, one.used.sd, one.belief.budget.median)
        assert fact.used_ratio == (one.ratio if one.part.weights else None)
        assert fact.since == one.since.day
        assert fact.calendar_day == one.calendar
        assert fact.order_by == one.order_by
        assert fact.measured_ratio == one.used.measured_ratio
        if one.miles is not None:
            assert fact.driven_m == pytest.approx(one.miles * M_PER_MILE, rel=1e-12)
        assert not fact.is_estimate
    assert (facts.heat.hot_seal_s, facts.heat.hot_oil_s) == (life.hot_seal_s, life.hot_oil_s)
    assert facts.profile == life.profile
    assert facts.marks[0].urgency == life.marked[0].judged.urgency


def test_a_real_card_tells_of_use_marks_dirt_gas_and_services(card: Json) -> None:
    """35 minutes at 1.2 m/s of sliding and 200 W, mud on the second trip, a fill in March."""
    facts = facts_of_card(card)
    assert (facts.basis, facts.day, facts.label, facts.position) == (CARD, CARD_DAY, "SN-1", "front_left")
    assert (facts.life.moving_s, facts.life.shaft_travel_m, facts.life.energy_j) == (2100.0, 2520.0, 420_000.0)
    assert (facts.life.strokes_count, facts.life.coverage_ratio, facts.life.top_outs_count) == (6300, 1.0, None)
    assert facts.life.distance_m == 35 * 900.0
    assert sorted((one.dirt, one.washed) for one in facts.trips if one.dirt) == [("mud", False)]
    assert [(one.what, one.gauge_pa, one.day) for one in facts.gas] == [("fill", 1.38e6, date(2026, 3, 2))]
    assert [one.replaced for one in facts.services] == [("oil",), ("hose",)]
    assert dict(facts.services[0].found) == {"oil": "worn"}
    assert [(one.kind, one.distance_mm, one.is_sharp) for one in facts.marks] == [("nick", 40.0, True)]
    assert facts.marks[0].wear_factor == 1.0, "it never passed the seal in 1100 m of sliding"
    assert facts.heat.peak_body_c == 80.0
    assert facts.is_clock_sure
    assert facts.notes == ()
    assert facts.ledger_id == card["vehicle"]["ledger_id"]


def test_a_mark_nobody_could_measure_yet_counts_as_is_assumed(card: Json) -> None:
    """3 m of clean shaft for each mm of a sharp nick, 10 passes in a metre: shared/LIFE.md."""
    unmeasured = facts_of_card(changed(card, ("marks", 0, "wear_factor"), lambda _: None))
    assert unmeasured.marks[0].wear_factor == 1.0 + 3.0 * 1.5 * 10.0


def test_a_clock_nobody_vouched_for_is_said(card: Json) -> None:
    """Days of such a card may be years off."""
    facts = facts_of_card(changed(card, ("issued", "utc_trusted"), lambda _: False))
    assert facts.is_clock_sure is False
    assert facts.notes == (CLOCK_NOTE,)


def test_more_trips_than_a_card_holds_leave_their_sums_open(card: Json) -> None:
    """Fifty trips are perhaps not all there were."""
    many = card | {"trips": [card["trips"][0]] * 50}
    assert facts_of_card(many).life.distance_m is None
    counted = card | {"trips": [one | {"top_outs_count": 3} for one in card["trips"]]}
    assert facts_of_card(counted).life.top_outs_count == 6


def test_records_the_vehicle_took_in_are_told(card: Json) -> None:
    """By them the bench knows whether its own work is in the figures."""
    entry = dict(card["evidence"]["entries"][-1]) | {"kind": "service_record", "data": '{"digest":"' + "ab" * 32 + '"}'}
    evidence = card["evidence"] | {"entries": [*card["evidence"]["entries"], entry]}
    assert facts_of_card(card).taken_records == ()
    assert facts_of_card(card | {"evidence": evidence}).taken_records == ("ab" * 32,)


def refusals_of(card: Json) -> list[str]:
    """Return why a card can't be read, nothing where it can."""
    try:
        facts_of_card(card)
    except InputError as err:
        return [str(err)]
    return []


def test_a_field_that_is_missing_or_of_another_type_is_one_line(card: Json) -> None:
    """The door before this checks the form; whoever comes round it gets a line, never a traceback."""
    body = {key: value for key, value in card.items() if key not in ("evidence", "signature")} | {
        "evidence": {"entries": []}
    }
    tried, refusals = 0, list[str]()
    for place in leaves(body):
        for other in ([], {}, "x", None, -1e400):
            made = changed(body, place, lambda _, value=other: value)
            tried += 1
            refusals += refusals_of(made)
    for key in body:
        made = copy.deepcopy(body)
        del made[key]
        refusals += refusals_of(made)
    assert all("\n" not in line and len(line) < 250 for line in refusals)
    assert len(refusals) > 300
    assert tried > 1000


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=4),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["damper", "issued", "profile", "parts", "vehicle", "trips", "utc", "heat"]),
                inner,
                max_size=4,
            )
        ),
        max_leaves=12,
    )
)
def test_no_tree_of_json_gets_past_the_one_line(tree: Any) -> None:
    """Hostile trees are tried, too."""
    with pytest.raises(InputError):
        facts_of_card(tree)


def test_a_summary_says_what_little_it_holds(yard: Yard) -> None:
    """A phone's camera reads it beside the vehicle; it must not pretend to know more."""
    card, key = yard.issue(), read_key(yard.folder / CARD_KEY_FILE)
    assert key is not None
    text = make_summary(card, key)
    facts = facts_of_summary(read_summary(text, {key.key_id: key.public_key}).fields)
    assert (facts.basis, facts.label, facts.day, facts.notes) == (SUMMARY, "SN-1", CARD_DAY, (SUMMARY_NOTE,))
    assert (facts.construction, facts.reservoir, facts.profile) == ("floating_piston", "none", None)
    whole = facts_of_card(card)
    for part in facts.parts:
        like = whole.part(part.key)
        assert like is not None
        assert part.used_ratio == pytest.approx(like.used_ratio, abs=0.005)
        assert part.measured_ratio is None
        assert part.due_likely is None
    assert facts.life.bottom_outs_count == 0
    assert facts.life.coverage_ratio == 1.0
    assert facts.trips == facts.marks == facts.gas == ()


@pytest.mark.parametrize(
    ("parts", "construction"), [(["bladder"], "bladder"), (["piston_seal"], "floating_piston"), (["oil"], "emulsion")]
)
def test_a_summary_takes_a_damper_as_charged_unless_it_knows_better(parts: list[str], construction: str) -> None:
    """The other way round somebody opens a bottle of gas."""
    fields = {
        "s": None,
        "u": "u-1",
        "v": "v",
        "l": "a" * 16,
        "n": 1,
        "d": "2026-11-02",
        "p": [[one, 40] for one in parts],
        "e": 1.0,
        "t": 2.0,
        "r": 3.0,
        "b": 4,
        "c": None,
        "h": "b" * 16,
    }
    facts = facts_of_summary(fields)
    assert (facts.construction, facts.serial, facts.life.coverage_ratio) == (construction, None, None)
    assert facts.part(parts[0]).used_ratio == 0.4  # type: ignore[union-attr]
    with pytest.raises(InputError, match="summary lacks"):
        facts_of_summary(fields | {"d": "tomorrow"})
