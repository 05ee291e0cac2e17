"""Whatever comes in, the board goes on."""

from __future__ import annotations

import random

import pytest

from firmware.board import Firmware, running_firmware
from firmware.reader import DONE, NOTE, PING, REPLY, START, Line, make_frame

SEED = 20240817


def garbage(count: int) -> bytes:
    return random.Random(SEED).randbytes(count)


def check_alive(board: Firmware, line: Line) -> None:
    """The closing 0x00 ends what was left behind, then all is as always."""
    line.port.write(b"\0")
    boot = line.identify().boot
    line.ping(9)
    assert board.is_running()
    assert boot == line.identify().boot


def test_random_bytes_stop_nothing() -> None:
    """10**5 of them while it samples: every row still comes."""
    with running_firmware(ring_rows=2048) as board, Line.open(board.port) as line:
        assert line.ask(START) == DONE
        data = garbage(100_000)
        for at in range(0, len(data), 1000):
            line.port.write(data[at : at + 1000])
            line.read_some()
        check_alive(board, line)
        line.wait_for_row(500)
        assert {s.lost for s in line.samples()} == {0}
        assert line.damaged == 0


def test_half_frames_are_left_behind() -> None:
    """Every cut of a good frame, each followed by a whole one that is obeyed."""
    whole = make_frame(PING, 1, b"\0\1\2\3")
    with running_firmware() as board, Line.open(board.port) as line:
        for cut in range(len(whole)):
            line.port.write(whole[:cut] + b"\0")
            line.ping(cut)
            line.port.write(b"\0" + whole[cut:])
            line.ping(100 + cut)
        check_alive(board, line)
        assert line.of(REPLY) == []


@pytest.mark.parametrize("byte", [b"\x01", b"\x55", b"\xff"])
@pytest.mark.parametrize("length", [1029, 1030, 1031, 20_000])
def test_a_frame_without_end_is_left_behind(byte: bytes, length: int) -> None:
    """Longer than any frame may be: nothing is written past the buffer."""
    with running_firmware() as board, Line.open(board.port) as line:
        line.port.write(byte * length + b"\0")
        line.ping(1)
        check_alive(board, line)


def test_one_changed_bit_anywhere_is_no_command() -> None:
    """CRC-32 finds every single bit; a start that was none would be a surprise."""
    whole = make_frame(START, 5)
    with running_firmware() as board, Line.open(board.port) as line:
        for bit in range(8 * (len(whole) - 1)):
            changed = bytearray(whole)
            changed[bit // 8] ^= 1 << bit % 8
            line.port.write(bytes(changed) + b"\0")
        line.ping(1)
        assert line.of(REPLY) == []
        assert line.identify().is_running == 0
        check_alive(board, line)


def test_damaged_frames_are_told_about() -> None:
    """Somebody with a bad cable should learn of it: a note, at most every ten seconds."""
    with running_firmware() as board, Line.open(board.port) as line:
        line.port.write(b"\x05bad\0" * 7)
        line.wait_for(lambda: bool(line.of(NOTE)))
        assert line.of(NOTE)[0].payload.decode() == "7 damaged frames received since the start"
