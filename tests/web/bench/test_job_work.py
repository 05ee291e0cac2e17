"""Work order, build sheet and record without any script: what was seen is what is approved and signed."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import httpx
import pytest

from dutylog.bench.canonical import RECORD, check_signature
from dutylog.domain.wear import AS_NEW, FAILED, USABLE
from web.bench.jobs_made import JobBench, Person, bench, entries_of, made, mina, tom, ulla

__all__ = ["bench", "made", "mina", "tom", "ulla"]
HOSTILE = '"><script>alert(1)</script>{{ 7 * 7 }}'
LEAK, GAS = "leak_seal_head", "charge_before"
READING = {"m_gauge_pa": "200", "u_gauge_pa": "psi", "m_body_c": "68", "u_body_c": "degF", "m_air_c": "20"}
READING |= {"m_travel_mm": "0", "m_altitude_m": "250"}


class TestOrder:
    def propose(self, person: Person) -> None:
        marks = dict(re.findall(r'name="(take_\d+)" value="([0-9a-f]+)"', person.get("/order").text))
        assert person.post("/order/propose", marks).status_code == 200

    def quote(self, person: Person) -> None:
        assert person.post("/order/stage", {"stage": "quoted", "note": ""}).status_code == 200

    def approve(self, person: Person, digest: str | None = None) -> httpx.Response:
        told = re.findall(r'name="digest" value="([0-9a-f]+)"', person.get("/order").text)
        fields = {"by_customer": "Dee Example", "how": "phone", "note": "", "digest": digest or told[0]}
        return person.post("/order/approval", fields)

    def test_findings_become_lines_once(self, bench: JobBench, tom: Person) -> None:
        """What was found worn is proposed; what is on the order isn't proposed again."""
        tom.answer(LEAK, FAILED)
        self.propose(tom)
        needs = [told.data["need"] for told in bench.state().open_lines.values() if told.data["kind"] == "part"]
        assert "shaft_seal" in needs
        assert len(needs) == len(set(needs))
        assert "take_0" not in tom.get("/order").text
        answer = tom.post("/order/propose", {"take_0": "0" * 16})
        assert answer.status_code == 400

    def test_a_price_is_the_managers_or_the_catalogues(self, bench: JobBench, tom: Person, mina: Person) -> None:
        """A technician's form has no price, and one that is sent all the same isn't taken."""
        mina_line = {"kind": "labour", "text": "Rebuild", "count": "1.5", "unit": "h", "price": "80.50", "do": "put"}
        mina.post("/order/line", mina_line)
        tom.post("/order/line", {"kind": "other", "text": "Rags", "count": "2", "price": "999", "do": "put"})
        lines = {told.data["text"]: told.data for told in bench.state().open_lines.values()}
        assert lines["Rebuild"]["price_minor"] == 8050
        assert lines["Rags"]["price_minor"] is None
        line_id = lines["Rebuild"]["line_id"]
        tom.post("/order/line", {"line_id": line_id, "kind": "labour", "text": "Rebuild", "count": "2", "do": "put"})
        changed = bench.state().lines[line_id].data
        assert (changed["count"], changed["price_minor"]) == (2.0, 8050)

    def test_a_line_that_cannot_be_meant_is_refused(self, bench: JobBench, mina: Person) -> None:
        """One line says why, what was typed stands in the form again."""
        for wrong in (
            {"text": ""},
            {"count": "many"},
            {"count": "-1"},
            {"count": "nan"},
            {"kind": "magic"},
            {"part_no": "no-such"},
            {"line_id": "no-such"},
            {"price": "1e9"},
        ):
            answer = mina.post("/order/line", {"kind": "other", "text": "x", "count": "1", "do": "put", **wrong})
            assert answer.status_code == 400, wrong
            assert 'role="alert"' in answer.text
        assert bench.state().lines == {}

    def test_approval_is_for_what_was_seen_and_void_when_a_line_changes(self, bench: JobBench, mina: Person) -> None:
        """A customer said yes to 121.00, not to what somebody put on the order meanwhile."""
        mina.post("/order/line", {"kind": "labour", "text": "Rebuild", "count": "1", "price": "121", "do": "put"})
        self.quote(mina)
        old = re.findall(r'name="digest" value="([0-9a-f]+)"', mina.get("/order").text)[0]
        mina.post("/order/line", {"kind": "other", "text": "Extra", "count": "1", "price": "9", "do": "put"})
        answer = self.approve(mina, old)
        assert answer.status_code == 400
        assert bench.state().approvals == ()
        self.approve(mina)
        approved = bench.state().approvals[-1].data
        assert (approved["amount_minor"], approved["currency"], approved["how"]) == (13000, "EUR", "phone")
        assert "130.00" in mina.get("/order").text
        mina.post("/order/line", {"kind": "other", "text": "More", "count": "1", "price": "5", "do": "put"})
        assert "The lines have changed since" in mina.get("/order").text

    def test_stages_follow_each_other(self, bench: JobBench, tom: Person) -> None:
        """No step is skipped by a form that was made up."""
        for stage in ("checked", "approved", "handed_over", "nonsense", ""):
            assert tom.post("/order/stage", {"stage": stage, "note": ""}).status_code == 400
        assert bench.state().stages == ()

    def test_the_paper_says_what_stands(self, bench: JobBench, tom: Person, tmp_path: Path) -> None:
        """Findings, decision, lines, customer: all on paper, whatever people typed."""
        tom.answer(LEAK, FAILED, note=HOSTILE, m_wiped="1", m_wet_again="3")
        tom.post("/triage", {"row": "stop", "why": "", "seen": tom.seen("/triage")})
        self.propose(tom)
        for size in ("A4", "Letter"):
            answer = tom.get("/order.pdf", params={"paper": size})
            assert answer.headers["content-type"] == "application/pdf"
            assert answer.content.startswith(b"%PDF-")
        assert tom.get("/order.pdf", params={"paper": "A0"}).status_code == 400
        if shutil.which("pdftotext") is None:
            pytest.skip("no pdftotext here; apt-get install poppler-utils to read the paper")
        file = tmp_path / "order.pdf"
        file.write_bytes(answer.content)
        text = subprocess.run(["pdftotext", "-layout", file, "-"], capture_output=True, check=True).stdout.decode()
        told = ("Work order 1", "Shed", "Dee Example", "Old Red", "SN-1", "do not drive", "Oil runs out of it", "Tom")
        for word in (*told, "shaft seal and wiper", "Seal head", "alert(1)"):
            assert word in text
        assert "{{" in text


class TestBuild:
    def put(self, person: Person, field: str, **fields: str) -> None:
        answer = person.post(f"/build/{field}", fields)
        assert answer.status_code == 200, re.findall(r'role="alert"[^>]*>([^<]*)', answer.text)

    def begin(self, person: Person) -> None:
        """Bring the order to where work begins."""
        person.post("/order/line", {"kind": "labour", "text": "Charge it", "count": "1", "do": "put"})
        person.post("/order/stage", {"stage": "quoted", "note": ""})
        digest = re.findall(r'name="digest" value="([0-9a-f]+)"', person.get("/order").text)[0]
        person.post("/order/approval", {"by_customer": "Dee", "how": "phone", "note": "", "digest": digest})
        for stage in ("parts_here", "in_work"):
            assert person.post("/order/stage", {"stage": stage, "note": ""}).status_code == 200

    def fill(self, person: Person) -> None:
        """Put down all that a new charge needs, in units of either kind."""
        self.put(person, "replaced", part_charge="yes")
        self.put(person, "is_revalved", value="no")
        gas = {"gauge_pa": "200", "u_gauge_pa": "psi", "body_c": "20", "air_c": "20", "altitude_m": "250"}
        self.put(person, "gas", **gas, travel_mm="0")
        self.put(person, "leak_before", **gas)
        self.put(person, "leak_after", **gas, note="it stood over night, both read off the slate")

    def sign(self, person: Person, signed_as: str) -> httpx.Response:
        return person.post("/build/sign", {"as": signed_as, "seen": str(person.bench.state().row)})

    def test_a_build_is_signed_by_two_and_becomes_a_record_that_checks(
        self, bench: JobBench, tom: Person, ulla: Person
    ) -> None:
        """The file that the owner takes home is signed by the bench and says who built and who checked."""
        tom.answer(LEAK, USABLE)
        self.begin(tom)
        self.fill(tom)
        assert tom.post("/record", {"note": ""}).status_code == 400
        assert self.sign(tom, "builder").status_code == 200
        refused = self.sign(tom, "checker")
        assert refused.status_code == 400
        assert "another person" in refused.text
        assert tom.get("/record").status_code == 404
        assert self.sign(ulla, "checker").status_code == 200
        assert tom.post("/record", {"note": "come back in spring"}).status_code == 200
        file = tom.get("/record")
        assert 'filename="SN-1-1.service.json"' in file.headers["content-disposition"]
        record = file.json()
        known = bench.store.read().bench()
        assert known is not None
        assert check_signature(RECORD, record) == known.key_id
        assert (record["by"], record["checked_by"], record["replaced"]) == ("Tom", "Ulla", ["charge"])
        assert (record["found"], record["note"]) == ({"shaft_seal": USABLE}, "come back in spring")
        assert record["gas"]["gauge_pa"] == pytest.approx(1_378_951.46, rel=1e-6)
        assert tom.post("/record", {"note": ""}).status_code == 400  # the same build gives one record

    def test_a_word_after_the_signature_makes_it_void(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """Nobody signs for what is put down later."""
        self.fill(tom)
        self.sign(tom, "builder")
        self.put(ulla, "gas", gauge_pa="14", body_c="20", air_c="20", altitude_m="250", travel_mm="0")
        page = tom.get("/build").text
        assert "void, the sheet changed after" in page
        gas = page[page.index('id="f-gas-gauge_pa"') :]
        assert 'value="14">' in gas[:300]  # what is changed begins with what stands
        assert self.sign(ulla, "checker").status_code == 400

    def test_a_signature_is_for_the_page_that_was_seen(self, bench: JobBench, tom: Person) -> None:
        """A field that came in while somebody read is read first."""
        self.fill(tom)
        answer = tom.post("/build/sign", {"as": "builder", "seen": str(bench.state().row - 1)})
        assert answer.status_code == 400
        assert "since the page was opened" in answer.text
        assert bench.state().signatures == {}

    def test_a_correction_is_another_record_that_names_the_first(
        self, bench: JobBench, tom: Person, ulla: Person
    ) -> None:
        """Nothing is erased: the vehicle sees both, in their order."""
        self.begin(tom)
        for _ in range(2):
            self.fill(tom)
            self.sign(tom, "builder")
            self.sign(ulla, "checker")
            assert tom.post("/record", {"note": ""}).status_code == 200
        first, second = (told.data for told in bench.state().records)
        assert (first["sequence"], second["sequence"]) == (1, 2)
        assert second["record"]["record"]["previous"] == first["digest"]
        with bench.store.snapshot() as reading:
            opened = next(one for one in reading.entries_of_job(bench.job) if one.kind == "job_opened")
        assert [one["record"]["record"]["visit"] for one in (first, second)] == [opened.hash.hex()] * 2
        assert tom.get("/record").json() == second["record"]

    def test_stacks_and_torques_come_as_rows(self, bench: JobBench, tom: Person) -> None:
        """A row that was left empty is no row; one half filled in is told."""
        self.put(tom, "replaced", part_shaft_seal="yes", part_oil="yes")
        rows = {
            "side_0": "compression",
            "diameter_mm_0": "1.5",
            "thickness_mm_0": "0.008",
            "count_0": "3",
            "unit": "in",
        }
        self.put(tom, "shims", **rows, side_1="rebound", diameter_mm_1="", thickness_mm_1="", count_1="")
        stack = bench.state().build["shims"].data["value"]
        assert stack == [
            {
                "side": "compression",
                "diameter_mm": pytest.approx(38.1),
                "thickness_mm": pytest.approx(0.2032),
                "count": 3,
            }
        ]
        answer = tom.post("/build/shims", {**rows, "count_0": ""})
        assert answer.status_code == 400
        assert "row 1: how many is missing" in answer.text
        self.put(
            tom, "torques", what_0="seal head", torque_nm_0="60", what_3="shaft nut", torque_nm_3="22,5", unit="Nm"
        )
        assert [row["torque_nm"] for row in bench.state().build["torques"].data["value"]] == [60.0, 22.5]
        page = tom.get("/build").text
        assert "compression 38.1 × 0.2032 mm, 3" in page
        assert "shaft nut 22.5 N·m" in page

    def test_what_cannot_be_meant_is_refused(self, bench: JobBench, tom: Person) -> None:
        """One line says why; the chain has nothing of it."""
        before = entries_of(bench)
        wrong: dict[str, dict[str, str]] = {
            "gas": {"gauge_pa": "14"},
            "is_revalved": {"value": "perhaps"},
            "oil_volume_ml": {"value": "a lot"},
            "oil_kind": {"value": " "},
            "replaced": {"part_wings": "yes"},
            "no_such_field": {"value": "1"},
            "torques": {"what_0": "nut", "torque_nm_0": "1e9", "unit": "Nm"},
            "after_curve": {},
        }
        for field, fields in wrong.items():
            answer = tom.post(f"/build/{field}", fields)
            assert answer.status_code == 400, field
            assert 'role="alert"' in answer.text
        assert entries_of(bench) == before

    def test_a_key_that_is_gone_is_said(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """Without its key a bench signs nothing, and says what to do."""
        self.fill(tom)
        self.sign(tom, "builder")
        self.sign(ulla, "checker")
        (bench.folder / "bench_key.pem").rename(bench.folder / "elsewhere.pem")
        answer = tom.post("/record", {"note": ""})
        assert answer.status_code == 400
        assert "bench_key.pem is gone" in answer.text
        assert bench.state().record is None


def test_a_finished_job_takes_no_more_words(bench: JobBench, tom: Person) -> None:
    """What was handed over stays as it is; its pages still show it."""
    with bench.store.write(bench.store_who()) as tx:
        tx.append("stage", {"stage": "handed_over", "note": None}, job_id=bench.job)
    before = entries_of(bench)
    writes = (
        ("/inspection/bolts", {"grade": AS_NEW, "seen": "0"}),
        ("/triage", {"row": "fine", "why": "", "seen": "0"}),
        ("/order/line", {"kind": "other", "text": "x", "count": "1", "do": "put"}),
        ("/order/stage", {"stage": "quoted", "note": ""}),
        ("/build/is_revalved", {"value": "no"}),
        ("/build/sign", {"as": "builder", "seen": "0"}),
        ("/record", {"note": ""}),
    )
    for path, fields in writes:
        assert tom.post(path, fields).status_code == 409, path
    for path in ("/inspection", "/inspection/bolts", "/curve", "/triage", "/order", "/build"):
        page = tom.get(path)
        assert page.status_code == 200
        assert '<form class="bj-form"' not in page.text, path
    assert entries_of(bench) == before


def test_parts_that_this_damper_has_not_cannot_be_ticked(bench: JobBench, tom: Person) -> None:
    """A floating piston has no bladder."""
    page = tom.get("/build").text
    assert 'name="part_piston_seal"' in page
    assert 'name="part_bladder"' not in page
