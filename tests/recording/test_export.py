"""A log as a table, and that table as a recording again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.csv
import pyarrow.parquet
import pytest

from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import DutylogError, RecordingError
from dutylog.recording import export as export_module
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.export import export_log
from dutylog.recording.frame import Frame
from dutylog.recording.log import LogWriter
from dutylog.recording.source import Batch
from recording.log_cases import BODY, SPEED, STREAMS, TRAVEL, Script, make_vehicle

CASES = Path(__file__).parent.parent / "data" / "cases"
POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")


def make_log(folder: Path, script: Script, vehicle: Vehicle | None = None, epochs: int = 1) -> Path:
    writer = LogWriter(folder, vehicle or make_vehicle(), "boot", ManualClock())
    for epoch in range(1, epochs + 1):
        writer.start_epoch(script.streams, "script", "", epoch)
        for batch in script.batches(epoch, 100_000_000):
            writer.append(batch)
    writer.close()
    return folder


def log_file(folder: Path, path: Path) -> list[Frame]:
    """Put a recording file through a source into a log; return the frames."""
    source = RecordingFileSource(path, POSITIONS)
    writer = LogWriter(folder, make_vehicle(), "boot", ManualClock())
    writer.start_epoch(source.streams, source.kind, "", 1)
    source.start(1, {})
    while (batch := source.read_batch()) is not None:
        writer.append(batch)
    source.close()
    return list(writer.close())


class TestRoundTrip:
    @pytest.mark.parametrize("case", ["C_desert", "F_faults", "G_clock"])
    def test_export_of_a_recording_gives_its_samples_back(self, tmp_path: Path, case: str) -> None:
        """Travel and temperatures to the bit; instants to what whole nanoseconds and the stamps' float allow."""
        log_file(tmp_path / "log", CASES / case / "recording.parquet")
        result = export_log(tmp_path / "log", tmp_path / "out.parquet")
        table = pyarrow.parquet.read_table(tmp_path / "out.parquet")
        source = pyarrow.parquet.read_table(CASES / case / "recording.parquet")
        assert table.column_names == source.column_names
        assert result.left_out_count == 0
        t_s = source["t_s"].to_numpy()
        # F_faults has doubled and disordered rows: once each and in order after the way in.
        keep = np.unique(t_s, return_index=True)[1]
        assert table.num_rows == len(keep)
        seen_s = table["t_s"].to_numpy()
        assert np.abs((seen_s - seen_s[0]) - (t_s[keep] - t_s[keep][0])).max() < 2e-6
        for name in source.column_names[1:]:
            assert table[name].type == source[name].type
            got, expected = table[name].to_numpy(), source[name].to_numpy()[keep]
            if name.endswith("travel_mm"):
                assert np.array_equal(got.view("<u4"), expected.view("<u4"))
            else:
                known = ~np.isnan(expected)
                assert np.array_equal(got[~np.isnan(got)], expected[known])

    def test_table_imported_again_gives_the_same_frames(self, tmp_path: Path) -> None:
        """A CSV comes back as f8; its shortest decimals give every f4 back to the bit."""
        samples = _samples(log_file(tmp_path / "log", CASES / "C_desert" / "recording.parquet"))
        assert len(samples) == 360
        for file_format in ("parquet", "csv"):
            out = tmp_path / f"out.{file_format}"
            export_log(tmp_path / "log", out, file_format)
            assert _samples(log_file(tmp_path / f"log_{file_format}", out)) == samples


def _samples(frames: list[Frame]) -> list[tuple[object, ...]]:
    """Return place and f4 bits of every samples frame."""
    return [
        (f.t0_ns, f.stream_id, f.first_index, f.n, f.period_fs, f.block.data.astype("<f4").tobytes())
        for f in frames
        if f.block is not None
    ]


class TestTable:
    def test_rows_streams_and_row_groups(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        script = Script(STREAMS, 30.0, {1: [(5000, 9000)], 2: [(100, 150)]})
        make_log(tmp_path / "log", script)
        tables = []
        for stretch_ns in (10**9, 7 * 10**9, 10**12):
            monkeypatch.setattr(export_module, "STRETCH_NS", stretch_ns)
            out = tmp_path / f"{stretch_ns}.parquet"
            result = export_log(tmp_path / "log", out)
            assert result.left_out_count == 0
            tables.append(pyarrow.parquet.read_table(out))
        assert all(_same(t, tables[0]) for t in tables)
        assert pyarrow.parquet.ParquetFile(tmp_path / f"{10**9}.parquet").num_row_groups > 10
        table = tables[0]
        t_s = table["t_s"].to_numpy()
        assert (np.diff(t_s) > 0).all()
        travel = table["front_left_travel_mm"].to_numpy()
        assert np.isfinite(travel).sum() == 26_000
        body = table["front_left_body_c"].to_numpy()
        assert np.isfinite(body).sum() == 250
        assert np.allclose(t_s[np.isfinite(body)] * 10 % 1, 0, atol=1e-6)
        # While travel was missing the slow samples got rows of their own.
        assert len(t_s) == 26_000 + 40  # the four of speed share theirs with body
        indices = np.round(t_s[np.isfinite(travel)] * 1000).astype(int)
        assert np.array_equal(travel[np.isfinite(travel)], script.values(TRAVEL, indices)[:, 0])
        speed = table["speed_mps"].to_numpy()
        assert np.array_equal(speed[np.isfinite(speed)], script.values(SPEED, np.arange(30))[:, 0])

    def test_counts_become_mm_by_the_calibration_in_force(self, tmp_path: Path) -> None:
        counts = Stream(1, "counts", "i2", 10**12, (Channel("front_left", "travel", "count"),))
        writer = LogWriter(tmp_path / "log", make_vehicle(((0.0, 0.0), (100.0, 10.0))), "boot", ManualClock())
        writer.start_epoch((counts,), "script", "", 1)

        def block(first: int) -> Batch:
            return Batch((Block(counts, 1, first, first * 10**6, 10**12, np.full((1000, 1), 50, "<i2")),))

        writer.append(block(0))
        writer.config(make_vehicle(((0.0, 1.0), (100.0, 21.0))), 10**9)
        writer.append(block(1000))
        writer.close()
        export_log(tmp_path / "log", tmp_path / "out.parquet")
        travel = pyarrow.parquet.read_table(tmp_path / "out.parquet")["front_left_travel_mm"].to_numpy()
        assert (travel[:1000] == 5.0).all()
        assert (travel[1000:] == 11.0).all()
        assert len(travel) == 2000

    def test_stamps_move_the_rows(self, tmp_path: Path) -> None:
        """t_s is where each row really was: its grid instant and what the source knew beyond it."""
        channels = (Channel("front_left", "travel", "mm"), Channel("", "stamp", "ns"))
        stamped = Stream(1, "stamped", "f4", 10**12, channels)
        data = np.stack([np.arange(1000.0), np.where(np.arange(1000) % 2, 80_000.0, -80_000.0)], axis=1).astype("<f4")
        writer = LogWriter(tmp_path / "log", make_vehicle(), "boot", ManualClock())
        writer.start_epoch((stamped,), "script", "", 1)
        writer.append(Batch((Block(stamped, 1, 0, 0, 10**12, data),)))
        writer.close()
        export_log(tmp_path / "log", tmp_path / "out.parquet")
        table = pyarrow.parquet.read_table(tmp_path / "out.parquet")
        assert table.column_names == ["t_s", "front_left_travel_mm"]
        steps_us = np.round(np.diff(table["t_s"].to_numpy()) * 1e6)
        assert set(steps_us) == {1160.0, 840.0}

    def test_csv_has_empty_cells_and_plain_heads(self, tmp_path: Path) -> None:
        make_log(tmp_path / "log", Script((TRAVEL, BODY), 0.3))
        export_log(tmp_path / "log", tmp_path / "out.csv", "csv")
        lines = (tmp_path / "out.csv").read_text().splitlines()
        assert lines[0] == "t_s,front_left_travel_mm,front_left_body_c"
        assert lines[2].endswith(",")
        assert len(lines) == 301
        assert pyarrow.csv.read_csv(tmp_path / "out.csv")["front_left_body_c"].null_count == 297


def _same(a: pyarrow.Table, b: pyarrow.Table) -> bool:
    """Return whether tables are equal, NaN equal to NaN."""
    return a.column_names == b.column_names and all(
        np.array_equal(a[name].to_numpy(), b[name].to_numpy(), equal_nan=True) for name in a.column_names
    )


class TestRefusals:
    def test_existing_file_is_not_overwritten(self, tmp_path: Path) -> None:
        make_log(tmp_path / "log", Script(STREAMS, 0.3))
        (tmp_path / "out.csv").write_text("mine")
        with pytest.raises(DutylogError, match="isn't overwritten"):
            export_log(tmp_path / "log", tmp_path / "out.csv", "csv")
        assert (tmp_path / "out.csv").read_text() == "mine"

    def test_failure_leaves_nothing_behind(self, tmp_path: Path) -> None:
        counts = Stream(1, "counts", "i2", 10**12, (Channel("front_left", "travel", "count"),))
        make_log(tmp_path / "log", Script((counts,), 0.3))
        with pytest.raises(RecordingError, match="front_left is in counts and the log holds no calibration"):
            export_log(tmp_path / "log", tmp_path / "out.parquet")
        assert sorted(p.name for p in tmp_path.iterdir()) == ["log"]

    def test_several_epochs_need_a_choice(self, tmp_path: Path) -> None:
        make_log(tmp_path / "log", Script(STREAMS, 0.3), epochs=3)
        with pytest.raises(RecordingError, match="holds the epochs 1, 2, 3; choose one with --epoch"):
            export_log(tmp_path / "log", tmp_path / "out.parquet")
        with pytest.raises(RecordingError, match="no samples of epoch 9"):
            export_log(tmp_path / "log", tmp_path / "out.parquet", epoch=9)
        assert export_log(tmp_path / "log", tmp_path / "out.parquet", epoch=2).row_count == 300

    def test_log_without_samples_is_one_line(self, tmp_path: Path) -> None:
        writer = LogWriter(tmp_path / "log", make_vehicle(), "boot", ManualClock())
        writer.event("mark", 0, {"text": "x", "by": "me"})
        writer.close()
        with pytest.raises(RecordingError, match="no samples in it"):
            export_log(tmp_path / "log", tmp_path / "out.parquet")

    def test_folder_that_is_not_there_is_one_line(self, tmp_path: Path) -> None:
        make_log(tmp_path / "log", Script(STREAMS, 0.3))
        with pytest.raises(DutylogError, match="can't be written"):
            export_log(tmp_path / "log", tmp_path / "no" / "out.parquet")
