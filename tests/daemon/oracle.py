"""What must hold after any number of kills, judged from files alone."""

from __future__ import annotations

import json
import zlib

from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import Totals
from dutylog.engine.engine import is_named
from dutylog.engine.report import Integration
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.codec import encode_frame
from dutylog.recording.reader import LogReader


def read_side_log(path):
    """Return {sequence: crc} of frames said durable, and the totals of every acknowledged commit in order."""
    frames, totals = {}, []
    for line in path.read_text().splitlines():
        record = json.loads(line)
        for sequence, crc in record.get("frames", []):
            frames[sequence] = crc
        if "totals" in record:
            totals.append({unit: Totals(*row) for unit, row in record["totals"].items()})
    return frames, totals


def integrate_log(folder, vehicle):
    """Return a fresh integration of what survived of a log, with the units that its install events name."""
    work = Integration(vehicle, keep_vehicle=False)
    for frame in LogReader(folder).frames():
        work.feed(frame)
    return work.engine


def lost_frames(folder, side_frames):
    """Return the sequences that were durable before a kill and aren't in the log, or differ there."""
    found = {f.sequence: zlib.crc32(encode_frame(f)) for f in LogReader(folder).frames()}
    return [sequence for sequence, crc in side_frames.items() if found.get(sequence) != crc]


def differing_units(data_dir, vehicle):
    """Return the units whose stored totals or accumulators aren't those of a fresh integration of the log."""
    engine = integrate_log(data_dir / "log", vehicle)
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        stored = ledger.all_totals()
        fresh = {unit: totals for unit, totals in engine.totals().items() if is_named(unit)}
        wrong = [unit for unit in stored.keys() | fresh.keys() if stored.get(unit) != fresh.get(unit)]
        for unit, duty in engine.duties().items():
            state = ledger.cold_state(unit) if is_named(unit) else None
            if is_named(unit) and (state is None or load(state) != duty.to_dict()):
                wrong.append(unit)
    return wrong


def load(state):
    """Return a stored accumulator in the form `to_dict` gives."""
    return DamperDuty.from_dict(json.loads(zlib.decompress(state))).to_dict()


def fallen_totals(acknowledged, final):
    """Return what fell: between two acknowledged commits, or from the last one to the end."""
    fallen = []
    for before, after in zip(acknowledged, [*acknowledged[1:], final], strict=True):
        fallen += [unit for unit, totals in before.items() if unit not in after or not after[unit].reaches(totals)]
    return fallen
