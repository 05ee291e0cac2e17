"""The report on paper: four pages at most, nothing that warns is cut."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from dutylog.domain.quantity import METRIC, SYSTEMS, US
from dutylog.errors import DutylogError
from dutylog.review.report import PAGES_MOST, make_html, make_pdf
from review.made_trips import made_review, made_trip
from review.test_report import (
    HAS_PDF,
    MADE_UTC_S,
    Reader,
    bare_review,
    data,
    eight_dampers,
    hostile_pair,
    needs_pdf,
    review,
)

__all__ = ["data", "review"]


def pages_of(pdf: bytes, tmp_path: Path) -> tuple[list[str], list[tuple[float, float]]]:
    """Return the text of each page, and the lowest and highest word on it [mm from its top]."""
    path = tmp_path / "report.pdf"
    path.write_bytes(pdf)
    command = ["pdftotext", "-bbox", str(path), "-"]
    boxes = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout
    texts, spans = [], []
    for page in boxes.split("<page ")[1:]:
        size_pt = re.match(r'width="([\d.]+)" height="([\d.]+)"', page)
        assert size_pt is not None
        assert [round(float(one) * 25.4 / 72) for one in size_pt.groups()] == [210, 297]
        words = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">(.*?)</word>', page)
        texts.append(" ".join(word for _, _, word in words))
        tops, bottoms = ([float(word[k]) * 25.4 / 72 for word in words] for k in (0, 1))
        spans.append((min(tops), max(bottoms)))
    return texts, spans


@needs_pdf
def test_pdf_has_all_parts_and_room_for_letter(data, review, tmp_path):
    """What A4 has beyond Letter, 8.8 mm at either end, stays empty: printed at full size on either, nothing is cut."""
    texts, spans = pages_of(make_pdf(data, review, US, MADE_UTC_S), tmp_path)
    assert len(texts) <= PAGES_MOST
    whole = " ".join(texts)
    for head in ("Verdict", "Roads", "Hits at the ends", "Standing height", "Differences", "Care list", "worth"):
        assert head in whole
    assert "DEMO-R2" in whole
    assert f"1 of {len(texts)}" in texts[0]
    margin_mm = (297 - 279.4) / 2
    assert all(top > margin_mm + 5 and bottom < 297 - margin_mm - 5 for top, bottom in spans)


@needs_pdf
@pytest.mark.slow
def test_far_too_much_still_fits(tmp_path):
    """Eight dampers and every list and text at its longest: four pages, and what found no room is told."""
    texts, _ = pages_of(make_pdf(*hostile_pair(), METRIC, MADE_UTC_S), tmp_path)
    assert len(texts) <= PAGES_MOST
    whole = " ".join(texts)
    assert "more, which found no room here" in whole
    assert re.search(r"The hardest \d+, as many of each kind", whole)
    assert "What these numbers are worth" in whole


@needs_pdf
@pytest.mark.slow
@pytest.mark.parametrize("system", SYSTEMS)
def test_ten_hours_and_a_bare_trip_fit(system, tmp_path):
    """The longest day, and the least that is known."""
    long = made_trip(seconds=36_000)
    bare = made_trip(seconds=300, with_gps=False, with_speed=False, with_body=False)
    for trip, told in ((long, made_review(long)), (bare, bare_review(bare))):
        texts, _ = pages_of(make_pdf(trip, told, system, MADE_UTC_S), tmp_path)
        assert len(texts) <= PAGES_MOST
    assert len(make_html(long, made_review(long), system, MADE_UTC_S)) < 1_000_000


@pytest.mark.slow
def test_more_dampers_than_four_pages_hold(tmp_path):
    """A line and what to do instead, not a fifth page; the page for a browser takes them."""
    vehicle = eight_dampers()
    third = tuple(replace(one, position=f"{one.position}_third") for one in vehicle.dampers)
    data = made_trip(seconds=120, vehicle=replace(vehicle, dampers=(*vehicle.dampers, *third)))
    review = made_review(data)
    page = Reader(make_html(data, review, METRIC, MADE_UTC_S))
    assert page.tags.count("svg") == 5
    if HAS_PDF:
        with pytest.raises(DutylogError, match=r"16 dampers need \d pages, a PDF has 4; write .html instead"):
            make_pdf(data, review, METRIC, MADE_UTC_S)


LONG_CAUTION = "Never loosen a fitting under pressure. " * 15 + "Last word of the caution."


@needs_pdf
@pytest.mark.slow
def test_no_caution_is_ever_cut(tmp_path):
    """Whatever finds no room: the last word of what warns people stands there, and of what they are to do."""
    data, review = hostile_pair()
    work = ("Let it cool. " * 20 + "Last word of the work.",)
    open_item = replace(review.care[0], text=work, caution=(LONG_CAUTION,))
    spare = replace(review.care[2], text=("spare work",), why=("never asked",))
    told = replace(review, care=(open_item, *[spare] * 9))
    texts, _ = pages_of(make_pdf(data, told, METRIC, MADE_UTC_S), tmp_path)
    assert len(texts) <= PAGES_MOST
    whole = " ".join(texts)
    assert "Last word of the caution." in whole
    assert "Last word of the work." in whole
    assert "9 items, which the page and the JSON have" in whole
    assert "spare work" not in whole
    html = make_html(data, told, METRIC, MADE_UTC_S)
    assert "Last word of the caution." in html
    assert html.count("spare work") == 9
