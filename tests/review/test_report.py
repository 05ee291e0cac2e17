"""The report: its numbers are the review's, it needs nothing from outside, it fits four pages of either paper."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import warnings
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest

from daemon.processes import DEMO
from dutylog.config import load
from dutylog.domain.quantity import METRIC, SYSTEMS, US, quantity_text
from dutylog.errors import InputError
from dutylog.review.report import _PAPER, make_html
from dutylog.review.report_plots import (
    LENGTH_EDGES_M,
    _draw_energy,
    _draw_positions,
    _draw_speeds,
    _draw_strokes,
    draw_all,
    stroke_table,
)
from dutylog.review.report_svg import _STYLE, GREY
from dutylog.review.report_time_plot import CONTACT_MARKERS, ROAD_HATCHES, ROAD_SIGNS, draw_over_time
from dutylog.review.report_words import CONTACT_WORDS, LEVEL_WORDS, choose_hits, clean_text
from dutylog.review.review import LEVELS
from dutylog.review.standing import LEVEL_UNKNOWN
from dutylog.review.trip_data import CONTACT_KINDS, ROAD_KINDS, Contact
from review.made_trips import made_review, made_trip

MADE_UTC_S = 1_790_100_000.0
HOSTILE = "<script>alert(1)</script> \"'&amp; $\\frac{x}$ \u202edeknird\x00\x1b[31m </style>]]> " + "Wxyz" * 100
VOID = {"meta", "br", "img", "link", "input"}
HAS_PDF = shutil.which("pdftotext") is not None and any(Path("/usr/lib").glob("*/libpangoft2-1.0.so.0"))
needs_pdf = pytest.mark.skipif(not HAS_PDF, reason="poppler-utils and libpangoft2-1.0-0 aren't there")


class Reader(HTMLParser):
    """Gathers what a page is made of: its texts, tables, attributes, and whether tags close in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.rows: list[list[str]] = []
        self.texts: list[str] = []
        self._open: list[str] = []
        self._is_cell = False
        self.feed(html)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self._is_cell = True

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag):
        assert self._open.pop() == tag
        if tag in ("td", "th"):
            self._is_cell = False

    def handle_data(self, data):
        if self._open[-1:] != ["style"]:
            self.texts.append(data)
        if self._is_cell:
            self.rows[-1][-1] += data

    def row(self, head: str) -> list[str]:
        """Return the cells beside a heading."""
        (found,) = [row for row in self.rows if row[0] == head]
        return found[1:]


def eight_dampers():
    """Return the demo vehicle with two dampers a wheel."""
    vehicle = load(DEMO).vehicle
    places = [
        replace(one, position=f"{one.position}_{name}", serial=f"{one.serial}-{name}")
        for one in vehicle.dampers
        for name in ("main", "second")
    ]
    return replace(vehicle, dampers=tuple(places))


def bare_review(data):
    """Return a review in which nobody knew anything beside the duty."""
    review = made_review(data, name=None)
    nothing = {"peak_body_c": None, "peak_rise_k": None, "coverage_ratio": None, "used": (), "street_miles": None}
    dampers = tuple(replace(row, contacts_count={"bottomed": 0}, **nothing) for row in review.dampers)
    roads = tuple(replace(row, distance_m=None, mean_mps=None, energy_per_m_j=None) for row in review.roads)
    facts = replace(
        review.facts, start_utc_s=None, end_utc_s=None, utc_trusted=False, distance_m=None, coverage_ratio=None
    )
    lists = dict.fromkeys(("verdict", "hits", "heights", "trends", "differences", "care"), ())
    return replace(review, facts=facts, dampers=dampers, roads=roads, ambient_c=None, **lists)


def hostile_pair():
    """Return data and a review whose every free text is hostile and long, with far more lines than there is room."""
    data = made_trip(seconds=600, vehicle=eight_dampers())
    data = replace(
        data,
        vehicle=replace(data.vehicle, name=HOSTILE),
        dampers=tuple(replace(one, label=HOSTILE) for one in data.dampers),
        notes=(HOSTILE,),
    )
    review = made_review(data, name=HOSTILE)
    texts = (HOSTILE,)
    differences = [
        replace(one, words=texts, what=HOSTILE, first_name=HOSTILE, second_name=HOSTILE, basis=HOSTILE)
        for one in review.differences
    ]
    return data, replace(
        review,
        facts=replace(review.facts, dirt=HOSTILE, load_note=HOSTILE, not_driven=HOSTILE, is_open=True),
        verdict=tuple(replace(one, words=texts, why=texts) for one in review.verdict * 4),
        hits=review.hits * 50,
        heights=tuple(replace(one, load_note=HOSTILE) for one in review.heights * 20),
        trends=tuple(replace(one, words=texts) for one in review.trends * 10),
        differences=tuple(differences * 8),
        care=tuple(replace(one, text=texts, why=texts, caution=texts, note=HOSTILE) for one in review.care * 6),
        is_raw_whole=False,
        cost_problem=HOSTILE,
        notes=tuple(f"{number} {HOSTILE}" for number in range(30)),
    )


@pytest.fixture(scope="module")
def data():
    return made_trip(seconds=900)


@pytest.fixture(scope="module")
def review(data):
    return made_review(data)


@pytest.fixture(scope="module")
def pages(data, review):
    """Return the report in both systems of units."""
    return {system: make_html(data, review, system, MADE_UTC_S) for system in SYSTEMS}


@pytest.mark.parametrize("system", SYSTEMS)
def test_numbers_are_the_reviews(pages, review, system):
    """What stands on paper is what was measured, in the chosen units."""
    page = Reader(pages[system])
    assert page.row("serial") == [row.label for row in review.dampers]
    heat = [f"at least {quantity_text('energy_j', row.energy_j, system)}" for row in review.dampers]
    assert page.row("heat") == heat
    assert page.row("bottomed")[0] == str(review.dampers[0].contacts_count["bottomed"])
    strokes = [int(re.sub(r"\D", "", cell)) for cell in page.row("strokes")]
    assert strokes == [row.strokes_count for row in review.dampers]
    for road in review.roads:
        cells = page.row(road.kind)
        assert cells[0] == quantity_text("duration_s", road.seconds, system)
        assert cells[4] == quantity_text("energy_per_m", road.energy_per_m_j, system)
    order = ("bottomed", "topped_out", "bump_stop", "strap")
    ordered = sorted(review.hits, key=lambda hit: (order.index(hit.kind), -hit.speed_mps))
    hits = [row for row in page.rows if len(row) == 8 and row[3].endswith("/s")]
    assert [row[3] for row in hits] == [quantity_text("shaft_mps", hit.speed_mps, system) for hit in ordered]


def test_units_dont_mix(pages):
    """A report in one system has no unit of the other."""
    metric = "".join(Reader(pages[METRIC]).texts)
    us = "".join(Reader(pages[US]).texts)
    foreign = r"(?<![A-Za-z])({})(?![A-Za-z])"
    assert re.findall(foreign.format(r"mph|°F|in/s|mi|psi"), metric) == []
    assert re.findall(foreign.format(r"km/h|°C|m/s|km|mm|bar|K"), us) == []
    assert "km/h" in metric
    assert "mph" in us


def test_numbers_in_the_drawings_are_the_data(data):
    """The bars say the same heat as the table, the fields of the stroke table add up to all strokes."""
    plots = {plot.name: plot for plot in draw_all(data, METRIC)}
    for damper in data.dampers:
        assert quantity_text("energy_j", damper.totals.energy_uj / 1e6).replace("\u00a0", " ") in plots[
            "energy"
        ].svg.replace("\u00a0", " ")
    table = stroke_table(data.dampers)
    assert table.sum() == sum(damper.totals.strokes_count for damper in data.dampers)
    assert table.shape[0] == len(LENGTH_EDGES_M)
    percent = table[0, 9] / table.sum() * 100
    assert f">{percent:.0f}<" in plots["strokes"].svg


def test_stroke_classes_are_cut_where_they_say():
    """Length classes of 5 mm gathered at 10, 20, 40 ... mm: a stroke of 12 mm is between 10 and 20."""
    data = made_trip(seconds=60)
    joint = np.zeros_like(data.dampers[0].strokes_by_length_frequency)
    joint[[0, 1, 2, 3, 4, 63, 64, 127], 3] = [1, 10, 100, 1000, 10_000, 7, 20, 300]
    one = replace(data.dampers[0], strokes_by_length_frequency=joint)
    assert stroke_table([one])[:, 3].tolist() == [11, 1100, 10_000, 0, 0, 7, 320]


def test_hardest_of_each_kind_are_shown():
    """A hundred touches of a bump stop must not hide the one time it bottomed."""
    soft = [Contact("a", "bump_stop", float(at), 3.0 + at / 100) for at in range(100)]
    hits = [*soft, Contact("a", "bottomed", 500.0, 0.4), Contact("a", "strap", 600.0, 1.0)]
    assert [(one.kind, one.speed_mps) for one in choose_hits(hits, 4)] == [
        ("bottomed", 0.4),
        ("bump_stop", 3.99),
        ("bump_stop", 3.98),
        ("strap", 1.0),
    ]
    assert len(choose_hits(hits, 1000)) == 102
    assert choose_hits(hits, 1) == [Contact("a", "bottomed", 500.0, 0.4)]


def test_nothing_is_fetched_and_nothing_runs(pages):
    """A file that is mailed or printed years later must be whole."""
    html = pages[METRIC]
    page = Reader(html)
    assert not {"script", "link", "img", "iframe", "object", "embed", "base", "form"} & set(page.tags)
    assert [name for _, name, _ in page.attributes if name.startswith("on")] == []
    outward = [value for _, name, value in page.attributes if name in ("src", "href", "xlink:href", "action", "data")]
    assert [value for value in outward if not value.startswith("#")] == []
    style = "".join(re.findall(r"<style.*?</style>", html, re.DOTALL)) + "".join(
        value for _, name, value in page.attributes if name == "style"
    )
    assert [one for one in re.findall(r"url\(([^)]*)\)", style) if not one.startswith("#")] == []
    assert "@import" not in style
    addresses = set(re.findall(r"https?://[^\"' <>)]+", html))
    assert addresses == {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


def test_names_within_the_page_are_unique_and_used(pages):
    """Two drawings with one name for two hatches would show the wrong one."""
    html = pages[METRIC]
    ids = re.findall(r' id="([^"]+)"', html)
    assert ids
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', html)) == set(ids)


def test_every_drawing_has_words(pages):
    """Who doesn't see the drawing is told what is in it."""
    page = Reader(pages[METRIC])
    labels = [value for tag, name, value in page.attributes if tag == "div" and name == "aria-label"]
    assert len(labels) == page.tags.count("svg") == 5
    assert all(len(label) > 80 for label in labels)


def test_black_and_white_is_enough(pages):
    """No colour anywhere; what black text stands on is light enough; states differ in word, hatch or shape."""
    html = pages[METRIC]
    colours = {one.lower() for one in re.findall(r"#[0-9a-fA-F]{6}\b|#[0-9a-fA-F]{3}\b(?![0-9a-fA-F])", html)}
    digits = [one[1:] if len(one) == 7 else "".join(2 * c for c in one[1:]) for one in colours]
    assert all(one[:2] == one[2:4] == one[4:] for one in digits)
    fields = re.findall(r"fill: (#[0-9a-f]{6})", html[html.index("Strokes by length") : html.index("Where in their")])
    darkest = min(int(one[1:3], 16) for one in fields if one != "#000000")
    assert contrast(darkest / 255, 0.0) >= 4.5
    assert contrast(float(GREY), 0.0) >= 4.5
    assert len({*ROAD_HATCHES.values()}) == len(ROAD_KINDS) == len({*ROAD_SIGNS.values()})
    assert len({(marker, filling) for marker, filling, _ in CONTACT_MARKERS.values()}) == len(CONTACT_KINDS)
    assert len({*LEVEL_WORDS.values()}) == len(LEVELS)
    assert set(CONTACT_WORDS) == set(CONTACT_KINDS)


def contrast(light: float, dark: float) -> float:
    """Return the contrast of two greys of 0 to 1 as WCAG 2.2 computes it."""
    one, other = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (light, dark))
    return (one + 0.05) / (other + 0.05)


def test_hostile_text_stays_text():
    """A trip, a damper or a vehicle may be called anything."""
    data, review = hostile_pair()
    page = Reader(make_html(data, review, METRIC, MADE_UTC_S))
    assert "script" not in page.tags
    text = "".join(page.texts)
    assert "<script>alert(1)</script>" in text
    assert not any(sign in text for sign in "\u202e\x00\x1b")


def test_what_nobody_knew_is_a_dash():
    """Unknown isn't zero, and a missing sensor is no failure."""
    data = made_trip(seconds=300, with_gps=False, with_speed=False, with_body=False)
    page = Reader(make_html(data, bare_review(data), METRIC, MADE_UTC_S))
    assert set(page.row("hottest")) == set(page.row("coverage")) == set(page.row("topped out")) == {"–"}
    assert page.row("bottomed") == ["0"] * 4
    text = "".join(page.texts)
    assert text.count("no body temperature") == 4
    assert "No end of travel was met." in text
    assert "time unknown" in text
    assert "nan" not in text.lower()


def test_trip_without_rows_has_tables_only(review):
    """All of its raw log may be gone; the ledger still has its duty."""
    whole = made_trip(seconds=60)
    names = ("t_s", "dt_s", "moving", "vehicle_mps", "ambient_c", "latitude_deg", "longitude_deg", "distance_m")
    data = replace(whole, dampers=(), contacts=(), segments=(), **{name: getattr(whole, name)[:0] for name in names})
    page = Reader(make_html(data, review, METRIC, MADE_UTC_S))
    assert "svg" not in page.tags
    assert len(page.row("heat")) == 4


@pytest.mark.parametrize("change", [{"key": "8"}, {"system": "imperial"}])
def test_what_cant_be_is_refused(data, review, change):
    """A report of two trips mixed would be believed."""
    other = replace(data, key=change.get("key", data.key))
    with pytest.raises(InputError):
        make_html(other, review, change.get("system", METRIC), MADE_UTC_S)


def test_state_of_the_trip_is_said(data, review, pages):
    """Under way, not driven, raw log gone: each in words at the top."""
    facts = replace(review.facts, is_open=True, not_driven="dyno")
    html = make_html(data, replace(review, facts=facts, is_raw_whole=False), METRIC, MADE_UTC_S)
    assert html.count('class="banner"') == 3
    assert "not driven (dyno)" in html
    assert pages[METRIC].count('class="banner"') == 0


def test_same_trip_same_file(data, review, pages):
    """Made twice, the same bytes: a shop that compares files isn't misled."""
    assert make_html(data, review, METRIC, MADE_UTC_S) == pages[METRIC]


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("a\n\tb\x00c", "a b c"),
        ("\u202eabc\u2066", "abc"),
        ("5\u00a0mm", "5\u00a0mm"),
        ("x" * 200, "x" * 157 + "..."),
        ("\ud800", ""),
    ],
)
def test_text_is_made_fit_for_paper(text, clean):
    """Control signs break XML, marks of direction turn a line round."""
    assert clean_text(text) == clean


def test_what_is_dropped_first():
    """Care that isn't called for and differences go before hits, hits before any reason."""
    for less, more in zip(_PAPER[1:], _PAPER, strict=False):
        assert (less.rest, less.differences) <= (more.rest, more.differences)
        if less.hits < more.hits:
            assert less.rest == 0
            assert more.differences < _PAPER[0].differences
        if not less.has_care_whys or not less.has_whys:
            assert less.hits < _PAPER[1].hits


def test_the_basis_of_differences_is_said_once(data, review):
    """All left and right are of one trip: a column that repeats it only costs room."""
    html = make_html(data, review, METRIC, MADE_UTC_S)
    assert html.count("Compared on: same road, same trip.") == 2  # beside the table, and its label
    assert "<td" in html
    assert 'scope="col">compared on' not in html
    one = replace(review.differences[1], basis="graded, 12 stretches or more of both")
    page = Reader(make_html(data, replace(review, differences=(*review.differences, one)), METRIC, MADE_UTC_S))
    rows = [row for row in page.rows if row[0].startswith("heat a metre")]
    assert [row[-1] for row in rows] == ["", "", "graded, 12 stretches or more of both"]


@pytest.mark.parametrize(("ratio", "said"), [(0.0049, "too little to tell"), (0.005, "660\u00a0km")])
def test_street_is_said_of_what_was_used_enough(data, review, ratio, said):
    """58 000 km beside a quarter of a percent is a number, not a help."""
    rows = tuple(replace(one, used=(replace(one.used[0], ratio=ratio),)) for one in review.dampers)
    page = Reader(make_html(data, replace(review, dampers=rows), METRIC, MADE_UTC_S))
    assert [cell.replace("\u202f", " ") for cell in page.row("worth on street")] == [said] * 4


def test_standing_says_what_cant_be_told(pages):
    """The sentence of review/standing.py, not another one."""
    assert LEVEL_UNKNOWN in "".join(Reader(pages[METRIC]).texts)


def crowded_trips():
    """Yield trips of a second or a minute, with one damper or many, and long names."""
    vehicle = load(DEMO).vehicle
    for count in (1, 2, 16):
        places = tuple(
            replace(vehicle.dampers[k % 4], position=f"{'w' * 50}_{k}", serial="W" * 60 + str(k)) for k in range(count)
        )
        trip = made_trip(seconds=4, vehicle=replace(vehicle, dampers=places))
        yield replace(trip, segments=(replace(trip.segments[0], end_s=600.0),))


def test_drawings_have_room_for_themselves():
    """A figure that collapses makes the library warn, and is unreadable; what it would warn of is an error here."""
    for data in crowded_trips():
        with mpl.rc_context(_STYLE), warnings.catch_warnings():
            warnings.simplefilter("error")
            for draw in (draw_over_time, _draw_energy, _draw_speeds, _draw_strokes, _draw_positions):
                draw(data, METRIC)


def test_no_warning_reaches_people(tmp_path):
    """Neither a warning nor a line of a library's log, also where Python shows them all."""
    code = (
        "import logging, sys, warnings; from review.made_trips import made_review, made_trip\n"
        "from dutylog.review import report_plots as plots; from dutylog.review.report import make_html\n"
        "draw = plots._draw_energy\n"
        "def talk(*words):\n"
        "    warnings.warn('two lines'); logging.getLogger('matplotlib.x').warning('a line'); return draw(*words)\n"
        "plots._draw_energy = talk; data = made_trip(3); make_html(data, made_review(data), 'metric', 0.0)\n"
    )
    command = [sys.executable, "-W", "always::UserWarning", "-c", code]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=tmp_path, env=environment)
    assert done.stderr == ""
