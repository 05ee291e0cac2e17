"""New oil has the baseline of the damping output learned anew, whoever applies the command and wherever the unit is."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from dutylog.ledger.command import Applied, apply_command
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Stamp
from ledger.builders import POSITIONS, fill

NOON_NS = 1_780_228_800_000_000_000
"""2026-05-31 12:00 UTC."""
LEFT, RIGHT = POSITIONS[:2]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "ledger.sqlite", stamp=lambda: Stamp(NOON_NS, True, 5, "boot-a")) as opened:
        fill(opened)
        yield opened


def serve(ledger: Ledger, replaced: list[str], sequence: int | None = None, **fields: object) -> Applied:
    request = {"schema": 1, "command": "service", "unit": "SN-1", "by": "Ada", "replaced": replaced, "found": {}}
    return apply_command(ledger, request | fields, sequence)


def keep_heat(ledger: Ledger, *positions: str) -> None:
    """Keep something of the heat of SN-1 in places."""
    unit_id = ledger.find_unit("SN-1").unit_id
    sequence = ledger.cursor().hot_sequence + 1
    ledger.commit(Commit(sequence, "test", {}, heat={(unit_id, position): b"state" for position in positions}))


def resets_of(ledger: Ledger, label: str, position: str) -> tuple[str, ...]:
    kept = ledger.kept_heat(ledger.find_unit(label).unit_id, position)
    assert kept is not None
    return kept.resets


def test_the_daemon_s_engine_and_the_next_start_both_learn_of_it(ledger: Ledger) -> None:
    """With the daemon an event of the log, and an entry for what is kept, as `heat_reset` itself has them."""
    keep_heat(ledger, LEFT)
    applied = serve(ledger, ["shaft_seal", "oil"], sequence=9)
    assert [(effect.kind, effect.data) for effect in applied.effects] == [
        ("heat_reset", {"position": LEFT, "what": "damping"})
    ]
    asked = apply_command(ledger, {"schema": 1, "command": "heat_reset", "position": LEFT, "what": "damping"}, 9)
    assert asked.effects == applied.effects
    own, theirs = ledger.entries_of("heat_reset")
    assert (own.unit_id, own.data, own.sequence) == (theirs.unit_id, theirs.data, theirs.sequence)
    assert (
        "the baseline of its damping output is forgotten; it is learned anew; stored as entry" in applied.reply["text"]
    )
    assert "since" not in applied.reply["text"]
    assert ledger.entries_of("service")[0].row == applied.reply["entry"]
    assert ledger.verify_chain() is None


def test_without_a_daemon_what_was_kept_is_read_without_the_baseline(ledger: Ledger) -> None:
    """A shop enters its work on a folder that no daemon runs on."""
    keep_heat(ledger, LEFT)
    assert resets_of(ledger, "SN-1", LEFT) == ()
    serve(ledger, ["oil"])
    assert resets_of(ledger, "SN-1", LEFT) == ("damping",)
    keep_heat(ledger, LEFT)
    assert resets_of(ledger, "SN-1", LEFT) == (), "what is learned from then on stays"


def test_a_backdated_service_forgets_too_and_says_so(ledger: Ledger) -> None:
    """What was learned on the new oil since goes with it; people must know."""
    applied = serve(ledger, ["oil"], on="2026-05-01")
    assert len(applied.effects) == 1
    assert "is forgotten; it is learned anew (also what was learned since 2026-05-01); stored" in applied.reply["text"]
    assert "since" not in serve(ledger, ["oil"], on="2026-05-31").reply["text"]


def test_oil_changed_on_the_shelf_counts_wherever_the_unit_has_sat(ledger: Ledger) -> None:
    """Most oil is changed on a bench; the baseline waits in the ledger for the unit to come back."""
    keep_heat(ledger, LEFT)
    unit_id = ledger.find_unit("SN-1").unit_id
    for label in ("SN-1", "SN-2"):
        ledger.remove(ledger.find_unit(label).unit_id)
    ledger.install(unit_id, RIGHT)
    keep_heat(ledger, RIGHT)
    ledger.remove(unit_id)
    applied = serve(ledger, ["oil"])
    assert applied.effects == (), "no engine counts it now"
    assert resets_of(ledger, "SN-1", LEFT) == resets_of(ledger, "SN-1", RIGHT) == ("damping",)


def test_other_work_leaves_the_baseline(ledger: Ledger) -> None:
    """Rod ends don't damp."""
    applied = serve(ledger, ["joints"])
    assert (applied.reply["ok"], applied.effects) == (True, ())
    assert ledger.entries_of("heat_reset") == []


def test_a_refused_service_forgets_nothing(ledger: Ledger) -> None:
    """A year mistyped is put right and sent again; until then nothing happened."""
    applied = serve(ledger, ["oil"], on="2027-05-01")
    assert not applied.reply["ok"]
    assert applied.effects == ()
    assert ledger.entries_of("heat_reset") == []


def test_oil_of_a_unit_that_never_sat_anywhere(ledger: Ledger) -> None:
    """A spare from a shelf has no baseline."""
    ledger.add_unit("SPARE", "desert")
    applied = serve(ledger, ["oil"], unit="SPARE")
    assert applied.reply["ok"]
    assert "baseline" not in applied.reply["text"]
    assert [json.loads(entry.data) for entry in ledger.entries_of("heat_reset")] == []
