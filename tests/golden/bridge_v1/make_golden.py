"""Writes the golden frames of the bridge protocol, version 1, from their byte tables in shared/PROTOCOL.md.

    python tests/golden/bridge_v1/make_golden.py FOLDER

Independent of firmware and host: both are checked against these files. Run only when a new version of the protocol
gets a folder of its own. A file holds `fields` (what the frame says), `plain` (header, payload, CRC; hex) and `wire`
(what is on the line, closing 0x00 included; hex).
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from pathlib import Path
from typing import Any

from cobs import cobs

IDENTITY: dict[str, Any] = {
    "board_id": "0001020304050607",
    "boot": 0xFEDCBA98,
    "version": [1, 0, 0],
    "adc_bits": 12,
    "is_internal_adc": 0,
    "rate_hz": 1000,
    "tick_hz": 1_000_000,
    "ring_rows": 512,
    "is_running": 0,
    "has_pulse_input": 1,
    "inputs": [0, 1, 2, 3],
}

RAMP = [[4096 * column + 16 * row for column in range(4)] for row in range(40)]
"""Zeros now and then, as from sensors at rest."""
DENSE = [[0xFFF0 - 0x110 * ((8 * row + column) % 239) | 0x0101 for column in range(8)] for row in range(62)]
"""No byte is 0: groups of the full 254 bytes; as many rows as a frame of 8 channels holds."""


def encode_identity(f: dict[str, Any]) -> bytes:
    head = bytes.fromhex(f["board_id"]) + struct.pack("<I3B", f["boot"], *f["version"])
    names = ("adc_bits", "is_internal_adc", "rate_hz", "tick_hz", "ring_rows", "is_running", "has_pulse_input")
    numbers = [f[name] for name in names]
    return head + struct.pack("<BBBHIHBB", len(f["inputs"]), *numbers) + bytes(f["inputs"])


def encode_samples(f: dict[str, Any]) -> bytes:
    n, channels = len(f["rows"]), len(f["rows"][0])
    counters = (f["first_index"], f["tick"], f["lost"], f["pulses"])
    flat = [count for row in f["rows"] for count in row]
    return struct.pack(f"<IIIIHBB{n * channels}H", *counters, f["reference"], n, channels, *flat)


def samples(rows: list[list[int]], **fields: int) -> tuple[bytes, dict[str, Any]]:
    named = {**fields, "rows": rows}
    return encode_samples(named), named


def make_payloads() -> dict[str, tuple[int, int, bytes, dict[str, Any]]]:
    """Return name: (type, sequence, payload, fields)."""
    text = "supply of the potentiometers is low: 2.9 V, below 3 °"
    ramp = samples(RAMP, first_index=80, tick=0x10000000, lost=0, pulses=12, reference=0xFFF0)
    dense = samples(DENSE, first_index=2**32 - 1, tick=2**32 - 2, lost=2**32 - 3, pulses=2**32 - 4, reference=0)
    single = samples([[0]], first_index=0, tick=0, lost=0, pulses=0, reference=1)
    pong = {"token": 0xA5A5_0001, "received_tick": 2**32 - 1, "sent_tick": 4}
    return {
        "identity": (0x01, 0, encode_identity(IDENTITY), IDENTITY),
        "samples_ramp": (0x02, 65535, *ramp),
        "samples_dense": (0x02, 0x0101, *dense),
        "samples_single": (0x02, 1, *single),
        "pong": (0x03, 2, struct.pack("<III", *pong.values()), pong),
        "reply": (0x04, 3, struct.pack("<HB", 65535, 3), {"command_sequence": 65535, "status": 3}),
        "note": (0x05, 4, text.encode(), {"text": text}),
        "identify": (0x10, 0, b"", {}),
        "start": (0x11, 1, b"", {}),
        "stop": (0x12, 2, b"", {}),
        "rate": (0x13, 3, struct.pack("<H", 2000), {"rate_hz": 2000}),
        "ping": (0x14, 65535, struct.pack("<I", 0xA5A5_0001), {"token": 0xA5A5_0001}),
    }


def main(folder: Path) -> None:
    for name, (kind, sequence, payload, fields) in make_payloads().items():
        plain = struct.pack("<BBH", 1, kind, sequence) + payload
        plain += zlib.crc32(plain).to_bytes(4, "little")
        direction = "host to board" if kind >= 0x10 else "board to host"
        frame = {
            "schema": 1,
            "name": name,
            "direction": direction,
            "fields": {"protocol": 1, "type": kind, "sequence": sequence, **fields},
            "plain": plain.hex(),
            "wire": cobs.encode(plain).hex() + "00",
        }
        text = json.dumps(frame, indent=1, ensure_ascii=False)
        (folder / f"{name}.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
