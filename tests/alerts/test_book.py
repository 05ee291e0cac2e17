"""Any sequence of conditions: raised and cleared take turns, never two open of one thing; what was open is restored."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from alerts.moments import S, run, vehicle
from dutylog.alerts.book import AlertBook, key_of
from dutylog.alerts.hold import OPEN_LIMIT, Holds
from dutylog.alerts.rules import CLEARED, KINDS, RAISED, RESTORED_CLEAR_S, RULES, say_over
from dutylog.ledger.rows import Acknowledged, Stamp

KEYS = st.tuples(st.sampled_from([*KINDS, "kind_of_tomorrow"]), st.sampled_from(["", "front_left"]), st.just(""))
MOMENTS = st.lists(
    st.tuples(st.integers(0, 90), st.frozensets(KEYS, max_size=5), st.frozensets(KEYS, max_size=2)), max_size=60
)
ANA = Acknowledged("Ana", Stamp(1, True, 2, "boot"))


@given(MOMENTS, st.frozensets(KEYS, max_size=3))
def test_raised_and_cleared_take_turns_whatever_comes(moments, restored):
    """Of each thing one alert at a time, each raised before it is cleared."""
    holds = Holds(restored)
    is_open = dict.fromkeys(restored, True)
    now_ns = 0
    for step_s, holding, unknown in moments:
        now_ns += step_s * S
        for key, is_raised in holds.take(holding, unknown & holds.open, now_ns):
            assert is_raised != is_open.get(key, False)
            assert is_raised == (key in holding)
            assert is_raised or key not in unknown
            is_open[key] = is_raised
        assert {key for key, value in is_open.items() if value} == holds.open


@given(MOMENTS)
def test_what_holds_for_long_is_open_and_what_is_gone_for_long_is_not(moments):
    """However it began, in the end the alerts are those of the conditions."""
    holds, now_ns = Holds(), 0
    for step_s, holding, unknown in moments:
        now_ns += step_s * S
        list(holds.take(holding, unknown & holds.open, now_ns))
        last = holding
    if moments:
        for _ in range(2):
            now_ns += 1000 * S
            list(holds.take(last, frozenset(), now_ns))
        assert holds.open == last


@given(st.lists(st.booleans(), min_size=1, max_size=80))
def test_every_row_is_raised_once_and_cleared_once_under_its_own_id(pattern):
    book, rows = AlertBook(), []
    for n, is_wrong in enumerate(pattern):
        shot = vehicle(faults=("gap",)) if is_wrong else vehicle()
        rows += book.take(shot, n * 3 * S, (1, n), None)
    raised = [row.alert_id for row in rows if row.cleared is None]
    cleared = [row.alert_id for row in rows if row.cleared is not None]
    assert len(set(raised)) == len(raised)
    assert cleared == raised[: len(cleared)]
    assert len(raised) - len(cleared) == len(book.rows) <= 1


def test_there_is_an_end_to_what_can_be_open():
    keys = {("damper_fault", "front_left", f"fault {n}") for n in range(OPEN_LIMIT + 50)}
    holds = Holds()
    found = [one for second in (0, 3, 6) for one in holds.take(keys, frozenset(), second * S)]
    assert len(found) == len(holds.open) == OPEN_LIMIT


def test_what_was_open_is_restored_under_its_id_and_not_raised_again():
    first = AlertBook()
    run(first, *[(n, vehicle(faults=("gap",))) for n in range(3)])
    second = AlertBook(first.rows)
    assert run(second, *[(n, vehicle(faults=("gap",))) for n in range(40)]) == []
    assert second.rows == first.rows
    assert run(second, *[(n, vehicle()) for n in range(40, 50)]) == [(42, "damper_fault", "cleared")]


def test_what_was_open_has_time_to_be_seen_again_after_a_start():
    """A sensor that is stuck is found out only after a while."""
    first = AlertBook()
    run(first, *[(n, vehicle(faults=("travel_stuck",))) for n in range(3)])
    steps = [(n, vehicle()) for n in range(30)] + [(n, vehicle(faults=("travel_stuck",))) for n in range(30, 60)]
    assert run(AlertBook(first.rows), *steps) == []
    mended = [(n, vehicle()) for n in range(100)]
    assert run(AlertBook(first.rows), *mended) == [(int(RESTORED_CLEAR_S), "damper_fault", "cleared")]


def test_before_the_first_reading_nothing_is_known_of_a_damper():
    first = AlertBook()
    run(first, *[(n, vehicle(faults=("gap",))) for n in range(3)])
    assert run(AlertBook(first.rows), *[(n, vehicle(unit_id="")) for n in range(500)]) == []


def test_acknowledging_keeps_it_open_and_the_first_name():
    book = AlertBook()
    run(book, *[(n, vehicle(faults=("gap",))) for n in range(3)])
    (row,) = book.rows
    assert book.acknowledge("no such id", ANA) is None
    assert book.acknowledge(row.alert_id, ANA).acknowledged == ANA
    assert book.acknowledge(row.alert_id, Acknowledged("Bo", ANA.stamp)).acknowledged == ANA
    assert run(book, (3, vehicle(faults=("gap",)))) == []
    (cleared,) = [row for n in (4, 6) for row in book.take(vehicle(), n * S, (1, n), None)]
    assert cleared.acknowledged == ANA
    assert cleared.cleared == (1, 6)


def test_raised_again_it_is_a_new_one_that_nobody_has_seen():
    book = AlertBook()
    shots = [vehicle(faults=("gap",))] * 3 + [vehicle()] * 3 + [vehicle(faults=("gap",))] * 3
    rows = []
    for n, shot in enumerate(shots):
        rows += book.take(shot, n * S, (1, n), None)
        if n == 2:
            book.acknowledge(rows[0].alert_id, ANA)
    first, over, second = rows
    assert first.alert_id == over.alert_id != second.alert_id
    assert second.acknowledged is None
    assert key_of(first) == key_of(second) == ("damper_fault", "front_left", "gap")


def test_a_kind_of_another_version_is_cleared_in_words():
    assert say_over(("kind_of_tomorrow", "front_left", "")) == "front left: kind of tomorrow is over"
    assert (RAISED, CLEARED) == ("raised", "cleared")
    assert all(rule.over for rule in RULES.values())
