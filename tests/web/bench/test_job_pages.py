"""A job's pages without any script: what a technician answers is kept at once, and nobody is overruled unseen."""

from __future__ import annotations

import io
import re

import httpx
import pytest
from PIL import Image

from dutylog.bench.rules_book import shipped_rules
from dutylog.domain.wear import AS_NEW, FAILED, USABLE, WORN
from dutylog.web.guard import SECURITY_HEADERS
from web.bench.jobs_made import JobBench, Person, bench, entries_of, made, mina, tom, ulla

__all__ = ["bench", "made", "mina", "tom", "ulla"]
HOSTILE = '"><script>alert(1)</script>{{ 7 * 7 }}'
LEAK, GAS = "leak_seal_head", "charge_before"
READING = {"m_gauge_pa": "200", "u_gauge_pa": "psi", "m_body_c": "68", "u_body_c": "degF", "m_air_c": "20"}
READING |= {"m_travel_mm": "0", "m_altitude_m": "250"}


def photo(side: int = 40, kind: str = "JPEG") -> bytes:
    """Return a picture that says where it was taken."""
    exif = Image.Exif()
    exif[0x010F] = "place of the shop"
    out = io.BytesIO()
    Image.new("RGB", (side, side), (90, 30, 20)).save(out, kind, exif=exif)
    return out.getvalue()


class TestInspection:
    def test_each_answer_is_kept_and_leads_to_the_next_point(self, bench: JobBench, tom: Person) -> None:
        """The battery of a tablet may go at any time: what was pressed is in the chain, the list says where."""
        page = tom.get("/inspection").text
        first, second = re.findall(r'id="point-([a-z_]+)"', page)[:2]
        assert f'/inspection/{first}#point">Begin</a>' in page
        answer = tom.answer(first, USABLE, note="a little dust")
        assert answer.url.path == bench.path(f"/inspection/{second}")
        found = bench.state().findings[first].newest
        assert (found.grade, found.note, found.by) == (USABLE, "a little dust", "Tom")
        page = tom.get("/inspection").text
        assert f'/inspection/{second}#point">Go on</a>' in page
        assert "<b>1 of " in page

    def test_figures_are_held_in_one_unit_and_shown_again(self, bench: JobBench, tom: Person) -> None:
        """A gauge in psi, a thermometer in Fahrenheit: the entry is SI, the form shows the bench's own unit."""
        tom.answer(GAS, USABLE, **READING)
        assert bench.state().findings[GAS].newest.measures == pytest.approx(
            {"gauge_pa": 1_378_951.46, "body_c": 20.0, "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 250.0}, rel=1e-6
        )
        assert 'name="m_gauge_pa" type="text" inputmode="decimal" autocomplete="off" maxlength="20" value="13.79"' in (
            tom.get(f"/inspection/{GAS}").text
        )

    def test_a_slip_is_told_and_nothing_typed_is_lost(self, bench: JobBench, tom: Person) -> None:
        """200 bar for 200 psi: one line says what is wrong, the page keeps the rest."""
        before = entries_of(bench)
        answer = tom.answer(GAS, USABLE, **{**READING, "u_gauge_pa": "bar"}, note=HOSTILE)
        assert answer.status_code == 400
        assert "gauge: 200 bar, expected 0 to 60 bar" in answer.text
        assert 'value="200"' in answer.text
        assert '<option value="degF" data-system="us" selected>' in answer.text
        assert "&lt;script&gt;" in answer.text
        assert "<script>alert" not in answer.text
        assert "{{ 7 * 7 }}" in answer.text
        assert entries_of(bench) == before

    def test_what_is_left_out_needs_a_word_why(self, bench: JobBench, tom: Person) -> None:
        """A point that nobody looked at is no point without a sign."""
        answer = tom.answer("bolts", "not_looked")
        assert answer.status_code == 400
        assert "write down why" in answer.text
        assert tom.answer("bolts", "not_looked", note="on the shelf").status_code == 200
        assert "1 of them left out" in tom.get("/inspection").text

    def test_two_people_at_once_see_each_other(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """Both opened the point before anybody answered: the later word counts, and says whose it replaced."""
        seen = tom.seen(f"/inspection/{LEAK}")
        assert seen == ulla.seen(f"/inspection/{LEAK}")
        ulla.post(f"/inspection/{LEAK}", {"grade": FAILED, "seen": seen, "note": "it runs"})
        answer = tom.post(f"/inspection/{LEAK}", {"grade": AS_NEW, "seen": seen})
        assert answer.url.path == bench.path(f"/inspection/{LEAK}")
        assert "Two people answered this point" in answer.text
        assert "Ulla" in answer.text
        assert "it runs" in answer.text
        looked = bench.state().findings[LEAK]
        assert (looked.newest.by, [one.by for one in looked.earlier]) == ("Tom", ["Ulla"])
        again = tom.answer(LEAK, FAILED)
        assert "Two people answered" not in again.text

    def test_a_grade_milder_than_the_two_questions_is_asked_about(self, bench: JobBench, tom: Person) -> None:
        """Wet again after 50 strokes, and yet 'no sign': a slip of a glove is noticed, the technician's word counts."""
        answer = tom.answer(LEAK, AS_NEW, m_wiped="1", m_wet_again="2")
        assert "go together" in answer.text
        assert "wet again after wiping and 50 strokes: it leaks" in answer.text
        assert bench.state().findings[LEAK].newest.grade == AS_NEW
        assert "go together" not in tom.answer(LEAK, AS_NEW, m_wiped="1", m_wet_again="1").text

    def test_a_photo_is_kept_clean_and_handed_out_safely(self, bench: JobBench, tom: Person) -> None:
        """The picture stays, the place where it was taken doesn't; a browser can't be made to run it."""
        tom.answer(
            LEAK, WORN, {"photo": ("a.jpg", photo(), "image/jpeg"), "photo_2": ("b.png", photo(30, "PNG"), "x/y")}
        )
        shas = bench.state().findings[LEAK].newest.photos
        assert len(shas) == 2
        for sha, media_type in zip(shas, ("image/jpeg", "image/png"), strict=True):
            answer = tom.get(f"//photos/{sha}")
            assert answer.headers["content-type"] == media_type
            assert answer.headers["x-content-type-options"] == SECURITY_HEADERS["X-Content-Type-Options"] == "nosniff"
            assert b"place of the shop" not in answer.content
            assert Image.open(io.BytesIO(answer.content)).size[0] in (30, 40)
        tom.answer(LEAK, FAILED, keep_0=shas[0])
        assert bench.state().findings[LEAK].newest.photos == shas[:1]
        assert shas[1] in tom.get(f"/inspection/{LEAK}").text  # the earlier answer still shows its own

    def test_what_is_no_photo_keeps_the_answer_out_too(self, bench: JobBench, tom: Person) -> None:
        """Half an answer would look like a whole one."""
        for name, data, line in (
            ("a.jpg", b"<svg onload=alert(1)>", "a.jpg: neither JPEG nor PNG"),
            ("a.jpg", photo()[:300], "a.jpg: the picture is cut off"),
            ("a" * 300 + ".jpg", b"GIF89a", "neither JPEG nor PNG"),
        ):
            answer = tom.answer(LEAK, WORN, {"photo": (name, data, "image/jpeg")}, note="see the photo")
            assert answer.status_code == 400
            assert line in answer.text
            assert "see the photo</textarea>" in answer.text
        assert LEAK not in bench.state().findings

    def test_no_other_file_is_handed_out(self, tom: Person) -> None:
        """A photo is named by its digest; nothing else is looked for."""
        for sha in ("0" * 64, "..%2f..%2fetc%2fpasswd", "A" * 64, "'%20or%201=1"):
            assert tom.get(f"//photos/{sha}").status_code == 404, sha

    def test_points_of_another_construction_are_not_there(self, bench: JobBench, tom: Person) -> None:
        """A bladder can't be graded in a damper that has none."""
        assert tom.get("/inspection/bladder_state").status_code == 404
        assert tom.post("/inspection/bladder_state", {"grade": WORN, "seen": "0"}).status_code == 404
        assert tom.get("//jobs/999/inspection").status_code == 404
        assert bench.state().findings == {}

    def test_an_unknown_grade_is_refused(self, bench: JobBench, tom: Person) -> None:
        """Only the five answers of the page are answers."""
        for grade in ("", "fine", "as_new ", "0"):
            assert tom.answer("bolts", grade).status_code == 400, grade
        assert bench.state().findings == {}

    def test_a_viewer_looks_and_changes_nothing(self, bench: JobBench, tom: Person) -> None:
        """Whoever may only look sees the answers and no button."""
        tom.answer(LEAK, WORN)
        with Person(bench, "Vic") as vic:
            page = vic.get(f"/inspection/{LEAK}")
            assert page.status_code == 200
            assert 'name="grade"' not in page.text
            assert vic.post(f"/inspection/{LEAK}", {"grade": AS_NEW, "seen": "0"}).status_code == 403
        assert bench.state().findings[LEAK].newest.grade == WORN


class TestCurve:
    TABLE = "speed [mm/s];force [N]\n" + "\n".join(f"{v};{2 * v if v > 0 else 3 * v}" for v in range(-1000, 1001, 100))

    def test_a_table_is_held_against_the_profile_and_answers_its_point(self, bench: JobBench, tom: Person) -> None:
        """The figures of the point follow from the curve; nobody copies them by hand."""
        answer = tom.post("/curve", {}, {"table": ("as found.csv", self.TABLE, "text/csv")})
        assert answer.status_code == 200
        assert "as found.csv" in answer.text
        told = bench.state().curves["before"].data
        assert (told["speeds_mps"][0], told["forces_n"][0]) == (-1.0, -3000.0)
        lost = float(
            re.findall(
                r'name="m_compression_lost_percent".*?value="([^"]+)"', tom.get("/inspection/damping_curve").text
            )[0]
        )
        tom.answer("damping_curve", USABLE, m_compression_lost_percent=f"{lost:g}")
        assert bench.state().findings["damping_curve"].newest.measures["compression_lost_percent"] == lost

    @pytest.mark.parametrize(
        "data",
        [b"", b"a;b\n1;2\n2;3\n3;4\n", b"\x00\x01", b"speed [m/s],force [N]\n1,nan\n2,3\n3,4\n", b"x" * 2_000_000],
    )
    def test_what_is_no_table_is_told_in_one_line(self, bench: JobBench, tom: Person, data: bytes) -> None:
        """A wrong file leaves no curve behind."""
        answer = tom.post("/curve", {}, {"table": ("x.csv", data, "text/csv")})
        assert answer.status_code == 400
        assert 'role="alert"' in answer.text
        assert bench.state().curves == {}


class TestTriage:
    def agree(self, person: Person, row: str, why: str = "") -> httpx.Response:
        return person.post("/triage", {"row": row, "why": why, "seen": person.seen("/triage")})

    def test_the_reasons_stand_with_their_rule_and_source(self, bench: JobBench, tom: Person) -> None:
        """Nobody has to believe a colour: what was seen, which rule, where it comes from."""
        tom.answer(LEAK, FAILED)
        page = tom.get("/triage").text
        rule = shipped_rules().rule("oil_runs")
        assert rule is not None
        assert "do not drive" in page
        for text in (rule.says, rule.consequence, "Source: " + rule.source, "/rules#rule-oil_runs"):
            assert text in page
        assert page.index(rule.says) < page.index("before the next outing")

    def test_another_row_needs_a_word_why_and_both_are_kept(self, bench: JobBench, tom: Person) -> None:
        """The technician decides, and answers for it by name."""
        tom.answer(LEAK, FAILED)
        answer = tom.post("/triage", {"row": "watch", "why": "", "seen": tom.seen("/triage")})
        assert answer.status_code == 400
        assert "write down why" in answer.text
        assert bench.state().agreed is None
        tom.post("/triage", {"row": "watch", "why": HOSTILE, "seen": tom.seen("/triage")})
        agreed = bench.state().agreed
        assert agreed is not None
        assert (agreed.data["row"], agreed.data["judged_row"], agreed.by) == ("watch", "stop", "Tom")
        assert agreed.data["reasons"][0]["rule"] == "oil_runs"
        assert "<script>alert" not in tom.get("/triage").text

    def test_a_decision_on_an_old_page_is_refused(self, bench: JobBench, tom: Person, ulla: Person) -> None:
        """Ulla finds a leak while Tom looks at 'fine': he sees it before he decides."""
        tom.answer("bolts", AS_NEW)
        seen = tom.seen("/triage")
        ulla.answer(LEAK, FAILED)
        answer = tom.post("/triage", {"row": "stop", "why": "", "seen": seen})
        assert answer.status_code == 400
        assert "since the page was opened" in answer.text
        assert bench.state().agreed is None

    def test_a_finding_after_the_decision_makes_it_old(self, tom: Person) -> None:
        """The page of the decision says that it rests on less than is known."""
        tom.answer(LEAK, FAILED)
        self.agree(tom, "stop")
        assert "answered or measured after that" not in tom.get("/triage").text
        tom.answer("bolts", FAILED)
        assert "answered or measured after that" in tom.get("/triage").text


class TestRules:
    def put(self, person: Person, text: str, why: str, version: int = 0) -> httpx.Response:
        return person.post("//rules", {"text": text, "why": why, "version": str(version)})

    def test_a_manager_changes_a_rule_and_the_history_tells(self, bench: JobBench, mina: Person, tom: Person) -> None:
        """The same finding is judged by the new table from now on; who changed what and why stays to be read."""
        tom.answer("bolts", FAILED)
        assert "<span>do not drive</span></span>" in tom.get("/triage").text.partition("</section>")[0]
        text = shipped_rules().text.replace('key = "bolts_gone"\nrow = "stop"', 'key = "bolts_gone"\nrow = "watch"')
        assert mina.post("//rules", {"text": text, "why": "our bolts", "version": "0"}).status_code == 200
        judged = tom.get("/triage").text
        # any point that does its job no longer still has a rule of its own
        assert "<span>before the next outing</span></span>" in judged.partition("</section>")[0]
        assert "By the rules (version 1 of this bench)" in judged
        page = tom.get("//rules").text
        assert "Version 1" in page
        assert "our bolts" in page
        assert "<del>- row: stop</del>" in page
        assert "<ins>+ row: watch</ins>" in page

    def test_a_broken_table_is_refused_with_its_lines_and_kept_in_the_form(self, bench: JobBench, mina: Person) -> None:
        """A manager mends it where it stands, nothing of the old table is lost."""
        text = shipped_rules().text.replace('row = "stop"', 'row = "soonish"', 1) + HOSTILE
        answer = mina.post("//rules", {"text": text, "why": "x", "version": "0"})
        assert answer.status_code == 400
        assert "soonish" in answer.text
        assert "<script>alert" not in answer.text
        assert bench.store.read().rules() is None

    def test_a_table_that_a_newer_version_cannot_read_is_mended_there(self, bench: JobBench, mina: Person) -> None:
        """A rule names a point that is there no more: every page says where, and the manager mends that very text."""
        text = shipped_rules().text.replace('item = "bolts"', 'item = "wings"', 1)
        with bench.store.write(bench.store_who()) as tx:
            tx.append("rules_put", {"version": 1, "text": text, "why": "of another time"})
        answer = mina.get("/triage")
        assert answer.status_code == 503
        assert "mend them at /rules" in answer.text
        page = mina.get("//rules")
        assert page.status_code == 200
        assert "wings" in page.text
        mended = {"text": text.replace("wings", "bolts") + "# mended", "why": "bolts again", "version": "1"}
        assert mina.post("//rules", mended).status_code == 200
        assert mina.get("/triage").status_code == 200

    def test_only_a_manager_and_only_the_table_that_was_seen(self, bench: JobBench, mina: Person, tom: Person) -> None:
        """Two managers at once: the second sees the first one's table before she replaces it."""
        text = shipped_rules().text + "\n# one more line\n"
        assert tom.post("//rules", {"text": text, "why": "x", "version": "0"}).status_code == 403
        assert "Change the table" not in tom.get("//rules").text
        assert mina.post("//rules", {"text": text, "why": "x", "version": "0"}).status_code == 200
        assert mina.post("//rules", {"text": text + "#", "why": "x", "version": "0"}).status_code == 409
        assert len(bench.store.read().rules_history()) == 1
