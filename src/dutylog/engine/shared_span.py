"""What all places need of a span of tiles, worked out for all dampers in the same array operations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.duty.cavitation import CavitationMargin, Places
from dutylog.duty.force import ForceTables
from dutylog.duty.pieces import PieceSums, sum_pieces
from dutylog.duty.speed_cells import Cells, find_cells
from dutylog.engine.epoch_run import PreparedSpan, PreparedTile
from dutylog.engine.stuck import OTHERS_MPS, QUARTERS, QUIET_M, QUIET_NOISE_LEVELS

Energies = NDArray[np.float64]
Steps = NDArray[np.int32]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SharedSpan:
    """What all places need of a span, worked out for all dampers in one go.

    cells: of shaft speed. travel_um: whole numbers. heat_uj: of each sample, >= 0, whole numbers; all (dampers,
    indices). beyond: of each damper the places beyond the cavitation margin, None for none. suspects: of each damper
    the tiles in which something may be wrong.
    """

    span: PreparedSpan
    cells: Cells
    travel_um: Steps
    heat_uj: Energies
    beyond: tuple[Places | None, ...]
    suspects: tuple[Sequence[int], ...]

    @staticmethod
    def of(
        span: PreparedSpan, tables: ForceTables, margins: Sequence[CavitationMargin | None], rms_mps: Floats
    ) -> SharedSpan:
        """Work it out. rms_mps: (dampers, tiles) shaft speeds."""
        tiles, suspects = span.tiles, _find_suspects(span, rms_mps)
        travel = span.travel_m * np.float32(1e6)
        travel_um = np.rint(travel, out=travel).astype(np.int32)
        cells = find_cells(span.speed_mps)
        heat = tables.compute_force_n(span.speed_mps, span.travel_m, cells)
        fade = tables.compute_fade_ratio(np.array([tile.body_c for tile in tiles]).T)
        beyond = tuple(
            None if margin is None else margin.find_beyond(heat[row], span.travel_m[row], fade[row])
            for row, margin in enumerate(margins)
        )
        heat *= span.speed_mps
        by_tile = heat.reshape(len(heat), len(tiles), -1)
        by_tile *= (fade * (tiles[0].dt_s * 1e6)).astype(np.float32)[:, :, None]
        np.maximum(heat, 0.0, out=heat)
        np.rint(heat, out=heat)
        # Sums of these whole numbers are exact, so that they don't depend on the order.
        heat_uj = heat.astype(np.float64)
        return SharedSpan(span, cells, travel_um, heat_uj, beyond, suspects)

    def part(self, start: int, stop: int) -> slice:
        """Return where the samples of tiles start..stop are; all tiles of a span are equally long."""
        n = self.span.tiles[0].n
        return slice(start * n, stop * n)

    def sum_pieces(self, rows: Sequence[int], lasts_um: Sequence[int | None]) -> list[PieceSums]:
        """Return what the tiles hold for some dampers of which every sample counts; lasts_um: travel just before."""
        travel_um, speed_mps, heat_uj = self.travel_um, self.span.speed_mps, self.heat_uj
        if len(rows) < len(heat_uj):
            chosen = list(rows)
            travel_um, speed_mps, heat_uj = travel_um[chosen], speed_mps[chosen], heat_uj[chosen]
        return sum_pieces(travel_um, speed_mps, heat_uj, lasts_um, len(self.span.tiles))


def _find_suspects(span: PreparedSpan, rms_mps: Floats) -> tuple[Sequence[int], ...]:
    """Return of each damper the tiles that aren't clean, or in which a quarter is quiet while others are shaken."""
    tiles, n = span.tiles, span.tiles[0].n
    # Of a cut tile some quarters may be empty.
    quarters = sorted({n * quarter // QUARTERS for quarter in range(QUARTERS)})
    starts = (np.arange(len(tiles))[:, None] * n + quarters).ravel()
    ranges_m = np.maximum.reduceat(span.travel_m, starts, axis=1) - np.minimum.reduceat(span.travel_m, starts, axis=1)
    calmest_m = ranges_m.reshape(len(ranges_m), len(tiles), -1).min(axis=2)
    limits_m = np.fmax(QUIET_M, QUIET_NOISE_LEVELS * np.array([tile.noise_m for tile in tiles]).T)
    suspects: list[list[int]] = [[] for _ in span.clean]
    is_calm = calmest_m < limits_m
    for row, number in np.argwhere(is_calm).tolist() if is_calm.any() else ():
        if span.clean[row] and is_shaken(tiles[number], row, rms_mps[:, number]):
            suspects[row].append(number)
    return tuple(found if clean else range(len(tiles)) for found, clean in zip(suspects, span.clean, strict=True))


def is_shaken(tile: PreparedTile, row: int, rms_mps: NDArray[np.float64]) -> bool:
    """Return whether the other dampers show that the vehicle is being shaken."""
    others = sorted(float(rms) for i, rms in enumerate(rms_mps) if i != row and tile.valid[i].any())
    return bool(others) and others[len(others) // 2] > OTHERS_MPS
