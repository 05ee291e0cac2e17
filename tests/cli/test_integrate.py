"""`dutylog integrate` as a person uses it: good files, bad files, one helpful line."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

CASES = Path(__file__).parents[1] / "data" / "cases"
CASE = CASES / "B_washboard"
TRUCK = CASE / "truck.toml"


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "integrate", *map(str, arguments)],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip


@pytest.fixture(scope="module")
def table():
    return pq.read_table(CASE / "recording.parquet").slice(0, 8_000)


def refused(done, *words):
    """Exit 2, nothing on standard output, one line that holds the words."""
    assert done.returncode == 2, done
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr
    for word in words:
        assert word in done.stderr, done.stderr
    return True


def test_json_has_the_keys_of_the_contract():
    done = run("--config", TRUCK, "--format", "json", CASE / "recording.parquet")
    assert done.returncode == 0
    assert done.stderr == ""
    result = json.loads(done.stdout)
    assert result["schema"] == 1
    assert list(result["dampers"]) == ["front_left", "front_right", "rear_left", "rear_right"]
    wanted = {
        "serial", "energy_j", "compression_energy_j", "rebound_energy_j", "energy_10s_j", "strokes", "shaft_travel_m",
        "stroke_travel_m", "peak_compression_mps", "peak_rebound_mps", "peak_body_c", "bottom_outs", "measured_s",
        "unmeasured_s", "faults",
    }  # fmt: skip
    for damper in result["dampers"].values():
        assert wanted <= damper.keys()
        assert damper["energy_j"] == pytest.approx(damper["compression_energy_j"] + damper["rebound_energy_j"])
        assert sum(damper["energy_10s_j"]) == pytest.approx(damper["energy_j"], rel=1e-9)


def test_table_shows_the_same_numbers():
    result = json.loads(run("--config", TRUCK, "--format", "json", CASE / "recording.parquet").stdout)["dampers"]
    done = run("--config", TRUCK, CASE / "recording.parquet")
    energies = next(line for line in done.stdout.splitlines() if line.startswith("energy")).split()[2:]
    assert energies == [f"{damper['energy_j'] / 1e3:.3f}" for damper in result.values()]


def test_same_columns_as_csv_give_the_same_result(table, tmp_path):
    pq.write_table(table, tmp_path / "a.parquet")
    pa_csv.write_csv(
        pa.table({n: [None if v is None or v != v else v for v in table[n].to_pylist()] for n in table.column_names}),
        tmp_path / "a.csv",
    )
    first = json.loads(run("--config", TRUCK, "--format", "json", tmp_path / "a.parquet").stdout)
    second = json.loads(run("--config", TRUCK, "--format", "json", tmp_path / "a.csv").stdout)
    assert first == second


def test_order_of_columns_changes_nothing(table, tmp_path):
    pq.write_table(table, tmp_path / "a.parquet")
    pq.write_table(table.select(table.column_names[::-1]), tmp_path / "b.parquet")
    results = [run("--config", TRUCK, "--format", "json", tmp_path / f"{n}.parquet").stdout for n in "ab"]
    assert results[0] == results[1] != ""


def test_reversed_sign_says_why(table, tmp_path):
    columns = {n: table[n].to_numpy() for n in table.column_names}
    one = {**columns, "front_left_travel_mm": -columns["front_left_travel_mm"]}
    pq.write_table(pa.table(one), tmp_path / "one.parquet")
    done = run("--config", TRUCK, tmp_path / "one.parquet")
    assert done.returncode == 0
    assert "front_left: travel was at times" in done.stdout
    assert "reversed" in done.stdout
    every = {n: -v if n.endswith("travel_mm") else v for n, v in columns.items()}
    pq.write_table(pa.table(every), tmp_path / "all.parquet")
    assert refused(run("--config", TRUCK, tmp_path / "all.parquet"), "nothing to integrate", "reversed")


def nothing_written(folder, before):
    assert sorted(p.name for p in folder.iterdir()) == before


@pytest.mark.parametrize(
    ("name", "octets", "words"),
    [
        ("empty.parquet", b"", ["empty"]),
        ("foreign.parquet", b"GIF89a" + b"\1\2\3" * 400, ["foreign.parquet"]),
        ("foreign.csv", b"\xff\xfe\x00" * 100, ["foreign.csv"]),
        ("words.csv", b"hello world\nthis is no recording\n", ["t_s"]),
        (
            "header.csv",
            b"t_s,front_left_travel_mm,front_right_travel_mm,rear_left_travel_mm,rear_right_travel_mm\n",
            [],
        ),
    ],
)
def test_foreign_or_empty_file_is_refused(tmp_path, name, octets, words):
    (tmp_path / name).write_bytes(octets)
    assert refused(run("--config", TRUCK, tmp_path / name), name, *words)
    nothing_written(tmp_path, [name])


@pytest.mark.parametrize("keep", [10, 1000, 100_000, -1])
def test_truncated_file_is_refused(tmp_path, keep):
    octets = (CASE / "recording.parquet").read_bytes()
    (tmp_path / "cut.parquet").write_bytes(octets[:keep])
    assert refused(run("--config", TRUCK, tmp_path / "cut.parquet"), "cut.parquet")


def test_missing_column_is_named(table, tmp_path):
    pq.write_table(table.drop_columns(["rear_left_travel_mm"]), tmp_path / "a.parquet")
    assert refused(run("--config", TRUCK, tmp_path / "a.parquet"), "rear_left")


def test_all_nan_is_refused(table, tmp_path):
    nan = {n: np.full(len(table), np.nan) if n.endswith("travel_mm") else table[n] for n in table.column_names}
    pq.write_table(pa.table(nan), tmp_path / "nan.parquet")
    assert refused(run("--config", TRUCK, tmp_path / "nan.parquet"), "nan.parquet")


@pytest.mark.parametrize("factor", [1e6, -1e5, np.inf])
def test_absurd_values_are_refused(table, tmp_path, factor):
    absurd = {n: table[n].to_numpy() * factor if n.endswith("travel_mm") else table[n] for n in table.column_names}
    pq.write_table(pa.table(absurd), tmp_path / "absurd.parquet")
    assert refused(run("--config", TRUCK, tmp_path / "absurd.parquet"), "absurd.parquet")


def test_no_such_file_folder_without_log_and_bad_configuration(tmp_path):
    assert refused(run("--config", TRUCK, tmp_path / "nothing.parquet"), "nothing.parquet")
    assert refused(run("--config", TRUCK, tmp_path), str(tmp_path))
    assert refused(run("--config", tmp_path / "none.toml", CASE / "recording.parquet"), "none.toml")
    assert run("--config", TRUCK).returncode == 2
    assert run("--config", TRUCK, "--format", "xml", CASE / "recording.parquet").returncode == 2


def test_recording_of_one_row_is_refused(table, tmp_path):
    pq.write_table(table.slice(0, 1), tmp_path / "one.parquet")
    assert refused(run("--config", TRUCK, tmp_path / "one.parquet"), "one.parquet")


# -- what the table says beside the figures -------------------------------------------------------------


def test_table_tells_why_time_is_missing_and_what_may_have_been_in_it():
    faults = CASES / "F_faults"
    done = run("--config", faults / "truck.toml", faults / "recording.parquet")
    assert done.returncode == 0
    assert done.stderr == ""
    result = json.loads(run("--config", faults / "truck.toml", "--format", "json", faults / "recording.parquet").stdout)
    guess_kj = result["dampers"]["front_right"]["estimated_unmeasured_energy_j"] / 1e3
    (line,) = [text for text in done.stdout.splitlines() if text.startswith("front_right: not measured")]
    assert line.startswith(
        f"front_right: not measured: gap 4.0 s, travel_open 7.0 s; estimated {guess_kj:.3f} kJ in it ("
    )
    assert "lower bound" in done.stdout
    assert done.stdout.endswith("sampled at 1000 Hz\n")


def test_table_tells_the_true_rate():
    case = CASES / "G_clock"
    done = run("--config", case / "truck.toml", case / "recording.parquet")
    assert "sampled at 997.3 Hz, rows 80.5 us rms off an even spacing\n" in done.stdout


def test_notes_on_the_file_go_to_stderr_in_the_table_and_into_json(table, tmp_path):
    pq.write_table(table.append_column("gear", pa.array([3.0] * len(table))), tmp_path / "gear.parquet")
    done = run("--config", TRUCK, tmp_path / "gear.parquet")
    assert (done.returncode, done.stderr) == (0, "note: columns not used: gear\n")
    assert "gear" not in done.stdout
    done = run("--config", TRUCK, "--format", "json", tmp_path / "gear.parquet")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["notes"] == ["columns not used: gear"]
