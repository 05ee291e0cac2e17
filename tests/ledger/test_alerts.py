"""Alerts in the file: written once, dated as well as anybody knows, acknowledged by the first name, bounded."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from dutylog.errors import InputError, LedgerError
from dutylog.ledger import alerts
from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Acknowledged, AlertRow, Commit, Epoch, Stamp
from ledger.builders import STAMP, commit_at

S = 1_000_000_000
ROW = AlertRow(
    "00000000-0000-4000-8000-000000000001", "damper_fault", "front_left", "gap", "advice", "front left: gap", "check",
    (1, 40 * S), (1, 3),
)  # fmt: skip
EPOCH = Epoch(1, "simulated", "x", "boot-a", 10 * S, 1_700_000_000 * S, False)


def row_of(number, **changes):
    return replace(ROW, alert_id=f"{number:08x}-0000-4000-8000-000000000001", **changes)


def store(ledger, unit_ids, *rows, sequence=6):
    ledger.commit(replace(commit_at(unit_ids, sequence), alerts=rows))


def test_what_is_written_is_read_and_written_again_is_the_same(ledger: Ledger, unit_ids: list[str]) -> None:
    told = replace(ROW, acknowledged=Acknowledged("Ana", STAMP))
    store(ledger, unit_ids, told)
    store(ledger, unit_ids, told)
    (stored,) = ledger.open_alerts()
    assert (stored.number, stored.row, stored.raised_at, stored.cleared_at) == (1, told, None, None)
    over = replace(told, cleared=(2, 5 * S))
    store(ledger, unit_ids, over)
    store(ledger, unit_ids, ROW)  # an older state of it opens nothing
    assert ledger.open_alerts() == []
    assert [one.row for one in ledger.alerts()] == [over]
    assert len(ledger.entries_of(alerts.ACKNOWLEDGED)) == 1


def test_times_follow_from_the_epoch_and_get_better_with_it(ledger: Ledger, unit_ids: list[str]) -> None:
    ledger.put_epoch(EPOCH)
    store(ledger, unit_ids, replace(ROW, cleared=(1, 41 * S)))
    (stored,) = ledger.alerts()
    assert stored.raised_at == Stamp(1_700_000_030 * S, False, 40 * S, "boot-a")
    assert stored.cleared_at == Stamp(1_700_000_031 * S, False, 41 * S, "boot-a")
    ledger.put_epoch(replace(EPOCH, utc_ns=1_800_000_000 * S, utc_trusted=True))
    assert ledger.alerts()[0].raised_at == Stamp(1_800_000_030 * S, True, 40 * S, "boot-a")


def test_a_recording_has_times_of_no_boot(ledger: Ledger, unit_ids: list[str]) -> None:
    ledger.put_epoch(replace(EPOCH, source_kind="recording", mono_ns=0))
    store(ledger, unit_ids, ROW)
    raised_at = ledger.alerts()[0].raised_at
    assert raised_at is not None
    assert raised_at.boot_id == ""


def test_who_acknowledged_before_the_clock_was_set_is_dated_later(ledger: Ledger, unit_ids: list[str]) -> None:
    untrusted = Stamp(5, False, 70 * S, "boot-a")
    ledger.put_epoch(EPOCH)
    store(ledger, unit_ids, replace(ROW, acknowledged=Acknowledged("Ana", untrusted)))
    told = ledger.alerts()[0].row.acknowledged
    assert told == Acknowledged("Ana", untrusted)
    ledger.put_epoch(replace(EPOCH, utc_trusted=True))
    told = ledger.alerts()[0].row.acknowledged
    assert told == Acknowledged("Ana", Stamp(1_700_000_060 * S, True, 70 * S, "boot-a"))


def test_alerts_of_a_trip_by_its_key_in_order(ledger: Ledger, unit_ids: list[str]) -> None:
    rows = [row_of(1), row_of(2, trip=None), row_of(3, trip=(1, 4)), row_of(4)]
    store(ledger, unit_ids, *rows)
    trip = ledger.trips(1)[0].row
    assert [one.row.alert_id[:8] for one in ledger.trip_alerts(trip)] == ["00000001", "00000004"]
    assert [one.number for one in ledger.alerts_after(2, 1)] == [3]
    assert [one.number for one in ledger.alerts(2, before=4)] == [3, 2]
    assert [one.number for one in ledger.alerts_of([rows[3].alert_id, "gone", rows[0].alert_id])] == [1, 4]
    assert ledger.alerts_of([]) == []
    with pytest.raises(InputError, match="limit 0"):
        ledger.alerts(0)


def test_only_the_newest_are_kept_but_what_is_open_stays(
    ledger: Ledger, unit_ids: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alerts, "KEPT_COUNT", 10)
    store(ledger, unit_ids, row_of(1))
    for number in range(2, 40):
        store(ledger, unit_ids, row_of(number, cleared=(1, number)))
    assert [one.number for one in reversed(ledger.alerts(100))] == [1, *range(30, 40)]


def test_acknowledged_by_command_with_an_entry_and_the_first_name(ledger: Ledger, unit_ids: list[str]) -> None:
    store(ledger, unit_ids, ROW)
    request = {"schema": 1, "command": "acknowledge", "alert": ROW.alert_id, "by": "Ana"}
    applied = apply_command(ledger, request)
    assert applied.effects == ()
    assert applied.reply == {
        "schema": 1, "ok": True, "text": "front left: gap: seen by Ana", "alert": ROW.alert_id,
        "acknowledged_by": "Ana",
    }  # fmt: skip
    again = apply_command(ledger, request | {"by": "Bo", "alert": ROW.alert_id[:6]})
    assert again.reply["ok"] is True
    assert again.reply["acknowledged_by"] == "Ana"
    assert again.reply["text"].endswith("seen by Ana, whose name stays")
    (entry,) = ledger.entries_of("alert_acknowledged")
    assert json.loads(entry.data) == {
        "alert": ROW.alert_id, "by": "Ana", "kind": "damper_fault", "position": "front_left", "subject": "gap",
    }  # fmt: skip
    assert ledger.verify_chain() is None
    assert ledger.open_alerts()[0].row.acknowledged == Acknowledged("Ana", STAMP)


@pytest.mark.parametrize(
    ("alert", "words"),
    [
        ("0000", "more than one begins so"),
        ("ffff", "no alert 'ffff'"),
        ("000", "no alert '000'"),
        ("0000%", "no alert"),
        ("x' OR 1", "no alert"),
        ("00000001-0000-4000-8000-0000000000011", "no alert"),
    ],
)
def test_what_is_no_alert_is_refused_in_one_line(ledger: Ledger, unit_ids: list[str], alert: str, words: str) -> None:
    store(ledger, unit_ids, row_of(1), row_of(2))
    reply = apply_command(ledger, {"schema": 1, "command": "acknowledge", "alert": alert, "by": "Ana"}).reply
    assert reply["ok"] is False
    assert words in reply["error"]
    assert ledger.entries_of("alert_acknowledged") == []


@pytest.mark.parametrize("by", ["", " Ana", "A\nna", "x" * 65, None, 7])
def test_a_name_that_is_none_is_refused(ledger: Ledger, unit_ids: list[str], by: object) -> None:
    store(ledger, unit_ids, ROW)
    reply = apply_command(ledger, {"schema": 1, "command": "acknowledge", "alert": ROW.alert_id, "by": by}).reply
    assert reply["ok"] is False
    assert ledger.open_alerts()[0].row.acknowledged is None
    with pytest.raises((InputError, LedgerError)):
        ledger.acknowledge_alert(ROW.alert_id, by)  # type: ignore[arg-type]


def test_a_commit_that_fails_stores_no_alert(ledger: Ledger, unit_ids: list[str]) -> None:
    store(ledger, unit_ids, sequence=6)
    with pytest.raises(InputError, match="goes back"):
        store(ledger, unit_ids, ROW, sequence=3)
    with pytest.raises(InputError):
        ledger.commit(Commit(9, "1", {}, alerts=(replace(ROW, level="panic"),)))
    assert ledger.alerts() == []
