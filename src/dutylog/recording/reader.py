"""A raw log read in order across its segments, however long it is and whatever a power cut did to it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from operator import itemgetter
from pathlib import Path

from dutylog.errors import RecordingError
from dutylog.recording.batch import Batch, BatchMaker
from dutylog.recording.block import Stream
from dutylog.recording.bounds import first_sequence
from dutylog.recording.codec import BrokenFrameError, Envelope, decode_envelope
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.scan import DAMAGED, LOST, TORN, Damage, find_segments, scan_segment
from dutylog.recording.segments import SegmentInfo, parse_head_streams, read_segment_info

_SAMPLES = int(FrameType.SAMPLES)


class _Follower:
    """What frames need from those before them: the streams of their epoch, and the last number."""

    def __init__(self, last_sequence: int | None) -> None:
        self.last_sequence = last_sequence
        self.streams: dict[int, Stream] = {}
        self.epoch = 0

    def take_head(self, frame: Frame) -> None:
        """Note the streams a head describes; one described as before is the same object."""
        before = self.streams
        now = {s.stream_id: s for s in parse_head_streams(frame)}
        self.streams = {key: before[key] if before.get(key) == s else s for key, s in now.items()}
        self.epoch = frame.epoch

    def streams_of(self, epoch: int) -> dict[int, Stream]:
        """Return the streams of an epoch, none when its head was lost."""
        return self.streams if epoch == self.epoch else {}


class LogReader:
    """Reads a log folder, or one segment file.

    path: the folder or `.dlg` file. `damage` tells what couldn't be read, each piece by the time the frame behind it
    is handed on; so whoever stops early hears nothing of what lies beyond.
    """

    def __init__(self, path: Path) -> None:
        self.damage: list[Damage] = []
        self.path = path
        if path.is_dir():
            self.files = tuple(find_segments(path))
            if not self.files:
                raise RecordingError(f"{path}: no segment (NNNNNNNN.dlg) in it; give the folder of a raw log")
        elif path.is_file():
            self.files = (path,)
        else:
            raise RecordingError(f"{path}: there is no such file or folder")

    def frames(self, after_sequence: int = 0) -> Iterator[Frame]:
        """Yield the good frames with a number above `after_sequence`, numbers strictly rising.

        Memory stays flat: a batch of frames and a window of the file are held.

        Raises:
            RecordingError: not one good frame anywhere (a foreign file), or a version, flag or codec
                that this program mustn't guess at; with file and offset.
        """
        self.damage = []
        for batch, damage in self._batches(after_sequence):
            if not damage:
                yield from batch.frames()
                continue
            for place, frame in enumerate(batch.places()):
                while damage and damage[0][0] <= place:
                    self.damage.append(damage.popleft()[1])
                if frame is not None:
                    yield frame
            self.damage += [piece for _, piece in damage]

    def batches(self, after_sequence: int = 0) -> Iterator[Batch]:
        """Yield as `frames`, many at once; `damage` is told batch by batch."""
        self.damage = []
        for batch, damage in self._batches(after_sequence):
            self.damage += [piece for _, piece in damage]
            yield batch

    def _batches(self, after_sequence: int) -> Iterator[tuple[Batch, deque[tuple[float, Damage]]]]:
        """Yield batches and their damage in order, each piece with the place it lies before."""
        follower = _Follower(after_sequence or None)
        found_any = False
        self._begin_batch()
        try:
            for file in self._files_after(after_sequence):
                for piece in _scan_said(file):
                    if isinstance(piece, Damage):
                        self._note(piece)
                        continue
                    found_any = True
                    self._take(piece, follower, after_sequence)
                    if self._maker.is_full:
                        yield self._end_batch()
        except RecordingError:
            yield self._end_batch()
            raise
        yield self._end_batch()
        if not found_any:
            raise self._foreign()

    def segment_start(self, sequence: int) -> int:
        """Return the number of the first frame in the segment that holds, or would hold, a number."""
        return first_sequence(self._files_after(max(0, sequence - 1))[0]) or 1

    def segments(self) -> list[SegmentInfo]:
        """Return what each segment holds; segments without a readable head are left out.

        Raises:
            RecordingError: as `frames`.
        """
        found = [info for file in self.files if (info := read_segment_info(file)) is not None]
        if not found:
            raise self._foreign()
        return found

    def _begin_batch(self) -> None:
        self._maker = BatchMaker()
        self._noted: list[tuple[float, Damage]] = []

    def _note(self, damage: Damage) -> None:
        """Keep damage that lies before the frame that is taken next."""
        self._noted.append((self._maker.count, damage))

    def _end_batch(self) -> tuple[Batch, deque[tuple[float, Damage]]]:
        """Decode what was collected; a payload found broken lies behind what was noted before it."""
        batch, broken = self._maker.finish()
        found = [(place + 0.5, _broken(envelope, reason)) for place, envelope, reason in broken]
        damage = deque(sorted([*self._noted, *found], key=itemgetter(0)))
        self._begin_batch()
        return batch, damage

    def _take(self, envelope: Envelope, follower: _Follower, after_sequence: int) -> None:
        """Put the frame into the batch if it is one to hand on; damage is noted."""
        header = envelope.header
        is_old = header.sequence <= after_sequence
        last = follower.last_sequence
        if not is_old and last is not None and header.sequence <= last:
            self._note(_broken(envelope, f"frame {header.sequence} after {last}: a number came again"))
            return
        if not is_old:
            if last is not None and header.sequence > last + 1:
                text = f"frames {last + 1} to {header.sequence - 1} are missing"
                self._note(Damage(Path(envelope.file), envelope.offset, 0, LOST, text))
            follower.last_sequence = header.sequence
        elif header.type != FrameType.SEGMENT_HEAD:
            return
        try:
            self._add(envelope, follower, is_old=is_old)
        except BrokenFrameError as err:
            self._note(_broken(envelope, str(err)))

    def _add(self, envelope: Envelope, follower: _Follower, *, is_old: bool) -> None:
        streams = follower.streams_of(envelope.header.epoch)
        if envelope.header.type == _SAMPLES:
            self._maker.add_samples(envelope, streams)
        else:
            frame = decode_envelope(envelope, streams)
            if frame is None:
                return
            if frame.type == FrameType.SEGMENT_HEAD:
                follower.take_head(frame)
            if is_old:
                return
            self._maker.add(frame, envelope.header.payload_length)

    def _files_after(self, after_sequence: int) -> tuple[Path, ...]:
        """Return the files that can hold a number above `after_sequence`; the rest isn't opened."""
        if not after_sequence:
            return self.files
        for k in range(len(self.files) - 1, 0, -1):
            first = first_sequence(self.files[k])
            if first is not None and first <= after_sequence + 1:
                return self.files[k:]
        return self.files

    def _foreign(self) -> RecordingError:
        first = self.files[0]
        with first.open("rb") as stream:
            begin = stream.read(8)
        seen = f"begins with {begin!r}" if begin else "it is empty"
        return RecordingError(f"{first}: offset 0: no frame of a dutylog raw log in it ({seen}); is it a recording?")


def _scan_said(file: Path) -> Iterator[Envelope | Damage]:
    """Yield as `scan_segment`, and for an empty file that it is one."""
    is_empty = True
    for piece in scan_segment(file):
        is_empty = False
        yield piece
    if is_empty:
        yield Damage(file, 0, 0, TORN, "the file is empty")


def _broken(envelope: Envelope, reason: str) -> Damage:
    return Damage(Path(envelope.file), envelope.offset, envelope.next_offset - envelope.offset, DAMAGED, reason)
