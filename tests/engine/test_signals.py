"""What is exported adds up to what was counted; strokes and signals are read back as a notebook would."""

from __future__ import annotations

import functools

import numpy as np
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from dutylog.duty.strokes import GATE_UM
from dutylog.engine.integrate import integrate
from dutylog.engine.report import Integration
from dutylog.engine.signals import EVENT_COLUMNS, GROUP_ROWS, SignalExport, signal_columns
from dutylog.engine.stroke_events import BottomOutFinder, StrokeFinder
from dutylog.errors import DutylogError, RecordingError
from engine.builders import (
    CASES,
    CORNERS,
    Log,
    load_columns,
    load_vehicle,
    make_vehicle,
    strokes_mm,
    travel_stream,
    write_recording,
)

MS = 1_000_000


@functools.cache
def exported(case, folder):
    """Return (result, signals, events) of a whole case, tables as dictionaries of arrays."""
    signals, events = folder / f"{case}-s.parquet", folder / f"{case}-e.parquet"
    vehicle = load_vehicle(case)
    with SignalExport(vehicle, signals, events) as export:
        result = integrate(CASES / case / "recording.parquet", vehicle, export=export).to_dict()["dampers"]
    return result, read(signals), read(events)


def read(path):
    table = pq.read_table(path)
    return {name: table[name].to_numpy() for name in table.column_names}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("exported")


def of(events, event, position):
    """Return the rows of one sort and position."""
    rows = (events["event"] == event) & (events["position"] == position)
    return {name: values[rows] for name, values in events.items()}


@pytest.mark.parametrize("case", ["C_desert", "F_faults", "G_clock"])
class TestCase:
    def test_heat_of_the_samples_is_the_energy(self, case, folder):
        """The figure a service interval rests on, summed by hand."""
        result, signals, _ = exported(case, folder)
        for position, damper in result.items():
            valid = signals[f"{position}_valid"] == 1
            heat_j, speed = signals[f"{position}_heat_j"], signals[f"{position}_speed_mps"]
            assert heat_j[valid].sum() == pytest.approx(damper["energy_j"], rel=1e-9)
            assert heat_j[valid & (speed < 0)].sum() == pytest.approx(damper["rebound_energy_j"], rel=1e-9)
            assert np.isnan(heat_j[~valid]).all()

    def test_heat_is_force_times_speed(self, case, folder):
        """Each row by itself, to the whole microjoule that is counted."""
        _, signals, _ = exported(case, folder)
        # The period isn't among the columns; instants in whole ns tell it to 1e-6.
        period_s = float(np.median(np.diff(signals["t_s"])))
        for position in CORNERS:
            power_w = signals[f"{position}_force_n"] * signals[f"{position}_speed_mps"]
            off_j = np.abs(np.maximum(power_w, 0.0) * period_s - signals[f"{position}_heat_j"])
            assert np.nanmax(off_j - 1e-6 * np.abs(power_w) * period_s) <= 0.51e-6

    def test_sliding_is_the_sum_of_steps(self, case, folder):
        """Travel is written in the whole micrometres that are counted."""
        result, signals, _ = exported(case, folder)
        for position, damper in result.items():
            travel_um = np.rint(signals[f"{position}_travel_mm"] * 1000)
            assert np.nansum(np.abs(np.diff(travel_um))) * 1e-6 == pytest.approx(damper["shaft_travel_m"], abs=1e-9)

    def test_strokes_are_those_counted(self, case, folder):
        """One row for each, with the same sum of lengths."""
        result, _, events = exported(case, folder)
        for position, damper in result.items():
            strokes = of(events, "stroke", position)
            assert len(strokes["kind"]) == damper["strokes"] > 100
            assert np.count_nonzero(strokes["kind"] == "compression") == damper["compression_strokes"]
            assert strokes["length_mm"].sum() * 1e-3 == pytest.approx(damper["stroke_travel_m"], abs=1e-9)
            assert strokes["length_mm"].min() * 1000 >= GATE_UM
            assert (strokes["end_s"] > strokes["start_s"]).all()

    def test_a_stroke_can_be_found_in_the_signals(self, case, folder):
        """Travel at its two instants, and the largest speed between them."""
        _, signals, events = exported(case, folder)
        t_s = signals["t_s"]
        strokes = of(events, "stroke", "front_left")
        travel_mm, speed = signals["front_left_travel_mm"], signals["front_left_speed_mps"]
        for row in range(0, len(strokes["kind"]), 7):
            start, end = (int(np.argmin(np.abs(t_s - strokes[name][row]))) for name in ("start_s", "end_s"))
            sign = 1 if strokes["kind"][row] == "compression" else -1
            assert (travel_mm[end] - travel_mm[start]) * sign == pytest.approx(strokes["length_mm"][row], abs=1e-9)
            peak = max(0.0, float((speed[start:end] * sign).max()))
            assert strokes["peak_mps"][row] == peak

    def test_bottom_outs_faults_and_peaks(self, case, folder):
        """The rest of the figures."""
        result, signals, events = exported(case, folder)
        for position, damper in result.items():
            assert len(of(events, "bottom_out", position)["kind"]) == damper["bottom_outs"]
            faults = of(events, "fault", position)
            rows = sorted(zip(faults["start_s"].tolist(), faults["kind"].tolist(), strict=True))
            assert rows == [(fault["start_s"], fault["kind"]) for fault in damper["faults"]]
            speed = signals[f"{position}_speed_mps"]
            assert np.nanmax(speed) == pytest.approx(damper["peak_compression_mps"], abs=0.51e-6)
            assert -np.nanmin(speed) == pytest.approx(damper["peak_rebound_mps"], abs=0.51e-6)

    def test_columns_are_those_promised(self, case, folder):
        """Notebooks rely on names."""
        _, signals, events = exported(case, folder)
        assert list(signals) == list(signal_columns(load_vehicle(case).dampers))
        assert list(events) == list(EVENT_COLUMNS)
        assert (np.diff(signals["t_s"]) > 0).all()


def test_faults_leave_holes(folder):
    """F has faults of every kind: rows that don't count, and time in which no row came at all."""
    _, signals, _ = exported("F_faults", folder)
    assert 0 < np.count_nonzero(signals["front_left_valid"] == 0) < len(signals["t_s"]) // 2
    assert np.isnan(signals["front_left_travel_mm"][signals["front_left_valid"] == 0]).all()


def test_a_day_is_written_in_row_groups(folder):
    """Memory must not grow with the recording."""
    exported("C_desert", folder)
    groups = pq.ParquetFile(folder / "C_desert-s.parquet").metadata
    assert groups.num_row_groups >= 2
    assert max(groups.row_group(i).num_rows for i in range(groups.num_row_groups)) < GROUP_ROWS + 2_000


def test_csv_holds_the_same(tmp_path):
    """Every digit, and an empty cell where Parquet has none."""
    recording = write_recording(tmp_path / "a.parquet", load_columns("C_desert", 0.0, 4.0))
    vehicle = load_vehicle("C_desert")
    for end in ("parquet", "csv"):
        with SignalExport(vehicle, tmp_path / f"s.{end}", tmp_path / f"e.{end}") as export:
            integrate(recording, vehicle, export=export)
    for name in ("s", "e"):
        first = pq.read_table(tmp_path / f"{name}.parquet").to_pandas()
        second = pa_csv.read_csv(tmp_path / f"{name}.csv").to_pandas()
        assert list(first) == list(second)
        for column in first:
            if first[column].dtype.kind in "fi":
                assert np.array_equal(first[column], second[column], equal_nan=True), column
            else:
                assert list(first[column]) == list(second[column])
    assert (tmp_path / "s.csv").read_text().startswith("t_s,epoch,front_left_travel_mm,")


def test_the_result_is_the_same_with_and_without(folder):
    """Watching must not change what is watched."""
    result, _, _ = exported("F_faults", folder)
    vehicle = load_vehicle("F_faults")
    assert integrate(CASES / "F_faults" / "recording.parquet", vehicle).to_dict()["dampers"] == result


def test_nothing_is_left_of_a_failure(tmp_path):
    """Half a table must not look like a whole one."""
    vehicle = load_vehicle("C_desert")
    (tmp_path / "bad.parquet").write_bytes(b"PAR1 and no more")
    with pytest.raises(RecordingError), SignalExport(vehicle, tmp_path / "s.csv", tmp_path / "e.csv") as export:
        integrate(tmp_path / "bad.parquet", vehicle, export=export)
    assert [p.name for p in tmp_path.iterdir()] == ["bad.parquet"]


def test_files_appear_only_when_whole(tmp_path):
    """A notebook that looks too early finds nothing rather than a part."""
    vehicle = load_vehicle("C_desert")
    with SignalExport(vehicle, tmp_path / "s.parquet"):
        assert not (tmp_path / "s.parquet").exists()
    assert len(read(tmp_path / "s.parquet")["t_s"]) == 0


@pytest.mark.parametrize(
    ("signals", "events", "words"),
    [
        ("there.csv", None, "there.csv: exists already and isn't overwritten"),
        (None, "there.csv", "there.csv: exists already"),
        ("new.csv", "there.csv", "there.csv: exists already"),
        ("new.csv", "new.csv", "new.csv: named for signals and for events"),
        ("new.txt", None, "new.txt: ends in '.txt'; name it .parquet or .csv"),
        ("new", None, "new: ends in 'nothing'; name it"),
        ("none/new.csv", None, "new.csv: can't be written: No such file or directory"),
        ("new.csv", "none/new.csv", "new.csv: can't be written"),
    ],
)
def test_what_can_not_be_written_is_refused_first(tmp_path, signals, events, words):
    """An hour of work must not end in a name that was wrong from the start."""
    (tmp_path / "there.csv").write_text("mine")
    paths = [None if name is None else tmp_path / name for name in (signals, events)]
    with pytest.raises(DutylogError) as caught:
        SignalExport(load_vehicle("C_desert"), *paths)
    assert words in str(caught.value)
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"there.csv": "mine"}


def test_epochs_and_a_changed_damper_break_travel(tmp_path):
    """A log of two runs, a damper changed in between and a hole: each ends the open stroke."""
    vehicle = make_vehicle()
    log, stream = Log(vehicle), travel_stream("left", "right")
    log.start(stream)
    log.event("install", position="left", unit_id="unit-1", serial=None)
    log.write(stream, strokes_mm(10.2))
    log.write(stream, strokes_mm(5.3), at=14_700)
    log.end()
    log.start(stream, t0_ns=60 * 10**9)
    log.event("install", position="left", unit_id="unit-2", serial=None)
    log.write(stream, strokes_mm(7.7))
    log.end()
    log.close()
    with SignalExport(vehicle, tmp_path / "s.parquet", tmp_path / "e.parquet") as export:
        work = Integration(vehicle, export=export)
        for frame in log.frames:
            work.feed(frame)
        work.finish()
    signals, events = read(tmp_path / "s.parquet"), read(tmp_path / "e.parquet")
    totals = work.engine.totals()
    assert {"unit-1", "unit-2"} <= totals.keys()
    for position, units in (("left", ["unit-1", "unit-2"]), ("right", [work.engine.units()["right"]])):
        strokes = of(events, "stroke", position)
        assert len(strokes["kind"]) == sum(totals[unit].strokes_count for unit in units) > 40
        length_um = np.rint(strokes["length_mm"] * 1000).sum()
        assert length_um == sum(totals[unit].stroke_travel_um for unit in units)
        energy_uj = np.rint(np.nansum(signals[f"{position}_heat_j"]) * 1e6)
        assert energy_uj == sum(totals[unit].energy_uj for unit in units)
    assert np.array_equal(np.unique(signals["epoch"]), [1, 2])
    assert set(of(events, "stroke", "left")["epoch"].tolist()) == {1, 2}


def found(travel_um, speed_mps=None, pieces=(), finish=True):
    """Return strokes as (start ms, end ms, length, direction), the samples handed over in pieces."""
    travel_um = np.asarray(travel_um, dtype=np.int64)
    speed = np.gradient(travel_um * 1e-3) if speed_mps is None else np.asarray(speed_mps, dtype=float)
    times_ns = np.arange(len(travel_um)) * MS
    finder, strokes = StrokeFinder(), []
    for part in np.split(np.arange(len(travel_um)), pieces):
        strokes += finder.update(travel_um[part], speed[part], times_ns[part])
    return strokes + (finder.finish() if finish else [])


def test_one_stroke_each_way():
    """Worked by hand: 0 to 5 mm and back, the peaks in between."""
    strokes = found([0, 1000, 5000, 5000, 1000, 0], [0.5, 3.0, 1.0, 0.0, -4.0, -1.0])
    assert [(s.start_ns // MS, s.end_ns // MS, s.length_um, s.direction) for s in strokes] == [
        (0, 2, 5000, 1),
        (2, 5, 5000, -1),
    ]
    assert [s.peak_mps for s in strokes] == [3.0, 4.0]


def test_less_than_the_gate_is_no_stroke():
    """2.999 mm is noise, 3 mm a stroke."""
    assert found([0, 2999, 0, 2999, 0]) == []
    assert [s.length_um for s in found([0, 3000])] == [3000]


def test_small_wobbles_stay_inside_a_stroke():
    """Coming back by less than 3 mm ends nothing, and its speed isn't the stroke's."""
    (stroke,) = found([0, 4000, 2000, 9000], [1.0, 2.0, -7.0, 3.0])
    assert (stroke.length_um, stroke.peak_mps) == (9000, 2.0)


@pytest.mark.parametrize("seed", range(5))
def test_pieces_change_nothing(seed):
    """Tiles cut the travel anywhere."""
    rng = np.random.default_rng(seed)
    travel_um = np.cumsum(rng.integers(-2500, 2500, 400))
    cuts = np.sort(rng.integers(1, 399, 12))
    whole = found(travel_um)
    assert len(whole) > 20
    assert found(travel_um, pieces=np.unique(cuts)) == whole


def test_bottom_outs_are_armed_again_below_6_mm():
    """Rattling on the bump stop is one hit."""
    travel_um = np.array([0, 98_000, 95_000, 98_000, 93_000, 97_000, 99_000])
    finder = BottomOutFinder(100_000)
    hits = []
    for part in np.split(np.arange(7), [3]):
        hits += finder.update(travel_um[part], travel_um[part] * 1.0, part * MS)
    assert [(hit.start_ns // MS, hit.speed_mps) for hit in hits] == [(1, 98_000.0), (5, 97_000.0)]
