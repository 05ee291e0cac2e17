"""Rows that come over the line are those that were there, and every one that isn't is counted."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from firmware.board import running_firmware
from firmware.reader import (
    DONE,
    IDENTITY,
    NOTE,
    RATE,
    SAMPLES,
    START,
    Line,
    Samples,
    all_rows,
    indices,
    parse_identity,
)

ROOMY = 2048
"""Rows of a ring that outlasts a test machine that is busy with other things for two seconds."""


def write_rows(path: Path, rows: int, channels: int) -> NDArray[np.uint16]:
    """Write random rows with all 16 bits in use, and return them."""
    data = np.random.default_rng(rows * channels).integers(0, 65536, (rows, channels), np.uint16)
    path.write_bytes(data.astype("<u2").tobytes())
    return data


def check_account(samples: list[Samples]) -> None:
    """Every frame says how many rows are missing so far, and as many indices are."""
    came = 0
    for frame in samples:
        assert frame.first_index - came == frame.lost
        came += len(frame.rows)


@pytest.mark.parametrize(("channels", "count"), [(1, 1000), (4, 5000), (8, 3000)])
def test_seconds_come_without_a_loss(tmp_path: Path, channels: int, count: int) -> None:
    """At 1 kHz every row is there, once, with the counts of the file, on a grid of 1000 ticks."""
    expected = write_rows(tmp_path / "rows", count, channels)
    with running_firmware(tmp_path / "rows", channels, ring_rows=ROOMY) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(count - 1)
        samples = line.samples()
        assert line.damaged == 0
    rows = all_rows(samples)
    assert np.array_equal(indices(samples), np.arange(len(rows)))
    assert {s.lost for s in samples} == {0}
    assert np.array_equal(rows[:count], expected)
    assert {(s.tick - samples[0].tick) - 1000 * s.first_index for s in samples} == {0}


def test_eight_channels_at_two_kilohertz_fit_their_frames(tmp_path: Path) -> None:
    """1/25 s would be longer than a frame may be, so frames are shorter."""
    expected = write_rows(tmp_path / "rows", 1000, 8)
    with running_firmware(tmp_path / "rows", 8, 2000, ring_rows=ROOMY) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(2500)
        samples = line.samples()
    assert {len(s.rows) for s in samples} == {62}
    assert np.array_equal(all_rows(samples)[:1000], expected)
    assert np.array_equal(all_rows(samples)[1000:2000], expected)


def test_rows_the_ring_had_no_room_for_are_counted(tmp_path: Path) -> None:
    """The loop stands still for 1000 rows and the ring holds 256: the rest is lost, its indices are skipped."""
    expected = write_rows(tmp_path / "rows", 3000, 4)
    options = {"ring_rows": 256, "stall_at_row": 500, "stall_rows": 1000, "watchdog_s": 60.0}
    with running_firmware(tmp_path / "rows", **options) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(2500)
        samples = line.samples()
    check_account(samples)
    assert 1000 - 256 <= samples[-1].lost <= 1000
    assert np.array_equal(all_rows(samples), expected[indices(samples)])


@pytest.mark.parametrize("catch_up", [0, 1])
def test_instants_without_a_callback_are_counted(tmp_path: Path, catch_up: int) -> None:
    """Whether or not the timer makes up for them later: a row belongs to the instant it was taken at."""
    expected = write_rows(tmp_path / "rows", 1000, 4)
    options = {"mask_at_row": 300, "mask_rows": 50, "catch_up": catch_up, "ring_rows": ROOMY}
    with running_firmware(tmp_path / "rows", **options) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(700)
        samples = line.samples()
    check_account(samples)
    came = indices(samples)
    assert samples[-1].lost == 50
    assert np.array_equal(came, np.concatenate([np.arange(300), np.arange(350, came[-1] + 1)]))
    assert np.array_equal(all_rows(samples), expected[came])
    assert {(s.tick - samples[0].tick) - 1000 * s.first_index for s in samples} == {0}


def test_a_host_that_does_not_read_stops_nothing(tmp_path: Path) -> None:
    """The line fills up, then the ring; when the host is back, it gets whole frames and the true count of losses."""
    expected = write_rows(tmp_path / "rows", 2000, 8)
    with running_firmware(tmp_path / "rows", 8, 2000, ring_rows=64) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        # A pty holds some kilobytes; once nothing is added any more, the ring is full 32 ms later.
        seen, same = -1, 0
        while same < 20:
            line.port.timeout = 0.02
            same = same + 1 if line.port.in_waiting == seen else 0
            seen = line.port.in_waiting
            line.send(0xFF)
        before = len(line.frames)
        line.wait_for(lambda: bool(line.samples(before)) and line.samples()[-1].lost > 0)
        line.wait_for_row(line.samples()[-1].first_index + 2000)
        samples = line.samples()
        assert line.damaged == 0
    check_account(samples)
    assert np.array_equal(all_rows(samples), expected[indices(samples) % 2000])


def test_reference_and_pulses_travel_with_the_rows() -> None:
    """1000 pulses a second are 1 a row: the count is that at the frame's last row."""
    with running_firmware(reference=0xC350, pulse_hz=1000, ring_rows=ROOMY) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(400)
        samples = line.samples()
    assert {s.reference for s in samples} == {0xC350}
    assert {s.pulses - (s.first_index + len(s.rows) - 1) for s in samples} == {0}


def test_reference_is_0_where_none_is_measured() -> None:
    with running_firmware(reference=0) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(0)
        assert line.samples()[0].reference == 0


@pytest.mark.parametrize(("ticks_start", "tick_high"), [(2**30 - 200_000, 0), (2**30 - 200_000, 0xC000)])
def test_ticks_run_on_past_their_wraps(ticks_start: int, tick_high: int) -> None:
    """The board's own count wraps at 2**30, the line's at 2**32; neither is seen in the rows."""
    options = {"ticks_start": ticks_start, "tick_high": tick_high, "ring_rows": ROOMY}
    with running_firmware(**options) as board, Line.open(board.port) as line:
        before, _ = line.ping(1)
        assert line.ask(START) == DONE
        line.wait_for_row(1000)
        after, _ = line.ping(2)
        samples = line.samples()
    start = ticks_start | tick_high << 16
    assert before - start >= 0
    assert {(s.tick - samples[0].tick - 1000 * s.first_index) % 2**32 for s in samples} == {0}
    assert (after - start) % 2**32 >= 1_000_000
    assert (after < before) == (tick_high > 0)
    assert {s.lost for s in samples} == {0}


def test_silence_ends_sampling() -> None:
    """A host that died leaves nothing running; the board says why and shows itself again."""
    with running_firmware(silence_s=1.0) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        since = len(line.frames)
        # One that was due just as it began may still come, and says that it samples.
        line.wait_for(lambda: any(not parse_identity(f.payload).is_running for f in line.of(IDENTITY, since)))
        assert "no command for 1 s" in line.of(NOTE)[0].payload.decode()
        rows = sum(len(s.rows) for s in line.samples())
        # Well above one frame; how many it is exactly, a busy test machine decides.
        assert rows >= 100
        line.next_of(IDENTITY)
        assert sum(len(s.rows) for s in line.samples()) == rows
        assert line.ask(START) == DONE


def test_a_ping_a_second_keeps_it_sampling() -> None:
    with running_firmware(silence_s=4.0, ring_rows=ROOMY) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(6000)
        assert line.of(NOTE) == []
        assert line.identify().is_running == 1


def test_a_reset_shows_as_another_boot_number() -> None:
    """The same board, begun anew: old indices and ticks mean nothing any more."""
    with running_firmware(reset_at_row=300) as board, Line.open(board.port) as line:
        first = line.identify()
        assert line.ask(START) == DONE
        second = parse_identity(line.next_of(IDENTITY).payload)
        line.frames.clear()
        board.reset()
        third = parse_identity(line.next_of(IDENTITY).payload)
        assert line.frames[-1].sequence == 0
        assert first.board_id == second.board_id == third.board_id
        assert len({first.boot, second.boot, third.boot}) == 3
        assert (second.is_running, third.is_running) == (0, 0)
        assert line.ask(START) == DONE


def test_a_hung_loop_is_reset_by_the_watchdog() -> None:
    """Ticks alone don't feed it."""
    with running_firmware(stall_at_row=100, stall_rows=10**9, watchdog_s=0.5) as board, Line.open(board.port) as line:
        first = line.identify()
        assert line.ask(START) == DONE
        assert parse_identity(line.next_of(IDENTITY).payload).boot != first.boot


def test_a_timer_that_died_is_reset_by_the_watchdog() -> None:
    """The loop is alive but no row falls due: it stops feeding."""
    with running_firmware(mask_at_row=100, mask_rows=10**9, watchdog_s=0.5) as board, Line.open(board.port) as line:
        first = line.identify()
        assert line.ask(START) == DONE
        assert parse_identity(line.next_of(IDENTITY).payload).boot != first.boot


def test_a_board_can_be_unplugged_and_plugged_in_again() -> None:
    """The path stays the same, what is behind it is new."""
    with running_firmware() as board:
        with Line.open(board.port) as line:
            boot = line.identify().boot
            board.unplug()
            with pytest.raises(OSError, match=r".+"):
                line.wait_for(lambda: False)
        board.plug_in()
        with Line.open(board.port) as line:
            assert line.identify().boot != boot


def test_a_damaged_frame_costs_its_rows_only() -> None:
    """The next 0x00 begins anew; the hole shows in the sequence and in the indices, not in the count of losses."""
    with running_firmware(damage_every=5, ring_rows=ROOMY) as board, Line.open(board.port) as line:
        line.send(RATE, struct.pack("<H", 1000))
        line.send(START)
        line.wait_for_row(1500)
        samples = line.samples()
        assert line.damaged >= 5
        assert {s.lost for s in samples} == {0}
        gaps = np.diff(indices(samples))
        assert set(gaps.tolist()) == {1, 41}
        sequences = [frame.sequence for frame in line.frames if frame.kind == SAMPLES]
        assert sequences == sorted(sequences)
