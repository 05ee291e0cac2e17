"""A job's pages show the newest word and keep every earlier one: nothing in a fold may be lost or come back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from dutylog.bench.entry_kinds import KINDS
from dutylog.bench.job_state import BUILDER, CHECKER, JobState, fold
from dutylog.domain.wear import FAILED, USABLE, WORN

SHA = "ab" * 32


@dataclass(frozen=True)
class Entry:
    row: int
    kind: str
    data: Mapping[str, Any]
    who: str = "Ada"
    utc: str = "2026-11-30T09:15:02Z"


def entry(at: int, of: str, who: str = "Ada", /, **data: Any) -> Entry:
    """An entry as the store takes it: the test stands on the contract, not on what the fold happens to read."""
    known = KINDS[of].fields
    assert set(data) <= set(known)
    assert {name for name, one in known.items() if one.is_needed} <= set(data)
    return Entry(at, of, data, who)


def finding(row: int, item: str, grade: str, who: str = "Ada", **more: Any) -> Entry:
    return entry(row, "finding", who, **{"item": item, "grade": grade, "measures": {}, "photos": [], **more})


def line(row: int, line_id: str, text: str, is_gone: bool = False) -> Entry:
    return entry(row, "line_put", line_id=line_id, kind="part", text=text, count=1, is_gone=is_gone)


def test_no_entry_is_an_empty_job() -> None:
    """A page of a job that was just opened shows nothing, and does not fail."""
    state = fold([])
    assert state == JobState()
    assert (state.agreed, state.stage, state.record, state.is_agreed_old) == (None, None, None, False)


def test_the_newest_word_counts_and_the_earlier_ones_stay() -> None:
    """Two people at one damper: the later answer is shown, and what it replaced is still to be read."""
    told = [
        finding(2, "leak_head", WORN, note="wet again"),
        finding(3, "shaft", USABLE),
        finding(5, "leak_head", FAILED, "Ben", measures={"depth_mm": 1.5}, photos=[SHA]),
        finding(9, "leak_head", USABLE, "Cleo"),
    ]
    looked = fold(told).findings
    assert list(looked) == ["leak_head", "shaft"]
    head = looked["leak_head"]
    assert (head.newest.grade, head.newest.by, head.newest.entry) == (USABLE, "Cleo", 9)
    assert [(one.grade, one.by) for one in head.earlier] == [(FAILED, "Ben"), (WORN, "Ada")]
    assert (head.earlier[0].measures, head.earlier[0].photos) == ({"depth_mm": 1.5}, (SHA,))
    assert head.earlier[1].note == "wet again"
    assert looked["shaft"].earlier == ()


def test_an_answer_after_the_agreement_makes_it_old() -> None:
    """Somebody agreed to a row before the cracked mount was found: the page must say so."""
    agreed = entry(5, "triage_agreed", row="watch", judged_row="watch", reasons=[], rules_version=1)
    before = fold([finding(3, "mounts", USABLE), agreed])
    assert before.agreed is not None
    assert not before.is_agreed_old
    assert fold([finding(3, "mounts", USABLE), agreed, finding(6, "mounts", FAILED)]).is_agreed_old
    curve = entry(7, "curve_put", which="before", name="a.csv", speeds_mps=[0.1], forces_n=[100.0])
    assert fold([agreed, curve]).is_agreed_old
    assert (fold([agreed, curve]).looked_row, fold([agreed]).looked_row) == (7, 0)
    again = entry(8, "triage_agreed", row="stop", judged_row="stop", reasons=[], rules_version=1)
    assert not fold([agreed, curve, again]).is_agreed_old


def test_a_line_taken_out_is_not_open_but_kept() -> None:
    """A line of the order is never erased, and one put back counts again."""
    out = fold([line(1, "a", "oil"), line(2, "b", "seal"), line(3, "a", "oil", is_gone=True)])
    assert list(out.open_lines) == ["b"]
    assert list(out.lines) == ["a", "b"]
    back = fold([line(1, "a", "oil"), line(3, "a", "oil", is_gone=True), line(4, "a", "oil 10 W")])
    assert [told.data["text"] for told in back.open_lines.values()] == ["oil 10 W"]


def test_a_signature_covers_only_what_was_told_before_it() -> None:
    """A torque written down after the second person signed was checked by nobody."""
    built = entry(2, "build", field="oil_kind", value="10 W")
    state = fold([built, entry(3, "signed", **{"as": BUILDER}), entry(4, "signed", "Ben", **{"as": CHECKER})])
    assert state.is_covered(BUILDER)
    assert state.is_covered(CHECKER)
    later = fold(
        [
            built,
            entry(3, "signed", **{"as": BUILDER}),
            entry(4, "build", field="oil_kind", value="5 W"),
            entry(5, "signed", "Ben", **{"as": CHECKER}),
        ]
    )
    assert not later.is_covered(BUILDER)
    assert later.is_covered(CHECKER)
    assert later.build["oil_kind"].data["value"] == "5 W"
    assert len(later.build_told) == 2
    assert not fold([built]).is_covered(BUILDER)


def test_stage_approval_curve_and_record_are_the_last_told() -> None:
    """The head of a job's pages says where it stands now."""
    state = fold(
        [
            entry(1, "job_opened", basis="card"),
            entry(2, "curve_put", which="before", name="a.csv", speeds_mps=[0.1], forces_n=[100.0]),
            entry(3, "curve_put", which="before", name="b.csv", speeds_mps=[0.1], forces_n=[90.0]),
            entry(4, "stage", stage="quoted"),
            entry(5, "approved", by_customer="Dee", how="by telephone", amount_minor=12300, lines_digest=SHA),
            entry(6, "stage", stage="approved"),
            entry(7, "record_made", sequence=1, digest=SHA, record={}),
        ]
    )
    assert state.opened is not None
    assert state.opened.data["basis"] == "card"
    assert state.curves["before"].data["name"] == "b.csv"
    assert state.stage == "approved"
    assert [one.data["amount_minor"] for one in state.approvals] == [12300]
    assert state.record is not None
    assert state.record.entry == 7
    assert state.row == 7


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from([USABLE, WORN, FAILED])), max_size=12),
    st.randoms(use_true_random=False),
)
def test_no_answer_is_lost_whatever_the_order_of_reading(answers: list[tuple[str, str]], random: Any) -> None:
    """The chain gives entries by row, a query may not: the fold is the same and holds all of them."""
    told = [finding(row, item, grade) for row, (item, grade) in enumerate(answers, 1)]
    state = fold(told)
    shuffled = list(told)
    random.shuffle(shuffled)
    assert fold(shuffled) == state
    rows = [one.entry for looked in state.findings.values() for one in (looked.newest, *looked.earlier)]
    assert sorted(rows) == list(range(1, len(answers) + 1))
    assert all(looked.newest.entry == max(rows_of(looked)) for looked in state.findings.values())


def rows_of(looked: Any) -> list[int]:
    return [looked.newest.entry, *(one.entry for one in looked.earlier)]
