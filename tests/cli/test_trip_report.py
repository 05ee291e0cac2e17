"""`dutylog trip report` and `export`: files of a trip that was driven, and one line for whatever is wrong."""

from __future__ import annotations

import csv
import json
import re

import gpxpy
import pyarrow.parquet as pq
import pytest

from dutylog.cli.main import main
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.trip_book import TripBook
from review.driven_trips import RoughSource, truck
from review.test_report import needs_pdf

__all__ = ["truck"]


@pytest.fixture
def driven(truck):
    """A vehicle that was driven for two minutes."""
    truck.drive(120, 1000, source=RoughSource(120, 1000))
    return truck


def ask(truck, what, *words):
    return main(["trip", what, "--data", str(truck.data), *map(str, words)])


def ledger_trip(truck):
    with Ledger.open(truck.data / LEDGER_NAME, read_only=True) as opened:
        return TripBook(opened).trip("1")


@pytest.mark.parametrize("end", [".parquet", ".csv"])
def test_table_adds_up_to_the_ledger(driven, tmp_path, capsys, end):
    """The rows of the file are the ledger's trip, to the microjoule."""
    out = tmp_path / f"trip{end}"
    assert ask(driven, "export", "1", "-o", out) == 0
    said = capsys.readouterr().out
    if end == ".parquet":
        columns = pq.read_table(out).to_pydict()
    else:
        with out.open(newline="") as lines:
            rows = list(csv.DictReader(lines))
        columns = {name: [row[name] for row in rows] for name in rows[0]}
    assert said == f"{out}: trip 1, {len(columns['t_s'])} rows of a second, {len(columns)} columns\n"
    for damper in ledger_trip(driven).dampers:
        for side in ("compression", "rebound"):
            cells = columns[f"{damper.position}_energy_{side}_j"]
            assert sum(round(float(cell) * 1e6) for cell in cells) == getattr(damper.totals, f"energy_{side}_uj")
        strokes = sum(map(int, columns[f"{damper.position}_strokes_count"]))
        assert strokes == damper.totals.strokes_count
        assert set(columns[f"{damper.position}_unit_id"]) == {damper.unit_id}


def test_track_is_where_it_was(driven, tmp_path, capsys):
    """Another library reads the places the receiver told."""
    out = tmp_path / "trip.gpx"
    assert ask(driven, "export", "1", "-o", out) == 0
    assert "track of trip 1, " in capsys.readouterr().out
    points = [p for segment in gpxpy.parse(out.read_text()).tracks[0].segments for p in segment.points]
    assert len(points) > 100
    assert {point.longitude for point in points} == {-115.0}
    assert all(32.0 <= point.latitude <= 32.013 for point in points)


def test_json_is_what_review_prints(driven, tmp_path, capsys):
    """One review, wherever it is read."""
    out = tmp_path / "trip.json"
    assert ask(driven, "export", "1", "-o", out) == 0
    capsys.readouterr()
    assert ask(driven, "review", "1", "--format", "json") == 0
    assert json.loads(out.read_text()) == json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("units", ["us", pytest.param("metric", marks=pytest.mark.slow)])
def test_page_of_a_driven_trip(driven, tmp_path, capsys, units):
    """The review is made where it wasn't, and the report has it."""
    out = tmp_path / "trip.html"
    assert ask(driven, "report", "1", "-o", out, "--units", units) == 0
    html = out.read_text(encoding="utf-8")
    assert capsys.readouterr().out == f"{out}: report of trip 1, {len(html.encode())} bytes\n"
    assert "<h2>Verdict</h2>" in html
    assert "SN-4" in html
    assert ("m/s" in html) == (units == "metric")
    assert html.count("<svg") == 5


@needs_pdf
def test_pdf_of_a_driven_trip(driven, tmp_path):
    """It is a PDF, and nothing else was left beside it."""
    out = tmp_path / "paper" / "trip.PDF"
    out.parent.mkdir()
    assert ask(driven, "report", "1", "-o", out) == 0
    assert out.read_bytes().startswith(b"%PDF-")
    assert list(out.parent.iterdir()) == [out]


@pytest.mark.parametrize(
    ("what", "name"), [("report", "trip.html"), ("report", "trip.pdf"), ("export", "trip.csv"), ("export", "trip.gpx")]
)
def test_nothing_is_overwritten(driven, tmp_path, capsys, what, name):
    """Refused before the log is gone through."""
    out = tmp_path / name
    out.write_text("mine")
    assert ask(driven, what, "1", "-o", out) == 2
    assert "isn't overwritten" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert not (driven.data / "reviews").exists()


@pytest.mark.parametrize("what", ["report", "export"])
def test_what_is_no_trip_is_said_in_one_line(driven, tmp_path, capsys, what):
    """A key names a folder: nothing else may come of it."""
    out = tmp_path / ("trip.html" if what == "report" else "trip.gpx")
    for key in ("9", "1.2", "0", "../../etc", "1;rm", "", "１", "9" * 40):
        assert ask(driven, what, "-o", out, "--", key) == 2
        told = capsys.readouterr()
        assert told.err.count("\n") == 1
        assert "trip" in told.err
    assert not out.exists()
    assert not (driven.data / "reviews").exists()


def test_a_file_that_cant_be_made_is_said_in_one_line(driven, tmp_path, capsys):
    """What, where, the remedy; before the log is gone through."""
    for what, name, words in (
        ("report", "trip.docx", "name it .html or .pdf"),
        ("export", "trip.pdf", "name it .parquet, .csv, .gpx or .json"),
        ("report", "nowhere/trip.html", "can't be written: No such file"),
        ("export", "nowhere/trip.json", "can't be written: No such file"),
        ("export", "x" * 300 + ".json", "can't be written: File name too long"),
    ):
        assert ask(driven, what, "1", "-o", tmp_path / name) == 2
        told = capsys.readouterr().err
        assert told.count("\n") == 1
        assert words in told
    assert not (driven.data / "reviews").exists()


def test_roads_are_as_people_put_them_right(driven, tmp_path, capsys):
    """Report, its drawing and export say the same of a road, also after it was put right."""
    words = ["trip", "road", "1", "--from", "0:00:00", "--to", "0:01:00", "--kind", "jumps", "--by", "Ana"]
    assert main([*words, "--data", str(driven.data)]) == 0
    table, page = tmp_path / "trip.csv", tmp_path / "trip.html"
    assert ask(driven, "export", "1", "-o", table) == 0
    assert ask(driven, "report", "1", "-o", page) == 0
    capsys.readouterr()
    with table.open(newline="") as lines:
        roads = [row["road"] for row in csv.DictReader(lines)]
    assert roads[5] == "jumps"
    assert 55 <= roads.count("jumps") <= 61
    html = page.read_text(encoding="utf-8")
    assert '<th scope="row">jumps</th>' in html
    assert re.search(r"<text[^>]*>J</text>", html)
