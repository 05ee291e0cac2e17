"""A recording file as a source, against the truth of the cases."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from acquire.tables import CASES, CORNERS, Played, make_simple, play, read_case, write_csv, write_parquet
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.acquire.recording_probe import probe
from dutylog.clock import ManualClock
from dutylog.errors import InputError
from dutylog.recording.block import BODY_TEMPERATURE, SPEED, STAMP, TRAVEL

LENGTHS = (1, 7, 100, 997, None)


def _case_path(name: str) -> Path:
    return CASES / name / "recording.parquet"


def _fingerprint(played: Played) -> dict[int, str]:
    """Return a digest per stream of indices, instants at frame starts, and all bits of the samples."""
    digests = {}
    for stream in played.source.streams:
        digest = hashlib.sha256()
        if played.of(stream.stream_id):
            indices = played.indices(stream.stream_id)
            digest.update(indices.tobytes())
            digest.update(played.data(stream.stream_id).tobytes())
        # Frames of the raw log begin where the index is a multiple of round(rate), or after a gap.
        last = None
        for block in played.of(stream.stream_id):
            assert block.first_index // stream.samples_per_second == (block.end_index - 1) // stream.samples_per_second
            if block.first_index % stream.samples_per_second == 0 or block.first_index != last:
                digest.update(f"{block.first_index} {block.t0_ns} {block.period_fs};".encode())
            last = block.end_index
        digests[stream.stream_id] = digest.hexdigest()
    return digests


def _cut(name: str, path: Path, start: int, stop: int) -> Path:
    pq.write_table(pq.read_table(_case_path(name)).slice(start, stop - start), path)
    return path


@pytest.fixture(scope="module")
def faults() -> Played:
    return play(_case_path("F_faults"), CORNERS)


@pytest.fixture(scope="module")
def clock() -> Played:
    return play(_case_path("G_clock"), CORNERS)


def test_plain_recording_comes_out_as_it_stands() -> None:
    """Case A: an exact 1 kHz file gives its own numbers, bit for bit, on a grid of exactly 1 ms."""
    played, columns = play(_case_path("A_sine"), CORNERS), read_case("A_sine")
    travel, ten, one = played.source.streams
    assert (travel.period_fs, travel.dtype, ten.period_fs, one.period_fs) == (10**12, "f4", 10**14, 10**15)
    assert [(c.name, c.quantity, c.unit) for c in travel.channels] == [(p, TRAVEL, "mm") for p in CORNERS]
    assert [(c.name, c.quantity) for c in ten.channels] == [*((p, BODY_TEMPERATURE) for p in CORNERS), ("", SPEED)]
    assert np.array_equal(played.indices(), np.arange(60_000))
    assert np.array_equal(played.times_ns(), np.arange(60_000) * 1_000_000)
    for number, position in enumerate(CORNERS):
        assert played.data()[:, number].tobytes() == columns[f"{position}_travel_mm"].tobytes()
        body = columns[f"{position}_body_c"]
        assert played.data(2)[:, number].tobytes() == body[np.isfinite(body)].tobytes()
    assert np.array_equal(played.times_ns(2), np.arange(600) * 100_000_000)
    assert np.array_equal(played.times_ns(3), np.arange(60) * 1_000_000_000)
    assert [e.kind for e in played.events] == ["end"]
    assert played.events[0].t0_ns == 60_000_000_000


def test_order_of_positions_is_the_configuration_s(tmp_path: Path) -> None:
    """Channels follow the configuration, not the file."""
    path = _cut("A_sine", tmp_path / "x", 0, 2_000)
    played, columns = play(path, ("rear_right", "front_left")), read_case("A_sine")
    assert [c.name for c in played.source.streams[0].channels] == ["rear_right", "front_left"]
    assert np.array_equal(played.data()[:, 0], columns["rear_right_travel_mm"][:2_000])
    assert any("front_right_travel_mm" in note for note in played.source.notes)


def test_gaps_of_case_f_have_their_true_place_and_length(faults: Played) -> None:
    """A gap from t0 (last row there) to t1 (next row there) lacks the rows between."""
    truth = json.loads((CASES / "F_faults" / "truth.json").read_text())
    gaps = [(f["t0"], f["t1"]) for f in truth["faults"] if f["kind"] == "gap"]
    expected = [(round(t0 * 1e3) + 1, round((t1 - t0) * 1e3) - 1) for t0, t1 in gaps]
    assert len(expected) == 6
    assert faults.gaps() == sorted(expected)
    assert np.array_equal(faults.times_ns(), faults.indices() * 1_000_000)


def test_doubled_and_swapped_rows_of_case_f_are_mended_and_said(faults: Played) -> None:
    """No sample is lost for a swapped row, none comes twice for a doubled one, and each is one event."""
    truth = {f["kind"]: f for f in json.loads((CASES / "F_faults" / "truth.json").read_text())["faults"]}
    swapped = [round(t * 1e9) for t in truth["out_of_order_rows"]["t"]]
    doubled = [round(t * 1e9) for t in truth["duplicate_rows"]["t"]]
    expected = [{"start_ns": t, "end_ns": t + 1_000_000, "rows": 1} for t in swapped]
    expected += [{"start_ns": t, "end_ns": t, "rows": 1} for t in doubled]
    assert faults.events_of("time_order") == sorted(expected, key=lambda e: e["start_ns"])
    columns = read_case("F_faults")
    instants, first = np.unique(np.rint(columns["t_s"] * 1e3).astype(int), return_index=True)
    assert len(instants) == len(columns["t_s"]) - 5
    assert np.array_equal(faults.indices(), instants)
    for number, position in enumerate(CORNERS):
        assert np.array_equal(faults.data()[:, number], columns[f"{position}_travel_mm"][first], equal_nan=True)


def test_open_thermocouple_is_nan_beside_its_neighbours(faults: Played) -> None:
    """15 s of NaN on one corner (case F) leave the other corners' samples in place."""
    body, indices = faults.data(2), faults.indices(2)
    silent = (indices >= 868) & (indices < 1017)  # 86.8 .. 101.7 s, the second half of the fault
    assert np.isnan(body[silent, 0]).all()
    assert np.isfinite(body[:, 1:]).all()
    assert np.count_nonzero(np.isfinite(body[:, 0])) == 1010


def test_true_clock_of_case_g_is_found_and_each_row_stamped(clock: Played) -> None:
    """997.3 Hz within 1 ppm, jitter of 80 us (and 8 us of stamp noise, together 80.4) in the stamp channel."""
    travel = clock.source.streams[0]
    assert 1e15 / travel.period_fs == pytest.approx(997.3, rel=1e-6)
    assert travel.channels[-1].quantity == STAMP
    assert travel.channels[-1].unit == "ns"
    t_ns = np.rint(read_case("G_clock")["t_s"] * 1e9)
    assert np.array_equal(clock.indices(), np.arange(len(t_ns)))
    stamps_ns = clock.data()[:, -1].astype(float)
    assert np.sqrt(np.mean(stamps_ns**2)) == pytest.approx(80.4e3, rel=0.01)
    # 32-bit floats keep half a millisecond to 0.03 ns; the sum gives back the file's own instant.
    assert np.max(np.abs(clock.times_ns() + stamps_ns - t_ns)) <= 1.0


@pytest.mark.parametrize("name", ["F_faults", "G_clock"])
def test_samples_do_not_depend_on_the_block_length(name: str, tmp_path: Path) -> None:
    """Concatenated streams are the same to the bit, with frames' instants, for every grouping."""
    path = _cut(name, tmp_path / "part", 3_000, 15_000)
    whole = play(path, CORNERS, block_rows=None)
    assert len(whole.batches) == 2  # everything, then the end
    for rows in LENGTHS:
        played = play(path, CORNERS, block_rows=rows)
        assert _fingerprint(played) == _fingerprint(whole)
        assert played.events == whole.events
        if rows is not None:
            filled = [sum(len(b.data) for b in batch.blocks if b.stream.stream_id == 1) for batch in played.batches]
            assert set(filled[:-2]) == {rows}


def test_batches_cover_one_window_for_all_streams(faults: Played) -> None:
    """A slow sample comes in the batch that holds its row of travel."""
    for batch in faults.batches[:-1]:
        travel = [b for b in batch.blocks if b.stream.stream_id == 1]
        start_ns, end_ns = travel[0].t0_ns, travel[-1].time_ns(travel[-1].end_index)
        for block in batch.blocks:
            assert start_ns <= block.t0_ns < end_ns


@pytest.mark.parametrize(
    "stored", [{1: 5_000, 2: 50, 3: 5}, {1: 5_321, 2: 50, 3: 5}, {1: 4_000, 2: 60, 3: 4}, {1: 12_000}]
)
def test_resumed_recording_goes_on_where_it_was(stored: dict[int, int], tmp_path: Path) -> None:
    """After a kill each stream goes on at its own next index with the very same samples."""
    path = _cut("F_faults", tmp_path / "part", 4_000, 14_000)
    whole = play(path, CORNERS)
    rest = Played(RecordingFileSource(path, CORNERS, block_rows=77), stored)
    for stream in whole.source.streams:
        next_index = stored.get(stream.stream_id, 0)
        keep = whole.indices(stream.stream_id) >= next_index
        assert np.array_equal(rest.indices(stream.stream_id), whole.indices(stream.stream_id)[keep])
        assert rest.data(stream.stream_id).tobytes() == whole.data(stream.stream_id)[keep].tobytes()
        assert np.array_equal(rest.times_ns(stream.stream_id), whole.times_ns(stream.stream_id)[keep])
    kept_ns = min(block.t0_ns for block in rest.blocks)
    assert rest.events == [e for e in whole.events if e.t0_ns >= kept_ns]


def test_all_stored_leaves_only_the_end(tmp_path: Path) -> None:
    """Resuming a recording that was complete but for its end event adds just that."""
    path = write_parquet(tmp_path / "x", make_simple(2_500))
    rest = Played(RecordingFileSource(path, ("a",)), {1: 2_500, 2: 25})
    assert rest.blocks == []
    assert rest.events_of("end") == [{"reason": "end of recording"}]


def test_source_can_be_started_again(tmp_path: Path) -> None:
    """A second start gives the recording once more, under its new epoch."""
    source = RecordingFileSource(write_parquet(tmp_path / "x", make_simple(2_500)), ("a",))
    first = Played(source)
    source.start(2, {})
    assert source.read_batch().blocks[0].epoch == 2
    source.close()
    source.close()
    assert source.read_batch() is None
    assert _fingerprint(Played(source)) == _fingerprint(first)


def test_csv_gives_what_parquet_gives(tmp_path: Path) -> None:
    """The same numbers as text come out the same, but in 64 bits."""
    columns = {name: values[:12_000].astype(float) for name, values in read_case("G_clock").items()}
    text = play(write_csv(tmp_path / "recording.csv", columns), CORNERS)
    binary = play(write_parquet(tmp_path / "recording.parquet", columns), CORNERS)
    assert [s.dtype for s in text.source.streams] == ["f8", "f8", "f8"]
    assert _fingerprint(text) == _fingerprint(binary)
    assert text.source.progress.rows_done == text.source.progress.rows_total == 12_000


def test_byte_order_mark_spaces_and_carriage_returns_are_no_trouble(tmp_path: Path) -> None:
    """Spreadsheets write a BOM and CRLF; people write a blank after a comma."""
    rows = "".join(f"{k / 1000}, {k}, \r\n" for k in range(300))
    (tmp_path / "x").write_bytes(("\ufefft_s, a_travel_mm, a_body_c\r\n" + rows + "\r\n").encode())
    assert play(tmp_path / "x").data()[:, 0].tolist() == list(range(300))


def test_last_line_cut_short_is_left_out_and_said(tmp_path: Path) -> None:
    """A logger that lost power leaves half a line; the rest is good."""
    (tmp_path / "x").write_text(
        "t_s,a_travel_mm,a_body_c\n" + "".join(f"{k / 1000},{k},\n" for k in range(300)) + "0.3,30"
    )
    played = play(tmp_path / "x")
    assert played.data()[:, 0].tolist() == list(range(300))
    assert any("cut short ('0.3,30')" in note for note in played.source.notes)


def test_slow_columns_with_a_value_in_every_row_are_a_fast_stream(tmp_path: Path) -> None:
    """Some loggers repeat the last reading in every row; that is taken as it stands."""
    columns = make_simple(3_000)
    columns["speed_mps"] = np.full(3_000, 12.5)
    played = play(write_parquet(tmp_path / "x", columns))
    assert [(s.name, s.period_fs) for s in played.source.streams[1:]] == [
        ("slow_1000_hz", 10**12),
        ("slow_10_hz", 10**14),
    ]
    assert len(played.data(2)) == 3_000


def test_integer_travel_and_body_of_a_shared_sensor(tmp_path: Path) -> None:
    """Whole numbers are numbers; a damper without a sensor of its own still has its temperature."""
    columns = make_simple(3_000)
    columns["a_travel_mm"] = columns["a_travel_mm"].astype(int)
    columns["b_body_c"] = columns["a_body_c"] + 1
    played = play(write_parquet(tmp_path / "x", columns), body_positions=("a", "b"))
    assert np.array_equal(played.data()[:, 0], np.arange(3_000.0) % 1000)
    assert [c.name for c in played.source.streams[1].channels] == ["a", "b"]


def test_two_recordings_in_one_file_are_bridged_and_said(tmp_path: Path) -> None:
    """The logger was restarted: 2 s of unknown stand between, a mark and a note tell it."""
    columns = {name: np.concatenate((v, v)) for name, v in make_simple(4_000).items()}
    played = play(write_parquet(tmp_path / "x", columns))
    assert played.gaps() == [(4_000, 1_999)]
    assert len(played.data()) == 8_000
    assert "row 4001: t_s falls back from 3.999 to 0" in played.events_of("mark")[0]["text"]
    assert any("falls back" in note for note in played.source.notes)


def test_rate_that_drops_midway_is_said(tmp_path: Path) -> None:
    """Half the rate from the middle on shows as a gap at every row; people are told what it may be."""
    columns = make_simple(6_000)
    columns["t_s"][3_000:] = 3.0 + np.arange(3_000) * 2e-3
    played = play(write_parquet(tmp_path / "x", columns))
    assert any(note.startswith("2999 rows are missing in gaps of less than a second") for note in played.source.notes)


def test_long_file_is_read_in_chunks_of_any_row_group(tmp_path: Path) -> None:
    """How the writer cut its row groups doesn't show."""
    columns = make_simple(150_000)
    whole = play(write_parquet(tmp_path / "x", columns), block_rows=None)
    small = play(write_parquet(tmp_path / "y", columns, row_group_size=999), block_rows=None)
    assert _fingerprint(whole) == _fingerprint(small)
    assert np.array_equal(whole.data()[:, 0], np.arange(150_000.0) % 1000)


def test_pace_waits_for_the_time_of_each_window(tmp_path: Path) -> None:
    """At twice real time 3 s take 1.5 s; no call waits over 0.2 s."""
    clock = ManualClock()
    source = RecordingFileSource(
        write_parquet(tmp_path / "x", make_simple(3_000)), ("a",), block_rows=500, pace=2.0, clock=clock
    )
    source.start(1, {})
    seen: list[tuple[float, int]] = []
    while True:
        before_ns = clock.mono_ns()
        batch = source.read_batch()
        assert clock.mono_ns() - before_ns <= 200_000_000
        if batch is None:
            break
        seen += [(clock.mono_ns() * 1e-9, b.end_index) for b in batch.blocks if b.stream.stream_id == 1]
    assert seen == [(pytest.approx(index / 2_000), index) for index in range(500, 3_001, 500)]


def test_probe_tells_what_a_file_is(tmp_path: Path) -> None:
    """Messages and progress bars need rows, length and rate before anything is read."""
    found = probe(_case_path("G_clock"))
    assert (found.format, found.rows, found.columns[0]) == ("Parquet", 119_674, "t_s")
    assert found.rate_hz == pytest.approx(997.3, rel=1e-6)
    assert found.jitter_rms_s == pytest.approx(80.4e-6, rel=0.01)
    assert found.duration_s == pytest.approx(119.996851)
    text = probe(write_csv(tmp_path / "x", make_simple(1_000)))
    assert (text.format, text.rows, text.period_fs, text.duration_s) == ("CSV", 1_000, 10**12, None)


@pytest.mark.parametrize("wrong", [{"positions": ()}, {"positions": ("a", "a")}, {"block_rows": 0}, {"pace": 0.0}])
def test_senseless_arguments_are_the_caller_s_bug(wrong: dict[str, object], tmp_path: Path) -> None:
    """These never come from a person's file."""
    path = write_parquet(tmp_path / "x", make_simple(100))
    with pytest.raises(InputError):
        RecordingFileSource(path, **{"positions": ("a",), **wrong})
