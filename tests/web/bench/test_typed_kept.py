"""A job's pages keep what people typed: a slip, the Enter key, a photo that is none, a field of another unit."""

from __future__ import annotations

import re
from typing import Any

import pytest

from dutylog.bench.inspection_items import items_for
from dutylog.bench.items_outside import ROCKED, STANDS
from dutylog.bench.photo import MOST_BYTES
from dutylog.domain.wear import AS_NEW, USABLE, WORN
from dutylog.web.bench.inspection_view import Point, split_caution
from web.bench.jobs_made import JobBench, Person, bench, made, mina, tom, ulla
from web.bench.test_build_pages import bring
from web.bench.test_job_pages import GAS, LEAK, READING, entries_of, photo

__all__ = ["bench", "made", "mina", "tom", "ulla"]
TICK = re.compile(r'type="checkbox" name="(keep_\d+)" value="([0-9a-f]{64})"( checked)?')


def input_of(page: str, name: str) -> str:
    """Return the value that stands in a field of a page."""
    found = re.search(rf'<input[^>]* name="{name}"[^>]*>', page)
    assert found, name
    value = re.search(r'value="([^"]*)"', found[0])
    return value[1] if value else ""


def chosen_of(page: str, label: str) -> str:
    """Return what is chosen in a list of a page, found by its id or its label."""
    found = re.search(rf"<select[^>]*{label}[^>]*>(.*?)</select>", page, re.DOTALL)
    assert found, label
    return (re.findall(r'<option value="([^"]*)"[^>]* selected', found[1]) or re.findall(r'value="([^"]*)"', found[1]))[
        0
    ]


class TestPoint:
    def test_enter_in_a_field_keeps_nothing_and_loses_nothing(self, bench: JobBench, tom: Person) -> None:
        """The form's first button sends no grade: 'not looked at' is nobody's word by the Enter key."""
        form = tom.get(f"/inspection/{GAS}").text.partition('enctype="multipart/form-data"')[2]
        first = re.findall(r'<button[^>]*type="submit"[^>]*>', form)[0]
        assert "name=" not in first
        before = entries_of(bench)
        answer = tom.post(f"/inspection/{GAS}", {**READING, "note": "later", "seen": "0"})
        assert answer.status_code == 400
        assert "press one of the grades, nothing is kept yet" in answer.text
        assert input_of(answer.text, "m_gauge_pa") == "200"
        assert ">later</textarea>" in answer.text
        assert entries_of(bench) == before

    def test_another_answer_begins_with_the_note_of_the_last(self, bench: JobBench, tom: Person) -> None:
        """A grade that is put right doesn't take the words with it."""
        tom.answer(LEAK, USABLE, note="at the lip")
        page = tom.get(f"/inspection/{LEAK}").text
        assert re.search(r'<textarea id="note"[^>]*>at the lip</textarea>', page)
        assert '<details class="bj-more" open>' in page

    def test_a_good_photo_outlives_a_slip_beside_it(self, bench: JobBench, tom: Person) -> None:
        """A browser can't choose a file again by itself: the photo is kept, its tick comes with the form."""
        bad = {**READING, "u_gauge_pa": "bar"}
        answer = tom.answer(GAS, USABLE, {"photo": ("a.jpg", photo(), "image/jpeg")}, **bad)
        assert answer.status_code == 400
        assert "the photo you sent is kept" in answer.text
        ((name, sha, is_on),) = TICK.findall(answer.text)
        assert is_on
        assert bench.state().findings == {}
        # and a second slip with the tick taken along
        again = tom.answer(GAS, USABLE, **bad, **{name: sha})
        assert TICK.findall(again.text) == [(name, sha, is_on)]
        assert tom.answer(GAS, USABLE, **READING, **{name: sha}).status_code == 200
        assert bench.state().findings[GAS].newest.photos == (sha,)

    def test_a_photo_straight_from_a_camera_loses_no_note(self, bench: JobBench, tom: Person) -> None:
        """Without a script nothing makes it smaller: one line says so in whole MB, the other photo is kept."""
        large = b"\xff\xd8\xff" + bytes(2 * MOST_BYTES)
        files = {"photo": ("big.jpg", large, "image/jpeg"), "photo_2": ("b.jpg", photo(30), "image/jpeg")}
        answer = tom.answer(LEAK, WORN, files, note="see the photo")
        assert answer.status_code == 400
        assert "big.jpg: 8.1 MB, at most 4 MB are kept" in answer.text
        assert ">see the photo</textarea>" in answer.text
        assert len(TICK.findall(answer.text)) == 1

    def test_a_tick_of_a_photo_nobody_sent_is_none(self, bench: JobBench, tom: Person) -> None:
        """A hash that was made up names no picture."""
        assert tom.answer(LEAK, WORN, keep_0="0" * 64).status_code == 200
        assert bench.state().findings[LEAK].newest.photos == ()

    def test_a_question_of_how_much_is_answered_by_a_figure_or_a_word(self, bench: JobBench, tom: Person) -> None:
        """'No sign' says nothing of a gauge."""
        page = tom.get(f"/inspection/{GAS}").text
        assert "<span>as it should be</span>" in page
        assert "<span>no sign</span>" not in page
        answer = tom.answer(GAS, AS_NEW)
        assert answer.status_code == 400
        assert "a grade alone doesn&#39;t answer it; give a figure, or a note why there is none" in answer.text
        assert tom.answer(GAS, AS_NEW, note="no gauge here today").status_code == 200
        assert "as it should be" in tom.get("/inspection").text
        assert "<span>no sign</span>" in tom.get("/inspection/bolts").text

    def test_a_choice_can_be_taken_back(self, bench: JobBench, tom: Person) -> None:
        """A radio that was touched by mistake has a way back to 'not answered'."""
        tom.answer(LEAK, USABLE, m_wiped="1", m_wet_again="2")
        page = tom.get(f"/inspection/{LEAK}").text
        assert len(re.findall(r'name="m_w[a-z_]+" value="">', page)) == 2
        tom.answer(LEAK, USABLE, m_wiped="", m_wet_again="")
        assert bench.state().findings[LEAK].newest.measures == {}


def test_a_caution_is_whole_where_it_is_first_said() -> None:
    """Every sentence of every caution is shown in whole at the first point of its step that has it."""
    points = [Point(item, (), None) for item in items_for("monotube", "hose", "rod_end")]
    whole: dict[int, str] = {}
    for point in points:
        fresh, again = split_caution(points, point.item.key)
        assert sorted(f"{fresh} {again}".split()) == sorted(point.item.caution.split())
        known = whole.setdefault(point.item.step, "")
        assert all(sentence in known for sentence in again.split(". "))
        whole[point.item.step] += " " + fresh
    assert split_caution(points, points[0].item.key) == (points[0].item.caution, "")
    assert STANDS in whole[0]
    assert ROCKED in whole[0]


class TestBuild:
    @pytest.fixture
    def us(self, bench: JobBench) -> Any:
        """Give a technician at a bench that reads US units."""
        bench.close()
        opened = JobBench(bench.folder, "us")
        with Person(opened, "Tom") as person:
            yield person
        opened.close()

    def test_an_altitude_is_typed_in_feet(self, us: Person) -> None:
        """5000 ft put down as 5000 m would shift a gauge by half a bar."""
        fields = {"gauge_pa": "200", "body_c": "68", "air_c": "68", "travel_mm": "0", "altitude_m": "5000"}
        page = us.get(f"/inspection/{GAS}").text
        units = {f"u_{name}": chosen_of(page, f'name="u_m?_?{name}"') for name in fields}
        told = {f"m_{name}": value for name, value in fields.items()}
        assert us.answer(GAS, USABLE, **told, **units).status_code == 200
        assert us.bench.state().findings[GAS].newest.measures["altitude_m"] == pytest.approx(1524.0)

    def test_an_empty_field_waits_for_the_benchs_own_units(self, us: Person) -> None:
        """60 lbf·ft put down as 60 N·m is a bolt that comes loose."""
        us.post("/build/replaced", {"part_shaft_seal": "yes", "part_oil": "yes"})
        page = us.get("/build").text
        assert chosen_of(page, 'id="f-torques-unit"') == "lbf_ft"
        us.post("/build/torques", {"what_0": "cap", "torque_nm_0": "60", "unit": "lbf_ft"})
        page = us.get("/build").text
        assert chosen_of(page, 'id="f-torques-unit"') == "Nm"  # what stands there is what was kept
        assert input_of(page, "torque_nm_0") == "81.3491"
        refused = us.post("/build/torques", {"what_0": "cap", "torque_nm_0": "many", "unit": "lbf_ft"})
        assert chosen_of(refused.text, 'id="f-torques-unit"') == "lbf_ft"

    def test_a_slip_comes_back_with_all_that_was_typed(self, bench: JobBench, tom: Person) -> None:
        """Five rows of a stack aren't typed twice for one that is wrong."""
        tom.post("/build/replaced", {"part_shaft_seal": "yes", "part_oil": "yes"})
        rows = {f"diameter_mm_{at}": str(30 + at) for at in range(5)} | {f"thickness_mm_{at}": "0.2" for at in range(5)}
        rows |= {f"count_{at}": "2" for at in range(5)} | {f"side_{at}": "rebound" for at in range(5)}
        answer = tom.post("/build/shims", {**rows, "thickness_mm_3": "thin", "note": "as found", "unit": "in"})
        assert answer.status_code == 400
        assert [input_of(answer.text, name) for name in rows if "side" not in name and name != "thickness_mm_3"] == [
            value for name, value in rows.items() if "side" not in name and name != "thickness_mm_3"
        ]
        assert input_of(answer.text, "thickness_mm_3") == "thin"
        assert chosen_of(answer.text, 'id="side-4"') == "rebound"
        assert chosen_of(answer.text, 'id="f-shims-unit"') == "in"
        assert 'value="as found"' in answer.text
        gas = {"gauge_pa": "200", "u_gauge_pa": "bar", "body_c": "68", "u_body_c": "degF", "air_c": "20"}
        answer = tom.post("/build/gas", {**gas, "travel_mm": "0", "altitude_m": "250"})
        assert answer.status_code == 400
        gas_form = answer.text[answer.text.index('id="field-gas"') :]
        assert (input_of(gas_form, "gauge_pa"), input_of(gas_form, "altitude_m")) == ("200", "250")
        assert chosen_of(gas_form, 'aria-label="Unit of body"') == "degF"

    def test_one_form_stands_open_and_twelve_rows_are_spare(self, bench: JobBench, tom: Person) -> None:
        """Whatever is typed in a second form would be lost with the first one's button."""
        tom.post("/build/replaced", {"part_shaft_seal": "yes", "part_oil": "yes"})
        page = tom.get("/build").text
        assert page.count('<details class="bj-more" open>') == 1
        assert len(re.findall(r'name="torque_nm_\d+"', page)) == 12
        torques = {f"what_{at}": f"cap {at}" for at in range(12)} | {f"torque_nm_{at}": "9" for at in range(12)}
        assert tom.post("/build/torques", {**torques, "unit": "Nm"}).status_code == 200
        assert len(bench.state().build["torques"].data["value"]) == 12


class TestStock:
    def stock(self, person: Person, bench: JobBench, count: int) -> None:
        told = {"name": "Seal kit", "need": None, "profile_name": None, "lead_days": 7, "price_minor": 900}
        with bench.store.write(bench.store_who()) as tx:
            tx.append("part_put", {"part_no": "K-1", **told, "least_count": 0, "is_gone": False})
            tx.append("stock_change", {"part_no": "K-1", "change": count, "why": "counted", "job": None})
        line = {"kind": "part", "text": "Seal kit", "count": "2", "part_no": "K-1", "do": "put"}
        assert person.post("/order/line", line).status_code == 200

    def press(self, person: Person) -> Any:
        found = re.search(r'/order/stock">.*?name="seen" value="([^"]*)"', person.get("/order").text, re.DOTALL)
        return person.post("/order/stock", {"seen": found[1] if found else ""})

    def count(self, bench: JobBench) -> int:
        row = bench.store.read().stock_row("K-1")
        assert row is not None
        return row.count

    def test_parts_of_an_order_go_out_of_the_stock_once(self, bench: JobBench, tom: Person) -> None:
        """One press when work has begun, an entry each that names the job; a line that changes is followed."""
        self.stock(tom, bench, 5)
        assert "Have the stock follow" not in tom.get("/order").text
        assert self.press(tom).status_code == 400
        bring(bench, "parts_here", "in_work")
        assert "take out 2; 5 there now" in tom.get("/order").text
        assert self.press(tom).status_code == 200
        assert self.count(bench) == 3
        newest = bench.store.read().stock_changes(1)[0].data
        assert (newest["change"], newest["job"], newest["why"]) == (-2, bench.job, "job 1: taken for it")
        assert "Have the stock follow" not in tom.get("/order").text
        assert self.press(tom).status_code == 400  # a second tap takes nothing
        line_id = next(told.data["line_id"] for told in bench.state().open_lines.values() if told.data["part_no"])
        tom.post("/order/line", {"line_id": line_id, "kind": "part", "text": "x", "count": "1", "part_no": "K-1"})
        assert "put back 1" in tom.get("/order").text
        assert self.press(tom).status_code == 200
        assert self.count(bench) == 4

    def test_more_than_is_there_is_counted_first(self, bench: JobBench, tom: Person) -> None:
        """A shelf never holds less than nothing."""
        self.stock(tom, bench, 1)
        bring(bench, "parts_here", "in_work")
        answer = self.press(tom)
        assert answer.status_code == 400
        assert "part K-1: 2 asked for, 1 there by the stock; count it on its page first" in answer.text
        assert self.count(bench) == 1

    def test_what_was_seen_is_what_goes_out(self, bench: JobBench, tom: Person) -> None:
        """A line that somebody changed meanwhile is read before it is taken out; part of a piece is left to people."""
        self.stock(tom, bench, 5)
        bring(bench, "parts_here", "in_work")
        answer = tom.post("/order/stock", {"seen": "K-1:-1"})
        assert answer.status_code == 400
        assert "has changed since the page was opened" in answer.text
        tom.post("/order/line", {"kind": "part", "text": "half a kit", "count": "0.5", "part_no": "K-1", "do": "put"})
        page = tom.get("/order").text
        assert "Not a whole number" in page
        assert "take out" not in page
        assert self.count(bench) == 5


def test_earlier_approvals_stand_on_the_order(bench: JobBench, mina: Person) -> None:
    """What the customer said yes to before is no secret of the log."""
    for price, who in (("121", "Dee Example"), ("9", "Dee's brother")):
        mina.post("/order/line", {"kind": "labour", "text": "Rebuild", "count": "1", "price": price, "do": "put"})
        mina.post("/order/stage", {"stage": "quoted", "note": ""})
        digest = re.findall(r'name="digest" value="([0-9a-f]+)"', mina.get("/order").text)[0]
        mina.post("/order/approval", {"by_customer": who, "how": "phone", "note": "", "digest": digest})
    page = mina.get("/order").text
    earlier = page.partition("Earlier approvals")[2].partition("</details>")[0]
    assert "Dee Example" in earlier
    assert "121.00" in earlier
    assert "brother" not in earlier


def test_the_triage_says_which_points_it_misses(bench: JobBench, tom: Person) -> None:
    """Fewer than the inspection's list has: what is inside counts once the damper is opened."""
    assert "points of those before it is opened are not looked at yet" in tom.get("/triage").text
    tom.answer("seal_lips", USABLE)
    page = tom.get("/triage").text
    assert "points are not looked at yet" in page
    assert "before it is opened" not in page
