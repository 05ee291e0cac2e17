"""Reading logs that are whole, torn, damaged, foreign or long."""

from __future__ import annotations

import shutil
import struct
import tracemalloc
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.clock import ManualClock
from dutylog.errors import RecordingError
from dutylog.recording import scan as scan_module
from dutylog.recording.check import check_log
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.log import LogWriter
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import DAMAGED, LOST, TORN
from recording.log_cases import STREAMS, TRAVEL, Script, keys, make_vehicle, only_segment


def make_log(folder: Path, script: Script, epochs: int = 1) -> Path:
    for epoch in range(1, epochs + 1):
        writer = LogWriter(folder, make_vehicle(), "boot", ManualClock())
        writer.start_epoch(script.streams, "script", "made up", epoch)
        for batch in script.batches(epoch, 100_000_000):
            writer.append(batch)
        writer.close()
    return folder


def read(path: Path) -> tuple[list[Frame], LogReader]:
    reader = LogReader(path)
    return list(reader.frames()), reader


def frame_starts(octets: bytes) -> list[int]:
    """Return where frames begin and where the last one ends, by the header's payload_length alone."""
    starts = [0]
    while starts[-1] < len(octets):
        (length,) = struct.unpack_from("<I", octets, starts[-1] + 56)
        starts.append(starts[-1] + 72 + length)
    return starts


def reseal(octets: bytes, at: int, offset: int, value: bytes) -> bytes:
    """Return a file with header bytes of the frame at `at` replaced and a CRC that fits them."""
    changed = bytearray(octets)
    changed[at + offset : at + offset + len(value)] = value
    (length,) = struct.unpack_from("<I", changed, at + 56)
    payload = changed[at + 72 : at + 72 + length]
    struct.pack_into("<I", changed, at + 68, zlib.crc32(payload, zlib.crc32(changed[at : at + 68])))
    return bytes(changed)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """One closed segment of about 3 kB."""
    folder = make_log(tmp_path_factory.mktemp("small") / "log", Script((TRAVEL, STREAMS[2]), 0.4))
    return only_segment(folder).read_bytes()


class TestTorn:
    def test_cut_at_any_byte_gives_exactly_the_frames_wholly_before(self, tmp_path: Path, small: bytes) -> None:
        path = tmp_path / "00000001.dlg"
        path.write_bytes(small)
        whole = keys(read(path)[0])
        starts = frame_starts(small)
        assert len(whole) == len(starts) - 1
        for cut in range(1, len(small)):
            path.write_bytes(small[:cut])
            count = sum(start <= cut for start in starts[1:])
            if count == 0:
                with pytest.raises(RecordingError, match="no frame"):
                    read(path)
                continue
            frames, reader = read(path)
            assert keys(frames) == whole[:count]
            expected = [] if cut in starts else [(starts[count], cut - starts[count], TORN)]
            assert [(d.offset, d.length, d.kind) for d in reader.damage] == expected

    def test_junk_after_the_end_is_said_and_dropped(self, tmp_path: Path, small: bytes) -> None:
        path = tmp_path / "00000001.dlg"
        path.write_bytes(small + bytes(5000))
        frames, reader = read(path)
        assert len(frames) == len(frame_starts(small)) - 1
        assert [(d.offset, d.length, d.kind) for d in reader.damage] == [(len(small), 5000, TORN)]


class TestDamaged:
    def test_every_single_bit_flip_costs_its_frame_alone_and_is_said(self, tmp_path: Path, small: bytes) -> None:
        path = tmp_path / "00000001.dlg"
        path.write_bytes(small)
        whole = keys(read(path)[0])
        starts = frame_starts(small)
        head_end = starts[1]
        # The head is tried apart: without it the samples of the only segment can't be told apart.
        for bit in range(head_end * 8, len(small) * 8, 5):
            octets = bytearray(small)
            octets[bit // 8] ^= 1 << bit % 8
            path.write_bytes(bytes(octets))
            frames, reader = read(path)
            hit = sum(start <= bit // 8 for start in starts) - 1
            assert keys(frames) == whole[:hit] + whole[hit + 1 :]
            assert reader.damage[0].kind == (TORN if hit == len(whole) - 1 else DAMAGED)
            assert (reader.damage[0].offset, reader.damage[0].length) == (starts[hit], starts[hit + 1] - starts[hit])
            lost = [d for d in reader.damage if d.kind == LOST]
            assert len(lost) == (1 if hit < len(whole) - 1 else 0)

    def test_flip_in_the_only_head_is_said_for_every_frame_that_needs_it(self, tmp_path: Path, small: bytes) -> None:
        path = tmp_path / "00000001.dlg"
        head_end = frame_starts(small)[1]
        for bit in range(0, head_end * 8, 11):
            octets = bytearray(small)
            octets[bit // 8] ^= 1 << bit % 8
            path.write_bytes(bytes(octets))
            frames, reader = read(path)
            assert not [f for f in frames if f.type in (FrameType.SEGMENT_HEAD, FrameType.SAMPLES)]
            assert sum("no description of stream" in d.reason for d in reader.damage) == 2

    def test_damaged_head_is_made_up_for_by_the_segment_before(self, tmp_path: Path, small: bytes) -> None:
        """Segments of one epoch have the same streams."""
        (tmp_path / "00000001.dlg").write_bytes(small)
        second = bytearray(small)
        for number, at in enumerate(frame_starts(small)[:-1]):
            second = bytearray(reseal(bytes(second), at, 16, struct.pack("<Q", number + 100)))
        second[3] ^= 1
        (tmp_path / "00000002.dlg").write_bytes(bytes(second))
        frames, reader = read(tmp_path)
        assert sum(f.type == FrameType.SAMPLES for f in frames) == 4
        assert [d.kind for d in reader.damage] == [DAMAGED, LOST]

    def test_lost_frames_show_as_a_jump(self, tmp_path: Path, small: bytes) -> None:
        starts = frame_starts(small)
        path = tmp_path / "00000001.dlg"
        path.write_bytes(small[: starts[2]] + small[starts[3] :])
        _, reader = read(path)
        assert [(d.kind, d.length, d.reason) for d in reader.damage] == [(LOST, 0, "frames 3 to 3 are missing")]

    def test_number_that_comes_again_is_refused(self, tmp_path: Path, small: bytes) -> None:
        """A copied segment must not count twice."""
        (tmp_path / "00000001.dlg").write_bytes(small)
        (tmp_path / "00000002.dlg").write_bytes(small)
        frames, reader = read(tmp_path)
        assert len(frames) == len(reader.damage) == len(frame_starts(small)) - 1
        assert "a number came again" in reader.damage[0].reason

    @settings(max_examples=60, deadline=None)
    @given(data=st.data())
    def test_any_damage_leaves_rising_numbers_and_our_errors(
        self, data: st.DataObject, small: bytes, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        octets = bytearray(small)
        for _ in range(data.draw(st.integers(1, 4))):
            at = data.draw(st.integers(0, len(octets)))
            junk = data.draw(st.binary(max_size=90))
            octets[at : at + data.draw(st.integers(0, 90))] = junk
        path = tmp_path_factory.mktemp("junk") / "00000001.dlg"
        path.write_bytes(bytes(octets))
        try:
            frames, _ = read(path)
        except RecordingError:
            return
        numbers = [f.sequence for f in frames]
        assert numbers == sorted(set(numbers))


class TestRefused:
    @pytest.mark.parametrize(
        "octets", [b"", b"PAR1" + bytes(100), b"t_s,front_left_travel_mm\n0,1\n", b"DUT", bytes(9)]
    )
    def test_foreign_file_is_one_line_with_place_and_what_was_seen(self, tmp_path: Path, octets: bytes) -> None:
        path = tmp_path / "x.dlg"
        path.write_bytes(octets)
        for act in (read, check_log, lambda p: LogReader(p).segments()):
            with pytest.raises(RecordingError, match=r"x\.dlg: offset 0: no frame of a dutylog raw log") as caught:
                act(path)
            assert "\n" not in str(caught.value)

    def test_missing_path_and_folder_without_segments(self, tmp_path: Path) -> None:
        with pytest.raises(RecordingError, match="no such file"):
            LogReader(tmp_path / "nothing")
        (tmp_path / "note.txt").write_text("x")
        (tmp_path / "1.dlg").write_text("x")
        with pytest.raises(RecordingError, match="no segment"):
            LogReader(tmp_path)

    @pytest.mark.parametrize(("offset", "words"), [(7, "flags 0x10"), (4, "frame version 16")])
    def test_what_changes_the_meaning_stops_the_reading_with_file_and_offset(
        self, tmp_path: Path, small: bytes, offset: int, words: str
    ) -> None:
        at = frame_starts(small)[2]
        path = tmp_path / "00000001.dlg"
        path.write_bytes(reseal(small, at, offset, b"\x10"))
        with pytest.raises(RecordingError, match=rf"00000001\.dlg: offset {at}: {words}"):
            read(path)

    def test_newer_file_is_refused_though_its_crc_means_nothing_here(self, tmp_path: Path, small: bytes) -> None:
        path = tmp_path / "00000001.dlg"
        path.write_bytes(small[:4] + b"\x02" + small[5:70] + b"\0\0" + small[72:])
        with pytest.raises(RecordingError, match="offset 0: frame version 2, this program reads 1"):
            read(path)

    def test_unknown_type_is_skipped_without_a_word(self, tmp_path: Path, small: bytes) -> None:
        at = frame_starts(small)[2]
        path = tmp_path / "00000001.dlg"
        path.write_bytes(reseal(small, at, 5, b"\x77"))
        frames, reader = read(path)
        assert len(frames) == len(frame_starts(small)) - 2
        assert reader.damage == []


class TestLong:
    def test_reading_on_skips_whole_segments_unopened(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A restart must not read weeks of log to find its place."""
        folder = make_log(tmp_path / "log", Script(STREAMS, 2.0), epochs=6)
        whole, _ = read(folder)
        opened: list[str] = []
        real = scan_module._Window.__init__

        def spy(self: object, path: Path) -> None:
            opened.append(path.name)
            real(self, path)  # type: ignore[arg-type]

        monkeypatch.setattr(scan_module._Window, "__init__", spy)
        for after in range(whole[-1].sequence + 1):
            opened.clear()
            reader = LogReader(folder)
            assert keys(list(reader.frames(after))) == keys(whole[after:])
            assert reader.damage == []
            if after >= whole[-5].sequence:
                assert set(opened) == {"00000006.dlg"}

    def test_memory_stays_flat(self, tmp_path: Path) -> None:
        """An hour of log may take no more memory than a minute: measured over 4 and 32 segments."""
        peaks = []
        for epochs in (4, 32):
            folder = make_log(tmp_path / str(epochs), Script(STREAMS, 30.0), epochs)
            tracemalloc.start()
            rows = sum(frame.n for frame in LogReader(folder).frames())
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
            assert rows == epochs * 30 * 1011
            shutil.rmtree(folder)
        assert peaks[1] < peaks[0] + 200_000
        assert peaks[1] < 3_000_000

    def test_segments_tell_what_they_hold(self, tmp_path: Path) -> None:
        folder = make_log(tmp_path / "log", Script(STREAMS, 2.5), epochs=2)
        first, second = LogReader(folder).segments()
        assert (first.epoch, first.first_sequence, first.frame_count) == (1, 1, first.last_sequence)
        assert second.first_sequence == first.last_sequence + 1
        assert (first.start_ns, first.end_ns, first.row_count) == (0, 2_499_000_000, 2500 + 25 + 3)
        assert (first.closed, first.source_kind, first.vehicle_id, first.streams) == (
            "stop",
            "script",
            "truck",
            STREAMS,
        )
