"""Each frame of the raw log is handed on once, in order, whatever becomes of the commits around it."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from dutylog.clock import ManualClock
from dutylog.errors import InputError, LedgerError, LedgerFull
from dutylog.recording import log as log_module
from dutylog.recording.errand import Errand
from dutylog.recording.frame import Frame
from dutylog.recording.log import LogWriter
from dutylog.recording.reader import LogReader
from dutylog.recording.source import Batch
from recording.log_cases import STREAMS, Script, keys, open_log

ENOUGH_S = 30.0
SCRIPT = Script(STREAMS, 4.0)
BATCHES = list(SCRIPT.batches(1, 100_000_000))


@pytest.fixture
def writer(tmp_path: Path) -> LogWriter:
    """A log whose first two seconds were committed by its thread, the outcome not taken, and two more seconds."""
    writer = open_log(tmp_path / "log")
    writer.start_epoch(STREAMS, "script", "made up", 1)
    for batch in BATCHES[:20]:
        writer.append(batch)
    writer.start_commit()
    assert writer.wait(ENOUGH_S)
    assert writer.is_open
    assert not writer.is_committing
    for batch in BATCHES[20:]:
        writer.append(batch)
    return writer


def fill_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "pwrite", refuse)


def numbers_of(frames: tuple[Frame, ...] | list[Frame]) -> list[int]:
    return [frame.sequence for frame in frames]


def test_an_outcome_nobody_took_is_not_lost_to_the_next_commit(writer: LogWriter, tmp_path: Path) -> None:
    writer.start_commit()
    assert not writer.is_committing
    first = writer.finish_commit() or ()
    writer.start_commit()
    assert writer.wait(ENOUGH_S)
    got = [*first, *(writer.finish_commit() or ()), *writer.close()]
    assert len(first) > 0
    assert keys(got) == keys(list(LogReader(tmp_path / "log").frames()))


def test_what_was_durable_before_a_stop_on_a_full_disk_is_handed_on(
    writer: LogWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill_disk(monkeypatch)
    with pytest.raises(LedgerFull):
        writer.close("stop", ENOUGH_S)
    got = writer.take_ahead()
    assert numbers_of(got) == list(range(1, len(got) + 1))
    in_log = numbers_of(list(LogReader(tmp_path / "log").frames()))
    assert 0 < len(in_log) < len(got)
    assert writer.take_ahead() == ()


def test_what_was_durable_before_a_commit_that_failed_comes_with_the_next(
    writer: LogWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as full:
        fill_disk(full)
        with pytest.raises(LedgerFull):
            writer.commit()
        with pytest.raises(LedgerFull):
            writer.commit()
    got = [*writer.commit(), *writer.close()]
    assert keys(got) == keys(list(LogReader(tmp_path / "log").frames()))
    assert numbers_of(got) == list(range(1, len(got) + 1))


def test_what_was_durable_before_a_stop_on_a_disk_that_does_not_answer_is_handed_on(
    writer: LogWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Errand, "wait", lambda errand, _limit_s=None: not errand.is_busy)
    monkeypatch.setattr(log_module.SegmentFiles, "commit", lambda _files: threading.Event().wait())
    with pytest.raises(LedgerError, match="hasn't answered"):
        writer.close("stop", 0.1)
    got = writer.take_ahead()
    assert numbers_of(got) == list(range(1, len(got) + 1))
    assert {frame.first_index for frame in got if frame.stream_id == 1} >= {0, 1000, 2000, 3000}


def test_a_batch_the_log_refuses_says_so_once_and_costs_only_itself(tmp_path: Path) -> None:
    writer = open_log(tmp_path / "log")
    writer.start_epoch(STREAMS, "script", "made up", 1)
    for batch in BATCHES[:15]:
        writer.append(batch)
    writer.append(Batch((BATCHES[3].blocks[0],)))
    with pytest.raises(InputError, match="came again"):
        writer.close()
    got = writer.close()
    assert keys(got) == keys(list(LogReader(tmp_path / "log").frames()))
    assert sum(frame.n for frame in got if frame.stream_id == 1) == 1500


def test_an_errand_does_not_begin_before_the_last_outcome_was_taken() -> None:
    errand: Errand[int] = Errand("looking", ManualClock())
    errand.start(lambda: 1)
    assert errand.wait(ENOUGH_S)
    with pytest.raises(InputError, match="looking is still busy, or what came of it wasn't taken"):
        errand.start(lambda: 2)
    assert errand.take() == 1
    errand.start(lambda: 2)
    assert errand.wait(ENOUGH_S)
    assert errand.take() == 2
    errand.close(ENOUGH_S)
