"""`dutylog integrate` with files to check its numbers by, and with recordings of other loggers."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from acquire.mdf_files import write_case

CASE = Path(__file__).parents[1] / "data" / "cases" / "B_washboard"
TRUCK = CASE / "truck.toml"


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "integrate", *map(str, arguments)],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip


@pytest.fixture(scope="module")
def columns():
    table = pq.read_table(CASE / "recording.parquet").slice(0, 12_000)
    return {name: table[name].to_numpy() for name in table.column_names}


@pytest.fixture(scope="module")
def recording(columns, tmp_path_factory):
    path = tmp_path_factory.mktemp("recording") / "a.parquet"
    pq.write_table(pa.table(columns), path)
    return path


@pytest.fixture(scope="module")
def result(recording):
    return run("--config", TRUCK, "--format", "json", recording).stdout


def test_result_and_files_come_together(recording, result, tmp_path):
    """Standard output is the same with files as without."""
    done = run(
        "--config", TRUCK, "--format", "json", "--signals", tmp_path / "s.parquet",
        "--events", tmp_path / "e.csv", recording,
    )  # fmt: skip
    assert (done.returncode, done.stderr, done.stdout) == (0, "", result)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["e.csv", "s.parquet"]
    heat_j = pq.read_table(tmp_path / "s.parquet")["rear_left_heat_j"].to_numpy()
    assert np.nansum(heat_j) == pytest.approx(json.loads(result)["dampers"]["rear_left"]["energy_j"], rel=1e-9)
    rows = (tmp_path / "e.csv").read_text().splitlines()
    strokes = [row for row in rows if row.startswith("stroke,rear_left,")]
    assert len(strokes) == json.loads(result)["dampers"]["rear_left"]["strokes"] > 10


def test_existing_file_is_not_overwritten(recording, tmp_path):
    (tmp_path / "s.csv").write_text("mine")
    done = run("--config", TRUCK, "--signals", tmp_path / "s.csv", recording)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert "exists already and isn't overwritten" in done.stderr
    assert (tmp_path / "s.csv").read_text() == "mine"


def test_bad_recording_leaves_nothing(tmp_path):
    (tmp_path / "bad.csv").write_text("hello\n")
    done = run("--config", TRUCK, "--signals", tmp_path / "s.csv", tmp_path / "bad.csv")
    assert done.returncode == 2
    assert [p.name for p in tmp_path.iterdir()] == ["bad.csv"]


def test_terminal_sees_progress(recording, tmp_path):
    """Writing takes longer than adding up; a person sees that it goes on."""
    ours, theirs = pty.openpty()
    try:
        done = subprocess.run(
            [sys.executable, "-m", "dutylog.cli.main", "integrate", "--config", TRUCK,
             "--signals", tmp_path / "s.parquet", recording],
            stdout=subprocess.PIPE, stderr=theirs, timeout=120, check=True,
        )  # fmt: skip
        shown = os.read(ours, 65536).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    assert "integrating a.parquet" in shown
    assert b"energy" in done.stdout


def test_mdf4_gives_the_same_result(columns, result, tmp_path):
    """The same samples in groups of three rates."""
    path = write_case(tmp_path / "a.mf4", columns, compression=2)
    done = run("--config", TRUCK, "--format", "json", path)
    assert (done.stderr, done.stdout) == ("", result)


def test_names_and_units_of_another_logger(columns, result, tmp_path):
    """Milliseconds and inches; the energy agrees within the rounding of the conversion."""
    foreign = dict(columns)
    foreign["Time"] = foreign.pop("t_s") * 1000.0
    foreign["FL pos"] = foreign.pop("front_left_travel_mm").astype(float) / 25.4
    pq.write_table(pa.table(foreign), tmp_path / "a.parquet")
    truck = tmp_path / "truck.toml"
    truck.write_text(
        TRUCK.read_text()
        + '\n[import.columns]\nt_s = { column = "Time", unit = "ms" }\n'
        + 'front_left_travel_mm = { column = "FL pos", unit = "in" }\n'
    )
    mapped = json.loads(run("--config", truck, "--format", "json", tmp_path / "a.parquet").stdout)["dampers"]
    plain = json.loads(result)["dampers"]
    assert mapped["rear_left"]["strokes"] == plain["rear_left"]["strokes"]
    for position in plain:
        assert mapped[position]["energy_j"] == pytest.approx(plain[position]["energy_j"], rel=1e-6)
    refused = run("--config", truck, CASE / "recording.parquet")
    assert refused.returncode == 2
    assert 'no column "Time" for t_s ([import.columns])' in refused.stderr
    assert refused.stderr.count("\n") == 1
