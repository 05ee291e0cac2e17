"""A vehicle whose sensors give counts, driven through a real core, and what it should come to after a correction."""

from __future__ import annotations

import json
import zlib
from dataclasses import replace

import numpy as np

from dutylog.cli.main import main
from dutylog.clock import SystemClock
from dutylog.daemon import core as core_module
from dutylog.daemon.core_settings import CoreSettings
from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Vehicle
from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.engine import Engine, is_named
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.motion.calibration_fit import TapePoint, fit_travel
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from dutylog.recording.source import Batch

POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")
FULL = 32767
WRONG_MM, RIGHT_MM = 300.0, 330.0
"""Travel at full counts: the sensor is a tenth longer than somebody believed."""
EXTENDED_MM = 715.0
DAMPING_NSPM = 2000.0
LINEAR = ForceCurve((-1.0, 0.0, 1.0), (-DAMPING_NSPM, 0.0, DAMPING_NSPM))
STREAM = Stream(1, "travel", "i2", 10**12, tuple(Channel(p, "travel", "count") for p in POSITIONS))
SLOW = Stream(
    2, "slow", "f4", 10**14,
    (*(Channel(p, "body_temperature", "c") for p in POSITIONS), Channel("", "ambient_temperature", "c"),
     Channel("", "speed", "mps")),
)  # fmt: skip


def make_vehicle(full_mm=WRONG_MM):
    """Four linear dampers: force is damping times speed, nothing fades."""
    profile = Profile("linear", 0.254, 0.022, 0.06, 1.1, 3.5, 4000.0, (ForceAt(0.0, LINEAR),), 0.0, 40.0, 120.0)
    dampers = (Damper(p, p, "linear", f"SN-{n}", calibration=((0.0, 0.0), (float(FULL), full_mm)))
               for n, p in enumerate(POSITIONS, start=1))  # fmt: skip
    return Vehicle("truck", "Truck", tuple(dampers), (profile,))


class CountsSource:
    """Seconds of travel in counts, as fast as they are asked for; at: {second: called just before it}.

    rest: seconds in which the vehicle stands; front_left then sways by so many counts.
    """

    kind, text, resumable, streams = "sensors", "test", False, (STREAM, SLOW)

    def __init__(self, seconds, begin_s, at=None, rest=(), sway_counts=0.0):
        self._seconds, self._begin_s, self._at = seconds, begin_s, at or {}
        self._rest, self._sway_counts = rest, sway_counts

    def start(self, epoch, next_index):
        self._epoch, self._second = epoch, 0

    def read_batch(self):
        second = self._second
        if second in self._at:
            self._at.pop(second)()
        if second >= self._seconds:
            return None
        self._second += 1
        t0_ns = (self._begin_s + second) * 10**9
        rows = self.rows(self._begin_s + second, second in self._rest)
        travel = Block(STREAM, self._epoch, second * 1000, t0_ns, STREAM.period_fs, rows)
        values = np.array([[60.0, 61.0, 62.0, 63.0, 20.0, 0.0 if second in self._rest else 12.0]] * 10, "<f4")
        return Batch((travel, Block(SLOW, self._epoch, second * 10, t0_ns, SLOW.period_fs, values)))

    def rows(self, second, is_rest):
        """Strokes of a frequency and length of each corner's own; at rest it stands."""
        time_s = second + np.arange(1000) / 1000
        strokes = [12000 + 5000 * np.sin(2 * np.pi * (1.0 + 0.13 * n) * time_s + n) for n in range(len(POSITIONS))]
        rows = np.stack(strokes, axis=1) if not is_rest else np.full((1000, len(POSITIONS)), 12000.0)
        if is_rest:
            rows[:, 0] += self._sway_counts / 2 * np.sin(2 * np.pi * time_s)
        return np.rint(rows).astype("<i2")

    def close(self):
        pass


class Truck:
    """A data folder and the drives that fill it."""

    def __init__(self, data, monkeypatch):
        self.data, self._patch = data, monkeypatch
        self.vehicle = make_vehicle()
        self.lines = []
        self.core = None

    def settings(self):
        return CoreSettings(self.vehicle, self.data, "sensors", pace=0, exit_at_end=True)

    def drive(self, seconds, begin_s, at=None, rest=(), source=None):
        """Run core to the source's end; at: {second: what is to be done just before it}."""
        source = source or CountsSource(seconds, begin_s, at, rest)
        self._patch.setattr(core_module, "open_source", lambda *_: source)
        self.core = core_module.Core(self.settings(), SystemClock(), self.lines.append)
        self.core.run()

    def calibrate(self, position, *flags, full_mm=RIGHT_MM):
        """Type the command: three exact heights."""
        points = [part for raw in (3000, 12000, 22000) for part in ("--point", str(raw), length_of(raw, full_mm))]
        command = ["calibrate", "travel", position, "--by", "Ann", "--extended", str(EXTENDED_MM), *points, *flags]
        assert main([*command, "--data", str(self.data)]) == 0

    def ask(self, **request):
        """Have core do a command while it drives."""
        reply = self.core._apply({"schema": 1, **request})
        assert reply["ok"], reply
        return reply

    def calibrate_driving(self, position, full_mm=RIGHT_MM, **flags):
        points = [[raw, float(length_of(raw, full_mm)), 0.0] for raw in (3000, 12000, 22000)]
        self.ask(command="calibrate", position=position, kind="travel", by="Ann", points=points,
                 extended_mm=EXTENDED_MM, **flags)  # fmt: skip

    def ledger(self):
        return Ledger.open(self.data / LEDGER_NAME, read_only=True)

    def unit(self, position):
        with self.ledger() as ledger:
            return ledger.installed()[position].unit_id

    def table(self, name):
        """Every row of a table."""
        with self.ledger() as ledger:
            return list(ledger._database.all_rows(f"SELECT * FROM {name} ORDER BY 1"))

    def duties(self):
        """The stored accumulators by unit."""
        with self.ledger() as ledger:
            states = {unit.unit_id: ledger.cold_state(unit.unit_id) for unit in ledger.units()}
        return {unit: unpack(state) for unit, state in states.items() if state is not None}

    def totals(self):
        with self.ledger() as ledger:
            return ledger.all_totals()

    def revisions(self):
        with self.ledger() as ledger:
            return {duty.unit_id: duty.revision for duty in ledger.unit_duties()}

    def fresh(self, vehicle, until=None):
        """An engine that counted the log with this vehicle, whatever the log's own configurations say."""
        engine = Engine(vehicle, keep_vehicle=True)
        minutes, self.fresh_trips = [], []
        for frame in LogReader(self.data / "log").frames():
            if until is None or frame.sequence <= until:
                step = engine.feed(frame, more=True)
                minutes += step.minutes
                self.fresh_trips += step.trips
        engine.work_off()
        self.fresh_minutes = [row for row in minutes if is_named(row.unit_id)]
        return engine

    def by_hand(self, position, full_mm, from_epoch=1, until_epoch=999):
        """An engine that counted the log with one sensor put right, and how often the log's configuration changes.

        It is made to see each change by another name of the vehicle.
        """
        right, configs, engine = [list(p) for p in self.map_of(position, full_mm)], [], Engine(make_vehicle())
        for frame in LogReader(self.data / "log").frames():
            if frame.type is FrameType.CONFIG:
                configs += [] if configs and configs[-1] == frame.data else [frame.data]
                dampers = [dict(d) for d in frame.data["dampers"]]
                for damper in dampers:
                    if damper["position"] == position and from_epoch <= frame.epoch <= until_epoch:
                        damper["calibration_raw_mm"] = right
                frame = replace(frame, data={**frame.data, "dampers": dampers, "name": f"{len(configs)}"})
            engine.feed(frame, more=True)
        engine.work_off()
        return engine, len(configs)

    def corrected(self, **full_mm):
        """The vehicle with other sensors, each calibrated as the command would have it."""
        return self.with_maps({position: self.map_of(position, mm) for position, mm in full_mm.items()})

    def with_maps(self, maps):
        dampers = (replace(d, calibration=maps.get(d.position, d.calibration)) for d in self.vehicle.dampers)
        return replace(self.vehicle, dampers=tuple(dampers))

    def map_of(self, position, full_mm):
        points = [TapePoint(float(raw), float(length_of(raw, full_mm))) for raw in (3000, 12000, 22000)]
        return fit_travel(points, EXTENDED_MM, 254.0).calibration


def length_of(raw, full_mm):
    """Eye to eye at these counts, as it would be typed from a very fine tape."""
    return f"{EXTENDED_MM - raw * full_mm / FULL:.9f}"


def unpack(state):
    return DamperDuty.from_dict(json.loads(zlib.decompress(state))).to_dict()
