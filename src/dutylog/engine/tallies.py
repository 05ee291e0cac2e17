"""What the tiles of a span bring, added up before it is handed on: for trip, minute and life."""

from __future__ import annotations

from collections.abc import Sequence

from dutylog.duty.totals import Totals
from dutylog.engine.epoch_run import PreparedTile
from dutylog.engine.lost_time import LostTime, add_lost
from dutylog.engine.minutes import TILES
from dutylog.engine.place import TileGain
from dutylog.engine.trips import Gains, TileSummary

MOVING_MPS = 1.0
MOVING_TILES = 10
"""Moving: speed over 1 m/s, or a stroke within the last 10 s (shared/CONVENTIONS.md)."""


def judge_motion(
    tiles: Sequence[PreparedTile], gains: Sequence[Sequence[TileGain]], strokes_ago: int
) -> tuple[list[bool], int]:
    """Return in which tiles the vehicle moved, and how many tiles ago then the last stroke was, MOVING_TILES at most.

    gains: of each damper. strokes_ago: before the first tile.
    """
    moving = []
    for tile, of_tile in zip(tiles, zip(*gains, strict=True), strict=True):
        stroked = any(gain.totals.strokes_count for gain in of_tile)
        strokes_ago = 0 if stroked else min(strokes_ago + 1, MOVING_TILES)
        fast = tile.vehicle_mps is not None and tile.vehicle_mps > MOVING_MPS
        moving.append(fast or strokes_ago < MOVING_TILES)
    return moving, strokes_ago


def cut_alike(tiles: Sequence[PreparedTile], moving: Sequence[bool], most_ns: int) -> list[slice]:
    """Return the tiles of each minute that all moved or all stood, so that they can be added up.

    most_ns: a tile that ends later than so long after the one before begins anew.
    """
    starts = [0]
    for number in range(1, len(tiles)):
        tile, before = tiles[number], tiles[number - 1]
        is_new = moving[number] != moving[number - 1] or tile.tile % TILES == 0
        if is_new or tile.end_ns - before.end_ns > most_ns:
            starts.append(number)
    return [slice(start, stop) for start, stop in zip(starts, [*starts[1:], len(tiles)], strict=True)]


def complete(
    gains: Sequence[TileGain], row: int, tiles: Sequence[PreparedTile], moving: Sequence[bool], lost_us: LostTime
) -> None:
    """Write times and temperatures of a damper's tiles into what they brought; add lost time to lost_us."""
    for gain, tile, moves in zip(gains, tiles, moving, strict=True):
        totals, samples = gain.totals, tile.body_samples[row]
        totals.measured_us, totals.unmeasured_us = gain.measured_us, gain.unmeasured_us
        if moves:
            totals.moving_us = gain.measured_us + gain.unmeasured_us
            totals.moving_measured_us = gain.measured_us
        if samples:
            totals.peak_body_mc = round(max(samples) * 1000)
        if gain.lost_us:
            add_lost(lost_us, gain.lost_us)


def summarize(tiles: Sequence[PreparedTile], gains: Gains, *, moving: bool) -> list[TileSummary]:
    """Return what tiles that all moved or all stood add to a trip; all they gained stands with the first of them."""
    summaries: list[TileSummary] = []
    for tile in tiles:
        seconds = (tile.end_ns - tile.start_ns) * 1e-9
        distance_m = None if tile.vehicle_mps is None else max(0.0, tile.vehicle_mps) * seconds
        span_ns = tile.start_ns, tile.end_ns
        summaries.append(TileSummary(tile.epoch, tile.tile, *span_ns, moving, distance_m, () if summaries else gains))
    return summaries


def add_up(gains: Sequence[TileGain]) -> Totals:
    """Return what tiles brought together."""
    total = gains[0].totals.copy()
    for gain in gains[1:]:
        total.merge(gain.totals)
    return total
