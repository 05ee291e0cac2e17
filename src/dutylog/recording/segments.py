"""What one segment file holds, told from its frames' headers without decoding samples."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dutylog.errors import InputError, RecordingError
from dutylog.recording.block import Stream
from dutylog.recording.codec import BrokenFrameError, Envelope, Header, decode_envelope
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import Grid
from dutylog.recording.scan import Damage, scan_segment

HEAD_SCHEMA = 1
LOG_FOLDER = "log"
"""Of a data folder."""


@dataclass(frozen=True, slots=True)
class SegmentInfo:
    """What one segment file holds.

    start_ns, end_ns: instants of the first and last row [ns], None without rows. row_count: samples
    rows of all streams together. closed: reason of its close frame, None where it wasn't ended on
    purpose (power cut, kill, or still being written).
    """

    file: Path
    byte_count: int
    vehicle_id: str
    boot_id: str
    software: str
    source_kind: str
    source_text: str
    created_utc_ns: int
    utc_trusted: bool
    streams: tuple[Stream, ...]
    epoch: int
    first_sequence: int
    last_sequence: int
    frame_count: int
    row_count: int
    start_ns: int | None
    end_ns: int | None
    closed: str | None


def parse_head_streams(frame: Frame) -> tuple[Stream, ...]:
    """Return the streams that a segment head describes.

    Raises:
        BrokenFrameError: it describes none, or nonsense.
        RecordingError: a head of another schema.
    """
    data = frame.data or {}
    if data.get("schema") != HEAD_SCHEMA:
        raise RecordingError(
            f"segment head (frame {frame.sequence}) of schema {data.get('schema')!r}, "
            f"this program reads {HEAD_SCHEMA}; use a newer dutylog"
        )
    try:
        return tuple(Stream.from_dict(s) for s in data["streams"])
    except (KeyError, TypeError, AttributeError, InputError) as err:
        raise BrokenFrameError(f"segment head: {err}") from err


class _Tally:
    """Counts over the frames of one segment."""

    def __init__(self) -> None:
        self.head: Frame | None = None
        self.streams: tuple[Stream, ...] = ()
        self.first_sequence = 0
        self.last_sequence = 0
        self.frame_count = 0
        self.row_count = 0
        self.start_ns: int | None = None
        self.end_ns: int | None = None
        self.closed: str | None = None

    def add(self, envelope: Envelope) -> None:
        header = envelope.header
        self.first_sequence = self.first_sequence or header.sequence
        self.last_sequence = header.sequence
        self.frame_count += 1
        if header.type == FrameType.SAMPLES:
            self._add_rows(header)
        elif header.type in (FrameType.SEGMENT_HEAD, FrameType.CLOSE):
            try:
                self._add_bound(decode_envelope(envelope, {}))
            except BrokenFrameError:
                return  # said by whoever reads the frames; a count needs no second message

    def _add_rows(self, header: Header) -> None:
        end_ns = Grid(0, header.t0_ns, header.period_fs).time_ns(header.n - 1)
        self.row_count += header.n
        self.start_ns = header.t0_ns if self.start_ns is None else min(self.start_ns, header.t0_ns)
        self.end_ns = end_ns if self.end_ns is None else max(self.end_ns, end_ns)

    def _add_bound(self, frame: Frame | None) -> None:
        if frame is None:
            return
        if frame.type == FrameType.SEGMENT_HEAD:
            self.streams = parse_head_streams(frame)
            self.head = frame
        else:
            self.closed = str((frame.data or {}).get("reason"))


def read_segment_info(file: Path) -> SegmentInfo | None:
    """Return what a segment holds, or None when its head can't be read.

    Raises:
        RecordingError: the file can't be read or is of a newer version.
    """
    tally = _Tally()
    for piece in scan_segment(file):
        if not isinstance(piece, Damage):
            tally.add(piece)
    if tally.head is None:
        return None
    data = tally.head.data or {}
    source = data.get("source")
    source = source if isinstance(source, dict) else {}
    return SegmentInfo(
        file=file,
        byte_count=file.stat().st_size,
        vehicle_id=str(data.get("vehicle_id")),
        boot_id=str(data.get("boot_id")),
        software=str(data.get("software")),
        source_kind=str(source.get("kind")),
        source_text=str(source.get("text")),
        created_utc_ns=_whole(data.get("created_utc_ns")),
        utc_trusted=data.get("utc_trusted") is True,
        streams=tally.streams,
        epoch=tally.head.epoch,
        first_sequence=tally.first_sequence,
        last_sequence=tally.last_sequence,
        frame_count=tally.frame_count,
        row_count=tally.row_count,
        start_ns=tally.start_ns,
        end_ns=tally.end_ns,
        closed=tally.closed,
    )


def _whole(value: Any) -> int:
    return value if isinstance(value, int) else 0
