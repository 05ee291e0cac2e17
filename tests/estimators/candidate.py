"""What a candidate is: windows in, prepared travel and shaft speed of their tiles out."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from dutylog.motion.shaft_speed import TileShape

Array = NDArray[np.float64]


class Candidate(Protocol):
    """A way to get shaft speed; keeps no state between tiles, like the engine's own.

    name: as the table shows it. bandwidth: in words. lag_s: how much future it waits for at 1 kHz.
    """

    @property
    def name(self) -> str: ...

    @property
    def bandwidth(self) -> str: ...

    @property
    def lag_s(self) -> float: ...

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """Return travel [m] and speed [m/s] of the tiles, both (windows, shape.n); windows_m is (windows, length)."""
        ...


def measure_floor(windows_m: Array) -> Array:
    """Return the noise [m rms] (windows,) by the power in the upper half of the band, where no shaft moves."""
    windows = windows_m - windows_m.mean(axis=1, keepdims=True)
    taper = np.hanning(windows.shape[1])
    power = np.abs(np.fft.rfft(windows * taper, axis=1)) ** 2
    bins = power.shape[1]
    upper = power[:, bins // 2 : int(0.98 * bins)]
    # The median of an exponential variable is ln 2 of its mean, and deaf to lines of hum.
    floor: Array = np.sqrt(np.median(upper, axis=1) / np.log(2.0) / np.sum(taper**2))
    return floor
