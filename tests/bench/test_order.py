"""A work order: nobody works on what the customer didn't approve, and no stage is skipped."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.jobs_made import Job, built_job
from dutylog.bench.money import money_text
from dutylog.bench.order import STAGES, check_approval, check_line, check_step, make_order
from dutylog.bench.order_sum import digest_lines
from dutylog.errors import InputError


def quoted() -> Job:
    job = Job()
    job.line("a", 2500)
    job.line("b", 333, 1.5)
    job.step("quoted")
    return job


def test_stages_follow_each_other_to_the_handing_over() -> None:
    """The whole way, each step by the rules its page has."""
    job = built_job()
    assert job.order.next_stage == "handed_over"
    assert job.order.blocks == ("the service record is not made yet",)
    job.tell("record_made", sequence=1, digest="0" * 64, record={})
    job.step("handed_over")
    order = job.order
    assert [one.stage for one in order.steps] == list(STAGES)
    assert (order.next_stage, order.problems) == (None, ())
    for stage in ("in_work", "checked", "called_off"):
        with pytest.raises(InputError, match="handed over"):
            job.step(stage, "why")


def test_a_manager_takes_back_what_was_handed_over() -> None:
    """The record that follows is of the same job, so the vehicle withdraws the wrong one."""
    job = built_job()
    job.tell("record_made", sequence=1, digest="0" * 64, record={})
    job.step("handed_over")
    with pytest.raises(InputError, match="say why"):
        check_step(job.order, "in_work", None, is_manager=True)
    job.tell("stage", "Mina", **check_step(job.order, "in_work", "wrong part", is_manager=True))
    assert (job.order.stage, job.order.problems, job.order.next_stage) == ("in_work", (), "built")
    assert not job.sheet.is_builder_current
    job.sign("builder", "Ada")
    job.step("built")
    job.sign("checker", "Cleo")
    job.step("checked")
    assert job.order.blocks == ("the service record is not made yet",)  # the first one is older than the signatures


def test_a_job_is_called_off_with_a_reason_before_it_is_handed_over() -> None:
    """A customer who says no ends it, at every stage; nothing follows."""
    whole = built_job()
    for count in range(len(whole.entries) + 1):
        job = Job()
        job.entries = whole.entries[:count]
        with pytest.raises(InputError, match="say why"):
            job.step("called_off")
        job.step("called_off", "too dear")
        order = job.order
        assert (order.stage, order.next_stage, order.problems) == ("called_off", None, ())
        for stage in (*STAGES, "called_off"):
            with pytest.raises(InputError):
                check_step(order, stage, "why", is_manager=True)
        with pytest.raises(InputError, match="called off"):
            job.line("z")
        with pytest.raises(InputError, match="approval"):
            job.approve(0)


def test_prices_for_some_lines_only_are_no_price() -> None:
    """An order with one amount missing would be approved without any: it is quoted when all have one, or none."""
    job = Job()
    job.line("a", 2500)
    job.line("b", None)
    with pytest.raises(InputError, match="line piece b has no price while others have one"):
        job.step("quoted")
    job.line("b", 0)
    job.step("quoted")
    job.line("c", None)
    with pytest.raises(InputError, match="piece c has no price"):
        job.approve(None)
    job.line("c", None, is_gone=True)
    job.approve(2500)
    assert job.order.is_approved


def test_the_same_figures_in_other_money_are_another_order() -> None:
    """100 euros that were approved aren't 100 dollars."""
    job = quoted()
    job.approve(3000)
    for name, count in (("a", 1.0), ("b", 1.5)):
        price = {"a": 2500, "b": 333}[name]
        data = {"line_id": name, "kind": "part", "text": f"piece {name}", "count": count, "price_minor": price}
        job.tell("line_put", **check_line(job.order, {**data, "currency": "USD"}))
        assert not job.order.is_approved
        if name == "a":
            assert job.order.total_minor is None
            with pytest.raises(InputError, match="prices in EUR and USD"):
                job.approve(None)
    job.approve(3000)
    assert job.order.approval is not None
    assert job.order.approval.currency == "USD"


def test_every_other_step_is_refused_at_every_stage() -> None:
    """A page that is old, or a hand-made request, skips nothing."""
    job = built_job()
    for count in range(len(job.entries) + 1):
        early = Job()
        early.entries = job.entries[:count]
        order = early.order
        for stage in STAGES:
            is_back = stage == "in_work" and order.stage in ("built", "checked")
            if stage == order.next_stage and not order.blocks and stage != "approved":
                assert check_step(order, stage) == {"stage": stage, "note": None}
            elif not is_back:
                with pytest.raises(InputError):
                    check_step(order, stage, "a note")


def test_an_approval_is_for_the_sum_of_the_lines() -> None:
    """The amount a customer said yes to is the one on the order, to the minor unit."""
    job = quoted()
    assert job.order.total_minor == 2500 + 500  # 1.5 x 333 = 499.5, half a unit counted up
    for wrong in (2999, 3001, None, 3000.0, True, "3000"):
        with pytest.raises(InputError, match="3000"):
            job.approve(wrong)  # type: ignore[arg-type]
    job.approve(3000)
    assert job.order.stage == "approved"
    assert job.order.is_approved
    assert job.order.approval is not None
    assert (job.order.approval.by_customer, job.order.approval.currency) == ("Bo Dune", "EUR")


def test_a_line_that_comes_later_needs_another_approval() -> None:
    """What is found when it is open is asked for before it is done."""
    job = quoted()
    job.approve(3000)
    job.step("parts_here")
    job.line("c", 9900)
    assert not job.order.is_approved
    with pytest.raises(InputError, match="the lines have changed since"):
        job.step("in_work")
    job.approve(12900)
    assert job.order.stage == "parts_here"
    job.step("in_work")


@pytest.mark.parametrize("change", ["text", "count", "price_minor", "part_no", "unit"])
def test_any_change_of_a_line_voids_the_approval(change: str) -> None:
    """A price that was changed behind the customer's back isn't approved."""
    job = quoted()
    job.approve(3000)
    other = {"text": "another piece", "count": 2.0, "price_minor": 2499, "part_no": "P-1", "unit": "set"}[change]
    data = {"line_id": "a", "kind": "part", "text": "piece a", "count": 1.0, "price_minor": 2500, change: other}
    job.tell("line_put", **check_line(job.order, data))
    assert not job.order.is_approved


def test_a_line_taken_out_and_put_back_is_approved_as_before() -> None:
    """The approval names what the lines say, not when they were written."""
    job = quoted()
    job.approve(3000)
    job.line("b", 333, 1.5, is_gone=True)
    assert not job.order.is_approved
    job.line("b", 333, 1.5)
    assert job.order.is_approved


def test_without_prices_there_is_no_amount() -> None:
    """A shop that keeps no prices has its approvals without one."""
    job = Job()
    job.line("a", None)
    job.step("quoted")
    assert job.order.total_minor is None
    with pytest.raises(InputError, match="no price"):
        job.approve(100)
    job.approve(None)
    assert job.order.stage == "approved"


def test_words_of_the_chain_that_may_not_follow_are_passed_over_and_told() -> None:
    """Two tablets at once: the store takes both words, the order counts one."""
    job = quoted()
    job.tell("stage", stage="checked", note=None)
    job.tell("stage", stage="approved", note=None)
    job.tell("stage", stage="no such", note=None)
    order = job.order
    assert order.stage == "quoted"
    assert len(order.problems) == 3
    assert "checked doesn't follow quoted" in order.problems[0]


def test_an_approval_before_the_quote_counts_for_nothing() -> None:
    """Nobody can have been asked yet."""
    job = Job()
    job.line("a", 100)
    with pytest.raises(InputError, match="quote the order first"):
        job.approve(100)
    digest = digest_lines(job.order.lines)
    job.tell(
        "approved", by_customer="Bo", how="phone", amount_minor=100, currency="EUR", lines_digest=digest, note=None
    )
    assert job.order.stage is None
    assert job.order.problems


def test_back_to_work_voids_both_signatures() -> None:
    """Whatever was done again is signed again."""
    job = built_job()
    with pytest.raises(InputError, match="say why"):
        job.step("in_work")
    job.step("in_work", "wet at the seal head")
    assert job.order.steps[-1].is_back
    assert not job.sheet.is_builder_current
    with pytest.raises(InputError, match="whoever built it has not signed"):
        job.step("built")


def test_a_sheet_that_is_not_there_blocks_what_needs_it() -> None:
    """Whoever asks without the sheet never gets past the work."""
    job = built_job()
    order = make_order(job.state)
    assert order.blocks == ("the build sheet is needed",)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"kind": "gift"}, "none of part, labour, other"),
        ({"count": 0}, "count 0"),
        ({"count": float("nan")}, "count nan"),
        ({"count": True}, "count True"),
        ({"count": 1001}, "1001"),
        ({"price_minor": -1}, "price -1"),
        ({"price_minor": 1.5}, "price 1.5"),
        ({"price_minor": 100_000_001}, "price"),
        ({"text": ""}, "text"),
        ({"text": "a\x00b"}, "text"),
        ({"text": "x" * 201}, "201"),
        ({"line_id": None}, "line_id"),
        ({"part_no": 7}, "part_no"),
    ],
)
def test_a_line_that_cannot_be_meant_is_one_line_of_why(change: dict[str, object], says: str) -> None:
    """Hostile or mistyped: nothing is written."""
    data = {"line_id": "a", "kind": "part", "text": "seal", "count": 1, "price_minor": None, **change}
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        check_line(Job().order, data)
    assert "\n" not in str(caught.value)


def test_how_a_customer_said_it_is_one_of_few() -> None:
    """'Somehow' is no answer where there is a quarrel about money."""
    with pytest.raises(InputError, match="how"):
        check_approval(quoted().order, {"by_customer": "Bo", "how": "somehow", "amount_minor": 3000}, "EUR")


@given(st.permutations(["a", "b", "c"]), st.lists(st.integers(0, 9999), min_size=3, max_size=3))
def test_the_digest_does_not_hang_on_the_order_of_lines(names: list[str], prices: list[int]) -> None:
    """Lines that were moved on a page are the same lines."""
    job = Job()
    for name, price in zip(["a", "b", "c"], prices, strict=True):
        job.line(name, price)
    lines = {one.line_id: one for one in job.order.lines}
    assert digest_lines([lines[name] for name in names]) == job.order.lines_digest
    other = replace(lines["a"], price_minor=prices[0] + 1)
    assert digest_lines([other, lines["b"], lines["c"]]) != job.order.lines_digest


def test_money_is_shown_with_the_decimals_its_currency_has() -> None:
    """A thousand yen isn't ten."""
    assert money_text(123456, "EUR") == "1\u202f234.56\u00a0EUR"
    assert money_text(1000, "JPY") == "1\u202f000\u00a0JPY"
    assert money_text(None, "EUR") == ""
    assert money_text(-5, None) == "-0.05"
    assert money_text(1500, "KWD") == "1.500\u00a0KWD"
    assert {money_text(700, one) for one in ("PYG", "UGX", "RWF", "XPF")} == {
        f"700\u00a0{one}" for one in ("PYG", "UGX", "RWF", "XPF")
    }
