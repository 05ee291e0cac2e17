"""Bytes of a frame: round trips, refusals, limits. The tables are in shared/RECORDING.md."""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.errors import InputError, RecordingError
from dutylog.recording import codec
from dutylog.recording.block import DTYPES, Block, Channel, Stream
from dutylog.recording.codec import PLANES, PREDICT, RAW, BrokenFrameError, encode_frame, parse_frame
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.planes import PlanesError, pack_planes, unpack_planes
from recording.log_cases import frame_key


def make_stream(dtype: str, channels: int) -> Stream:
    return Stream(7, "s", dtype, 10**12, tuple(Channel(f"p{k}", "travel", "count") for k in range(channels)))


def make_samples(dtype: str, bits: bytes, channels: int) -> tuple[Frame, dict[int, Stream]]:
    stream = make_stream(dtype, channels)
    data = np.frombuffer(bits, "<" + dtype).reshape(-1, channels)
    block = Block(stream, 3, 12345, -5, stream.period_fs, data, 1)
    frame = Frame(FrameType.SAMPLES, 99, 3, -5, 7, 12345, len(data), stream.period_fs, 0xDEADBEEF, 1, block)
    return frame, {7: stream}


def reseal(octets: bytes, offset: int, value: bytes) -> bytes:
    """Return a frame with header bytes replaced and a CRC that fits them again."""
    head = bytearray(octets[:68])
    head[offset : offset + len(value)] = value
    payload = octets[72:]
    return bytes(head) + struct.pack("<I", zlib.crc32(payload, zlib.crc32(bytes(head)))) + payload


@st.composite
def samples(draw: st.DrawFn) -> tuple[str, bytes, int]:
    dtype = draw(st.sampled_from(DTYPES))
    channels = draw(st.integers(1, 5))
    n = draw(st.integers(1, 40))
    size = n * channels * int(dtype[1:])
    return dtype, draw(st.binary(min_size=size, max_size=size)), channels


class TestRoundTrip:
    @given(samples(), st.sampled_from([None, RAW, PLANES, PREDICT]))
    def test_every_bit_pattern_comes_back(self, case: tuple[str, bytes, int], used: int | None) -> None:
        """Floats are kept by their bits: NaN payloads, minus zero and subnormals included."""
        frame, streams = make_samples(*case)
        octets = encode_frame(frame, used)
        parsed, end = parse_frame(b"xx" + octets + b"yy", 2, streams)
        assert end == 2 + len(octets)
        assert parsed is not None
        assert frame_key(parsed) == frame_key(frame)

    @given(samples())
    def test_planes_match_the_words_of_the_contract(self, case: tuple[str, bytes, int]) -> None:
        """A second, slow decoder written from shared/RECORDING.md alone must agree with the fast one."""
        dtype, bits, channels = case
        data = np.frombuffer(bits, "<" + dtype).reshape(-1, channels)
        width = data.dtype.itemsize
        octets = zlib.decompress(pack_planes(data))
        n = len(data)
        for c in range(channels):
            value = 0
            for row in range(n):
                z = sum(octets[(plane * channels + c) * n + row] << (8 * plane) for plane in range(width))
                difference = (z >> 1) if z % 2 == 0 else -((z + 1) >> 1)
                value = (value + difference) % (1 << 8 * width)
                assert value == int.from_bytes(data[row, c].tobytes(), "little")

    def test_zigzag_values_of_the_published_encoding(self) -> None:
        """Protocol Buffers documentation, "Signed Integers": 0, -1, 1, -2 map to 0, 1, 2, 3; the extremes likewise."""
        for value, expected in ((0, 0), (-1, 1), (1, 2), (-2, 3), (2147483647, 4294967294), (-2147483648, 4294967295)):
            octets = zlib.decompress(pack_planes(np.array([[value]], "<i4")))
            assert int.from_bytes(octets, "little") == expected

    def test_crc_is_the_published_one(self) -> None:
        """CRC-32/ISO-HDLC has the check value CBF43926 for "123456789" in the public CRC catalogues."""
        assert zlib.crc32(b"123456789") == 0xCBF43926

    def test_noise_that_does_not_compress_is_kept_raw(self) -> None:
        bits = np.random.default_rng(1).bytes(4000)
        frame, _ = make_samples("i2", bits, 2)
        octets = encode_frame(frame)
        assert octets[6] == RAW
        assert len(octets) == 72 + 4000

    @given(samples())
    def test_writer_takes_the_shortest(self, case: tuple[str, bytes, int]) -> None:
        frame, _ = make_samples(*case)
        lengths = [len(encode_frame(frame, used)) for used in (RAW, PLANES, PREDICT)]
        octets = encode_frame(frame)
        if case[0] == "i2" and 8 * (lengths[PREDICT] - 72) > 2 * frame.n * case[2]:
            # Counts that don't repeat themselves aren't tried as planes.
            lengths[PLANES] = max(lengths) + 1
        assert len(octets) == min(lengths)
        assert octets[6] == lengths.index(min(lengths))

    def test_each_codec_has_its_signal(self) -> None:
        """Smooth travel with noise: predict. What comes again to the bit: planes, which looks for repetition."""
        rng = np.random.default_rng(1)
        travel = 2000 + 500 * np.sin(np.arange(2000) / 50) + rng.standard_normal(2000)
        smooth, _ = make_samples("i2", np.rint(travel).astype("<i2").tobytes(), 2)
        assert encode_frame(smooth)[6] == PREDICT
        again, _ = make_samples("i4", np.tile(rng.integers(-(2**31), 2**31, 16), 60).astype("<i4").tobytes(), 1)
        assert encode_frame(again)[6] == PLANES

    def test_json_is_canonical_and_has_no_nan(self) -> None:
        frame = Frame(FrameType.EVENT, 1, 0, 5, data={"b": 1, "a": "ü", "kind": "mark"})
        assert encode_frame(frame)[72:] == '{"a":"ü","b":1,"kind":"mark"}'.encode()
        with pytest.raises(InputError, match="not fit"):
            encode_frame(replace(frame, data={"x": float("nan")}))


class TestRefusals:
    """What a reader mustn't guess at is an error with file and offset; what it needn't know is skipped."""

    def setup_method(self) -> None:
        self.frame = Frame(FrameType.EVENT, 1, 0, 5, data={"kind": "mark"})
        self.octets = encode_frame(self.frame)

    def test_unknown_type_is_skipped(self) -> None:
        assert parse_frame(reseal(self.octets, 5, b"\x63"), 0, {}) == (None, len(self.octets))

    @pytest.mark.parametrize("bit", range(8))
    def test_unknown_flag_is_refused(self, bit: int) -> None:
        with pytest.raises(RecordingError, match=r"a\.dlg: offset 0: flags") as caught:
            parse_frame(reseal(self.octets, 7, bytes([1 << bit])), 0, {}, "a.dlg")
        assert not isinstance(caught.value, BrokenFrameError)

    def test_unknown_flag_of_an_unknown_type_is_refused_too(self) -> None:
        with pytest.raises(RecordingError, match="flags"):
            parse_frame(reseal(reseal(self.octets, 5, b"\x63"), 7, b"\x01"), 0, {})

    @pytest.mark.parametrize("version", [0, 2, 255])
    def test_other_version_is_refused(self, version: int) -> None:
        with pytest.raises(RecordingError, match="frame version") as caught:
            parse_frame(reseal(self.octets, 4, bytes([version])), 0, {})
        assert not isinstance(caught.value, BrokenFrameError)

    def test_unknown_codec_of_samples_is_refused(self) -> None:
        frame, streams = make_samples("i2", b"\1\2\3\4", 1)
        for unknown in (PREDICT + 1, 9, 255):
            with pytest.raises(RecordingError, match=f"codec {unknown}") as caught:
                parse_frame(reseal(encode_frame(frame), 6, bytes([unknown])), 0, streams)
            assert not isinstance(caught.value, BrokenFrameError)

    def test_unknown_quality_bits_are_kept(self) -> None:
        parsed, _ = parse_frame(reseal(self.octets, 64, b"\xf0\x80"), 0, {})
        assert parsed is not None
        assert parsed.quality == 0x80F0


class TestHostileBytes:
    @given(st.binary(max_size=300))
    def test_any_bytes_give_a_frame_or_our_error(self, junk: bytes) -> None:
        """A corrupt card must never crash the program."""
        with pytest.raises(BrokenFrameError):
            parse_frame(junk, 0, {})

    @given(samples(), st.sampled_from([RAW, PLANES, PREDICT]), st.data())
    def test_sealed_nonsense_gives_a_frame_or_our_error(
        self, case: tuple[str, bytes, int], used: int, data: st.DataObject
    ) -> None:
        """Even with a CRC that fits, no header field may bring the parser down."""
        frame, streams = make_samples(*case)
        offset = data.draw(st.integers(4, 63))
        octets = reseal(encode_frame(frame, used), offset, bytes([data.draw(st.integers(0, 255))]))
        try:
            parse_frame(octets, 0, streams)
        except RecordingError:
            return

    @settings(max_examples=40)
    @given(samples())
    def test_every_single_bit_flip_is_detected(self, case: tuple[str, bytes, int]) -> None:
        """CRC-32 catches all single-bit errors; the header is covered as well as the payload."""
        dtype, bits, channels = case
        frame, streams = make_samples(dtype, bits[: 4 * channels * int(dtype[1:])], channels)
        octets = encode_frame(frame)
        for bit in range(8 * len(octets)):
            flipped = bytearray(octets)
            flipped[bit // 8] ^= 1 << bit % 8
            with pytest.raises(BrokenFrameError):
                parse_frame(bytes(flipped), 0, streams)

    def test_zlib_bomb_is_refused_without_inflating_it(self) -> None:
        """A payload of 64 KiB that would inflate to 64 MiB stops one byte after what the header allows."""
        bomb = zlib.compress(bytes(64 * 1024 * 1024), 9)
        tracemalloc.start()
        with pytest.raises(PlanesError):
            unpack_planes([bomb], np.dtype("<i2"), 4, 1)
        peak_bytes = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak_bytes < 1024 * 1024
        frame, streams = make_samples("i2", bytes(8), 1)
        octets = encode_frame(frame, PLANES)
        octets = octets[:56] + struct.pack("<I", len(bomb)) + octets[60:72] + bomb
        with pytest.raises(BrokenFrameError, match="inflates"):
            parse_frame(reseal(octets, 0, b"DUTY"), 0, streams)

    def test_planes_without_their_end_or_with_more_behind_are_refused(self) -> None:
        data = np.arange(50, dtype="<i4").reshape(-1, 2)
        packed = pack_planes(data)
        for wrong in (packed[:-4], packed[:-1], packed + b"x", b"", b"x"):
            with pytest.raises(PlanesError):
                unpack_planes([wrong], data.dtype, 25, 2)
        for n in (24, 26):
            with pytest.raises(PlanesError):
                unpack_planes([packed], data.dtype, n, 2)

    def test_lengths_beyond_the_limits_are_refused_before_anything_is_read(self) -> None:
        octets = encode_frame(Frame(FrameType.EVENT, 1, 0, 5, data={}))
        for offset in (56, 60):
            limit = codec.MAX_PAYLOAD_BYTES if offset == 56 else codec.MAX_RAW_BYTES
            with pytest.raises(BrokenFrameError, match="beyond the limits"):
                parse_frame(reseal(octets, offset, struct.pack("<I", limit + 1)), 0, {})

    def test_rows_that_do_not_fit_their_stated_length_are_refused(self) -> None:
        frame, streams = make_samples("i2", bytes(8), 1)
        for used in (RAW, PLANES, PREDICT):
            for offset, value in ((32, 5), (32, 0), (32, 2**32 - 1), (60, 10)):
                with pytest.raises(BrokenFrameError):
                    parse_frame(reseal(encode_frame(frame, used), offset, struct.pack("<I", value)), 0, streams)

    @pytest.mark.parametrize("text", [b"[" * 100_000, b"[1]", b"{", b'{"a":NaN}', b'{"a":1e999}', b"\xff", b""])
    def test_payload_that_is_no_json_object_is_damage(self, text: bytes) -> None:
        octets = encode_frame(Frame(FrameType.EVENT, 1, 0, 5, data={}))
        octets = octets[:56] + struct.pack("<2I", len(text), len(text)) + octets[64:72] + text
        with pytest.raises(BrokenFrameError, match="payload"):
            parse_frame(reseal(octets, 0, b"DUTY"), 0, {})

    def test_samples_of_an_undescribed_stream_are_damage(self) -> None:
        frame, streams = make_samples("i2", bytes(8), 1)
        with pytest.raises(BrokenFrameError, match="no description of stream 7"):
            parse_frame(encode_frame(frame), 0, {})
        with pytest.raises(BrokenFrameError, match="is i4"):
            parse_frame(encode_frame(frame), 0, {7: replace(streams[7], dtype="i4")})
        with pytest.raises(BrokenFrameError, match="channels"):
            parse_frame(encode_frame(frame), 0, {7: make_stream("i2", 2)})


class TestEncodeRefusals:
    def test_what_no_header_can_state_is_the_callers_bug(self) -> None:
        frame, _ = make_samples("i2", bytes(8), 1)
        for wrong in (
            replace(frame, epoch=2**32),
            replace(frame, n=5),
            replace(frame, block=None),
            Frame(FrameType.EVENT, -1, 0, 0, data={}),
            Frame(FrameType.EVENT, 1, 0, 0, data={"text": "x" * (codec.MAX_PAYLOAD_BYTES + 1)}),
        ):
            with pytest.raises(InputError):
                encode_frame(wrong)

    def test_block_of_another_type_than_its_stream_is_refused(self) -> None:
        stream = make_stream("i2", 1)
        block = Block(stream, 1, 0, 0, stream.period_fs, np.zeros((4, 1), "<i4"))
        with pytest.raises(InputError, match="its block is int32"):
            encode_frame(Frame(FrameType.SAMPLES, 1, 1, 0, 7, 0, 4, stream.period_fs, block=block))

    def test_codec_that_does_not_exist_is_refused(self) -> None:
        frame, _ = make_samples("i2", bytes(8), 1)
        for wrong in (PREDICT + 1, -1):
            with pytest.raises(InputError, match="expected 0, 1, 2 or None"):
                encode_frame(frame, wrong)
