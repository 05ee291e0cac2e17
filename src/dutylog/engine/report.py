"""The result of `dutylog integrate`: what one recording holds, per damper."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from dutylog import ENGINE
from dutylog.domain.vehicle import Vehicle
from dutylog.duty.cavitation import CavitationMargin
from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.engine import EnergyTile, Engine
from dutylog.engine.estimate import Estimate, UnmeasuredEnergy
from dutylog.engine.output import Fault, HeatReset, Step, TileHeat
from dutylog.engine.sample_clock import SampleClock
from dutylog.engine.signals import SignalExport
from dutylog.motion.shaft_speed import FULL_BANDWIDTH_HZ
from dutylog.recording.frame import Frame
from dutylog.units import FS_PER_NS, J_PER_UJ, NS_PER_S

WINDOW_NS = 10 * NS_PER_S
OnHeat = Callable[[Vehicle, Sequence[TileHeat | HeatReset]], None]


class Integration:
    """Feeds frames to an engine of its own and gathers faults and 10-second energies.

    notes: what whoever read the recording found odd, for people.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        *,
        keep_vehicle: bool = True,
        export: SignalExport | None = None,
        on_heat: OnHeat | None = None,
    ) -> None:
        """keep_vehicle: the given vehicle counts rather than the log's own config frames.

        export: takes the signals and events on the way. on_heat: called with what tiles say about heat.
        """
        self._export = export
        self._on_heat = on_heat
        self.engine = Engine(vehicle, observer=self._observe, keep_vehicle=keep_vehicle)
        self.faults: list[Fault] = []
        self._windows: defaultdict[str, defaultdict[int, int]] = defaultdict(lambda: defaultdict(int))
        self._first_ns: int | None = None
        self._end_ns = 0
        self.tiles = 0
        self._outside_m: dict[str, tuple[float, float]] = {}
        self._unmeasured = UnmeasuredEnergy(len(vehicle.dampers))
        self._clock = SampleClock()
        self.notes: list[str] = []

    def feed(self, frame: Frame) -> None:
        """Take the next frame; tiles may wait until `finish`."""
        self._clock.take(frame)
        self._take(self.engine.feed(frame, more=True))

    def finish(self) -> None:
        """The recording is over."""
        self._take(self.engine.finish())

    def _take(self, step: Step) -> None:
        self.faults += step.faults
        if self._export is not None:
            self._export.take_faults(step.faults)
        if self._on_heat is not None and step.heat:
            self._on_heat(self.engine.vehicle, step.heat)
        self.tiles += step.tiles

    def _observe(self, tile: EnergyTile) -> None:
        prepared, units = tile.prepared, tile.units
        if self._export is not None:
            self._export.take_tile(tile, units)
        if self._first_ns is None:
            self._first_ns = prepared.start_ns
        self._end_ns = max(self._end_ns, prepared.end_ns)
        first, last = prepared.start_ns // WINDOW_NS, (prepared.end_ns - 1) // WINDOW_NS
        energy_uj = [gain.totals.energy_uj for gain in tile.gains]
        self._unmeasured.note(energy_uj, tile.gains, tile.moving, units)
        positions = [damper.position for damper in self.engine.vehicle.dampers]
        if first == last:
            for position, one_uj in zip(positions, energy_uj, strict=True):
                self._windows[position][first] += one_uj
        else:
            instants = prepared.start_ns + np.arange(prepared.n) * prepared.period_fs // FS_PER_NS
            window = instants // WINDOW_NS - first
            for position, heat_uj in zip(positions, tile.energy_uj, strict=True):
                for key, part_uj in enumerate(np.bincount(window, heat_uj, last - first + 1).tolist(), first):
                    self._windows[position][key] += int(part_uj)
        for position, span_m in zip(positions, prepared.outside_m, strict=True):
            if span_m is not None:
                low, high = self._outside_m.get(position, span_m)
                self._outside_m[position] = (min(low, span_m[0]), max(high, span_m[1]))

    def why_nothing(self) -> str | None:
        """Return why no damper has any measured time, None when one has."""
        if any(totals.measured_us for totals in self.engine.totals().values()):
            return None
        if not self.tiles:
            return "no travel of any damper in it"
        reasons = [note for damper in self.engine.vehicle.dampers for note in self._notes_of(damper.position)]
        return "; ".join(reasons) or "not one believable sample of travel in it"

    def _notes_of(self, position: str) -> list[str]:
        """Return what a person should know of one damper's signals."""
        notes = []
        rate_hz = self._clock.rate_hz
        if rate_hz is not None and rate_hz < FULL_BANDWIDTH_HZ:
            notes.append(
                f"{position}: energy is bandwidth-limited: travel was sampled at {rate_hz:.0f} Hz, "
                f"motion faster than {rate_hz / 2:.0f} Hz isn't in it"
            )
        worn_mm = self.engine.worn_spots_mm().get(position)
        if worn_mm is not None:
            notes.append(
                f"{position}: travel sensor: noise between {worn_mm[0]} and {worn_mm[1]} mm, not elsewhere: worn track?"
            )
        if position not in self._outside_m:
            return notes
        low, high = (bound * 1e3 for bound in self._outside_m[position])
        damper = next(d for d in self.engine.vehicle.dampers if d.position == position)
        stroke_mm = self.engine.vehicle.profile_of(damper).stroke_m * 1e3
        return [
            *notes,
            f"{position}: travel was at times {low:.0f} to {high:.0f} mm, outside 0 to {stroke_mm:.0f} mm; "
            "a sensor that is unplugged, reversed or calibrated otherwise reads so",
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form: shared/INTEGRATE.md."""
        duties = self.engine.duties()
        units = self.engine.units()
        dampers = {
            damper.position: self._damper(damper.position, damper.serial, duties[units[damper.position]], estimate)
            for damper, estimate in zip(self.engine.vehicle.dampers, self._unmeasured.estimate(), strict=True)
        }
        clock = self._clock.to_dict()
        return {"schema": 1, "engine": ENGINE, "clock": clock, "notes": list(self.notes), "dampers": dampers}

    def _damper(self, position: str, serial: str | None, duty: DamperDuty, estimate: Estimate) -> dict[str, Any]:
        totals, unit_id = duty.totals(), self.engine.units()[position]
        moving = totals.moving_measured_us / totals.moving_us if totals.moving_us else None
        vehicle = self.engine.vehicle
        is_judged = any(
            d.position == position and CavitationMargin.of(vehicle.profile_of(d)) is not None for d in vehicle.dampers
        )
        return {
            "serial": serial,
            "energy_j": totals.energy_uj * J_PER_UJ,
            "compression_energy_j": totals.energy_compression_uj * J_PER_UJ,
            "rebound_energy_j": totals.energy_rebound_uj * J_PER_UJ,
            "energy_10s_j": self._windows_of(position),
            "strokes": totals.strokes_count,
            "compression_strokes": totals.compression_strokes_count,
            "shaft_travel_m": totals.shaft_travel_um * 1e-6,
            "stroke_travel_m": totals.stroke_travel_um * 1e-6,
            "peak_compression_mps": totals.peak_compression_umps * 1e-6,
            "peak_rebound_mps": totals.peak_rebound_umps * 1e-6,
            "peak_body_c": None if totals.peak_body_mc is None else totals.peak_body_mc * 1e-3,
            "bottom_outs": totals.bottom_outs_count,
            "cavitation_s": totals.cavitation_us * 1e-6 if is_judged else None,
            "cavitation_energy_j": totals.cavitation_energy_uj * J_PER_UJ if is_judged else None,
            "measured_s": totals.measured_us * 1e-6,
            "unmeasured_s": totals.unmeasured_us * 1e-6,
            "unmeasured_by_reason_s": {
                reason: lost_us * 1e-6 for reason, lost_us in sorted(self.engine.lost_us(unit_id).items())
            },
            "estimated_unmeasured_energy_j": estimate.energy_j,
            "estimate_basis": estimate.basis,
            "coverage_ratio": moving,
            "faults": self._faults_of(position),
            "notes": self._notes_of(position),
        }

    def _windows_of(self, position: str) -> list[float]:
        if self._first_ns is None:
            return []
        first, last = self._first_ns // WINDOW_NS, (self._end_ns - 1) // WINDOW_NS
        groups = self._windows[position]
        return [groups.get(key, 0) * J_PER_UJ for key in range(first, last + 1)]

    def _faults_of(self, position: str) -> list[dict[str, Any]]:
        listed = sorted((f.start_ns, f.kind, f.end_ns) for f in self.faults if f.position == position)
        return [
            {"kind": kind, "start_s": start_ns / NS_PER_S, "end_s": None if end_ns is None else end_ns / NS_PER_S}
            for start_ns, kind, end_ns in listed
        ]
