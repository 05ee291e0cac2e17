"""One damper on a test rig: travel in, duty out, by the way every recording goes."""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from dutylog import config
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.engine.engine import Engine
from dutylog.engine.integrate import integrate
from dutylog.recording.logbook import Logbook

CONFIG = """
[vehicle]
name = "rig"

[[damper]]
position = "rig"
profile = "rig"

[profile.rig]
stroke_mm = {stroke_mm}
shaft_diameter_mm = 12.0
bore_diameter_mm = 46.0
oil_mass_kg = 0.5
body_mass_kg = 1.5
heat_capacity_j_per_k = 2000.0
force_curve = {curve}
fade_per_k = 0.0
reference_c = 40.0
body_limit_c = 120.0
"""
"""Masses and diameters are made up; only stroke and curve take part in what is checked."""


def load_vehicle(folder, curve, stroke_mm):
    """Return a vehicle of one damper from a configuration a person could write: curve as [m/s, N] points."""
    path = folder / "rig.toml"
    path.write_text(CONFIG.format(stroke_mm=float(stroke_mm), curve=json.dumps(curve)))
    return config.load(path).vehicle


def write_travel(path, instants_s, travel_mm):
    """Write a recording of travel alone and return its path."""
    pq.write_table(pa.table({"t_s": instants_s, "rig_travel_mm": travel_mm}), path)
    return path


def integrate_travel(folder, vehicle, instants_s, travel_mm):
    """Return what `dutylog integrate` would say of the damper."""
    path = write_travel(folder / "rig.parquet", instants_s, travel_mm)
    return integrate(path, vehicle).to_dict()["dampers"]["rig"]


@dataclass
class Prepared:
    """Prepared travel [m], shaft speed [m/s] and heat [J] of every sample, and noise [m] of every tile."""

    travel_m: list = field(default_factory=list)
    speed_mps: list = field(default_factory=list)
    heat_j: list = field(default_factory=list)
    noise_m: list = field(default_factory=list)

    def take(self, tile):
        self.travel_m.append(tile.prepared.travel_m[0])
        self.speed_mps.append(tile.prepared.speed_mps[0])
        self.heat_j.append(tile.energy_uj[0] * 1e-6)
        self.noise_m.append(tile.prepared.noise_m)

    def joined(self):
        """Return the same as arrays."""
        parts = (self.travel_m, self.speed_mps, self.heat_j, self.noise_m)
        return Prepared(*(np.concatenate(part) for part in parts))


def prepare_travel(folder, vehicle, instants_s, travel_mm):
    """Return what the engine makes of every sample."""
    path = write_travel(folder / "rig.parquet", instants_s, travel_mm)
    prepared = Prepared()
    engine = Engine(vehicle, observer=prepared.take, keep_vehicle=True)
    source = RecordingFileSource(path, ["rig"])
    book = Logbook(vehicle, "rig", ManualClock())
    for frame in book.start_epoch(source.streams, source.kind, source.text, 1):
        engine.feed(frame)
    source.start(1, {})
    while (batch := source.read_batch()) is not None:
        for frame in book.append(batch):
            engine.feed(frame)
    source.close()
    engine.finish()
    return prepared.joined()
