"""Files for other programs hold what the trip holds, to the last digit, and are never written over another."""

from __future__ import annotations

import csv
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from dutylog.errors import DutylogError
from dutylog.review.export import DAMPER_COLUMNS, ROW_COLUMNS, export_trip, table_columns
from review.made_trips import START_UTC_S, made_trip

UNITS = ("_s", "_m", "_mps", "_deg", "_c", "_j", "_pa", "_count", "_id")


@pytest.fixture(scope="module")
def data():
    return made_trip(seconds=400)


def columns_of(path: Path) -> dict[str, list]:
    """Return a table's columns by name; empty cells as None."""
    if path.suffix == ".parquet":
        return pq.read_table(path).to_pydict()
    with path.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    return {name: [row[name] or None for row in rows] for name in rows[0]}


@pytest.mark.parametrize("end", [".parquet", ".csv"])
def test_table_holds_every_row(tmp_path, data, end):
    """Sums over the table are the trip's totals exactly: a joule is a whole number of microjoules."""
    path = tmp_path / f"trip{end}"
    line = export_trip(data, None, "{}", path)
    found = columns_of(path)
    assert line == f"{path}: trip 7, 400 rows of a second, {len(found)} columns"
    assert list(found) == list(table_columns(data))
    for damper in data.dampers:
        compression = [round(float(cell) * 1e6) for cell in found[f"{damper.position}_energy_compression_j"]]
        rebound = [round(float(cell) * 1e6) for cell in found[f"{damper.position}_energy_rebound_j"]]
        assert sum(compression) == damper.totals.energy_compression_uj
        assert sum(rebound) == damper.totals.energy_rebound_uj
        assert sum(map(int, found[f"{damper.position}_strokes_count"])) == damper.totals.strokes_count
        body_c = np.array(found[f"{damper.position}_body_c"], dtype=float)
        assert np.array_equal(body_c, damper.body_c.astype(float))
        assert set(found[f"{damper.position}_unit_id"]) == {damper.unit_id}
    assert [float(cell) for cell in found["t_s"]] == data.t_s.tolist()
    assert float(found["utc_s"][10]) == START_UTC_S + 10
    assert np.array_equal(np.array(found["latitude_deg"], dtype=float), data.latitude_deg)
    assert [int(cell) for cell in found["moving"]] == data.moving.astype(int).tolist()
    assert [found["road"][row] for row in (0, 200, 399)] == ["graded", "washboard", "parked"]


def test_what_nobody_knew_is_empty(tmp_path):
    """Zero would be a measurement."""
    data = replace(
        made_trip(seconds=60, with_gps=False, with_speed=False, with_body=False), start_utc_s=None, segments=()
    )
    path = tmp_path / "trip.csv"
    export_trip(data, None, "{}", path)
    found = columns_of(path)
    empty = {name for name, cells in found.items() if set(cells) == {None}}
    assert {"utc_s", "road", "vehicle_mps", "distance_m", "latitude_deg", "front_left_body_c"} <= empty
    assert "t_s" not in empty
    assert "front_left_energy_rebound_j" not in empty


def test_a_damper_that_came_on_the_way_has_its_rows(tmp_path):
    """Two that sat in one place one after the other share its columns; unit_id tells whose row it is."""
    data = made_trip(seconds=90)
    first = data.dampers[0]
    here = np.arange(90) < 40

    def part(rows, unit_id):
        cut = {name: np.where(rows, getattr(first, name), 0) for name in ("energy_compression_uj", "measured_us")}
        return replace(first, unit_id=unit_id, body_c=np.where(rows, first.body_c, np.nan).astype(np.float32), **cut)

    swapped = (part(here, "old"), *data.dampers[1:], part(~here, "new"))
    path = tmp_path / "trip.parquet"
    export_trip(replace(data, dampers=swapped), None, "{}", path)
    found = columns_of(path)
    assert found["front_left_unit_id"] == ["old"] * 40 + ["new"] * 50
    assert np.array_equal(np.array(found["front_left_body_c"]), first.body_c.astype(float))
    heat_j = np.array(found["front_left_energy_compression_j"])
    assert np.array_equal(heat_j, first.energy_compression_uj / 1_000_000)
    assert len(found) == len(ROW_COLUMNS) + 4 * len(DAMPER_COLUMNS)


def test_a_trip_without_rows_is_a_table_without_rows(tmp_path):
    """All of its raw log may be gone."""
    whole = made_trip(seconds=60)
    none = {
        name: getattr(whole, name)[:0]
        for name in ("t_s", "dt_s", "moving", "vehicle_mps", "ambient_c", "latitude_deg", "longitude_deg", "distance_m")
    }
    path = tmp_path / "trip.parquet"
    export_trip(replace(whole, dampers=(), segments=(), **none), None, "{}", path)
    assert pq.read_table(path).num_rows == 0


def test_every_column_says_its_unit(data):
    """A number without a unit is a guess."""
    bare = [name for name in table_columns(data) if not name.endswith(UNITS)]
    assert bare == ["moving", "road"]


def test_json_is_the_review_as_it_is_kept(tmp_path, data):
    """Byte by byte: a program may read either."""
    text = json.dumps({"schema": 1, "name": "Zürich"}, ensure_ascii=False)
    path = tmp_path / "trip.json"
    assert export_trip(data, None, text, path).startswith(f"{path}: review of trip 7, ")
    assert path.read_text(encoding="utf-8") == text


def test_track_says_how_many_points(tmp_path, data):
    """What was written is told."""
    path = tmp_path / "trip.GPX"
    assert export_trip(data, "a", "{}", path) == f"{path}: track of trip 7, 400 points with times"


@pytest.mark.parametrize("end", [".parquet", ".csv", ".gpx", ".json"])
def test_nothing_is_overwritten_and_nothing_left_behind(tmp_path, data, end):
    """Somebody's file is somebody's file."""
    path = tmp_path / f"trip{end}"
    path.write_text("mine")
    with pytest.raises(DutylogError, match="exists already and isn't overwritten"):
        export_trip(data, None, "{}", path)
    assert path.read_text() == "mine"
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("trip", "ends in 'nothing'; name it .parquet, .csv, .gpx or .json"),
        ("trip.xlsx", "ends in '.xlsx'; name it"),
        ("nowhere/trip.gpx", "can't be written: No such file"),
        ("nowhere/trip.csv", "can't be written: No such file"),
    ],
)
def test_a_path_that_cant_be_is_one_line(tmp_path, data, name, words):
    """What, where, the value seen."""
    with pytest.raises(DutylogError) as told:
        export_trip(data, None, "{}", tmp_path / name)
    assert words in str(told.value)
    assert "\n" not in str(told.value)


def test_a_link_to_nowhere_is_no_free_name(tmp_path, data):
    """Writing through it would make a file elsewhere."""
    path = tmp_path / "trip.json"
    path.symlink_to(tmp_path / "elsewhere.json")
    with pytest.raises(DutylogError, match="exists already"):
        export_trip(data, None, "{}", path)


def test_a_clock_nobody_vouched_for_is_no_time(tmp_path, data):
    """As in the track: a wrong year in a table would be believed."""
    for change in ({"utc_trusted": False}, {"start_utc_s": None}):
        path = tmp_path / f"{len(change)}{'utc_trusted' in change}.csv"
        export_trip(replace(data, **change), None, "{}", path)
        assert set(columns_of(path)["utc_s"]) == {None}


@pytest.mark.parametrize("has_links", [True, False])
@pytest.mark.parametrize("end", [".parquet", ".csv", ".gpx", ".json"])
def test_a_file_made_in_between_stays(tmp_path, data, monkeypatch, end, has_links):
    """Somebody writes the name at the last moment; a memory stick has no links."""
    path, linked = tmp_path / f"trip{end}", []

    def link(part, name, *more):
        linked.append(name)
        if not linked[1:]:
            path.write_text("mine")
        if not has_links:
            raise PermissionError(1, "Operation not permitted")
        return real(part, name, *more)

    real = os.link
    monkeypatch.setattr(os, "link", link)
    with pytest.raises(DutylogError, match="exists already and isn't overwritten") as told:
        export_trip(data, None, "{}", path)
    assert str(told.value).startswith(f"{path}: ")
    assert path.read_text() == "mine"
    assert [one.name for one in tmp_path.iterdir()] == [path.name]
    path.unlink()
    export_trip(data, None, "{}", path)
    assert path.stat().st_size > 1
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


def test_nothing_is_left_of_a_copy_that_fails(tmp_path, data, monkeypatch):
    """Half a file looks like a file."""

    def refuse(*_words):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "link", refuse)
    monkeypatch.setattr(shutil, "copyfileobj", refuse)
    with pytest.raises(DutylogError, match=r"trip\.json: can't be written: No space left"):
        export_trip(data, None, "{}", tmp_path / "trip.json")
    assert list(tmp_path.iterdir()) == []
