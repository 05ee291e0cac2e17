"""What the wheels say of the road, tile by tile: roughness, lines in the spectrum, flights.

Between the body's own frequency (1 to 2 Hz) and that of the wheels (10 to 15 Hz) a wheel follows the road while the
body hardly moves, whatever springs, masses and dampers are: there shaft speed is the road's slope times the speed of
the vehicle times the lever of the damper. That band is the measure of roughness.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.review.trip_data import Floats, Mask, Singles

FINE_HZ = 125.0
"""Travel is thinned to this rate or up to twice it: washboard of 0.5 m at 30 m/s makes 60 Hz. Judgement."""
LINES_HZ = (4, 60)
"""Where a line is looked for: washboard of 2.5 m at 10 m/s to 0.5 m at 30 m/s. Judgement."""
COMB_HZ = (2, 30)
"""Where the delay between the axles shows itself."""
BAND_HZ = (2, 6)
"""Lines the roughness is read from: twice the body's frequency to half the wheel's. Judgement."""
USUAL_LEVER = 0.64
USUAL_STROKE_M = 0.28
"""Shaft travel per wheel travel of a damper of that stroke. Common practice, no published source: 0.55 to 0.75."""
DROOP_RATIO = 0.10
"""Share of the stroke below which a wheel hangs: it stands at 0.3 to 0.45 of it. Judgement."""
LEAST_COUNTED = 0.8
"""Share of a tile's samples that must be believed. Judgement."""
QUIET_LEVEL = 8.0
"""A damper that moves by so much less than the one that moves most, log2 of power, is stuck or unplugged. Judgement."""
LEAST_TILE_S = 0.7
LEAST_RATE_HZ = 40.0
"""Slower than that the band of the roughness isn't in the samples."""
LEAST_POWER = np.float32(1e-12)
"""Added to every line, so that a dead sensor has a logarithm; a good one's noise is a thousand times that."""
GATHERED_TILES = 32
"""Tiles worked off at once: enough to hide the cost of each call."""


@dataclass(frozen=True, slots=True)
class RoadRows:
    """What was found, a row for each tile.

    t_s, dt_s, vehicle_mps, moving: as in TripData. level: log2 of the vertical speed power of the wheels
    [m2/s2/Hz] in BAND_HZ, geometric mean of the dampers. aloft_s: time in which all wheels hang together.
    landing_ratio: mean over the dampers of the largest travel by stroke. common: (n, lines of LINES_HZ) log2 of the
    same power line by line: a line stands out only if every damper has it.
    together: (n, lines of COMB_HZ) power of the sum of all dampers by the sum of their powers, 0 to 1.
    NaN in rows that nothing can be said of.
    """

    t_s: Floats
    dt_s: Floats
    vehicle_mps: Singles
    moving: Mask
    level: Singles
    aloft_s: Singles
    landing_ratio: Singles
    common: NDArray[np.float16]
    together: Singles

    @property
    def count(self) -> int:
        """Return the number of rows."""
        return len(self.t_s)

    def part(self, start: int, end: int) -> RoadRows:
        """Return rows from start to before end."""
        return RoadRows(*(getattr(self, f.name)[start:end] for f in fields(RoadRows)))

    @staticmethod
    def join(parts: Iterable[RoadRows]) -> RoadRows:
        """Return rows that follow each other as one."""
        pieces = list(parts)
        if not pieces:
            return RoadFinder(()).rows()
        if len(pieces) == 1:
            return pieces[0]
        return RoadRows(*(np.concatenate([getattr(p, f.name) for p in pieces]) for f in fields(RoadRows)))


class RoadFinder:
    """Takes tiles one by one and gathers what they say of the road."""

    def __init__(self, stroke_m: Sequence[float]) -> None:
        """stroke_m: one a damper, in the order of the rows of travel."""
        strokes = np.asarray(stroke_m, dtype=np.float32)
        if np.any(~(strokes > 0.0)):
            raise InputError(f"strokes {list(stroke_m)} m, expected all above 0")
        self._stroke_m = strokes
        self._to_wheel = (1.0 / (USUAL_LEVER * np.sqrt(strokes / USUAL_STROKE_M))).astype(np.float32)
        self._facts: list[tuple[float, float, float, bool]] = []
        self._done: list[tuple[NDArray[Any], ...]] = []
        self._waiting = 0
        self._shape = (0.0, 0)
        self._travel = np.zeros((0, 0, 0), dtype=np.float32)
        self._believed = np.ones((GATHERED_TILES, len(strokes)), dtype=bool)

    def take(
        self,
        travel_m: Singles,
        counted: Mask,
        rate_hz: float,
        dt_s: float,
        vehicle_mps: float | None,
        moving: bool,
        t_s: float,
    ) -> None:
        """Take a tile.

        Args:
            travel_m, counted: (dampers, n) travel [m], holes filled, and where it is believed.
            rate_hz: samples a second. dt_s: length of the tile. t_s: its begin since the trip's begin.
            vehicle_mps: None where unknown.
        Raises:
            InputError: other dampers than strokes.
        """
        if travel_m.shape[0] != len(self._stroke_m) or counted.shape != travel_m.shape:
            raise InputError(f"travel of {travel_m.shape}, counted {counted.shape}, {len(self._stroke_m)} strokes")
        n = travel_m.shape[1]
        if (rate_hz, n) != self._shape or self._waiting == GATHERED_TILES:
            self._work_off()
        if (rate_hz, n) != self._shape:
            self._shape = (rate_hz, n)
            self._travel = np.empty((GATHERED_TILES, len(self._stroke_m), n), dtype=np.float32)
        self._travel[self._waiting] = travel_m
        self._believed[self._waiting] = counted.all() or counted.sum(axis=1) >= LEAST_COUNTED * n
        self._facts.append((t_s, dt_s, np.nan if vehicle_mps is None else vehicle_mps, moving))
        self._waiting += 1

    def rows(self) -> RoadRows:
        """Return all rows so far."""
        self._work_off()
        facts = np.array(self._facts, dtype=np.float64).reshape(-1, 4)
        if self._done:
            found = [np.concatenate(column) for column in zip(*self._done, strict=True)]
        else:
            found = list(_nothing(0))
        return RoadRows(facts[:, 0], facts[:, 1], facts[:, 2].astype(np.float32), facts[:, 3] > 0.0, *found)

    def _work_off(self) -> None:
        """Make rows of the tiles that wait."""
        if not self._waiting:
            return
        rate_hz, n = self._shape
        travel, believed = self._travel[: self._waiting], self._believed[: self._waiting]
        self._waiting = 0
        if n < LEAST_TILE_S * rate_hz or rate_hz < LEAST_RATE_HZ or not len(self._stroke_m):
            self._done.append(_nothing(len(travel)))
        else:
            self._done.append(_look_at(travel, believed, rate_hz, self._stroke_m, self._to_wheel))


def _nothing(count: int) -> tuple[NDArray[Any], ...]:
    """Return rows that nothing can be said of."""
    scalars = [np.full(count, np.nan, dtype=np.float32) for _ in range(3)]
    common = np.full((count, LINES_HZ[1] - LINES_HZ[0] + 1), np.nan, dtype=np.float16)
    return (*scalars, common, np.full((count, COMB_HZ[1] - COMB_HZ[0] + 1), np.nan, dtype=np.float32))


def _look_at(
    travel_m: Singles, believed: Mask, rate_hz: float, stroke_m: Singles, to_wheel: Singles
) -> tuple[NDArray[Any], ...]:
    """Return what tiles (tiles, dampers, n) say; fields of RoadRows from `level` on."""
    fine_m, fine_hz = _thin(travel_m, rate_hz)
    fine_m[~believed] = 0.0
    window = np.hanning(fine_m.shape[2] + 1)[1:-1].astype(np.float32)
    speed = np.diff(fine_m, axis=2)
    speed -= speed.mean(axis=2, keepdims=True)
    speed *= window
    lines = np.fft.rfft(speed, n=fine_m.shape[2], axis=2)[:, :, : LINES_HZ[1] + 1]
    lines *= (to_wheel * fine_hz * np.sqrt(2.0 / (fine_hz * np.square(window).sum())))[:, None]
    power = np.square(lines.real) + np.square(lines.imag) + LEAST_POWER
    band = np.log2(_part(power, BAND_HZ).mean(axis=2))
    believed = believed & np.isfinite(band)
    believed &= band >= np.where(believed, band, -np.inf).max(axis=1, keepdims=True) - QUIET_LEVEL
    band, power, lines = (_where(believed, part) for part in (band, power, lines))
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = believed / believed.sum(axis=1, dtype=np.float32)[:, None]
        level = (band * weight).sum(axis=1)
        landing = (_where(believed, fine_m.max(axis=2)) / stroke_m * weight).sum(axis=1)
        hangs = ((fine_m < DROOP_RATIO * stroke_m[:, None]) | ~believed[:, :, None]).all(axis=1)
        aloft_s = np.where(believed.any(axis=1), hangs.sum(axis=1) / fine_hz, np.nan)
        common = (np.log2(_part(power, LINES_HZ)) * weight[:, :, None]).sum(axis=1)
        summed = (_part(lines, COMB_HZ) * weight[:, :, None]).sum(axis=1)
        mean = (_part(power, COMB_HZ) * weight[:, :, None]).sum(axis=1)
        together = (np.square(summed.real) + np.square(summed.imag)) / mean
    scalars = (part.astype(np.float32) for part in (level, aloft_s, landing))
    return (*scalars, _fill(common, LINES_HZ).astype(np.float16), _fill(together, COMB_HZ).astype(np.float32))


def _thin(travel_m: Singles, rate_hz: float) -> tuple[Singles, float]:
    """Return means of samples that follow each other and their rate, FINE_HZ or a little more."""
    tiles, dampers, n = travel_m.shape
    step = max(1, int(rate_hz / FINE_HZ))
    m = n // step
    # added one by one: faster than a mean over so short an axis, and the same to the bit however many tiles there are
    split = travel_m[:, :, : m * step].reshape(tiles, dampers, m, step)
    total = split[..., 0].copy()
    for number in range(1, step):
        total += split[..., number]
    return total / np.float32(step), rate_hz / step


def _where(believed: Mask, values: Any) -> Any:
    """Return values (tiles, dampers, ...) with ones, which have a logarithm, for dampers that aren't believed."""
    return np.where(believed if values.ndim == 2 else believed[:, :, None], values, np.float32(1.0))


def _part(spectrum: Any, band_hz: tuple[int, int]) -> Any:
    """Return the lines of a band, both ends included."""
    return spectrum[..., band_hz[0] : band_hz[1] + 1]


def _fill(spectrum: Singles, band_hz: tuple[int, int]) -> Singles:
    """Return a spectrum with all lines of a band, NaN above its own end."""
    missing = max(0, band_hz[1] - band_hz[0] + 1 - spectrum.shape[1])
    return np.pad(spectrum, ((0, 0), (0, missing)), constant_values=np.nan)
