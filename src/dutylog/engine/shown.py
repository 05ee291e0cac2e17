"""What one tile says of each damper: for the live page, and for whoever follows its heat."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.heat_input import HeatInput
from dutylog.engine.epoch_run import EpochRun, PreparedTile
from dutylog.engine.lost_time import BANDWIDTH_LIMITED, NO_SENSOR, NOT_CALIBRATED
from dutylog.engine.output import DamperLive, TileHeat
from dutylog.engine.place import Place, TileGain
from dutylog.engine.worn_sensors import WORN_SPOT
from dutylog.motion.shaft_speed import FULL_BANDWIDTH_HZ

Floats = NDArray[np.float64]


def tile_heats(
    tiles: Sequence[PreparedTile],
    seats: Sequence[tuple[str, str]],
    gains: Iterable[Sequence[TileGain]],
    rms_mps: Floats,
    clock: str,
) -> Iterator[TileHeat]:
    """Yield what tiles say about each damper's heat; of what didn't count nothing is said.

    seats: position and unit_id of each damper. gains: of each tile. rms_mps: (dampers, tiles) shaft speed. clock: whose
    times the tiles have.
    """
    for tile, of_tile, speeds_mps in zip(tiles, gains, rms_mps.T.tolist(), strict=True):
        seconds = (tile.end_ns - tile.start_ns) * 1e-9
        for row, (seat, gain) in enumerate(zip(seats, of_tile, strict=True)):
            ratio = 1.0 if gain.counted is None else float(gain.counted.mean())
            heat = HeatInput(
                seconds,
                gain.totals.energy_uj * 1e-6 / (seconds * ratio) if ratio else None,
                ratio,
                speeds_mps[row] if ratio else None,
                tile.body_mean_c[row],
                tile.ambient_c,
                tile.vehicle_mps,
            )
            gas_pa = tile.gas_pa[row]
            travel_m = None if gas_pa is None or ratio < 1.0 else float(tile.travel_m[row].mean(dtype=np.float64))
            yield TileHeat(*seat, clock, tile.start_ns, tile.end_ns, heat, gas_pa, travel_m)


def damper_live(
    run: EpochRun,
    tile: PreparedTile,
    row: int,
    place: Place,
    rms_mps: float,
    heat: Sequence[tuple[int, int]],
    *,
    seen: bool,
    worn: bool,
) -> DamperLive:
    """Return what the live page shows of a damper after a tile.

    row: the damper's. rms_mps: shaft speed. heat: energy [uJ] and measured time [us] of the last tiles. seen: whether
    any sample of the tile is believed. worn: whether its travel sensor is known to be.
    """
    position = place.damper.position
    measured_us = sum(time_us for _, time_us in heat)
    faults = [
        *run.travel_faults.active(position, tile.end_ns - 50_000_000),
        *run.slow_faults.active(position, tile.end_ns - 1_500_000_000),
    ]
    if not tile.has_sensor[row]:
        faults.append(NOT_CALIBRATED if run.is_uncalibrated(row) else NO_SENSOR)
    elif tile.rate_hz < FULL_BANDWIDTH_HZ:
        faults.append(BANDWIDTH_LIMITED)
    if worn:
        faults.append(WORN_SPOT)
    return DamperLive(
        position=position,
        wheel=place.damper.wheel,
        unit_id=place.unit_id,
        serial=place.serial,
        totals=place.duty.totals(),
        heat_w=sum(energy_uj for energy_uj, _ in heat) / measured_us if measured_us else None,
        body_c=run.slow.body_now(position, tile.end_ns),
        body_limit_c=place.profile.body_limit_c,
        travel_mm=float(tile.travel_m[row, -1]) * 1e3 if seen else None,
        stroke_mm=place.profile.stroke_m * 1e3,
        speed_rms_mps=rms_mps if seen else None,
        faults=tuple(faults),
        gas_pa=run.slow.gas.now(position, tile.end_ns),
        is_cavitation_judged=place.margin is not None,
    )
