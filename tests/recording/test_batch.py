"""Frames decoded together are those decoded one by one, whatever stands among them."""

from __future__ import annotations

import contextlib
import struct
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.recording.batch import MAX_BYTES, MAX_FRAMES, BatchMaker
from dutylog.recording.block import DTYPES, Block, Channel, Stream
from dutylog.recording.codec import BrokenFrameError, Envelope, decode_envelope, encode_frame
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.predict import PredictError, pack_predict
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import find_segments, scan_segment
from dutylog.recording.segments import parse_head_streams
from dutylog.recording.unpredict import unpack_predict
from recording.log_cases import STREAMS, Script, frame_ends, keys, write


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("batch") / "log"
    write(folder, Script(STREAMS, 70.0)).close("stop")
    return folder


def one_by_one(folder: Path) -> Iterator[Frame]:
    """Yield a log's frames, each decoded by itself; what is broken is left out."""
    streams: dict[int, Stream] = {}
    for file in find_segments(folder):
        for piece in scan_segment(file):
            if not isinstance(piece, Envelope):
                continue
            try:
                frame = decode_envelope(piece, streams)
            except BrokenFrameError:
                continue
            if frame is not None:
                if frame.type == FrameType.SEGMENT_HEAD:
                    streams = {stream.stream_id: stream for stream in parse_head_streams(frame)}
                yield frame


def test_frames_are_the_same_to_the_bit_and_in_order(log: Path) -> None:
    frames = list(LogReader(log).frames())
    assert len(frames) > 2 * MAX_FRAMES
    assert keys(frames) == keys(list(one_by_one(log)))


def test_batches_end_before_they_grow(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However large frames are, no more than one beyond the limit is held."""
    for batch in LogReader(log).batches():
        assert batch.count <= MAX_FRAMES
    monkeypatch.setattr("dutylog.recording.batch.MAX_BYTES", 1)
    counts = [sum(len(alike.places) for alike in batch.samples) for batch in LogReader(log).batches()]
    assert max(counts) == 1


def test_large_payloads_end_a_batch_too() -> None:
    """What a payload decodes to may be many times its size, and samples may claim less than they bring."""
    maker = BatchMaker()
    maker.add(Frame(FrameType.EVENT, 1, 1, 0, 0, data={}), MAX_BYTES - 1)
    assert not maker.is_full
    maker.add(Frame(FrameType.EVENT, 2, 1, 0, 0, data={}), 1)
    assert maker.is_full


def test_who_stops_early_hears_of_no_damage_beyond(log: Path, tmp_path: Path) -> None:
    """Frames are decoded ahead; what is wrong with later ones concerns nobody who doesn't read them."""
    octets = find_segments(log)[0].read_bytes()
    starts = [0, *frame_ends(octets)]
    (tmp_path / "00000001.dlg").write_bytes(octets[: starts[12]] + octets[starts[13] :])
    reader = LogReader(tmp_path)
    heard = []
    for frame in reader.frames():
        heard.append((frame.sequence, len(reader.damage)))
    lost = next(number for number, damage in heard if damage)
    assert [damage for _, damage in heard] == [int(number >= lost) for number, _ in heard]
    assert [number for number, _ in heard if number < lost] == list(range(1, lost - 1))
    assert 1 < lost < heard[-1][0]


def test_rows_without_any_spacing_are_no_frame(log: Path) -> None:
    """Whoever works with them would divide by it."""
    envelope = next(one for one in scan_segment(find_segments(log)[0]) if isinstance(one, Envelope) and one.header.n)
    streams = {one.stream_id: one for one in STREAMS}
    assert decode_envelope(envelope, streams) is not None
    spoilt = envelope._replace(header=envelope.header._replace(period_fs=0))
    with pytest.raises(BrokenFrameError, match="spacing of 0"):
        decode_envelope(spoilt, streams)


@pytest.mark.parametrize("every", [1, 2, 3, 7])
def test_broken_payloads_take_no_other_frame_with_them(log: Path, tmp_path: Path, every: int) -> None:
    """A payload that contradicts its header, under a CRC that fits: said in order, the rest is all there."""
    octets = bytearray(find_segments(log)[0].read_bytes())
    ends = frame_ends(bytes(octets))
    spoilt = []
    for number, (at, end) in enumerate(zip([0, *ends], ends, strict=False)):
        if octets[at + 5] == FrameType.SAMPLES and octets[at + 6] and number % every == 0:
            octets[end - 2] ^= 0xFF
            octets[end - 1] ^= 0xFF
            crc = zlib.crc32(octets[at + 72 : end], zlib.crc32(octets[at : at + 68]))
            struct.pack_into("<I", octets, at + 68, crc)
            spoilt.append(at)
    (tmp_path / "00000001.dlg").write_bytes(octets)
    reader = LogReader(tmp_path)
    assert keys(list(reader.frames())) == keys(list(one_by_one(tmp_path)))
    said = [one.offset for one in reader.damage]
    assert said == sorted(said)
    assert set(said) <= set(spoilt)
    assert len(said) > len(spoilt) / 3


def test_damage_is_said_in_the_order_of_the_file(log: Path, tmp_path: Path) -> None:
    """A broken payload is found later than the missing frame behind it, and still said before it."""
    octets = bytearray(find_segments(log)[0].read_bytes())
    starts = [0, *frame_ends(bytes(octets))]
    samples = [k for k, at in enumerate(starts[:-1]) if octets[at + 5] == FrameType.SAMPLES and octets[at + 6]]
    broken, missing = samples[3], samples[5]
    at, end = starts[broken], starts[broken + 1]
    octets[end - 1] ^= 0xFF
    octets[at + 72] ^= 0x0F
    struct.pack_into("<I", octets, at + 68, zlib.crc32(octets[at + 72 : end], zlib.crc32(octets[at : at + 68])))
    (tmp_path / "00000001.dlg").write_bytes(octets[: starts[missing]] + octets[starts[missing + 1] :])
    reader = LogReader(tmp_path)
    frames = list(reader.frames())
    assert [(one.offset, one.length) for one in reader.damage] == [(at, end - at), (starts[missing], 0)]
    assert keys(frames) == keys(list(one_by_one(tmp_path)))


@settings(max_examples=150)
@given(st.data())
def test_payloads_of_any_noise_come_back_together(data: st.DataObject) -> None:
    """Shifts, low bits, unused bits and values apart differ from frame to frame of one batch."""
    dtype = np.dtype("<" + data.draw(st.sampled_from(DTYPES)))
    n, channels = data.draw(st.sampled_from([1, 5, 33, 70, 130])), data.draw(st.integers(1, 4))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    frames = []
    for _ in range(data.draw(st.integers(1, 6))):
        size = 2.0 ** data.draw(st.integers(0, 8 * dtype.itemsize - 4))
        noise = np.clip(rng.standard_normal((n, channels)), -4, 4) * size
        noise = noise.astype(f"<i{dtype.itemsize}")
        noise[rng.integers(0, n)] = rng.integers(-100, 100)
        frames.append((noise << data.draw(st.integers(0, 3))).view(dtype))
    packed: dict[bytes, list[tuple[bytes, np.ndarray]]] = {}
    for frame in frames:
        payload = pack_predict(frame)
        packed.setdefault(payload[:1], []).append((payload, frame))
    for alike in packed.values():
        rows = unpack_predict([payload for payload, _ in alike], dtype, n, channels)
        assert rows.tobytes() == b"".join(frame.tobytes() for _, frame in alike)


@pytest.mark.parametrize("is_there", [False, True])
def test_low_bits_claimed_for_all_stay_within_bounds(is_there: bool) -> None:
    """A shift of 31 bits for every value, without the bits or with them: 16 times the samples at the most."""
    n = 1024 * 1024
    packer = zlib.compressobj(wbits=-15)
    payload = bytes(4) + packer.compress(bytes([31]) + bytes(n)) + packer.flush() + bytes(31 * n // 8 * is_there)
    tracemalloc.start()
    with contextlib.nullcontext() if is_there else pytest.raises(PredictError, match="0 bytes left for 1048576"):
        unpack_predict([payload], np.dtype("<i2"), n, 1)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak_bytes < 16 * 2 * n


def test_one_channel_streams_are_told_apart_by_their_epoch(tmp_path: Path) -> None:
    """The same stream, codec and length in two epochs are two runs."""
    stream = Stream(1, "a", "i2", 10**12, (Channel("a", "travel", "count"),))
    data = np.arange(40, dtype="<i2").reshape(-1, 1)
    for epoch in (1, 2):
        head = {"schema": 1, "streams": [stream.to_dict()]}
        block = Block(stream, epoch, 0, 5, stream.period_fs, data + epoch)
        first = Frame(FrameType.SEGMENT_HEAD, 2 * epoch - 1, epoch, 0, data=head)
        rows = Frame(FrameType.SAMPLES, 2 * epoch, epoch, 5, 1, 0, 40, stream.period_fs, block=block)
        (tmp_path / f"{epoch:08d}.dlg").write_bytes(encode_frame(first) + encode_frame(rows))
    blocks = [frame.block for frame in LogReader(tmp_path).frames() if frame.block is not None]
    assert [(block.epoch, int(block.data[0, 0])) for block in blocks] == [(1, 1), (2, 2)]
