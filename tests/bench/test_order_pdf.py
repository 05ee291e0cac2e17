"""The order on paper: at most three pages, nothing fetched, no text of a stranger taken for markup."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bench.jobs_made import Job
from dutylog.bench.order_pdf import LETTER, FoundLine, OrderPaper, both, make_html, make_pdf
from dutylog.errors import DutylogError, InputError

HAS_PDF = shutil.which("pdftotext") is not None and any(Path("/usr/lib").glob("*/libpangoft2-1.0.so.0"))
pytestmark = pytest.mark.skipif(not HAS_PDF, reason="pdftotext or Pango's libraries aren't there")
HOSTILE = "<script>alert(1)</script><img src=http://127.0.0.1:9/x>{{ 7*7 }}\u202e & 'x' \""


def make_paper(job: Job | None = None, **changes: Any) -> OrderPaper:
    made = job or priced()
    paper = OrderPaper(
        shop="Dune Bench", job=17, day="2026-11-30", customer="Bo Dune", contact="bo@example.org",
        damper=(("Serial", "SN-1"), ("Vehicle", "Truck"), ("Position", "front left")),
        facts=(("Driven", both("far_m", 4.2e6)), ("Warmest body", both("temperature_c", 96.0))),
        triage="before the next outing", agreed_by="Ada",
        reasons=("The seal head leaks (wet again after 50 strokes)",), limit="",
        findings=(FoundLine("Seal head", "replace", "", "wet", "Ada"),),
        order=made.order, currency="EUR", cautions=("Release gas only below 40 °C.",),
    )  # fmt: skip
    return replace(paper, **changes)


def priced() -> Job:
    job = Job()
    job.line("seal", 2500)
    job.line("oil", 1200, 1.6)
    job.step("quoted")
    return job


def text_of(pdf: bytes) -> list[str]:
    """Return the words of each page, in the order they are read."""
    done = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True)
    return [" ".join(page.split()) for page in done.stdout.decode().split("\f")[:-1]]


def height_pt_of(pdf: bytes) -> int:
    done = subprocess.run(["pdfinfo", "-"], input=pdf, capture_output=True, check=True)
    size = next(line for line in done.stdout.decode().splitlines() if line.startswith("Page size"))
    return round(float(size.split(" x ")[1].split()[0]))


def test_an_order_says_who_what_why_and_how_much() -> None:
    """What the customer puts a name to."""
    (page,) = text_of(make_pdf(make_paper()))
    for told in ("Work order 17", "Dune Bench", "Bo Dune", "SN-1", "before the next outing", "wet again", "piece seal",
                 "44.20", "Release gas only below", "96 °C (205 °F)", "signature"):  # fmt: skip
        assert told in page, told


def test_figures_stand_in_both_systems_once_where_they_read_alike() -> None:
    """Metric first; a count needs no second form."""
    assert both("temperature_c", 96.0) == "96\u00a0°C (205\u00a0°F)"
    assert both("count", 12.0) == "12"
    assert both("far_m", None) == "–"


def test_an_approved_order_says_by_whom_and_a_changed_one_that_it_is_none() -> None:
    """Paper in the workshop must not look approved when it isn't any more."""
    job = priced()
    job.approve(job.order.total_minor)
    (page,) = text_of(make_pdf(make_paper(job)))
    assert "Approved by Bo Dune" in page
    assert "signature" not in page
    job.line("late", 9900)
    (page,) = text_of(make_pdf(make_paper(job)))
    assert "another approval is needed" in page
    assert "Approved by" not in page


def test_without_prices_the_paper_says_so() -> None:
    """An empty column would look like a gift."""
    job = Job()
    job.line("seal", None)
    (page,) = text_of(make_pdf(make_paper(job)))
    assert "No prices are stated" in page
    assert "Sum" not in page


def test_text_of_strangers_is_text() -> None:
    """Markup of a note is printed as it was typed; nothing is fetched, nothing worked out."""
    paper = make_paper(
        shop=HOSTILE, customer=HOSTILE, reasons=(HOSTILE,), damper=((HOSTILE, HOSTILE),),
        findings=(FoundLine(HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE),), notes=(HOSTILE,),
    )  # fmt: skip
    html = make_html(paper)
    assert "<script" not in html
    assert "<img" not in html
    assert "{{ 7*7 }}" in html
    assert "49" not in " ".join(text_of(make_pdf(paper)))


@pytest.mark.parametrize("size", ["A4", pytest.param(LETTER, marks=pytest.mark.slow)])
def test_the_longest_orders_keep_to_three_pages(size: str) -> None:
    """A long visit is printed small and says what it left out, on either paper."""
    job = Job()
    for place in range(60):
        job.line(f"{place:03d}", 12345)
    findings = tuple(
        FoundLine(f"Point {n}", "replace", "play: 0.4 mm (0.016 in)", "a note " * 20, "Ada") for n in range(60)
    )
    paper = make_paper(job, findings=findings, reasons=tuple(f"reason {n} " + "because " * 30 for n in range(12)))
    pdf = make_pdf(paper, size)
    pages = text_of(pdf)
    assert len(pages) <= 3
    joined = " ".join(pages)
    assert "piece 059" in joined
    assert "more points stand in the shop's own record" in joined
    assert height_pt_of(pdf) == (842 if size == "A4" else 792)


def test_what_never_fits_is_refused_in_one_line() -> None:
    """Rather than an order with lines cut away."""
    job = Job()
    for place in range(100):
        job.line(f"{place:03d}", 12345)
    for line in list(job.entries):
        job.tell("line_put", **{**line.data, "text": "wide " * 39 + "end"})
    with pytest.raises(DutylogError, match="a PDF has 3; take lines together"):
        make_pdf(make_paper(job, reasons=tuple("why " * 200 for _ in range(30))))


def test_another_paper_is_refused() -> None:
    """The size goes into a style sheet."""
    with pytest.raises(InputError, match="paper 'A3; }"):
        make_pdf(make_paper(), "A3; } * { display: none }")


def test_letters_without_a_font_are_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whoever reads a box in place of a name learns why, and what to do about it."""
    program = tmp_path / "fc-list"
    program.write_text("#!/bin/sh\nexit 0\n")  # a machine whose fonts have none of the letters asked about
    program.chmod(0o755)
    monkeypatch.setattr("dutylog.bench.print_letters.shutil.which", lambda _name: str(program))
    (page,) = text_of(make_pdf(make_paper(customer="\u6e21\u8fba")))
    assert "Some letters of this order stand as empty boxes" in page
    (page,) = text_of(
        make_pdf(make_paper(customer="Zo\u00eb \u0416\u0443\u043a \u05d3\u05df"))
    )  # our own fonts have them
    assert "empty boxes" not in page
    program.write_text("#!/bin/sh\necho /some/font.ttf\n")
    (page,) = text_of(make_pdf(make_paper(customer="\u6e21\u8fba")))
    assert "empty boxes" not in page


def test_an_approval_never_stands_alone_on_a_page() -> None:
    """Its page says what was approved as well, whether the order just fits a page or just not."""
    lengths = set()
    for count in (21, 22, 25):
        job = Job()
        for place in range(count):
            job.line(f"{place:03d}", 12345)
        pages = text_of(make_pdf(make_paper(job)))
        lengths.add(len(pages))
        before = pages[-1].partition("Approval")[0]
        assert f"piece {count - 1:03d}" in before
    assert lengths == {1, 2}
