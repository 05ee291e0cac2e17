"""Frames to bytes and back, exactly as shared/RECORDING.md lays them down.

A frame is read in two steps, because a reader that only looks for its place needs no samples:
`parse_envelope` proves the bytes (magic, lengths, CRC) and refuses what this version mustn't guess
at; `decode_envelope` turns the payload into samples or a JSON object. `parse_frame` does both.
"""

from __future__ import annotations

import json
import math
import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError, RecordingError
from dutylog.recording.block import DTYPES, Block, Stream
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.planes import PlanesError, pack_planes, unpack_planes
from dutylog.recording.predict import PredictError, pack_predict
from dutylog.recording.unpredict import unpack_predict

MAGIC = b"DUTY"
HEADER_VERSION = 1
HEADER_BYTES = 72
RAW = 0
PLANES = 1
PREDICT = 2
MAX_PAYLOAD_BYTES = 4 * 1024 * 1024
MAX_RAW_BYTES = 16 * 1024 * 1024
MAX_CHANNELS = 255

_PLANES_WORTH_BITS = 2
"""Short integers (converter counts) that take more than so many bits each when predicted aren't tried as planes:
that costs a quarter of the time to pack, and in 15 580 seconds of the recordings with known truth, with and
without noise of one count, saved not one byte. Measured."""

_HEADER = struct.Struct("<4s4BH2BI2Q2IqQ2I2H")
_CRC = struct.Struct("<I")
_CRC_OFFSET = HEADER_BYTES - _CRC.size
_LENGTHS = struct.Struct("<2I")
_LENGTHS_OFFSET = 56
_KNOWN_TYPES = frozenset(int(t) for t in FrameType)
_SAMPLES = int(FrameType.SAMPLES)
_CODECS = (RAW, PLANES, PREDICT)
_JSON_CODECS = (RAW,)
_WIDTHS = tuple(np.dtype(dtype).itemsize for dtype in DTYPES)


class BrokenFrameError(RecordingError):
    """These bytes are no good frame: a torn tail or damage; a reader looks further on."""


class Header(NamedTuple):
    """The 72 bytes of a frame's header without magic and CRC; names as in shared/RECORDING.md.

    A tuple, as `Envelope`: a log has a hundred thousand, and one of a frozen dataclass takes six times as long.
    """

    header_version: int
    type: int
    codec: int
    flags: int
    stream: int
    dtype: int
    channels: int
    epoch: int
    sequence: int
    first_index: int
    n: int
    config_id: int
    t0_ns: int
    period_fs: int
    payload_length: int
    raw_length: int
    quality: int
    reserved: int


class Envelope(NamedTuple):
    """A frame whose bytes are proved by their CRC, payload not yet decoded.

    offset: where it begins in its file. next_offset: the byte after it.
    """

    header: Header
    payload: bytes
    offset: int
    next_offset: int
    file: str


def encode_json(data: Mapping[str, Any]) -> bytes:
    """Return canonical JSON: UTF-8, keys sorted, no spaces; InputError for NaN or what JSON lacks."""
    try:
        text = json.dumps(data, sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
        return text.encode("utf-8")
    except (TypeError, ValueError) as err:
        raise InputError(f"not fit for a frame: {err}") from err


def parse_json(payload: bytes) -> dict[str, Any]:
    """Return a JSON object; ValueError when the bytes are something else or hold NaN."""
    try:
        data = json.loads(payload, parse_constant=_refuse_constant, parse_float=_parse_finite)
    except RecursionError as err:
        raise ValueError("JSON nested too deeply") from err
    if not isinstance(data, dict):
        raise ValueError(f"a JSON {type(data).__name__}, expected an object")
    return data


def _parse_finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is beyond what a float holds")
    return value


def _refuse_constant(text: str) -> float:
    raise ValueError(f"{text} isn't JSON")


def compute_config_id(vehicle: Mapping[str, Any]) -> int:
    """Return the number by which frames name the configuration in force: CRC-32 of its payload."""
    return zlib.crc32(encode_json(vehicle))


def compute_raw_bytes(frame: Frame) -> int:
    """Return the frame's size with its payload uncompressed [bytes], an upper bound of its size on disk."""
    payload_bytes = frame.block.data.nbytes if frame.block is not None else len(encode_json(frame.data or {}))
    return HEADER_BYTES + payload_bytes


def encode_frame(frame: Frame, codec: int | None = None) -> bytes:
    """Return a frame as bytes, header and payload.

    Args:
        frame: with `block` for samples, `data` for all others.
        codec: RAW, PLANES or PREDICT for samples; None takes what comes out shortest.
    Raises:
        InputError: a field is out of the header's range, the payload is too long, or JSON holds NaN.
    """
    dtype_code, channels, raw_length = 0, 0, 0
    if frame.type == FrameType.SAMPLES:
        if frame.block is None:
            raise InputError(f"samples frame {frame.sequence} has no block")
        dtype_code, channels = _shape_codes(frame)
        raw_length = frame.block.data.nbytes
        used, payload = _encode_samples(frame.block.data, codec)
    else:
        used, payload = RAW, encode_json(frame.data or {})
        raw_length = len(payload)
    if len(payload) > MAX_PAYLOAD_BYTES or raw_length > MAX_RAW_BYTES:
        raise InputError(f"frame {frame.sequence}: payload of {len(payload)} bytes ({raw_length} decoded) is too long")
    head = _pack_header(frame, used, dtype_code, channels, len(payload), raw_length)
    return head + _CRC.pack(zlib.crc32(payload, zlib.crc32(head))) + payload


def _pack_header(frame: Frame, codec: int, dtype: int, channels: int, payload_length: int, raw_length: int) -> bytes:
    """Return the first 68 bytes of the header: all but the CRC."""
    try:
        return _HEADER.pack(
            MAGIC,
            HEADER_VERSION,
            int(frame.type),
            codec,
            0,
            frame.stream_id,
            dtype,
            channels,
            frame.epoch,
            frame.sequence,
            frame.first_index,
            frame.n,
            frame.config_id,
            frame.t0_ns,
            frame.period_fs,
            payload_length,
            raw_length,
            frame.quality,
            0,
        )
    except struct.error as err:
        raise InputError(f"frame {frame.sequence} of stream {frame.stream_id}: {err}") from err


def _shape_codes(frame: Frame) -> tuple[int, int]:
    """Return (dtype code, channels) of a samples frame; InputError when block and stream disagree."""
    assert frame.block is not None  # noqa: S101 - for the type checker; the caller has looked
    data, stream = frame.block.data, frame.block.stream
    if data.dtype != np.dtype("<" + stream.dtype):
        raise InputError(f"stream {stream.name} is {stream.dtype}, its block is {data.dtype}")
    n, channels = data.shape
    if not (0 < channels <= MAX_CHANNELS and 0 < n == frame.n):
        raise InputError(f"stream {stream.name}: block of shape {data.shape} in a frame of {frame.n} rows")
    return DTYPES.index(stream.dtype) + 1, channels


def _encode_samples(data: NDArray[Any], codec: int | None) -> tuple[int, bytes]:
    """Return (codec, payload); left to choose, the shortest of those worth a try, the simplest of equals."""
    packers = {RAW: _pack_raw, PLANES: pack_planes, PREDICT: pack_predict}
    if codec is not None:
        if codec not in packers:
            raise InputError(f"codec {codec!r}, expected {', '.join(map(str, packers))} or None")
        return codec, packers[codec](data)
    predicted = pack_predict(data)
    packed = {RAW: data.tobytes(), PREDICT: predicted}
    if data.dtype != "<i2" or 8 * len(predicted) <= _PLANES_WORTH_BITS * data.size:
        packed[PLANES] = pack_planes(data)
    return min(packed.items(), key=lambda choice: (len(choice[1]), choice[0]))


def _pack_raw(data: NDArray[Any]) -> bytes:
    return data.tobytes()


def parse_frame_length(buffer: bytes, offset: int = 0) -> int:
    """Return how many bytes the frame that begins at `offset` has; BrokenFrameError when it can't be one."""
    if len(buffer) - offset < HEADER_BYTES:
        raise BrokenFrameError(f"{max(0, len(buffer) - offset)} bytes, a header has {HEADER_BYTES}")
    if not buffer.startswith(MAGIC, offset):
        raise BrokenFrameError("no frame begins here")
    payload_length, raw_length = _LENGTHS.unpack_from(buffer, offset + _LENGTHS_OFFSET)
    if payload_length > MAX_PAYLOAD_BYTES or raw_length > MAX_RAW_BYTES:
        raise BrokenFrameError(f"lengths {payload_length} and {raw_length} are beyond the limits")
    return HEADER_BYTES + int(payload_length)


def parse_envelope(buffer: bytes, offset: int = 0, file: str = "buffer", file_offset: int | None = None) -> Envelope:
    """Return the frame at `offset`, its bytes proved, its payload not yet decoded.

    Args:
        buffer: bytes that hold the whole frame.
        offset: where the frame begins in `buffer`.
        file: name for messages.
        file_offset: where the frame begins in its file, where that differs from `offset`.
    Raises:
        BrokenFrameError: no good frame stands here (torn, damaged, something else).
        RecordingError: a good frame of a version, with a flag or codec this program mustn't guess at.
    """
    place = offset if file_offset is None else file_offset
    length = parse_frame_length(buffer, offset)
    head = buffer[offset : offset + HEADER_BYTES]
    payload = buffer[offset + HEADER_BYTES : offset + length]
    if len(payload) != length - HEADER_BYTES:
        raise BrokenFrameError(f"{len(payload)} of {length - HEADER_BYTES} payload bytes are there")
    (crc,) = _CRC.unpack_from(head, _CRC_OFFSET)
    if zlib.crc32(payload, zlib.crc32(head[:_CRC_OFFSET])) != crc:
        raise BrokenFrameError("the CRC is wrong")
    header = Header._make(_HEADER.unpack_from(head)[1:])
    _refuse_unknown(header, file, place)
    return Envelope(header, payload, place, place + length, file)


def _refuse_unknown(header: Header, file: str, place: int) -> None:
    """Raise RecordingError where reading on would mean guessing."""
    if header.header_version != HEADER_VERSION:
        raise RecordingError(
            f"{file}: offset {place}: frame version {header.header_version}, this program reads {HEADER_VERSION}; "
            "use a newer dutylog"
        )
    if header.flags:
        raise RecordingError(
            f"{file}: offset {place}: flags 0x{header.flags:02x} change the meaning and are unknown here; "
            "use a newer dutylog"
        )
    known_codecs = _CODECS if header.type == _SAMPLES else _JSON_CODECS
    if header.codec not in known_codecs and header.type in _KNOWN_TYPES:
        raise RecordingError(
            f"{file}: offset {place}: codec {header.codec}, this program reads {known_codecs}; use a newer dutylog"
        )


def is_newer_version(frame: bytes) -> bool:
    """Return whether bytes whose version is above 1 are a newer frame rather than a damaged version 1.

    A newer header may put its CRC elsewhere, so a wrong CRC alone proves nothing: it is damage only
    if the frame becomes good when the version byte is read as 1.
    """
    try:
        parse_envelope(frame[:4] + bytes([HEADER_VERSION]) + frame[5:])
    except RecordingError:
        return True
    return False


def decode_envelope(envelope: Envelope, streams: Mapping[int, Stream], *, with_samples: bool = True) -> Frame | None:
    """Return the frame in an envelope, or None for a type this version doesn't know.

    Args:
        envelope: from `parse_envelope`.
        streams: the streams of the frame's epoch by stream id, from its segment's head.
        with_samples: False leaves `block` out of samples frames, for readers that only need the place.
    Raises:
        BrokenFrameError: the payload isn't what the header says.
    """
    header = envelope.header
    if header.type not in _KNOWN_TYPES:
        return None
    block: Block | None = None
    data: dict[str, Any] | None = None
    if header.type == FrameType.SAMPLES:
        if with_samples:
            block = _decode_block(envelope, streams)
    else:
        try:
            data = parse_json(envelope.payload)
        except ValueError as err:
            raise BrokenFrameError(f"payload: {err}") from err
    return Frame(
        type=FrameType(header.type),
        sequence=header.sequence,
        epoch=header.epoch,
        t0_ns=header.t0_ns,
        stream_id=header.stream,
        first_index=header.first_index,
        n=header.n,
        period_fs=header.period_fs,
        config_id=header.config_id,
        quality=header.quality,
        block=block,
        data=data,
        stream=streams.get(header.stream) if header.type == FrameType.GAP else None,
    )


def _decode_block(envelope: Envelope, streams: Mapping[int, Stream]) -> Block:
    """Return the samples of a frame; BrokenFrameError when shape, stream and payload don't fit together."""
    header = envelope.header
    stream = find_stream(header, streams)
    (data,) = unpack_samples(header.codec, [envelope.payload], stream, header.n)
    return Block(stream, header.epoch, header.first_index, header.t0_ns, header.period_fs, data, header.quality)


def find_stream(header: Header, streams: Mapping[int, Stream]) -> Stream:
    """Return the stream of a samples frame; BrokenFrameError when its header states another shape, or none."""
    stream = streams.get(header.stream)
    if stream is None:
        raise BrokenFrameError(f"no description of stream {header.stream} is there")
    if not 1 <= header.dtype <= len(DTYPES) or DTYPES[header.dtype - 1] != stream.dtype:
        raise BrokenFrameError(f"dtype {header.dtype}, stream {stream.name} is {stream.dtype}")
    if header.channels != len(stream.channels) or header.channels == 0 or header.n == 0:
        raise BrokenFrameError(f"{header.n} rows of {header.channels} channels, stream {stream.name} has others")
    if header.period_fs == 0:
        raise BrokenFrameError("a spacing of 0 between rows")
    if header.raw_length != header.n * header.channels * _WIDTHS[header.dtype - 1]:
        raise BrokenFrameError(f"{header.raw_length} bytes stated for {header.n} rows of {header.channels} channels")
    if header.codec == RAW and header.payload_length != header.raw_length:
        raise BrokenFrameError(f"raw payload of {header.payload_length} bytes, {header.raw_length} stated")
    return stream


def unpack_samples(codec: int, payloads: Sequence[bytes], stream: Stream, n: int) -> NDArray[Any]:
    """Return the (frames, n, channels) samples of frames of one stream, codec and length, taken by `find_stream`.

    Payloads of PREDICT also begin with the same byte.

    Raises:
        BrokenFrameError: one of the payloads isn't what its header says.
    """
    dtype, channels = np.dtype("<" + stream.dtype), len(stream.channels)
    if codec == RAW:
        return np.frombuffer(b"".join(payloads), dtype).reshape(len(payloads), n, channels)
    unpack = unpack_planes if codec == PLANES else unpack_predict
    try:
        return unpack(payloads, dtype, n, channels)
    except (PlanesError, PredictError) as err:
        raise BrokenFrameError(f"payload: {err}") from err


def parse_frame(
    buffer: bytes, offset: int, streams: Mapping[int, Stream], file: str = "buffer"
) -> tuple[Frame | None, int]:
    """Return (frame, offset after it); the frame is None for a type this version doesn't know.

    Raises:
        BrokenFrameError: no good frame stands here, or its payload isn't what the header says.
        RecordingError: a good frame of a version, with a flag or codec this program mustn't guess at.
    """
    envelope = parse_envelope(buffer, offset, file)
    return decode_envelope(envelope, streams), envelope.next_offset
