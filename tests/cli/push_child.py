"""Core in a process of its own, on a simulated vehicle that stands until a file tells somebody to push it.

Started as `python push_child.py OPTIONS_JSON`: data folder, pace, rows.npz (an array of travel [m] for each round),
and the folder where `go0`, `go1` ... start a round and `done0`, `done1` ... say that it is over.
"""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from dutylog import config
from dutylog.clock import SystemClock
from dutylog.daemon import core as core_module
from dutylog.daemon.core_settings import CoreSettings
from dutylog.sim.scenario import built_in_scenario
from dutylog.sim.sensors import _interpolate, _raw_over_mm
from dutylog.sim.source import SimulatedSource

DEMO = Path(config.__file__).parents[1] / "sim" / "demo_vehicle.toml"


class PushedSource(SimulatedSource):
    """The parked simulated vehicle whose travel is replaced: at rest, or the rows of a round that was started."""

    def __init__(self, settings, clock, rounds, folder):
        super().__init__(settings.vehicle, built_in_scenario("parked"), 1, settings.pace, clock)
        self._dampers = settings.vehicle.dampers
        self._rounds, self._folder = rounds, folder
        self._number, self._place = 0, None
        self._rng = np.random.default_rng(1)

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:
        super().start(epoch, next_index)
        self._place = None

    def read_batch(self):
        batch = super().read_batch()
        if not batch.blocks:
            return batch
        travel, *others = batch.blocks
        counts = self._counts(self._next_m(len(travel.data)))
        return replace(batch, blocks=(replace(travel, data=counts), *others))

    def _next_m(self, n):
        rows = self._rounds[min(self._number, len(self._rounds) - 1)]
        if self._place is None and (self._folder / f"go{self._number}").exists():
            self._place = 0
        if self._place is None:
            return np.repeat(rows[:1], n, axis=0)
        part = rows[self._place : self._place + n]
        self._place += n
        if len(part) < n:
            (self._folder / f"done{self._number}").touch()
            self._number, self._place = self._number + 1, None
            part = np.concatenate([part, np.repeat(rows[-1:], n - len(part), axis=0)])
        return part

    def _counts(self, travel_m):
        read_mm = travel_m * 1e3 + 0.05 * self._rng.standard_normal(travel_m.shape)
        columns = [_interpolate(read_mm[:, wheel], *_raw_over_mm(damper)) for wheel, damper in enumerate(self._dampers)]
        return np.ascontiguousarray(np.rint(np.stack(columns, axis=1)).astype("<i2"))


def main():
    options = json.loads(sys.argv[1])
    settings = CoreSettings(
        config.load(DEMO).vehicle, Path(options["data"]), "simulated", scenario="parked", pace=options["pace"]
    )
    with np.load(options["rows"]) as file:
        rounds = [file[name] for name in sorted(file.files)]
    core_module.open_source = lambda settings, clock: PushedSource(settings, clock, rounds, Path(options["folder"]))
    core = core_module.Core(settings, SystemClock(), lambda line: print(line, flush=True))
    signal.signal(signal.SIGTERM, lambda *_: core.stop())
    core.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
