"""Pages of order, build and triage where it ends or is corrected: called off, taken back, revalved, limited."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import httpx
import pytest

from dutylog.bench.order_pdf import OrderPaper, make_html
from dutylog.bench.order_sum import Line, digest_lines
from dutylog.bench.triage import Limit, Triage
from dutylog.domain.vehicle import CONSTRUCTIONS
from dutylog.domain.wear import FAILED
from dutylog.errors import InputError
from dutylog.web.bench.accounts import account_key, check_name
from dutylog.web.bench.job_desk import JobDesk, read_desk
from dutylog.web.bench.limit_form import read_limit
from dutylog.web.bench.order_paper import make_paper
from web.bench.jobs_made import TODAY, JobBench, Person, bench, made, mina, tom, ulla

__all__ = ["bench", "made", "mina", "tom", "ulla"]
LINE = {
    "line_id": "a", "kind": "labour", "part_no": None, "need": None, "text": "Rebuild", "count": 1.0, "unit": None,
    "price_minor": None, "is_gone": False,
}  # fmt: skip
APPROVED = {
    "by_customer": "Dee Example", "how": "phone", "amount_minor": None, "currency": None, "note": None,
    "lines_digest": digest_lines([Line("a", "labour", "Rebuild", 1.0, None, None, None, None, 1, "test")]),
}  # fmt: skip
CURVE = b"speed,force\n-2500,-6000\n-100,-700\n100,450\n2500,3000\n"


def alert_of(answer: httpx.Response) -> str:
    return " ".join(re.findall(r'role="alert"[^>]*>([^<]*)', answer.text))


def desk_of(bench: JobBench) -> JobDesk:
    return read_desk(bench.store.read(), bench.job, bench.app.state.frame.today())


def bring(bench: JobBench, *stages: str) -> None:
    """Have work ordered, approved and brought to a stage, by entries alone."""
    with bench.store.write(bench.store_who()) as tx:
        tx.append("line_put", LINE, job_id=bench.job)
        tx.append("stage", {"stage": "quoted", "note": None}, job_id=bench.job)
        tx.append("approved", APPROVED, job_id=bench.job)
        for stage in stages:
            tx.append("stage", {"stage": stage, "note": None}, job_id=bench.job)


class TestEnd:
    def test_a_manager_takes_back_what_was_handed_over(self, bench: JobBench, tom: Person, mina: Person) -> None:
        """With a reason, and only while the damper isn't on the bench again in another job."""
        bring(bench, "parts_here", "in_work", "built", "checked", "handed_over")
        back = {"stage": "in_work", "note": "the wrong part was told"}
        assert "Take it back" not in tom.get("/order").text
        assert tom.post("/order/stage", back).status_code == 409
        assert "Take it back to correct it" in mina.get("/order").text
        assert mina.post("/order/stage", {**back, "note": ""}).status_code == 400
        assert mina.post("/order/stage", {"stage": "quoted", "note": "x"}).status_code == 409
        job = bench.store.read().job(bench.job)
        assert job is not None
        with bench.store.write(bench.store_who()) as tx:
            told = {"basis": "card", "digest": None, "statement": None, "note": None}
            again = tx.append("job_opened", told, job.damper_id).job_id
        refused = mina.post("/order/stage", back)
        assert refused.status_code == 400
        assert f"job {again} of this damper is under way" in alert_of(refused)
        with bench.store.write(bench.store_who()) as tx:
            tx.append("stage", {"stage": "called_off", "note": "x"}, job_id=again)
        assert mina.post("/order/stage", back).status_code == 200
        job = bench.store.read().job(bench.job)
        assert job is not None
        assert (job.is_open, job.stage) == (True, "in_work")
        assert tom.post("/build/is_revalved", {"value": "no"}).status_code == 200

    def test_a_job_is_called_off_with_a_reason(self, bench: JobBench, tom: Person, mina: Person) -> None:
        """A quote that nobody wants doesn't stay among the open jobs."""
        assert tom.post("/order/stage", {"stage": "called_off", "note": ""}).status_code == 400
        assert tom.post("/order/stage", {"stage": "called_off", "note": "too dear"}).status_code == 200
        page = tom.get("/order").text
        assert "too dear" in page
        assert "Call the job off" not in page
        job = bench.store.read().job(bench.job)
        assert job is not None
        assert not job.is_open
        assert mina.post("/order/stage", {"stage": "in_work", "note": "x"}).status_code == 409


class TestBuild:
    def put(self, person: Person, field: str, **fields: str) -> None:
        answer = person.post(f"/build/{field}", fields)
        assert answer.status_code == 200, alert_of(answer)

    def sign(self, *people: Person) -> None:
        for person, signed_as in zip(people, ("builder", "checker"), strict=False):
            answer = person.post("/build/sign", {"as": signed_as, "seen": str(person.bench.state().row)})
            assert answer.status_code == 200, alert_of(answer)

    def revalve(self, person: Person, name: str) -> None:
        """Put down a whole build with another stack."""
        gas = {"gauge_pa": "200", "u_gauge_pa": "psi", "body_c": "20", "air_c": "20", "altitude_m": "250"}
        self.put(person, "replaced", part_oil="yes", part_charge="yes")
        self.put(person, "is_revalved", value="yes")
        self.put(person, "oil_kind", value="5 W")
        self.put(person, "oil_volume_ml", value="900")
        self.put(person, "floating_piston_mm", value="40")
        self.put(person, "torques", what_0="seal head", torque_nm_0="60", unit="Nm")
        self.put(person, "shims", side_0="base", diameter_mm_0="38", thickness_mm_0="0.2", count_0="3", unit="mm")
        self.put(person, "gas", **gas, travel_mm="0")
        self.put(person, "leak_before", **gas)
        self.put(person, "leak_after", **gas, note="stood over night")
        self.put(person, "is_dry", value="yes")
        self.put(person, "profile_name", value=name)

    def curve(self, person: Person, **fields: str) -> httpx.Response:
        table = {"table": ("after.csv", CURVE, "text/csv")}
        return person.post("/build/after_curve", {"speed_unit": "mm/s", "force_unit": "N", **fields}, table)

    def test_no_record_of_work_that_nobody_ordered(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """Two signatures alone are no order; after the handing over the record stays."""
        self.put(tom, "replaced", part_joints="yes")
        self.put(tom, "is_revalved", value="no")
        self.put(tom, "torques", what_0="nut", torque_nm_0="60", unit="Nm")
        self.sign(tom, ulla)
        refused = tom.post("/record", {"note": ""})
        assert refused.status_code == 400
        assert "the order is being drawn up" in alert_of(refused)
        assert "Make the signed record" not in tom.get("/build").text
        bring(bench, "parts_here", "in_work")
        self.sign(tom, ulla)
        assert "Make the signed record" in tom.get("/build").text
        assert tom.post("/record", {"note": ""}).status_code == 200

    def test_a_finding_after_the_record_makes_another_one(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """It voids the signatures; signed again, the next record holds it."""
        bring(bench, "parts_here", "in_work")
        self.put(tom, "replaced")
        self.put(tom, "is_revalved", value="no")
        self.sign(tom, ulla)
        assert tom.post("/record", {"note": ""}).status_code == 200
        tom.answer("leak_seal_head", FAILED)
        assert tom.post("/record", {"note": ""}).status_code == 400
        self.sign(tom, ulla)
        assert tom.post("/record", {"note": ""}).status_code == 200
        record = tom.get("/record").json()
        assert (record["record"]["sequence"], record["found"]) == (2, {"shaft_seal": FAILED})

    def test_the_curve_after_comes_with_all_that_it_was_measured_at(self, bench: JobBench, tom: Person) -> None:
        """Gas in or out is asked for; units and the body's temperature are taken."""
        page = tom.get("/build").text
        for name in ("speed_unit", "force_unit", "body_c", "gauge_pa", "with_gas"):
            assert f'name="{name}"' in page
        assert "Guards of the force bench closed" in page
        body, gas = {"body_c": "104", "u_body_c": "degF"}, {"gauge_pa": "200", "u_gauge_pa": "psi"}
        silent = self.curve(tom, **body, **gas)
        assert (silent.status_code, "have the gas in them" in alert_of(silent)) == (400, True)
        assert self.curve(tom, **body, with_gas="yes").status_code == 400
        assert self.curve(tom, **body, **gas, with_gas="yes").status_code == 200
        kept = bench.state().curves["after"].data
        assert kept["body_c"] == pytest.approx(40.0)
        assert kept["speeds_mps"] == [-2.5, -0.1, 0.1, 2.5]
        assert 2000.0 < kept["forces_n"][-1] < 2999.0
        assert self.curve(tom, **body, with_gas="no").status_code == 200
        assert bench.state().curves["after"].data["forces_n"][-1] == 3000.0

    def test_a_revalved_damper_has_its_new_profile_here_too(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """What the record tells the vehicle, the bench knows as well; taking it back is told."""
        bring(bench, "parts_here", "in_work")
        self.revalve(tom, "desert_b2")
        assert self.curve(tom, body_c="20", u_body_c="degC", with_gas="no").status_code == 200
        self.sign(tom, ulla)
        answer = tom.post("/record", {"note": ""})
        assert answer.status_code == 200, alert_of(answer)
        job = bench.store.read().job(bench.job)
        assert job is not None
        damper = bench.store.read().damper(job.damper_id)
        assert damper is not None
        record = tom.get("/record").json()
        assert (damper.profile_name, damper.profile) == ("desert_b2", record["profile"])
        assert damper.serial == "SN-1"
        assert damper.vehicle_key is not None
        self.put(tom, "is_revalved", value="no")
        assert "the profile desert_b2: vehicle and bench keep it" in tom.get("/build").text


class TestLimit:
    """How long it may go on is part of the decision, and of the paper."""

    def agree(self, person: Person, **fields: str) -> httpx.Response:
        told = {"row": "within", "why": "known owner", "seen": person.seen("/triage")}
        return person.post("/triage", {**told, **fields})

    def paper(self, bench: JobBench) -> OrderPaper:
        seen: Any = SimpleNamespace(frame=bench.app.state.frame, store=bench.store)
        return make_paper(seen, desk_of(bench))

    def test_within_is_said_in_miles_or_weeks(self, bench: JobBench, tom: Person) -> None:
        """In the unit it was typed in; the day follows from the weeks."""
        assert 'name="limit_far"' in tom.get("/triage").text
        assert self.agree(tom, limit_weeks="0").status_code == 400
        assert self.agree(tom, limit_far="far").status_code == 400
        assert self.agree(tom, limit_far="500", u_limit_far="mi", limit_weeks="6").status_code == 200
        agreed = bench.state().agreed
        assert agreed is not None
        limit = agreed.data["limit"]
        assert (limit["distance_m"], limit["weeks"]) == (pytest.approx(804_672.0), 6)
        page = tom.get("/triage").text
        assert limit["until"] in page
        assert "whichever comes first" in page
        far = "805\u00a0km (500\u00a0mi)"
        assert self.paper(bench).limit == f"{far}, or 6 weeks, until {limit['until']}, whichever comes first"
        assert self.agree(tom, limit_weeks="1").status_code == 200
        assert self.paper(bench).limit == f"1 week, until {next_week(bench)}"
        assert self.agree(tom, row="fine").status_code == 200
        assert self.paper(bench).limit == ""

    def test_a_paper_says_that_something_was_found_after_the_decision(self, bench: JobBench, tom: Person) -> None:
        """Fine, and then a mount that broke: the paper doesn't go on saying fine alone."""
        self.agree(tom, row="fine")
        assert not self.paper(bench).is_agreed_old
        tom.answer("mounts_cracked", FAILED)
        paper = self.paper(bench)
        assert paper.is_agreed_old
        assert "Agreed before later findings" in make_html(paper)

    def test_without_a_rules_limit_one_must_be_said(self, bench: JobBench, tom: Person) -> None:
        """Within nothing is no row at all."""
        tom.answer("mounts_cracked", FAILED)
        silent = self.agree(tom)
        assert silent.status_code == 400
        assert "how far or how many weeks" in alert_of(silent)

    @pytest.mark.parametrize("construction", CONSTRUCTIONS)
    def test_the_paper_warns_by_construction(self, bench: JobBench, construction: str) -> None:
        """A twin tube's gas has no valve; whatever is opened may hold some."""
        desk = desk_of(bench)
        damper = replace(desk.head.damper, construction=construction)
        seen: Any = SimpleNamespace(frame=bench.app.state.frame, store=bench.store)
        closed = make_paper(seen, replace(desk, head=replace(desk.head, damper=damper))).cautions
        with bench.store.write(bench.store_who()) as tx:
            tx.append("line_put", {**LINE, "kind": "part", "need": "oil", "text": "oil"}, job_id=bench.job)
        opened = desk_of(bench)
        cautions = " ".join(make_paper(seen, replace(opened, head=replace(opened.head, damper=damper))).cautions)
        assert closed
        if construction == "twin_tube":
            assert "behind no valve" in cautions
        else:
            assert "Nitrogen under pressure" in cautions
            assert "treat it as charged" in cautions
        assert ("floating piston" in cautions) == (construction == "floating_piston")


@pytest.mark.parametrize(
    ("fields", "why", "data"),
    [
        ({}, "", (5e5, 4)),
        ({"limit_weeks": "3", "limit_far": "400", "u_limit_far": "km"}, "", (4e5, 3)),
        ({"limit_weeks": "3"}, "known owner", (None, 3)),
        ({"limit_weeks": "9", "limit_far": "900", "u_limit_far": "km"}, "known owner", (9e5, 9)),
    ],
)
def test_a_limit_is_the_rules_or_a_narrower_one(fields: dict[str, str], why: str, data: tuple[Any, int]) -> None:
    """A wider one needs a word why: without a distance it is wider than one with."""
    judged = Triage("within", (), Limit(5e5, 4, TODAY + timedelta(weeks=4)), 0, 0)
    found = read_limit(fields, judged, "within", why, TODAY)
    assert found is not None
    assert (found["distance_m"], found["weeks"]) == data
    assert found["until"] == (TODAY + timedelta(weeks=data[1])).isoformat()
    if why:
        with pytest.raises(InputError, match="further or longer"):
            read_limit(fields, judged, "within", "", TODAY)
    assert read_limit(fields, judged, "stop", why, TODAY) is None


@pytest.mark.parametrize("other", ["tom", "T.o.m", "Ｔom", "To\u200bm", "Tom.", " Tom "])
def test_another_spelling_is_the_same_account(other: str) -> None:
    """Nobody gets a second account, and with it a second signature, by a dot or a sign that isn't seen."""
    assert account_key(other) == account_key("Tom")


def test_a_name_of_dots_is_none() -> None:
    """All of those would be one account."""
    with pytest.raises(InputError, match="no letter or digit"):
        check_name("...")
    assert check_name(" Tom B. ") == "Tom B."


def next_week(bench: JobBench) -> str:
    """Return the day a week from the bench's own."""
    day: date = bench.app.state.frame.today() + timedelta(weeks=1)
    return day.isoformat()
