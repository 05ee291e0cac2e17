"""Where a log stands, read from its last segments when a writer opens it."""

from __future__ import annotations

from pathlib import Path

from dutylog.errors import InputError
from dutylog.recording.codec import BrokenFrameError, Envelope, decode_envelope
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.scan import Damage, find_segments, parse_segment_number, scan_segment
from dutylog.recording.segments import parse_head_streams
from dutylog.recording.state import LogState


def read_log_state(folder: Path) -> LogState:
    """Return where the log in a folder stands; a fresh state where there is none.

    Reads back to the newest segment with a readable head: a head carries all that lies before it.
    Torn tails and damage are passed over.

    Raises:
        RecordingError: the folder can't be read, or was written by a newer version.
    """
    state = LogState()
    if not folder.exists():
        return state
    files = find_segments(folder)
    pending: list[Frame] = []
    for file in reversed(files):
        frames = _read_frames(file)
        pending = frames + pending
        if frames and frames[0].type == FrameType.SEGMENT_HEAD:
            break
    for frame in pending:
        try:
            state.follow(frame)
        except (KeyError, TypeError, ValueError, InputError):
            state.next_sequence = max(state.next_sequence, frame.sequence + 1)
    if files:
        state.next_segment = max(state.next_segment, parse_segment_number(files[-1].name) + 1)
    return state


def _read_frames(file: Path) -> list[Frame]:
    """Return a segment's good frames without their samples."""
    frames: list[Frame] = []
    for piece in scan_segment(file):
        if isinstance(piece, Damage):
            continue
        frame = _decode(piece)
        if frame is not None:
            frames.append(frame)
    return frames


def _decode(envelope: Envelope) -> Frame | None:
    try:
        frame = decode_envelope(envelope, {}, with_samples=False)
        if frame is not None and frame.type == FrameType.SEGMENT_HEAD:
            parse_head_streams(frame)
    except BrokenFrameError:
        return None
    return frame
