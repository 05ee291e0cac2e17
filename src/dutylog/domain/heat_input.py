"""What one tile, about a second, says about the heat of one damper."""

from __future__ import annotations

import math
from dataclasses import dataclass

from dutylog.errors import InputError


@dataclass(frozen=True, slots=True)
class HeatInput:
    """Means over one tile; what wasn't measured is None, never zero.

    seconds: length of the tile, > 0. power_w: mean heat made in the oil over the measured part, None where
    travel wasn't measured. measured_ratio: 0..1, part of the tile in which it was. rms_mps: shaft speed.
    body_c: mean of the body's thermocouple. air_c: air. speed_mps: of the vehicle.
    """

    seconds: float
    power_w: float | None
    measured_ratio: float
    rms_mps: float | None
    body_c: float | None
    air_c: float | None
    speed_mps: float | None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.seconds) and self.seconds > 0.0):
            raise InputError(f"a tile of {self.seconds} s, expected more than 0")
        if not 0.0 <= self.measured_ratio <= 1.0:
            raise InputError(f"{self.measured_ratio} of a tile measured, expected 0 to 1")
        for value in (self.power_w, self.rms_mps, self.body_c, self.air_c, self.speed_mps):
            if value is not None and not math.isfinite(value):
                raise InputError(f"heat input of {value}; what is unknown is given as None")
