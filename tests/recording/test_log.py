"""The log on disk: what is durable, where segments turn, how a writer goes on after a stop or kill."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from dutylog.clock import ManualClock
from dutylog.errors import InputError, RecordingError
from dutylog.recording import log as log_module
from dutylog.recording import logbook as logbook_module
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.log import LogWriter
from dutylog.recording.logbook import Logbook
from dutylog.recording.reader import LogReader
from dutylog.recording.source import Batch, SourceEvent
from recording.log_cases import (
    STREAMS,
    TRAVEL,
    Script,
    frame_ends,
    keys,
    make_vehicle,
    only_segment,
    open_log,
    rows_of,
    write,
)

INSTALL = {"position": "front_left", "unit_id": "u-1", "serial": "S1", "profile": "plain"}


def write_and_kill(folder: Path, script: Script, until_ns: int) -> None:
    """Write a script up to an instant and stop as a kill does: no close, only the kernel shuts the file."""
    writer = open_log(folder)
    writer.start_epoch(script.streams, "script", "made up", 1)
    for batch in script.batches(1, 100_000_000):
        if batch.blocks and batch.blocks[0].t0_ns >= until_ns:
            break
        writer.append(batch)
        writer.commit()
    kill(writer)


def kill(writer: LogWriter) -> None:
    writer._files.close()


class TestDurable:
    def test_disk_and_memory_hand_on_the_same_frames(self, tmp_path: Path) -> None:
        """`integrate` has no disk; the daemon's replay reads one; all three must see the same frames."""
        script = Script(STREAMS, 5.2, {1: [(2100, 2300)]})
        book = Logbook(make_vehicle(), "boot", ManualClock(5, 7))
        memory = book.start_epoch(STREAMS, "script", "made up", 1)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "made up", 1)
        live = []
        for batch in script.batches(1, 100_000_000):
            memory += book.append(batch)
            writer.append(batch)
            live += writer.commit()
        memory += book.end("done", 6) + book.close()
        writer.end("done", 6)
        live += writer.close()
        assert keys(live) == keys(memory)
        assert keys(list(LogReader(tmp_path / "log").frames())) == keys(memory)

    def test_nothing_is_handed_on_before_fsync(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The engine must never count what a power cut could take back."""
        seen: list[str] = []
        real = os.fsync

        def spy(fd: int) -> None:
            seen.append("folder" if stat.S_ISDIR(os.fstat(fd).st_mode) else "file")
            real(fd)

        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "", 1)
        writer.append(Script(STREAMS, 2.0).batch(1, 0, 2_000_000_000))
        assert list((tmp_path / "log").iterdir()) == []
        monkeypatch.setattr(os, "fsync", spy)
        frames = writer.commit()
        assert seen == ["file", "folder"]
        assert keys(frames) == keys(list(LogReader(tmp_path / "log").frames()))
        assert writer.commit() == ()
        assert seen == ["file", "folder"]
        writer.append(Script(STREAMS, 4.0).batch(1, 2_000_000_000, 4_000_000_000))
        assert writer.commit()
        assert seen == ["file", "folder", "file"]
        writer.close()

    def test_what_a_kill_left_is_made_durable_before_it_is_read(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """After a kill frames may be readable and yet not on the disk; replay must not count them so."""
        write_and_kill(tmp_path, Script(STREAMS, 1.0), 10**9)
        order: list[str] = []
        real_fsync, real_read = os.fsync, log_module.read_log_state

        def spy_fsync(fd: int) -> None:
            order.append("folder" if stat.S_ISDIR(os.fstat(fd).st_mode) else "file")
            real_fsync(fd)

        monkeypatch.setattr(os, "fsync", spy_fsync)
        monkeypatch.setattr(log_module, "read_log_state", lambda folder: (order.append("read"), real_read(folder))[1])
        open_log(tmp_path)
        assert order == ["file", "folder", "read"]

    def test_folder_and_files_are_not_for_everyone(self, tmp_path: Path) -> None:
        previous = os.umask(0o022)
        try:
            writer = write(tmp_path / "log", Script(STREAMS, 1.0))
            writer.close()
        finally:
            os.umask(previous)
        assert stat.S_IMODE((tmp_path / "log").stat().st_mode) == 0o750
        assert stat.S_IMODE(only_segment(tmp_path / "log").stat().st_mode) == 0o640

    def test_close_twice_is_safe_and_ends_the_segment(self, tmp_path: Path) -> None:
        writer = write(tmp_path / "log", Script(STREAMS, 1.5))
        frames = writer.close()
        assert frames[-1].type == FrameType.CLOSE
        assert frames[-1].data == {"reason": "stop"}
        assert [f.first_index for f in frames if f.type == FrameType.SAMPLES] == [10, 1000]
        assert writer.close() == ()

    def test_leaks_no_file(self, tmp_path: Path) -> None:
        before = len(os.listdir("/proc/self/fd"))
        for epoch in range(1, 21):
            write(tmp_path / "log", Script(STREAMS, 0.2), epoch).close()
            list(LogReader(tmp_path / "log").frames())
        assert len(os.listdir("/proc/self/fd")) == before


class TestSegments:
    def test_segment_turns_after_ten_minutes_and_stands_alone(self, tmp_path: Path) -> None:
        slow = tuple(s for s in STREAMS if s.stream_id != 1)
        writer = open_log(tmp_path / "log")
        writer.start_epoch(slow, "script", "", 1)
        writer.event("install", 0, INSTALL)
        for batch in Script(slow, 1500.0).batches(1, 20_000_000_000):
            writer.append(batch)
        frames = writer.close()
        files = sorted((tmp_path / "log").iterdir())
        assert [f.name for f in files] == ["00000001.dlg", "00000002.dlg", "00000003.dlg"]
        parts = [list(LogReader(file).frames()) for file in files]
        assert keys([f for part in parts for f in part]) == keys(list(frames))
        for number, part in enumerate(parts, 1):
            head, config, *rest = part
            assert (head.type, config.type) == (FrameType.SEGMENT_HEAD, FrameType.CONFIG)
            assert head.data is not None
            assert head.data["segment"] == number
            assert config.data == make_vehicle().to_dict()
            assert {f.config_id for f in part} == {config.config_id}
            samples = [f for f in part if f.type == FrameType.SAMPLES]
            ends = [f.t0_ns + (f.n - 1) * f.period_fs // 10**6 for f in samples]
            assert max(ends) - min(ends) < 600 * 10**9
            if number > 1:
                assert rest[0].data == {**INSTALL, "kind": "install", "again": True}
        assert [p[-1].data for p in parts] == [{"reason": "full"}, {"reason": "full"}, {"reason": "stop"}]

    def test_segment_turns_before_it_grows_too_long(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(logbook_module, "SEGMENT_RAW_BYTES", logbook_module.MAX_PAYLOAD_BYTES + 20_000)
        write(tmp_path / "log", Script(STREAMS, 20.0)).close()
        files = sorted((tmp_path / "log").iterdir())
        assert len(files) > 3
        assert all(f.stat().st_size < 30_000 for f in files)
        assert len(rows_of(list(LogReader(tmp_path / "log").frames()), 1)) == 20_000

    def test_new_epoch_begins_a_new_segment(self, tmp_path: Path) -> None:
        writer = write(tmp_path / "log", Script(STREAMS, 1.5))
        writer.start_epoch(STREAMS, "script", "", 2)
        writer.close()
        first, second = (list(LogReader(f).frames()) for f in sorted((tmp_path / "log").iterdir()))
        assert first[-1].data == {"reason": "epoch"}
        assert {f.epoch for f in first} == {1}
        assert {f.epoch for f in second} == {2}
        assert len(rows_of(first, 1)) == 1500

    def test_changed_configuration_names_the_frames_after_it(self, tmp_path: Path) -> None:
        writer = open_log(tmp_path / "log")
        writer.start_epoch(STREAMS, "script", "", 1)
        writer.config(make_vehicle(((0.0, 0.0), (100.0, 10.0))), 9)
        writer.event("mark", 10, {"text": "x", "by": "me"})
        frames = writer.close()
        assert frames[1].config_id != frames[2].config_id
        assert frames[2].config_id == frames[3].config_id
        assert frames[2].type == FrameType.CONFIG

    def test_clock_frame_ties_wall_time_to_monotonic_time(self, tmp_path: Path) -> None:
        writer = open_log(tmp_path / "log")
        writer.clock(True)
        frames = writer.close()
        (clock,) = [f for f in frames if f.type == FrameType.CLOCK]
        assert clock.data == {"mono_ns": 5, "utc_ns": 7, "trusted": True, "boot_id": "boot"}


class TestResume:
    def test_killed_epoch_goes_on_without_losing_or_doubling_a_row(self, tmp_path: Path) -> None:
        script = Script(STREAMS, 6.0, {1: [(2500, 2700)]})
        write(tmp_path / "whole", script).close()
        whole = list(LogReader(tmp_path / "whole").frames())
        for stop_ns in (500_000_000, 1_700_000_000, 2_600_000_000, 4_000_000_000):
            folder = tmp_path / str(stop_ns)
            write_and_kill(folder, script, stop_ns)
            frames = self.finish(folder, script)
            for stream in STREAMS:
                rows = rows_of(frames, stream.stream_id)
                assert len(rows) > 5
                assert rows == rows_of(whole, stream.stream_id)

    def finish(self, folder: Path, script: Script) -> list[Frame]:
        writer = open_log(folder)
        assert not writer.state.epoch_ended
        assert writer.state.epoch == 1
        assert writer.state.streams == script.streams
        writer.start_epoch(script.streams, "script", "made up", 1)
        for batch in script.batches(1, 100_000_000, dict(writer.state.next_index)):
            writer.append(batch)
        writer.end("done", script.end_ns)
        writer.close()
        return list(LogReader(folder).frames())

    def test_resumed_twice_in_a_row_still_knows_its_place(self, tmp_path: Path) -> None:
        """A crash loop leaves segments with nothing but a head; the heads carry what came before."""
        script = Script(STREAMS, 4.0)
        write_and_kill(tmp_path, script, 2_500_000_000)
        for _ in range(3):
            writer = open_log(tmp_path)
            writer.start_epoch(STREAMS, "script", "made up", 1)
            writer.commit()
            kill(writer)
        assert open_log(tmp_path).state.next_index == {1: 2000, 2: 20, 3: 3}
        assert len(rows_of(self.finish(tmp_path, script), 1)) == 4000

    def test_installs_in_force_survive_a_restart(self, tmp_path: Path) -> None:
        writer = open_log(tmp_path)
        writer.event("install", 1, INSTALL)
        writer.event("install", 2, {**INSTALL, "position": "rear_left", "unit_id": "u-2"})
        writer.event("remove", 3, {"position": "rear_left", "unit_id": "u-2"})
        writer.close()
        again = open_log(tmp_path)
        assert again.state.installs == {"front_left": INSTALL}
        again.start_epoch(STREAMS, "script", "", 1)
        repeated = [f.data for f in again.close() if f.type == FrameType.EVENT]
        assert repeated == [{**INSTALL, "kind": "install", "again": True}]

    def test_installs_survive_a_kill_right_after_a_head(self, tmp_path: Path) -> None:
        """The repeated install events of the new segment never reached the disk; its head did."""
        writer = open_log(tmp_path)
        writer.event("install", 1, INSTALL)
        writer.close()
        kill_after_head = open_log(tmp_path)
        kill_after_head.start_epoch(STREAMS, "script", "", 1)
        kill_after_head.close()
        path = tmp_path / "00000002.dlg"
        path.write_bytes(path.read_bytes()[: frame_ends(path.read_bytes())[0] + 20])
        assert open_log(tmp_path).state.installs == {"front_left": INSTALL}

    def test_complete_epoch_is_not_resumed(self, tmp_path: Path) -> None:
        writer = write(tmp_path, Script(STREAMS, 1.0))
        writer.append(Batch((), (SourceEvent("end", 10**9, {"reason": "end of file"}),)))
        frames = writer.close()
        assert [f.data for f in frames if f.type == FrameType.EVENT] == [{"kind": "end", "reason": "end of file"}]
        again = open_log(tmp_path)
        assert again.state.epoch_ended
        with pytest.raises(InputError, match="epoch 1 can't begin"):
            again.start_epoch(STREAMS, "script", "", 1)
        again.start_epoch(STREAMS, "script", "", 2)
        assert again.state.next_index == {}

    def test_command_without_a_source_keeps_the_epoch_that_waits(self, tmp_path: Path) -> None:
        """`dutylog damper install` while nothing runs must not cost the source its place."""
        script = Script(STREAMS, 3.0)
        write_and_kill(tmp_path, script, 1_500_000_000)
        command = open_log(tmp_path)
        command.event("install", 5, INSTALL)
        command.close()
        assert len(rows_of(self.finish(tmp_path, script), 1)) == 3000

    def test_streams_that_changed_need_a_new_epoch(self, tmp_path: Path) -> None:
        write_and_kill(tmp_path, Script(STREAMS, 1.0), 1_000_000_000)
        with pytest.raises(InputError, match="begin a new epoch"):
            open_log(tmp_path).start_epoch(STREAMS[:1], "script", "", 1)

    def test_segment_files_are_never_touched_again(self, tmp_path: Path) -> None:
        write_and_kill(tmp_path, Script(STREAMS, 2.0), 2_000_000_000)
        before = only_segment(tmp_path).read_bytes()
        (tmp_path / "00000001.dlg").write_bytes(before[:-9])
        write(tmp_path, Script(STREAMS, 3.0)).close()
        assert (tmp_path / "00000001.dlg").read_bytes() == before[:-9]
        assert sorted(p.name for p in tmp_path.iterdir()) == ["00000001.dlg", "00000002.dlg"]

    def test_log_of_a_newer_program_is_refused(self, tmp_path: Path) -> None:
        write_and_kill(tmp_path, Script(STREAMS, 1.0), 1_000_000_000)
        path = only_segment(tmp_path)
        octets = bytearray(path.read_bytes())
        octets[4] = 2
        octets[40] ^= 0xFF  # a newer header is laid out differently, so no CRC fits
        path.write_bytes(bytes(octets))
        with pytest.raises(RecordingError, match="frame version 2"):
            open_log(tmp_path)


class TestSequence:
    def test_numbers_go_on_across_restarts(self, tmp_path: Path) -> None:
        for epoch in (1, 2, 3):
            write(tmp_path, Script(STREAMS, 1.3), epoch).close()
        numbers = [f.sequence for f in LogReader(tmp_path).frames()]
        assert numbers == list(range(1, len(numbers) + 1))

    def test_number_the_ledger_has_seen_never_comes_again(self, tmp_path: Path) -> None:
        """A card that lost its end: the ledger's cursor is ahead of the log."""
        write_and_kill(tmp_path, Script(STREAMS, 3.0), 3_000_000_000)
        path = only_segment(tmp_path)
        last = list(LogReader(tmp_path).frames())[-1].sequence
        path.write_bytes(path.read_bytes()[:3000])
        assert list(LogReader(tmp_path).frames())[-1].sequence < last
        writer = open_log(tmp_path, min_sequence=last + 1)
        writer.event("mark", 1, {"text": "", "by": ""})
        assert writer.close()[0].sequence == last + 1

    @pytest.mark.parametrize("octets", [b"", b"DU", b"\0" * 5000, b"JFIF" * 100])
    def test_useless_last_file_neither_blocks_nor_is_overwritten(self, tmp_path: Path, octets: bytes) -> None:
        """A power cut may leave an empty or zero-filled file; the daemon must start all the same."""
        write_and_kill(tmp_path, Script(STREAMS, 2.0), 2_000_000_000)
        before = list(LogReader(tmp_path).frames())[-1].sequence
        (tmp_path / "00000007.dlg").write_bytes(octets)
        writer = open_log(tmp_path)
        assert writer.state.next_index == {1: 2000, 2: 20, 3: 2}
        writer.start_epoch(STREAMS, "script", "", 1)
        assert writer.close()[0].sequence == before + 1
        assert (tmp_path / "00000007.dlg").read_bytes() == octets
        assert (tmp_path / "00000008.dlg").exists()

    def test_truncated_anywhere_the_writer_goes_on_after_the_last_good_frame(self, tmp_path: Path) -> None:
        write_and_kill(tmp_path / "a", Script((TRAVEL,), 1.2), 1_200_000_000)
        octets = only_segment(tmp_path / "a").read_bytes()
        whole = list(LogReader(tmp_path / "a").frames())
        ends = frame_ends(octets)
        for cut in range(0, len(octets), 37):
            folder = tmp_path / "b"
            folder.mkdir(exist_ok=True)
            (folder / "00000001.dlg").write_bytes(octets[:cut])
            good = sum(end <= cut for end in ends)
            state = open_log(folder).state
            assert state.next_sequence == (whole[good - 1].sequence + 1 if good else 1)
            assert state.next_segment == 2
