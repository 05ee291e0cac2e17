"""shared/PROTOCOL.md promises how much of a line the bridge takes."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from firmware.scripts import run_script

PAGE = (Path(__file__).parents[2] / "shared" / "PROTOCOL.md").read_text(encoding="utf-8")
TABLE = PAGE.split("<!-- bandwidth -->", 1)[1].split("\n\n", 1)[0]
ROWS = re.findall(r"^\| (\d+) \| (\d+) \| (\d+) \| ([\d.]+) % \| ([\d.]+) % \| ([\d.]+) % \|$", TABLE, re.MULTILINE)
LINES_BYTES_PER_S = (46_080, 92_160, 1_216_000)
"""460800 and 921600 baud, 10 bits a byte; USB full speed, bulk (USB 2.0, 5.8.4, from memory)."""

SIZES = """
import frames
from ring import Ring
channels, rate_hz = int(sys.argv[1]), int(sys.argv[2])
rows = min(rate_hz // 25, frames.most_rows(channels))
ring = Ring(rows, channels)
for k in range(len(ring.words)):
    ring.words[k] = 0x0101
encoder = frames.Encoder()
print(rows, encoder.samples(ring, rows, channels, False, 0x01010101, 0x01010101), encoder.pong(1, 1, 1))
"""


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}x{row[1]}")
def test_the_firmware_stays_within_the_budget_told(row: tuple[str, ...]) -> None:
    """Its own frames, without a zero to save a byte, add up to the page's figures."""
    channels, rate_hz = int(row[0]), int(row[1])
    rows, samples_bytes, pong_bytes = (int(word) for word in run_script(SIZES, row[0], row[1]).split())
    # The fixed counters hold zeros (reference), so a frame may be a byte shorter than the worst.
    plain = 28 + 2 * rows * channels
    assert samples_bytes <= plain + math.ceil(plain / 254) + 1
    bytes_per_s = round((plain + plain // 254 + 2) * rate_hz / rows + 22)
    assert (bytes_per_s, pong_bytes) == (int(row[2]), 22)
    assert [f"{100 * bytes_per_s / line:.1f}" for line in LINES_BYTES_PER_S] == list(row[3:])


def test_what_is_asked_for_stays_below_60_percent() -> None:
    """Four and eight channels at 1 kHz, on either baud and on USB."""
    asked = [row for row in ROWS if row[1] == "1000"]
    assert [row[0] for row in asked] == ["4", "8"]
    assert all(float(share) < 60 for row in asked for share in row[3:])
