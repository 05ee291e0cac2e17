"""Frames decoded by a second process are the same frames, and its end is never mistaken for the log's."""

from __future__ import annotations

import io
import os
import pickle
import subprocess

import pytest

from dutylog.errors import RecordingError
from dutylog.recording import ahead
from dutylog.recording.batch import MAX_FRAMES, Batch
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.reader import LogReader
from recording.log_cases import STREAMS, Script, keys, write


@pytest.fixture
def two_processors(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})
    monkeypatch.setattr(ahead, "WORTH_BYTES", 0)
    started = []
    popen = subprocess.Popen

    def start(*arguments, **options):
        started.append(popen(*arguments, **options))
        return started[-1]

    monkeypatch.setattr(subprocess, "Popen", start)
    return started


@pytest.fixture
def log(tmp_path):
    write(tmp_path / "log", Script(STREAMS, 90.0)).close("stop")
    return tmp_path / "log"


def test_frames_are_those_of_the_reader(log, two_processors):
    got, wanted = list(ahead.read_frames(log)), list(LogReader(log).frames())
    assert len(two_processors) == 1
    assert two_processors[0].poll() is not None
    assert len(got) == len(wanted) > 2 * MAX_FRAMES
    assert keys(got) == keys(wanted)


def test_a_short_log_starts_no_process(log, two_processors, monkeypatch):
    monkeypatch.setattr(ahead, "WORTH_BYTES", 1 << 40)
    assert len(list(ahead.read_frames(log))) > 0
    assert two_processors == []


def test_what_is_wrong_with_the_log_is_said_in_the_same_words(log, two_processors):
    for file in log.iterdir():
        file.write_bytes(b"not a log" * 50)
    with pytest.raises(RecordingError) as here:
        list(LogReader(log).frames())
    with pytest.raises(RecordingError) as there:
        list(ahead.read_frames(log))
    assert len(two_processors) == 1
    assert str(there.value) == str(here.value)


def test_a_killed_decoder_is_an_error_not_the_end(log, two_processors, monkeypatch):
    """The pipe still holds whole groups when the process dies; only its end mark makes them all."""
    monkeypatch.setattr(ahead, "_PIPE_BYTES", 4096)
    frames = ahead.read_frames(log)
    next(frames)
    two_processors[0].kill()
    two_processors[0].wait()
    with pytest.raises(RecordingError, match="ended early"):
        list(frames)


def test_a_torn_batch_is_an_error():
    frame = Frame(FrameType.EVENT, 1, 0, 5, data={})
    whole = pickle.dumps(Batch(1, [], [(0, frame)])) + pickle.dumps(None)
    with pytest.raises(RecordingError, match="ended early"):
        list(ahead._receive(io.BytesIO(whole[:10]), "here"))
    assert list(ahead._receive(io.BytesIO(whole), "here")) == [frame]


def test_whoever_stops_reading_leaves_no_process(log, two_processors):
    frames = ahead.read_frames(log)
    next(frames)
    frames.close()
    assert two_processors[0].poll() is not None
