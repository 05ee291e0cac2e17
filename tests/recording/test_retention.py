"""What may go of a raw log: whole segments, oldest first, and never what somebody still needs."""

from __future__ import annotations

from pathlib import Path

import pytest

from dutylog.clock import ManualClock
from dutylog.recording.bounds import SegmentStart, read_log_bounds, read_start
from dutylog.recording.log import LogWriter
from dutylog.recording.reader import LogReader
from dutylog.recording.retention import (
    AGE,
    MIN_FREE_BYTES,
    MOST_AT_ONCE,
    ROOM,
    SIZE,
    DiskRoom,
    KeepRule,
    Needed,
    Pruning,
    plan_pruning,
    prune,
)
from dutylog.recording.scan import find_segments
from recording.log_cases import SPEED, Script, make_vehicle

DAY_NS = 86_400 * 10**9
FIRST_UTC_NS = 1_700_000_000 * 10**9
PLENTY = DiskRoom(10**12, 2 * 10**12)
KEEP_ALL = KeepRule(10_000 * DAY_NS, 10**12)
NOTHING_NEEDED = Needed(10**9, None)


def write_days(folder: Path, count: int) -> list[Path]:
    """Write an epoch of 25 minutes, so three segments, on each of some days."""
    for day in range(count):
        clock = ManualClock(0, FIRST_UTC_NS + day * DAY_NS)
        writer = LogWriter(folder, make_vehicle(), f"boot {day}", clock)
        writer.start_epoch((SPEED,), "script", f"day {day}", day + 1)
        for batch in Script((SPEED,), 1500.0).batches(day + 1, 100 * 10**9):
            writer.append(batch)
            writer.commit()
            clock.advance(100.0)
        writer.close()
    return find_segments(folder)


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("days") / "log"
    assert len(write_days(folder, 4)) == 12
    return folder


def plan(
    folder: Path,
    rule: KeepRule = KEEP_ALL,
    needed: Needed = NOTHING_NEEDED,
    room: DiskRoom = PLENTY,
    now_utc_ns: int | None = None,
    trusted_epochs: tuple[int, ...] = (1, 2, 3, 4),
) -> Pruning | None:
    def utc_of(start: SegmentStart) -> int | None:
        if start.epoch not in trusted_epochs:
            return None
        return FIRST_UTC_NS + (start.epoch - 1) * DAY_NS + start.t0_ns

    return plan_pruning(folder, rule, lambda: needed, room=room, now_utc_ns=now_utc_ns, utc_of=utc_of)


def names(pruning: Pruning | None) -> list[int]:
    return [] if pruning is None else [int(file.name[:8]) for file in pruning.files]


def size_of(folder: Path, count: int) -> int:
    return sum(file.stat().st_size for file in find_segments(folder)[:count])


def test_within_the_limits_nothing_goes_and_nobody_is_asked(days: Path) -> None:
    def ask() -> Needed:
        raise AssertionError("asked for nothing")

    found = plan_pruning(
        days, KEEP_ALL, ask, room=PLENTY, now_utc_ns=FIRST_UTC_NS + 10 * DAY_NS, utc_of=lambda _: FIRST_UTC_NS
    )
    assert found is None


def test_what_is_over_in_size_goes_oldest_first_in_whole_segments(days: Path) -> None:
    total = size_of(days, 12)
    found = plan(days, KeepRule(KEEP_ALL.keep_ns, total - size_of(days, 2) + 1))
    assert names(found) == [1, 2]
    assert found is not None
    assert (found.reason, found.byte_count) == (SIZE, size_of(days, 2))
    assert names(plan(days, KeepRule(KEEP_ALL.keep_ns, total - 1))) == [1]
    assert names(plan(days, KeepRule(KEEP_ALL.keep_ns, total))) == []


def test_the_segment_being_written_stays_whatever_the_limit(days: Path) -> None:
    assert names(plan(days, KeepRule(1, 1))) == list(range(1, 12))


def test_age_counts_only_while_the_clock_is_trusted(days: Path) -> None:
    rule = KeepRule(3 * DAY_NS, 10**12)
    now_utc_ns = FIRST_UTC_NS + 3 * DAY_NS + 3_600 * 10**9
    found = plan(days, rule, now_utc_ns=now_utc_ns)
    assert names(found) == [1, 2, 3]
    assert found is not None
    assert found.reason == AGE
    assert names(plan(days, rule, now_utc_ns=None)) == []


def test_segment_without_trusted_time_is_as_old_as_the_next_one_with(days: Path) -> None:
    rule = KeepRule(1 * DAY_NS, 10**12)
    now_utc_ns = FIRST_UTC_NS + 3 * DAY_NS + 3_600 * 10**9
    assert names(plan(days, rule, now_utc_ns=now_utc_ns, trusted_epochs=(2,))) == [1, 2, 3, 4, 5, 6]
    assert names(plan(days, rule, now_utc_ns=now_utc_ns, trusted_epochs=(4,))) == []
    assert names(plan(days, rule, now_utc_ns=now_utc_ns, trusted_epochs=())) == []


def test_a_segment_just_within_the_age_stays(days: Path) -> None:
    """A segment holds ten minutes: it is as old as its newest row."""
    start = FIRST_UTC_NS
    for late_s, gone in ((599, []), (601, [1])):
        now_utc_ns = start + DAY_NS + late_s * 10**9
        assert names(plan(days, KeepRule(DAY_NS, 10**12), now_utc_ns=now_utc_ns)) == gone


def test_a_full_disk_lets_the_oldest_go(days: Path) -> None:
    room = DiskRoom(MIN_FREE_BYTES - size_of(days, 1) - 1, 10**12)
    found = plan(days, room=room)
    assert names(found) == [1, 2]
    assert found is not None
    assert found.reason == ROOM
    assert names(plan(days, room=DiskRoom(MIN_FREE_BYTES, 10**12))) == []
    assert DiskRoom(0, 10**6).min_free_bytes == 10**5


def test_what_a_restart_reads_again_stays(days: Path) -> None:
    starts = [read_start(file) for file in find_segments(days)]
    for number, start in enumerate(starts[1:], start=1):
        assert start is not None
        assert names(plan(days, KeepRule(1, 1), Needed(start.sequence, None))) == list(range(1, number + 1))
        assert names(plan(days, KeepRule(1, 1), Needed(start.sequence - 1, None))) == list(range(1, number))


def test_the_open_trip_stays(days: Path) -> None:
    """It began five minutes into the second segment of the third day."""
    assert names(plan(days, KeepRule(1, 1), Needed(10**9, (3, 900 * 10**9)))) == [1, 2, 3, 4, 5, 6, 7]
    assert names(plan(days, KeepRule(1, 1), Needed(10**9, (3, 0)))) == [1, 2, 3, 4, 5, 6]
    assert names(plan(days, KeepRule(1, 1), Needed(10**9, (1, 0)))) == []


def test_what_is_left_reads_from_where_it_begins(days: Path, tmp_path: Path) -> None:
    folder = tmp_path / "log"
    write_days(folder, 2)
    found = plan(folder, needed=NOTHING_NEEDED, rule=KeepRule(KEEP_ALL.keep_ns, size_of(folder, 6) - 1))
    assert found is not None
    whole = list(LogReader(folder).frames())
    prune(found)
    reader = LogReader(folder)
    left = list(reader.frames())
    assert reader.damage == []
    assert [frame.sequence for frame in left] == [f.sequence for f in whole if f.sequence >= found.kept.sequence]
    bounds = read_log_bounds(folder)
    assert bounds is not None
    assert (bounds.first_sequence, bounds.last_sequence) == (found.kept.sequence, whole[-1].sequence)
    prune(found)  # again after a cut: nothing is left to remove, nothing else goes
    assert len(find_segments(folder)) == 5


def test_a_segment_whose_head_is_damaged_does_not_stop_it(tmp_path: Path) -> None:
    folder = tmp_path / "log"
    first, second = write_days(folder, 1)[:2]
    for file in (first, second):
        octets = bytearray(file.read_bytes())
        octets[80] ^= 1
        file.write_bytes(octets)
        assert read_start(file) is None
    assert names(plan(folder, KeepRule(1, 1))) == [1, 2]


def test_one_step_takes_no_more_than_it_may(tmp_path: Path) -> None:
    folder = tmp_path / "log"
    source = write_days(folder, 1)[0].read_bytes()
    for number in range(4, 90):
        (folder / f"{number:08d}.dlg").write_bytes(source)
    assert len(names(plan(folder, KeepRule(1, 1)))) == MOST_AT_ONCE
