"""What people tell about the life of dampers is kept as told, checked, and can be withdrawn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dutylog.duty.totals import Totals
from dutylog.engine.output import MinuteRow, TripDamper, TripRow
from dutylog.ledger import life_entries
from dutylog.ledger.command import COMMANDS, apply_command
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Epoch
from ledger.builders import STAMP, fill, open_ledger
from ledger.trip_made import make_trips

SERVICE = {"unit": "DL-1", "by": "Ada", "replaced": ["shaft_seal", "oil"], "found": {"shaft_seal": "worn"}}
DIRT = {"trip": 1, "what": "mud", "washed": False, "by": "Ada"}
USE = {"unit": "DL-1", "distance_m": 48e6, "mix": "mixed", "kind": "before_install", "factor": 2.0, "by": "Ada"}
MARK = {"unit": "DL-1", "mark": "nick", "distance_mm": 60.0, "size_mm": 1.5, "is_sharp": True, "by": "Ada"}


def ask(ledger: Ledger, command: str, **fields: Any) -> dict[str, Any]:
    return apply_command(ledger, {"schema": 1, "command": command, **fields}).reply


def label(ledger: Ledger) -> str:
    return ledger.units()[0].label


def test_everything_told_is_read_back_as_told(ledger: Ledger, unit_ids: list[str]) -> None:
    """A shop relies on what it wrote down years ago."""
    unit = label(ledger)
    rows = [
        ask(ledger, "service", **{**SERVICE, "unit": unit, "on": "2023-05-31", "note": "leaked"})["entry"],
        ask(ledger, "stated_use", **{**USE, "unit": unit, "from_day": "2021-01-01", "to_day": "2022-12-31"})["entry"],
        ask(ledger, "shaft_mark", **{**MARK, "unit": unit})["entry"],
    ]
    life = life_entries.read_life(ledger)
    service, use, mark = life.services[0], life.uses[0], life.marks[0]
    assert [service.said.row, use.said.row, mark.said.row] == rows
    assert (service.replaced, dict(service.found)) == (("shaft_seal", "oil"), {"shaft_seal": "worn"})
    assert (service.said.by, service.said.note, service.said.day.isoformat()) == ("Ada", "leaked", "2023-05-31")
    assert (use.distance_m, use.mix, use.kind, use.factor) == (48e6, "mixed", "before_install", 2.0)
    assert use.from_day is not None
    assert use.from_day.year == 2021
    assert (mark.kind, mark.distance_mm, mark.size_mm, mark.is_sharp) == ("nick", 60.0, 1.5, True)
    assert ledger.verify_chain() is None


def test_a_service_stands_at_the_unit_s_running_time(ledger: Ledger, unit_ids: list[str]) -> None:
    """No wrong clock can move it: the time counted is what the damper itself has run."""
    totals = ledger.totals(unit_ids[0])
    totals.measured_us, totals.unmeasured_us = 7_000_000, 500_000
    ledger.commit(Commit(sequence=ledger.cursor().hot_sequence + 1, engine="test", hot={unit_ids[0]: totals}))
    label_of = next(one.label for one in ledger.units() if one.unit_id == unit_ids[0])
    ask(ledger, "service", **{**SERVICE, "unit": label_of})
    assert life_entries.read_life(ledger).services[0].running_s == 7.5


def test_a_withdrawn_entry_counts_no_longer_and_stays_in_the_chain(ledger: Ledger, unit_ids: list[str]) -> None:
    """A slip of the pen must not spoil what is learned, and must not vanish either."""
    row = ask(ledger, "service", **{**SERVICE, "unit": label(ledger)})["entry"]
    assert ask(ledger, "withdraw", entry=row, by="Bo", why="wrong damper")["ok"]
    life = life_entries.read_life(ledger)
    assert life.services == ()
    assert life.withdrawn == {row}
    assert [entry.row for entry in ledger.entries_of("service")] == [row]
    again = ask(ledger, "withdraw", entry=row, by="Bo", why="twice")
    assert not again["ok"]
    assert "withdrawn already" in again["error"]
    other = ask(ledger, "withdraw", entry=999, by="Bo", why="none")
    assert not other["ok"]
    assert "entry 999 is none of" in other["error"]


def test_a_dirty_trip_grows_with_the_trip(ledger: Ledger, unit_ids: list[str]) -> None:
    """Told while the trip goes on, all of it counts once it is over."""
    trip = TripRow(1, 0, 0, 60_000_000_000, True, 0, None, ())
    ledger.commit(Commit(sequence=1, engine="test", hot={}, trips=(trip,)))
    assert ask(ledger, "dirt", **DIRT)["ok"]
    assert life_entries.read_life(ledger).dirts[0].trip == (1, 0, 60_000_000_000)
    ended = replace(trip, end_ns=90_000_000_000, is_open=False)
    ledger.commit(Commit(sequence=2, engine="test", hot={}, trips=(ended,)))
    assert life_entries.read_life(ledger).dirts[0].trip == (1, 0, 90_000_000_000)


def test_mud_of_a_merged_trip_is_told_of_all_it_is_made_of(tmp_path: Path) -> None:
    """Undo the merge, and each of them has its mud."""
    with open_ledger(tmp_path) as ledger:
        made = make_trips(ledger)
        joined = ask(ledger, "trip_merge", trips=["1", "2"], by="Ada")
        reply = ask(ledger, "dirt", trip=2, what="mud", washed=False, by="Ada", note=None)
        first, second = reply["entries"]
        assert (first, second, reply["entry"]) == (joined["entry"] + 1, joined["entry"] + 2, first)
        assert reply["text"] == (
            f"trip 1 (made of trips 1, 2) had mud on its shafts, not washed yet; stored as entries {first}, {second}"
        )
        ask(ledger, "trip_undo", entry=joined["entry"], by="Ada")
        dirts = life_entries.read_life(ledger).dirts
        assert [(one.said.row, one.number) for one in dirts] == [(first, 1), (second, 2)]
        rows = [made.trips[one.number] for one in dirts]
        assert [one.spans for one in dirts] == [((row.epoch, row.start_ns, row.end_ns),) for row in rows]
        assert ledger.verify_chain() is None


@pytest.mark.parametrize("is_open", [True, False])
def test_mud_covers_every_stretch_of_a_trip(tmp_path: Path, is_open: bool) -> None:
    """A trip that went on in another epoch, told on the way or when it had ended."""
    second_ns = 10**9
    with open_ledger(tmp_path) as ledger:
        unit_id = fill(ledger)[0]
        for number in (1, 2):
            ledger.put_epoch(Epoch(number, "bridge", "bridge", "boot-a", 0, STAMP.utc_ns, True))
        gained = Totals(measured_us=60_000_000)
        rows = [
            MinuteRow(unit_id, "front_left", epoch, minute, start_s * second_ns, 60_000_000, gained, None, None, None)
            for epoch, minute, start_s in ((1, 0, 0), (1, 1, 60), (2, 0, 150), (2, 1, 210))
        ]
        share = (TripDamper(unit_id, "front_left", gained),)
        trip = TripRow(1, 0, 0, (120 if is_open else 250) * second_ns, is_open, 0, None, share)
        ledger.commit(Commit(sequence=1, engine="test", hot={}, minutes=tuple(rows), trips=(trip,)))
        assert ask(ledger, "dirt", **DIRT)["ok"]
        ended = replace(trip, end_ns=250 * second_ns, is_open=False)
        ledger.commit(Commit(sequence=2, engine="test", hot={}, trips=(ended,)))
        dirt = life_entries.read_life(ledger).dirts[0]
    assert dirt.spans == ((1, 0, 120 * second_ns), (2, 150 * second_ns, 250 * second_ns))


@pytest.mark.parametrize(
    ("command", "change", "said"),
    [
        ("service", {"replaced": [], "found": {}}, "nothing replaced and nothing found"),
        ("service", {"replaced": ["seal"]}, "nearest known is"),
        ("service", {"replaced": ["oil", "oil"]}, "twice"),
        ("service", {"replaced": "oil"}, "list of parts"),
        ("service", {"found": {"oil": "dirty"}}, "none of as_new"),
        ("service", {"found": [["oil", "worn"]]}, "grades by part"),
        ("service", {"on": "31.5.2026"}, "write it as 2026-05-31"),
        ("service", {"on": "2026-02-30"}, "write it as"),
        ("service", {"on": 20260531}, "write it as"),
        ("service", {"unit": "NOBODY"}, "NOBODY"),
        ("stated_use", {"distance_m": 0.0}, "expected 1 to"),
        ("stated_use", {"distance_m": True}, "no number"),
        ("stated_use", {"mix": "moon"}, "none of street"),
        ("stated_use", {"kind": "dreamt"}, "none of before_install"),
        ("stated_use", {"factor": 0.5}, "expected 1 to 5"),
        ("stated_use", {"from_day": "2026-02-01", "to_day": "2025-01-01"}, "runs backwards"),
        ("shaft_mark", {"mark": "dent"}, "none of nick"),
        ("shaft_mark", {"distance_mm": -1.0}, "expected 0 to"),
        ("shaft_mark", {"size_mm": 51.0}, "expected 0.05 to 50"),
        ("shaft_mark", {"size_mm": 0.0}, "expected 0.05 to 50"),
        ("stated_use", {"from_day": "9999-12-31"}, "write it as 2026-05-31"),
        ("stated_use", {"from_day": "2024-05-05"}, "still to come"),
        ("service", {"on": "9999-12-31"}, "write it as 2026-05-31"),
        ("shaft_mark", {"is_sharp": "yes"}, "neither true nor false"),
        ("dirt", {"what": "snow"}, "none of dust"),
        ("dirt", {"trip": 10**6}, "no trip"),
        ("withdraw", {"entry": 0}, "whole number from 1"),
    ],
)
def test_nonsense_is_refused_with_its_remedy(
    ledger: Ledger, unit_ids: list[str], command: str, change: dict[str, Any], said: str
) -> None:
    """Requests come over a socket: nothing in them is trusted."""
    good = {"service": SERVICE, "stated_use": USE, "shaft_mark": MARK, "dirt": DIRT}.get(
        command, {"entry": 1, "by": "Bo", "why": "x"}
    )
    fields = {**good, **({"unit": label(ledger)} if "unit" in good else {}), **change}
    before = len(ledger.entries())
    reply = ask(ledger, command, **fields)
    assert not reply["ok"]
    assert said in reply["error"]
    assert len(ledger.entries()) == before


def test_every_field_of_these_commands_has_a_rule() -> None:
    """An unchecked field would be stored as it came."""
    for name in ("service", "dirt", "stated_use", "shaft_mark", "withdraw"):
        for field, rule in COMMANDS[name].items():
            assert rule.check is not None or rule.is_number or field in ("unit", "by", "note", "why"), (name, field)


@pytest.mark.parametrize(("day", "is_fine"), [("2023-11-14", True), ("2023-11-15", True), ("2059-11-14", False)])
def test_a_day_to_come_is_refused_where_the_clock_was_set(
    ledger: Ledger, unit_ids: list[str], day: str, is_fine: bool
) -> None:
    """A mistyped year would make a part young for decades; the tests' clock stands on 14 November 2023."""
    reply = ask(ledger, "service", **{**SERVICE, "unit": label(ledger), "on": day})
    assert reply["ok"] is is_fine
    assert is_fine or "still to come" in reply["error"]


def test_without_a_trusted_clock_nobody_says_which_day_is_to_come(tmp_path: Path) -> None:
    """A board without a clock battery may believe it is 1970."""
    early = replace(STAMP, utc_ns=0, utc_trusted=False)
    with Ledger.open(tmp_path / "ledger.sqlite", stamp=lambda: early) as ledger:
        fill(ledger)
        assert ask(ledger, "service", **{**SERVICE, "unit": label(ledger), "on": "2026-05-31"})["ok"]
        assert str(life_entries.read_life(ledger).services[0].said.day) == "2026-05-31"
        assert ask(ledger, "service", **{**SERVICE, "unit": label(ledger)})["ok"]
        assert life_entries.read_life(ledger).services[1].said.day is None


def test_the_same_distance_told_twice_is_told_once(ledger: Ledger, unit_ids: list[str]) -> None:
    """A second tap on a slow phone, or a command repeated after a silence, must not double a past."""
    use = {**USE, "unit": label(ledger)}
    assert ask(ledger, "stated_use", **use)["ok"]
    again = ask(ledger, "stated_use", **use)
    assert not again["ok"]
    assert "told already as entry" in again["error"]
    assert ask(ledger, "stated_use", **{**use, "note": "the year before"})["ok"]


def test_a_backdated_service_is_placed_by_clocks_that_somebody_vouched_for(tmp_path: Path) -> None:
    """Ten minutes on Friday, thirty on Sunday by a clock stuck at Friday, five on Monday: done on Saturday."""
    hour_ns, friday_ns = 3_600_000_000_000, STAMP.utc_ns - 10 * 86_400_000_000_000
    with Ledger.open(tmp_path / "ledger.sqlite", stamp=lambda: STAMP) as ledger:
        unit_id = fill(ledger)[0]
        drives = [(friday_ns, True, 10), (friday_ns + hour_ns, False, 30), (friday_ns + 72 * hour_ns, True, 5)]
        for number, (utc_ns, trusted, minutes) in enumerate(drives, start=1):
            ledger.put_epoch(Epoch(number, "test", "test", "boot-a", 0, utc_ns, trusted))
            gained = Totals(measured_us=60_000_000)
            rows = [
                MinuteRow(unit_id, "front_left", number, m, m * 60_000_000_000, 60_000_000, gained, None, None, None)
                for m in range(minutes)
            ]
            ledger.commit(Commit(sequence=number, engine="test", hot={}, minutes=tuple(rows)))
        saturday_ns = friday_ns + 24 * hour_ns
        assert ledger.running_us_before(unit_id, friday_ns - 1) == 0
        # Sunday's drive lies before Monday's in the log, and nothing vouches that it came after Saturday.
        assert ledger.running_us_before(unit_id, saturday_ns) == 40 * 60_000_000
        assert ledger.running_us_before(unit_id, friday_ns + 5 * 60_000_000_000) == 5 * 60_000_000
        assert ledger.running_us_before(unit_id, friday_ns + 100 * hour_ns) is None


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12), st.just([]), st.just({}),
    st.sampled_from(["9999-12-31", "0001-01-01", "2023-11-14", "SN-1", "oil", "nick", "mud", "street", "fill"]),
    st.sampled_from([["oil"], {"oil": "worn"}, 2**53, -1, 0, 1e308, 1e-308]),
)  # fmt: skip


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_request_of_any_kind_ends_in_an_exception(ledger: Ledger, unit_ids: list[str], data: st.DataObject) -> None:
    """Core would end with it, and the vehicle would stop logging because somebody mistyped a year on a phone."""
    command = data.draw(st.sampled_from(sorted(COMMANDS)))
    good = {"service": SERVICE, "stated_use": USE, "shaft_mark": MARK, "dirt": DIRT}.get(command, {})
    fields = {name: data.draw(JUNK | st.just(good[name]) if name in good else JUNK) for name in COMMANDS[command]}
    if "unit" in fields:
        fields["unit"] = data.draw(st.sampled_from(["SN-1", fields["unit"]]))
    reply = ask(ledger, command, **fields)
    assert reply["ok"] in (True, False)
    life_entries.read_life(ledger)
