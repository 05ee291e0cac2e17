"""What the board answers: identity, pings, replies, and what it says by itself."""

from __future__ import annotations

import struct
from itertools import pairwise

import pytest

from firmware.board import running_firmware
from firmware.reader import (
    DONE,
    IDENTIFY,
    IDENTITY,
    NOT_NOW,
    NOTE,
    OUT_OF_RANGE,
    PING,
    RATE,
    REPLY,
    SAMPLES,
    START,
    STOP,
    UNKNOWN_COMMAND,
    Identity,
    Line,
    make_frame,
    parse_identity,
)


def test_board_says_who_it_is() -> None:
    """All a host needs to know of columns, rate and ticks, and that it's the same board as last time."""
    with (
        running_firmware(board_id="0102030405060708", boot=77, inputs="6.0.3", channels=3) as board,
        Line.open(board.port) as line,
    ):
        assert line.identify() == Identity(
            board_id=bytes(range(1, 9)),
            boot=77,
            version=(1, 0, 0),
            adc_bits=12,
            is_internal_adc=0,
            rate_hz=1000,
            tick_hz=1_000_000,
            ring_rows=512,
            is_running=0,
            has_pulse_input=0,
            inputs=(6, 0, 3),
        )


def test_board_says_who_it_is_unasked_until_it_samples() -> None:
    """A host that opens the port late needn't guess; one that reads samples isn't bothered."""
    with running_firmware() as board, Line.open(board.port) as line:
        line.wait_for(lambda: len(line.of(IDENTITY)) == 3)
        assert line.of(IDENTITY)[0].sequence == 0
        assert line.ask(START) == DONE
        since = len(line.frames)
        line.wait_for_row(4500)
        assert line.of(IDENTITY, since) == []
        assert line.identify().is_running == 1


def test_first_frame_is_an_identity() -> None:
    with running_firmware() as board, Line.open(board.port) as line:
        line.wait_for(lambda: bool(line.frames))
        assert line.frames[0].kind == IDENTITY
        assert parse_identity(line.frames[0].payload).is_running == 0


def test_identity_names_internal_converter_and_a_note_warns() -> None:
    """Figures from it are for trying out, and a person has to be told."""
    with running_firmware(channels=3, internal_adc=1, pulse_hz=10) as board, Line.open(board.port) as line:
        identity = line.identify()
        assert (identity.is_internal_adc, identity.has_pulse_input, len(identity.inputs)) == (1, 1, 3)
        line.wait_for(lambda: bool(line.of(NOTE)))
        assert "trying out" in line.of(NOTE)[0].payload.decode()


def test_ping_returns_token_and_ticks_in_order() -> None:
    """The host maps ticks to its clock by these alone."""
    with running_firmware() as board, Line.open(board.port) as line:
        first = line.ping(0xFFFFFFFF)
        second = line.ping(0)
        assert 0 < first[0] <= first[1] < second[0] <= second[1] < 2**31


def test_rate_is_changed_only_while_stopped_and_in_range() -> None:
    with running_firmware() as board, Line.open(board.port) as line:
        for rate_hz, status in ((49, OUT_OF_RANGE), (2001, OUT_OF_RANGE), (0, OUT_OF_RANGE), (50, DONE), (2000, DONE)):
            assert line.ask(RATE, struct.pack("<H", rate_hz)) == status
        assert line.identify().rate_hz == 2000
        assert line.ask(START) == DONE
        assert line.ask(RATE, struct.pack("<H", 500)) == NOT_NOW
        assert line.ask(STOP) == DONE
        assert line.ask(RATE, struct.pack("<H", 500)) == DONE
        assert line.identify().rate_hz == 500


@pytest.mark.parametrize(("rate_hz", "rows"), [(50, 2), (333, 13), (1000, 40), (2000, 80)])
def test_rows_of_a_frame_and_spacing_follow_the_rate(rate_hz: int, rows: int) -> None:
    """25 frames a second; the spacing is whole microseconds."""
    with running_firmware() as board, Line.open(board.port) as line:
        assert line.ask(RATE, struct.pack("<H", rate_hz)) == DONE
        assert line.ask(START) == DONE
        line.wait_for(lambda: len(line.of(SAMPLES)) >= 4)
        samples = line.samples()
        assert [len(s.rows) for s in samples[:4]] == [rows] * 4
        assert [s.first_index for s in samples[:4]] == [0, rows, 2 * rows, 3 * rows]
        assert [s.tick - samples[0].tick for s in samples[:4]] == [k * rows * (1_000_000 // rate_hz) for k in range(4)]


@pytest.mark.parametrize("kind", [IDENTIFY, START, STOP, RATE, PING])
def test_a_command_of_wrong_length_is_out_of_range(kind: int) -> None:
    """A host of another mind isn't obeyed by half."""
    with running_firmware() as board, Line.open(board.port) as line:
        assert line.ask(kind, b"123") == OUT_OF_RANGE
        assert line.identify().is_running == 0


@pytest.mark.parametrize("kind", [0x00, 0x01, 0x15, 0xFF])
def test_an_unknown_command_is_answered(kind: int) -> None:
    with running_firmware() as board, Line.open(board.port) as line:
        assert line.ask(kind) == UNKNOWN_COMMAND
        assert line.ask(kind, bytes(1000)) == UNKNOWN_COMMAND


def test_commands_at_once_are_answered_in_order() -> None:
    """More than the board keeps answers for: it reads on when there is room again."""
    with running_firmware() as board, Line.open(board.port) as line:
        line.port.write(b"".join(make_frame(STOP, 65500 + k & 0xFFFF) for k in range(100)))
        line.wait_for(lambda: len(line.of(REPLY)) == 100)
        assert [struct.unpack("<HB", f.payload) for f in line.of(REPLY)] == [
            (65500 + k & 0xFFFF, DONE) for k in range(100)
        ]


def test_another_protocol_number_is_ignored() -> None:
    """What a later version means by a type is unknown to this one."""
    with running_firmware() as board, Line.open(board.port) as line:
        line.port.write(make_frame(START, 0, protocol=2))
        line.ping(5)
        assert line.of(REPLY) == []
        assert line.identify().is_running == 0


def test_stop_sends_the_last_rows_before_its_reply() -> None:
    """What was measured isn't thrown away, and after the reply nothing more comes."""
    with running_firmware() as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        line.wait_for_row(100)
        assert line.ask(STOP) == DONE
        rows = sum(len(s.rows) for s in line.samples())
        line.ping(1)
        line.ping(2)
        assert sum(len(s.rows) for s in line.samples()) == rows
        kinds = [frame.kind for frame in line.frames]
        assert SAMPLES not in kinds[len(kinds) - kinds[::-1].index(REPLY) :]


def test_start_begins_anew_at_index_0() -> None:
    """A host that was restarted needn't know what the last one left running."""
    with running_firmware() as board, Line.open(board.port) as line:
        for _ in range(3):
            assert line.ask(START) == DONE
            since = len(line.frames)
            line.wait_for_row(0)
            line.wait_for(lambda since=since: len(line.of(SAMPLES, since)) >= 2)
            first = line.samples(since)[0]
            assert (first.first_index, first.lost) == (0, 0)


def test_sequence_wraps() -> None:
    """The board's frames are numbered without a hole through 65535."""
    with running_firmware(sequence_start=65533) as board, Line.open(board.port) as line:
        for token in range(8):
            line.ping(token)
        sequences = [frame.sequence for frame in line.frames]
        assert sequences[0] == 65533
        assert [(b - a) & 0xFFFF for a, b in pairwise(sequences)] == [1] * (len(sequences) - 1)
        assert 0 in sequences
