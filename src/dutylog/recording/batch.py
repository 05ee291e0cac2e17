"""Frames of a log that follow each other, those alike decoded together (`unpredict.py` says why)."""

from __future__ import annotations

from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any

from numpy.typing import NDArray

from dutylog.recording.block import Stream
from dutylog.recording.codec import PREDICT, BrokenFrameError, Envelope, find_stream, unpack_samples
from dutylog.recording.frame import Frame, make_sample_frames

MAX_FRAMES = 64
"""About twenty seconds. Measured: twice as many save 8 % of the instructions, but 0.7 MB is then worked on at once,
more than the cache of a small board's core."""
MAX_BYTES = 256 * 1024
"""So many bytes end a batch, too, as samples or as they are stored."""

Facts = tuple[int, int, int, int, int, int]
_get_facts = attrgetter("sequence", "first_index", "t0_ns", "period_fs", "config_id", "quality")


@dataclass(frozen=True, slots=True)
class Samples:
    """Samples frames of one stream, epoch and length.

    places: where in their batch. facts: as `make_sample_frames` takes them. rows: (frames, n, channels).
    """

    stream: Stream
    epoch: int
    places: list[int]
    facts: list[Facts]
    rows: NDArray[Any]


@dataclass(frozen=True, slots=True)
class Batch:
    """Decoded frames by their place; not every place has one.

    count: of places. others: all frames without samples.
    """

    count: int
    samples: list[Samples]
    others: list[tuple[int, Frame]]

    def frames(self) -> list[Frame]:
        """Return the frames in order."""
        return [frame for frame in self.places() if frame is not None]

    def places(self) -> list[Frame | None]:
        """Return the frame of each place, None where there is none."""
        found: list[Frame | None] = [None] * self.count
        for place, frame in self.others:
            found[place] = frame
        for alike in self.samples:
            made = make_sample_frames(alike.stream, alike.epoch, alike.rows, alike.facts)
            for place, frame in zip(alike.places, made, strict=True):
                found[place] = frame
        return found


@dataclass(slots=True)
class BatchMaker:
    """Collects the frames of one batch, then decodes them."""

    _count: int = 0
    _bytes: int = 0
    _others: list[tuple[int, Frame]] = field(default_factory=list)
    _alike: dict[tuple[Any, ...], list[tuple[int, Envelope, Stream]]] = field(default_factory=dict)

    @property
    def is_full(self) -> bool:
        """Return whether to decode before more is added."""
        return self._count >= MAX_FRAMES or self._bytes >= MAX_BYTES

    @property
    def count(self) -> int:
        """Return how many frames were taken; the next gets this place."""
        return self._count

    def add(self, frame: Frame, payload_bytes: int) -> None:
        """Take a frame without samples. payload_bytes: stored ones, of which decoded objects may be many times."""
        self._others.append((self._count, frame))
        self._count += 1
        self._bytes += payload_bytes

    def add_samples(self, envelope: Envelope, streams: dict[int, Stream]) -> None:
        """Take a samples frame.

        Raises:
            BrokenFrameError: its header contradicts its stream; it isn't taken.
        """
        header = envelope.header
        stream = find_stream(header, streams)
        levels = envelope.payload[:1] if header.codec == PREDICT else b""
        key = (id(stream), header.epoch, header.n, header.codec, levels)
        self._alike.setdefault(key, []).append((self._count, envelope, stream))
        self._count += 1
        self._bytes += max(header.raw_length, header.payload_length)

    def finish(self) -> tuple[Batch, list[tuple[int, Envelope, str]]]:
        """Return the frames, and (place, envelope, reason) of each whose payload isn't what its header says."""
        samples: list[Samples] = []
        broken: list[tuple[int, Envelope, str]] = []
        for frames in self._alike.values():
            try:
                samples.append(_decode(frames))
            except BrokenFrameError:
                for one in frames:
                    # Each by itself, so that a broken one doesn't take the others with it.
                    try:
                        samples.append(_decode([one]))
                    except BrokenFrameError as err:
                        broken.append((one[0], one[1], str(err)))
        return Batch(self._count, samples, self._others), sorted(broken)


def _decode(frames: list[tuple[int, Envelope, Stream]]) -> Samples:
    """Return frames alike, (place, envelope, stream) each; BrokenFrameError where one of them is broken."""
    _, (header, *_), stream = frames[0]
    rows = unpack_samples(header.codec, [envelope.payload for _, envelope, _ in frames], stream, header.n)
    facts = [_get_facts(envelope.header) for _, envelope, _ in frames]
    return Samples(stream, header.epoch, [place for place, _, _ in frames], facts, rows)
