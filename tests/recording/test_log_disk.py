"""The raw log on a disk that is full or fails."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from dutylog.errors import LedgerError, LedgerFull
from dutylog.recording import log as log_module
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.reader import LogReader
from recording.log_cases import STREAMS, Script, frame_ends, frame_key, keys, only_segment, open_log, write

INSTALL = {"position": "front_left", "unit_id": "u-1", "serial": "S1", "profile": "plain"}


class FailingDisk:
    """Stands in for os.pwrite and os.fsync: takes `room` bytes, then fails as a full or bad disk does."""

    def __init__(self, room: int, number: int = errno.ENOSPC) -> None:
        self.room = room
        self.number = number
        self._pwrite, self._fsync = os.pwrite, os.fsync
        self.failing_fsyncs = 0

    def pwrite(self, fd: int, data: memoryview, offset: int) -> int:
        take = min(self.room, len(data))
        if take == 0:
            raise OSError(self.number, os.strerror(self.number))
        self.room -= take
        return self._pwrite(fd, data[:take], offset)

    def fsync(self, fd: int) -> None:
        if self.failing_fsyncs:
            self.failing_fsyncs -= 1
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self._fsync(fd)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], FailingDisk]:
    def make(room: int) -> FailingDisk:
        failing = FailingDisk(room)
        monkeypatch.setattr(os, "pwrite", failing.pwrite)
        monkeypatch.setattr(os, "fsync", failing.fsync)
        return failing

    return make


class TestDiskFaults:
    def expected(self, tmp_path: Path, script: Script) -> list[Frame]:
        write(tmp_path / "expected", script).close()
        return list(LogReader(tmp_path / "expected").frames())

    @pytest.mark.parametrize("room", [0, 1, 50, 72, 500, 1700, 3000, 3800, 4500])
    def test_full_disk_leaves_only_whole_frames_and_nothing_is_lost_once_there_is_room(
        self, tmp_path: Path, disk: Callable[[int], FailingDisk], room: int
    ) -> None:
        script = Script(STREAMS, 3.0)
        expected = self.expected(tmp_path, script)
        failing = disk(room)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "made up", 1)
        got: list[Frame] = []
        full = 0
        for batch in script.batches(1, 100_000_000):
            writer.append(batch)
            try:
                got += writer.commit()
            except LedgerFull:
                full += 1
                path = only_segment(tmp_path / "log")
                ends = [0, *frame_ends(path.read_bytes())]
                assert ends[-1] == path.stat().st_size
        assert full > 0
        failing.room = 10**9
        got += writer.close()
        assert keys(got) == keys(expected)
        assert keys(list(LogReader(tmp_path / "log").frames())) == keys(expected)

    def test_failed_fsync_writes_the_frames_again(self, tmp_path: Path, disk: Callable[[int], FailingDisk]) -> None:
        """After a failed fsync the kernel may drop the pages and report success the next time."""
        script = Script(STREAMS, 3.0)
        expected = self.expected(tmp_path, script)
        failing = disk(10**9)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "made up", 1)
        got = list(writer.commit())
        durable_bytes = only_segment(tmp_path / "log").stat().st_size
        writer.append(script.batch(1, 0, script.end_ns))
        failing.failing_fsyncs = 1
        with pytest.raises(LedgerError, match="can't be written"):
            writer.commit()
        assert only_segment(tmp_path / "log").stat().st_size == durable_bytes
        got += writer.close()
        assert [frame_key(f)[4:] for f in got] == [frame_key(f)[4:] for f in expected]
        assert keys(list(LogReader(tmp_path / "log").frames())) == keys(got)

    def test_failed_fsync_at_a_turn_of_segments_loses_nothing(
        self, tmp_path: Path, disk: Callable[[int], FailingDisk]
    ) -> None:
        failing = disk(10**9)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "", 1)
        writer.append(Script(STREAMS, 1.0).batch(1, 0, 10**9))
        writer.start_epoch(STREAMS, "script", "", 2)
        failing.failing_fsyncs = 1
        with pytest.raises(LedgerError):
            writer.commit()
        got = writer.close()
        assert [f.sequence for f in got] == list(range(1, len(got) + 1))
        assert keys(list(LogReader(tmp_path / "log").frames())) == keys(list(got))

    def test_disk_that_stays_full_costs_rows_not_memory(
        self, tmp_path: Path, disk: Callable[[int], FailingDisk], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Every queue is bounded: the oldest rows become a gap, counted and said."""
        monkeypatch.setattr(log_module, "MAX_PENDING_BYTES", 40_000)
        script = Script(STREAMS, 60.0)
        failing = disk(0)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "", 1)
        for batch in script.batches(1, 1_000_000_000):
            writer.append(batch)
            assert writer.pending_bytes <= 40_000
            with pytest.raises(LedgerFull):
                writer.commit()
        failing.room = 10**9
        frames = list(writer.close())
        assert keys(frames) == keys(list(LogReader(tmp_path / "log").frames()))
        gaps = [f for f in frames if f.type == FrameType.GAP]
        assert {f.data["reason"] for f in gaps if f.data} == {"not_stored"}
        assert sum(f.n for f in gaps) == writer.dropped_row_count > 40_000
        for stream in STREAMS:
            covered = [
                (f.first_index, f.first_index + f.n)
                for f in frames
                if f.stream_id == stream.stream_id and f.type in (FrameType.GAP, FrameType.SAMPLES)
            ]
            assert covered[0][0] == 0
            assert all(a[1] == b[0] for a, b in pairwise(covered))
            assert covered[-1][1] == 60 * stream.samples_per_second

    def test_close_on_a_full_disk_says_so_and_lets_go(self, tmp_path: Path, disk: Callable[[int], FailingDisk]) -> None:
        disk(1000)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "", 1)
        writer.append(Script(STREAMS, 1.0).batch(1, 0, 10**9))
        with pytest.raises(LedgerFull):
            writer.close()
        assert writer.dropped_row_count == 1011
        assert writer.close() == ()

    def test_folder_that_can_not_be_made_is_one_line(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("x")
        with pytest.raises(LedgerError, match="can't be written") as caught:
            open_log(tmp_path / "file" / "log")
        assert "\n" not in str(caught.value)
