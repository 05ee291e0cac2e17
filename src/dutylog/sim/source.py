"""The simulated vehicle as a source of samples, at real pace or faster."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.clock import Clock, SystemClock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.recording.block import AMBIENT_TEMPERATURE, BODY_TEMPERATURE, SPEED, TRAVEL, Block, Channel, Stream
from dutylog.recording.source import Batch
from dutylog.sim.parameters import VehicleParameters, generic_parameters
from dutylog.sim.scenario import Scenario
from dutylog.sim.sensors import SLOW_HZ, TRAVEL_HZ, ScriptedFault
from dutylog.sim.truth import Truth
from dutylog.sim.vehicle import TICK_SAMPLES, Samples, SimulatedVehicle
from dutylog.units import FS_PER_S, NS_PER_S

WAIT_S = 0.2
"""Longest that `read_batch` waits; a stop is never held up longer."""

SIM_STREAMS = (
    ("travel", "i2", TRAVEL_HZ),
    ("slow", "f4", SLOW_HZ),
)


def simulated_streams(vehicle: Vehicle) -> tuple[Stream, ...]:
    """Return the streams of a simulated vehicle: travel; temperatures and speed. Numbered from 1."""
    positions = [damper.position for damper in vehicle.dampers]
    channels = (
        tuple(Channel(position, TRAVEL, "count") for position in positions),
        (
            *(Channel(position, BODY_TEMPERATURE, "c") for position in positions),
            Channel("", AMBIENT_TEMPERATURE, "c"),
            Channel("", SPEED, "mps"),
        ),
    )
    return tuple(
        Stream(number, name, dtype, FS_PER_S // rate_hz, columns)
        for number, ((name, dtype, rate_hz), columns) in enumerate(zip(SIM_STREAMS, channels, strict=True), start=1)
    )


class SimulatedSource:
    """Drives a scenario and hands on what the sensors say, a tenth of a second at a time.

    The grid of stamps begins at the clock's time of `start` and advances with simulated time: with
    a pace over 1 stamps run ahead of the clock. When the computer can't keep the pace the source
    falls behind, stamps stay on their grid and `late_s` tells by how much.
    """

    kind = "simulated"
    resumable = False

    def __init__(
        self,
        vehicle: Vehicle,
        scenario: Scenario,
        seed: int,
        pace: float = 1.0,
        clock: Clock | None = None,
        parameters: VehicleParameters | None = None,
        faults: Sequence[ScriptedFault] = (),
        seconds: float | None = None,
    ) -> None:
        """Describe the drive; nothing is computed before `start`.

        Args:
            pace: simulated seconds per second; 0 as fast as the computer can.
            seconds: end of the drive in simulated time; None goes on for ever.
        Raises:
            InputError: pace below 0 or not finite, or a vehicle the simulation can't take.
        """
        if not 0.0 <= pace < float("inf"):
            raise InputError(f"pace {pace}, expected 0 (as fast as possible) or a positive number")
        self.text = f"simulated vehicle, scenario {scenario.name}, seed {seed}, pace {pace:g}"
        self.streams = simulated_streams(vehicle)
        self.late_s = 0.0
        self.most_late_s = 0.0
        self._vehicle, self._scenario, self._seed, self._pace = vehicle, scenario, seed, pace
        self._clock: Clock = clock or SystemClock()
        self._parameters = parameters or generic_parameters(vehicle)
        self._faults = tuple(faults)
        self._end_ticks = None if seconds is None else round(seconds * TRAVEL_HZ / TICK_SAMPLES)
        self._drive: SimulatedVehicle | None = None
        self._epoch, self._t0_ns, self._ticks = 0, 0, 0
        self._truth: Truth | None = None

    @property
    def truth(self) -> Truth | None:
        """Return the true duty up to the last batch, None before the first."""
        return self._truth

    @property
    def stage(self) -> str | None:
        """Return the name of the stage being driven, None when stopped."""
        return None if self._drive is None else self._drive.stage

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:  # noqa: ARG002
        """Begin the scenario anew; `next_index` is of no use, a drive can't be taken up again."""
        self._drive = SimulatedVehicle(self._vehicle, self._parameters, self._scenario, self._seed, faults=self._faults)
        self._epoch, self._ticks = epoch, 0
        self.late_s = self.most_late_s = 0.0
        self._t0_ns = self._clock.mono_ns()

    def read_batch(self) -> Batch | None:
        """Return the next 0.1 s once it has passed, an empty batch when it hasn't within 0.2 s, None at the end."""
        if self._drive is None or self._ticks == self._end_ticks:
            return None
        if self._pace > 0.0 and not self._wait_until_due():
            return Batch()
        samples, self._truth = self._drive.advance(TICK_SAMPLES)
        self._ticks += 1
        return Batch(blocks=tuple(self._blocks(samples)))

    def close(self) -> None:
        """Stop; a later `start` begins anew."""
        self._drive = None

    def _wait_until_due(self) -> bool:
        """Wait for the end of the next tick, at most WAIT_S; keep account of being late."""
        tick_ns = NS_PER_S * TICK_SAMPLES // TRAVEL_HZ
        due_ns = self._t0_ns + round((self._ticks + 1) * tick_ns / self._pace)
        early_s = (due_ns - self._clock.mono_ns()) / NS_PER_S
        if early_s > 0.0:
            self.late_s = 0.0
            self._clock.sleep(min(early_s, WAIT_S))
            return early_s <= WAIT_S
        self.late_s = -early_s
        self.most_late_s = max(self.most_late_s, self.late_s)
        return True

    def _blocks(self, samples: Samples) -> list[Block]:
        """Put one tick's samples of every stream into blocks; dropped samples split the travel."""
        travel, slow = self.streams
        blocks = []
        for start, stop in kept_runs(samples.kept):
            rows = samples.travel_counts[start:stop, 0].astype("<i2")
            blocks.append(self._block(travel, samples.first_travel + start, rows))
        columns = np.column_stack([samples.body_c[:, 0], samples.ambient_c, samples.speed_mps]).astype("<f4")
        blocks.append(self._block(slow, samples.first_slow, columns))
        return blocks

    def _block(self, stream: Stream, first_index: int, data: NDArray[Any]) -> Block:
        """Return a block on the grid that begins at the start of the drive."""
        t0_ns = self._t0_ns + first_index * stream.period_fs // 1_000_000
        return Block(stream, self._epoch, first_index, t0_ns, stream.period_fs, np.ascontiguousarray(data))


def kept_runs(kept: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return start and stop of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], kept, [False])).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]
