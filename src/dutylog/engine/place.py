"""A damper's place on the vehicle: turns prepared tiles into duty of the unit that sits there."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper, Profile
from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.duty.force import ForceTable
from dutylog.engine.epoch_run import PreparedTile
from dutylog.engine.faults import FaultTracker
from dutylog.engine.output import Fault
from dutylog.engine.stuck import OTHERS_MPS, QUARTERS, QUIET_M, QUIET_NOISE_LEVELS, StuckJudge
from dutylog.motion.validity import find_runs
from dutylog.units import FS_PER_NS

Energies = NDArray[np.int64]
Mask = NDArray[np.bool_]

JUMP_S = 0.02
"""What a sensor that comes loose smears into prepared travel. Judgement."""


@dataclass(slots=True)
class Place:
    """A place, the unit in it and what that unit accumulates.

    next_index: index after the last one accumulated, None where travel was broken off.
    """

    damper: Damper
    profile: Profile
    force: ForceTable
    unit_id: str
    serial: str | None
    duty: DamperDuty
    stuck: StuckJudge = field(default_factory=StuckJudge)
    next_index: int | None = None

    def accumulate(self, tile: PreparedTile, row: int, valid: Mask, energy_uj: Energies) -> None:
        """Add a tile's valid samples to the duty; energy_uj (n,) takes the heat of each that counts."""
        self.duty.add_body_c(np.array(tile.body_samples[row]))
        if not valid.any():
            self.break_off()
            return
        speed, travel_m = tile.speed_mps[row], tile.travel_m[row]
        force_n = self.force.compute_force_n(speed, travel_m)
        force_n *= self.force.compute_fade_ratio(tile.body_c[row])
        heat = np.rint(np.maximum(force_n * speed, 0.0) * (tile.dt_s * 1e6)).astype(np.int64)
        energy_uj[valid] = heat[valid]
        travel_um = np.rint(travel_m * 1e6).astype(np.int64)
        for start, stop in find_runs(valid):
            run = PreparedRun(
                travel_um[start:stop],
                speed[start:stop],
                energy_uj[start:stop],
                tile.time_ns(start),
                round(tile.period_fs / FS_PER_NS),
                joined=self.next_index == tile.start_index + start,
            )
            self.duty.update(run)
            self.next_index = tile.start_index + stop

    def break_off(self) -> None:
        """Travel was lost: nothing spans what comes next."""
        self.duty.break_off()
        self.next_index = None

    def judge_time(
        self, tile: PreparedTile, row: int, shaken: bool, tracker: FaultTracker, faults: list[Fault]
    ) -> tuple[int, int, Mask]:
        """Return (measured, unmeasured) time [us] that became certain and which samples count.

        Notes a stuck sensor; its samples don't count, nor does the jump by which it comes loose.
        """
        valid = tile.valid[row].copy()
        quiet_m = max(QUIET_M, QUIET_NOISE_LEVELS * float(tile.noise_m[row]))
        measured_us = unmeasured_us = 0
        edges = [tile.n * quarter // QUARTERS for quarter in range(QUARTERS + 1)]
        for start, stop in itertools.pairwise(edges):
            if stop == start:
                continue
            part = valid[start:stop]
            quiet = shaken and bool(part.all()) and float(np.ptp(tile.travel_m[row, start:stop])) < quiet_m
            stuck_before, stuck_since_ns = self.stuck.is_stuck, self.stuck.start_ns
            loose = start
            if stuck_before and not quiet:
                loose = start + 1 + int(np.argmax(np.abs(np.diff(tile.raw_m[row, start:stop]))))
                valid[start : loose + round(JUMP_S / tile.dt_s)] = False
            span_us = tile.time_ns(stop) // 1000 - tile.time_ns(start) // 1000
            believed_us = span_us * int(part.sum()) // (stop - start)
            sure = self.stuck.update(quiet, believed_us, tile.time_ns(start))
            measured_us += sure[0]
            unmeasured_us += sure[1] + span_us - believed_us
            if self.stuck.is_stuck:
                part[:] = False
            if self.stuck.is_stuck or stuck_before:
                begin_ns = self.stuck.start_ns if self.stuck.is_stuck else stuck_since_ns
                end_ns = tile.time_ns(stop if self.stuck.is_stuck else loose)
                faults += tracker.note(self.damper.position, "travel_stuck", begin_ns, end_ns)
        return measured_us, unmeasured_us, valid


def is_shaken(tile: PreparedTile, row: int, rms_mps: NDArray[np.float64]) -> bool:
    """Return whether the other dampers show that the vehicle is being shaken."""
    others = sorted(float(rms) for i, rms in enumerate(rms_mps) if i != row and tile.valid[i].any())
    return bool(others) and others[len(others) // 2] > OTHERS_MPS
