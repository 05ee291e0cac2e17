"""What a broker is told of alerts: each change once as long as we run, at least once over all stops."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.alerts.rules import KINDS
from dutylog.ledger.rows import Acknowledged, AlertRow, Stamp, StoredAlert
from dutylog.publish.alerts import OVER_KEPT, AlertTeller
from dutylog.publish.output import OutputHealth
from dutylog.publish.points import Moment
from publish.samples import alert_now
from web.samples import snapshot

S = 1_000_000_000
STAMP = Stamp(1_700_000_000 * S, True, 30 * S, "boot-a")
ROW = AlertRow("a", "damper_fault", "front_left", "gap", "advice", "front left: gap", "check", (1, 30 * S), None)


def teller(kept=None):
    numbers = itertools.count(1)
    return AlertTeller(kept, new_id=lambda: f"id-{next(numbers)}")


def moment(second):
    return Moment("boot", second * S, None)


def shot(*alerts, **changes):
    return replace(snapshot(), alerts=alerts, **changes)


def words(alerts):
    return [(a.id, a.state, a.acknowledged_by) for a in alerts]


def run(one, *steps):
    """Feed (second, snapshot, outputs) and return (second, id, state, by) of what came."""
    found = []
    for second, seen, *outputs in steps:
        found += [(second, *row) for row in words(one.take(seen, outputs, moment(second)))]
    return found


def look(one, rows, number=9, seen=None, second=50):
    return words(one.core.take_ledger(rows, number, seen or shot(), moment(second)))


def stored(number=1, **changes):
    row = replace(ROW, **changes)
    return StoredAlert(number, row, STAMP, STAMP if row.cleared else None)


A = alert_now("a")


def test_what_core_raises_acknowledges_and_clears_is_told_under_its_id():
    steps = [
        (0, shot()), (1, shot(A)), (2, shot(A)), (3, shot(replace(A, acknowledged_by="Ana"))), (4, shot(A)),
        (5, shot(replace(A, state="cleared", acknowledged_by="Ana"))), (6, shot(A)), (7, shot()),
    ]  # fmt: skip
    assert run(teller(), *steps) == [
        (1, "a", "raised", None), (3, "a", "raised", "Ana"), (5, "a", "cleared", "Ana"),
    ]  # fmt: skip


def test_a_message_has_all_that_core_says():
    (alert,) = teller().take(shot(A), [], Moment("boot", 7 * S, 8))
    assert (alert.kind, alert.position, alert.subject, alert.level) == ("damper_fault", "front_left", "gap", "advice")
    assert (alert.text, alert.remedy) == (A.text, A.remedy)
    assert (alert.boot_id, alert.mono_s, alert.utc_ns) == ("boot", 7.0, 8)


def test_silence_of_core_tells_nothing():
    """No word is no good news."""
    one = teller()
    run(one, (1, shot(A)))
    assert run(one, (2, None), (90, None)) == []


def test_what_is_over_and_was_never_told_is_left_to_the_ledger():
    one = teller()
    assert run(one, (1, shot(replace(A, state="cleared", text="over")))) == []
    assert look(one, [stored(cleared=(1, 40 * S))]) == [("a", "raised", None), ("a", "cleared", None)]


def test_what_happened_while_nobody_was_told_is_told_with_its_own_time():
    one = teller()
    assert look(one, [], number=4) == []
    rows = [stored(5, cleared=(1, 40 * S)), stored(6, alert_id="b", acknowledged=Acknowledged("Ana", STAMP))]
    found = one.core.take_ledger(rows, 6, shot(), moment(50))
    assert words(found) == [("a", "raised", None), ("a", "cleared", None), ("b", "raised", "Ana")]
    assert {(a.boot_id, a.mono_s, a.utc_ns) for a in found} == {("boot-a", 30.0, STAMP.utc_ns)}
    assert found[1].text == "front left: gap is over"
    assert found[1].remedy == ""
    assert one.core.number == 6
    assert look(one, rows) == []


@pytest.mark.parametrize("stamp", [None, replace(STAMP, boot_id="")], ids=["no epoch", "a recording"])
def test_a_row_of_no_known_time_is_told_with_ours(stamp):
    (alert,) = teller().core.take_ledger([StoredAlert(1, ROW, stamp, None)], 1, shot(), moment(50))
    assert (alert.boot_id, alert.mono_s) == ("boot", 50.0)
    (dated,) = teller().core.take_ledger(
        [StoredAlert(1, ROW, replace(STAMP, utc_trusted=False), None)], 1, shot(), moment(50)
    )
    assert (dated.boot_id, dated.utc_ns) == ("boot-a", None)


def test_an_older_look_of_core_raises_nothing_again():
    """The ledger may know first."""
    one = teller()
    run(one, (1, shot(A)))
    assert look(one, [stored(cleared=(1, 40 * S))], seen=shot(A)) == [("a", "cleared", None)]
    assert run(one, (2, shot(A)), (3, shot(replace(A, state="cleared")))) == []


def test_what_was_told_and_lost_with_a_kill_is_told_as_over():
    """A disk took nothing and core was killed: nobody else would ever clear it."""
    one = teller()
    run(one, (1, shot(A, unsaved_s=9.0)))
    assert look(one, [], seen=shot(A, unsaved_s=9.0)) == []
    assert look(one, [], seen=shot(unsaved_s=9.0)) == []
    assert look(one, [], seen=shot(A)) == []
    found = one.core.take_ledger([], 9, shot(), moment(60))
    assert words(found) == [("a", "cleared", None)]
    assert found[0].text == "front left: gap is over"
    assert look(one, []) == []


def test_after_a_restart_nothing_is_told_twice_and_nothing_is_missed():
    one = teller()
    run(one, (1, shot(A)))
    look(one, [stored()], number=5)
    two = teller(one.kept())
    assert (two.core.number, two.core.open_ids) == (5, ["a"])
    assert run(two, (10, shot(A))) == []
    assert look(two, [stored(cleared=(1, 40 * S)), stored(6, alert_id="b")], number=6) == [
        ("a", "cleared", None), ("b", "raised", None),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "kept",
    ["", "x", "[1]", "{}", '["a"]', "null", "[" * 9999, '{"told":{"a":1}}', '{"told":[1]}', '{"number":"x"}',
     '{"told":{"a":{"kind":"x"}}}', '{"outputs":3}'],
)  # fmt: skip
def test_a_note_that_cannot_be_read_counts_as_none(kept):
    one = teller(kept)
    assert one.core.number is None
    assert run(one, (0, shot(A))) == [(0, "a", "raised", None)]


def test_what_is_remembered_is_bounded():
    one = teller()
    for n in range(3 * OVER_KEPT):
        run(one, (n, shot(alert_now(f"{n}"))), (n, shot(alert_now(f"{n}", state="cleared"))))
    assert len(one.core.told) == OVER_KEPT
    assert len(one.kept()) < 30_000


CHANGES = st.lists(
    st.tuples(st.sampled_from("abc"), st.sampled_from(["raised", "seen", "cleared"]), st.booleans()), max_size=40
)


@given(CHANGES)
def test_a_receiver_hears_raised_first_cleared_last_and_each_once(changes):
    one, heard = teller(), []
    for n, (name, what, restarts) in enumerate(changes):
        seen = alert_now(
            name, state="cleared" if what == "cleared" else "raised", acknowledged_by="Ana" if what == "seen" else None
        )
        if restarts:
            one = teller(one.kept())
        heard += words(one.take(shot(seen), [], moment(n)))
    for name in "abc":
        of_one = [(state, by) for alert_id, state, by in heard if alert_id == name]
        assert len(set(of_one)) == len(of_one) <= 3
        assert all(state == "raised" for state, _ in of_one[:-1])
        assert not of_one or of_one[0][0] == "raised"


def health(name, is_refused=False):
    return OutputHealth(name, 30.0, 1.0, True, True, is_refused, "wrong password" if is_refused else "")


def test_an_output_that_refuses_us_is_told_even_while_core_is_silent():
    one = teller()
    steps = [
        (0, None, health("mqtt", True), health("influxdb")), (1, None, health("mqtt")), (3, None, health("mqtt")),
    ]  # fmt: skip
    assert run(one, *steps) == [(0, "id-1", "raised", None), (3, "id-1", "cleared", None)]
    (again,) = one.take(None, [health("mqtt", True)], moment(9))
    assert (again.id, again.kind, again.subject, again.text) == ("id-2", "output_refused", "mqtt", "wrong password")
    assert again.remedy
    assert again.level == "advice"
    assert again.kind in KINDS


def test_an_output_that_refused_us_before_a_restart_is_cleared_under_its_id():
    one = teller()
    run(one, (0, None, health("mqtt", True)))
    two = teller(one.kept())
    assert run(two, (10, None, health("mqtt", True)), (11, None, health("mqtt")), (13, None, health("mqtt"))) == [
        (13, "id-1", "cleared", None)
    ]
