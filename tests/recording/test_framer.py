"""Cutting blocks into frames: the same frames in the same order whatever the blocks' lengths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.errors import InputError
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import MAX_GAP_ROWS, Framer, Gap, Grid
from dutylog.recording.logbook import Logbook
from dutylog.recording.source import Batch, SourceEvent
from dutylog.recording.state import LogState
from recording.log_cases import BODY, SPEED, STREAMS, TRAVEL, Script, keys, make_vehicle

WINDOWS_MS = (1, 7, 100, 997, None)
ODD = Stream(4, "odd", "i2", 1_002_707_310_123, (Channel("front_left", "travel", "count"),))
"""997.3 Hz: its period is no whole number of nanoseconds, so instants must not be rounded twice."""


def log_frames(script: Script, window_ns: int | None, events: tuple[SourceEvent, ...] = ()) -> list[Frame]:
    book = Logbook(make_vehicle(), "boot", ManualClock())
    frames = book.start_epoch(script.streams, "script", "made up", 1)
    at_ns = script.t0_ns
    for batch in script.batches(1, window_ns):
        end_ns = at_ns + (window_ns or script.end_ns)
        due = tuple(e for e in events if at_ns <= e.t0_ns < end_ns)
        frames += book.append(Batch(batch.blocks, due))
        at_ns = end_ns
    return frames + book.end("done", script.end_ns) + book.close()


@st.composite
def scripts(draw: st.DrawFn) -> tuple[Script, tuple[SourceEvent, ...]]:
    end_s = draw(st.floats(0.5, 8.0))
    holes: dict[int, list[tuple[int, int]]] = {}
    for stream in (TRAVEL, BODY, SPEED, ODD):
        count = int(end_s * 1e15 / stream.period_fs) + 1
        for _ in range(draw(st.integers(0, 2))):
            first = draw(st.integers(0, count))
            holes.setdefault(stream.stream_id, []).append((first, first + draw(st.integers(1, count))))
    instants = draw(st.lists(st.integers(0, round(end_s * 1e9) - 1), max_size=3))
    events = tuple(SourceEvent("mark", t0_ns, {"text": str(t0_ns)}) for t0_ns in sorted(instants))
    return Script((TRAVEL, BODY, SPEED, ODD), end_s, holes, draw(st.sampled_from([0, 17, -5_000_000_001]))), events


class TestOrder:
    @settings(max_examples=25, deadline=None)
    @given(scripts(), st.integers(1, 3000))
    def test_frames_do_not_depend_on_the_windows(
        self, case: tuple[Script, tuple[SourceEvent, ...]], window_ms: int
    ) -> None:
        """The engine is a function of the log; so the log must be a function of the recording alone."""
        script, events = case
        events = tuple(SourceEvent(e.kind, e.t0_ns + script.t0_ns, e.data) for e in events)
        whole = keys(log_frames(script, None, events))
        for ms in (7, 100, 997, window_ms):
            assert keys(log_frames(script, ms * 1_000_000, events)) == whole

    def test_frames_do_not_depend_on_single_rows(self) -> None:
        script = Script(STREAMS, 4.3, {1: [(1500, 1700)], 2: [(12, 31)]})
        assert keys(log_frames(script, 1_000_000)) == keys(log_frames(script, None))

    @pytest.mark.parametrize("case", ["F_faults", "G_clock"])
    def test_frames_of_a_real_recording_do_not_depend_on_block_length(self, case: str) -> None:
        """Dropped samples and a rate of 997.3 Hz with jitter, through the source that reads files."""
        path = Path(__file__).parent.parent / "data" / "cases" / case / "recording.parquet"
        results = []
        for block_rows in (None, 997, 100):
            source = RecordingFileSource(path, ("front_left", "rear_right"), block_rows=block_rows)
            book = Logbook(make_vehicle(), "boot", ManualClock())
            frames = book.start_epoch(source.streams, source.kind, "file", 1)
            source.start(1, {})
            while (batch := source.read_batch()) is not None:
                frames += book.append(batch)
            source.close()
            results.append(keys(frames))
        assert len(results[0]) > 300
        assert results[0] == results[1] == results[2]

    def test_places_rise_and_ties_go_by_stream(self) -> None:
        frames = [f for f in log_frames(Script(STREAMS, 5.0), 100_000_000) if f.type == FrameType.SAMPLES]
        places = [
            (Grid(f.first_index, f.t0_ns, f.period_fs).time_ns(f.first_index + f.n - 1), f.stream_id) for f in frames
        ]
        assert places == sorted(places)
        assert len(frames) == 15


class TestCuts:
    def test_whole_frames_end_at_multiples_of_a_second(self) -> None:
        cuts = Framer(1).push(Script((TRAVEL,), 3.5).batch(1, 0, 3_500_000_000).blocks)
        assert [(c.item.first_index, len(c.item.data)) for c in cuts if isinstance(c.item, Block)] == [
            (0, 1000),
            (1000, 1000),
            (2000, 1000),
        ]

    def test_jump_of_the_index_is_a_gap_before_the_samples_that_follow(self) -> None:
        script = Script((TRAVEL,), 3.0, {1: [(1200, 1900)]})
        framer = Framer(1)
        cuts = framer.push(script.batch(1, 0, 3_000_000_000).blocks)
        seen = [(type(c.item).__name__, c.item.first_index) for c in cuts]
        assert seen == [("Block", 0), ("Block", 1000), ("Gap", 1200), ("Block", 1900), ("Block", 2000)]
        gap = cuts[2].item
        assert isinstance(gap, Gap)
        assert (gap.n, gap.t0_ns, gap.reason) == (700, 1_200_000_000, "missing")
        assert framer.next_index == {1: 3000}

    def test_gap_longer_than_a_frame_can_count_becomes_several(self) -> None:
        framer = Framer(1)
        block = Block(TRAVEL, 1, MAX_GAP_ROWS + 10, 0, TRAVEL.period_fs, np.zeros((1, 1), "<f4"))
        gaps = [c.item for c in framer.push([block])]
        assert [(g.first_index, g.n) for g in gaps if isinstance(g, Gap)] == [(0, MAX_GAP_ROWS), (MAX_GAP_ROWS, 10)]

    def test_first_jump_of_a_resumed_epoch_is_told_as_restart(self) -> None:
        cuts = Framer(1, {1: 500}).push([Block(TRAVEL, 1, 800, 0, TRAVEL.period_fs, np.zeros((1, 1), "<f4"))])
        assert isinstance(cuts[0].item, Gap)
        assert (cuts[0].item.first_index, cuts[0].item.n, cuts[0].item.reason) == (500, 300, "restart")

    def test_silent_stream_does_not_hold_its_rows_back(self) -> None:
        """A thermocouple that goes silent: what it sent is in the log a second after its frame was due."""
        script = Script((TRAVEL, BODY), 5.0, {2: [(3, 1000)]})
        framer = Framer(1)
        assert all(c.stream_id == 1 for c in framer.push(script.batch(1, 0, 1_900_000_000).blocks))
        late = framer.push(script.batch(1, 1_900_000_000, 1_901_000_000).blocks)
        assert [(c.stream_id, c.place_ns, len(c.item.data)) for c in late if isinstance(c.item, Block)] == [
            (2, 1_900_000_000, 3)
        ]

    def test_event_among_silent_streams_stands_after_the_rows_that_were_due(self) -> None:
        """No row tells that time went on, only the event; it must not overtake what is older."""
        script = Script((BODY,), 1.0, {2: [(3, 1000)]})
        mark = SourceEvent("mark", 1_950_000_000, {"text": "", "by": ""})
        orders = []
        for batches in (
            [Batch(script.batch(1, 0, 10**9).blocks, (mark,))],
            [script.batch(1, 0, 10**9), Batch((), (mark,))],
        ):
            book = Logbook(make_vehicle(), "boot", ManualClock())
            book.start_epoch((BODY,), "script", "", 1)
            orders.append([f.type for batch in batches for f in book.append(batch)])
        assert orders == [[FrameType.SAMPLES, FrameType.EVENT]] * 2

    def test_flush_puts_what_is_left_and_rows_go_on_from_there(self) -> None:
        script = Script((TRAVEL,), 2.5)
        framer = Framer(1)
        first = framer.push(script.batch(1, 0, 1_300_000_000).blocks)
        left = framer.flush()
        rest = framer.push(script.batch(1, 1_300_000_000, 2_500_000_000).blocks)
        assert [c.item.first_index for c in [*first, *left, *rest]] == [0, 1000, 1300]
        assert framer.flush()[0].item.first_index == 2000
        assert framer.flush() == []

    def test_resumed_epoch_gets_the_instants_an_unbroken_one_has(self) -> None:
        """The period is no whole number of ns: instants counted from the resume would be 1 ns off."""
        script = Script((ODD,), 40.0)
        whole = [f for f in log_frames(script, None) if f.type == FrameType.SAMPLES]
        for stop_ns in range(1_300_000_000, 20_000_000_000, 1_700_000_000):
            book = Logbook(make_vehicle(), "boot", ManualClock())
            book.start_epoch((ODD,), "script", "", 1)
            book.append(script.batch(1, 0, stop_ns))
            state = LogState()
            frames = book.state
            state.epoch, state.epoch_ended, state.streams = 1, False, frames.streams
            state.next_index, state.grids = dict(frames.next_index), dict(frames.grids)
            again = Logbook(make_vehicle(), "boot", ManualClock(), state)
            out = again.start_epoch((ODD,), "script", "", 1)
            out += again.append(script.batch(1, 0, script.end_ns, state.next_index)) + again.close()
            resumed = [(f.first_index, f.t0_ns) for f in out if f.type == FrameType.SAMPLES]
            assert resumed == [(f.first_index, f.t0_ns) for f in whole][-len(resumed) :]


class TestRefusals:
    def block(self, first: int, epoch: int = 1, dtype: str = "<f4", stream: Stream = TRAVEL) -> Block:
        return Block(stream, epoch, first, first * 10**6, stream.period_fs, np.zeros((10, 1), dtype))

    def test_rows_that_came_before_are_the_sources_bug(self) -> None:
        framer = Framer(1)
        framer.push([self.block(0)])
        with pytest.raises(InputError, match="row 5 came again, expected 10"):
            framer.push([self.block(5)])

    @pytest.mark.parametrize(
        ("wrong", "words"),
        [
            ({"epoch": 2}, "of epoch 2"),
            ({"dtype": "<f8"}, "is float64"),
            ({"stream": Stream(1, "other", "f4", 10**12, TRAVEL.channels)}, "changed"),
        ],
    )
    def test_block_that_does_not_belong_is_refused(self, wrong: dict[str, object], words: str) -> None:
        framer = Framer(1)
        framer.push([self.block(0)])
        with pytest.raises(InputError, match=words):
            framer.push([self.block(10, **wrong)])  # type: ignore[arg-type]
