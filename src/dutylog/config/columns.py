"""Columns of a recording under other names and in other units: what may be named, and in which units.

Conversions are exact by definition (units.py) and done once, where the file is read
(dutylog.acquire.mapped_table). They are written for single numbers and for arrays alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from dutylog.units import KMPH_PER_MPS, MM_PER_INCH, MPS_PER_MPH, PA_PER_BAR, PA_PER_KPA, PA_PER_PSI, ZERO_C_IN_K

INSTANT = "t_s"
TRAVEL_END = "_travel_mm"
BODY_END = "_body_c"
PRESSURE_END = "_pressure_bar"
PRESSURE_ENDS_PA = {PRESSURE_END: PA_PER_BAR, "_pressure_psi": PA_PER_PSI, "_pressure_kpa": PA_PER_KPA}
"""Ends of columns of reservoir pressure, gauge, and what one of their unit is [Pa]; a recording may have any."""
AMBIENT = "ambient_c"
VEHICLE_SPEED = "speed_mps"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit against ours: ours = (value - zero) * factor / divisor.

    Two numbers rather than one ratio, because 1/1000 is no double: 1.5 ms must become the very
    double that 0.0015 s is.
    """

    factor: float = 1.0
    divisor: float = 1.0
    zero: float = 0.0

    def convert(self, value: Any) -> Any:
        """Return a number or an array in our unit."""
        return (value - self.zero) * self.factor / self.divisor


_OURS = Unit()
_TIME = {"s": _OURS, "ms": Unit(divisor=1000.0), "us": Unit(divisor=1_000_000.0)}
_LENGTH = {"mm": _OURS, "cm": Unit(10.0), "m": Unit(1000.0), "in": Unit(MM_PER_INCH)}
_TEMPERATURE = {"C": _OURS, "F": Unit(5.0, 9.0, 32.0), "K": Unit(zero=ZERO_C_IN_K)}
_SPEED = {"m/s": _OURS, "km/h": Unit(divisor=KMPH_PER_MPS), "mph": Unit(MPS_PER_MPH)}
_PRESSURE = {"bar": _OURS, "psi": Unit(PA_PER_PSI, PA_PER_BAR), "kPa": Unit(PA_PER_KPA, PA_PER_BAR)}


@dataclass(frozen=True, slots=True)
class ColumnSource:
    """Where one of our columns comes from: unit of (recorded * scale + offset), None for ours."""

    target: str
    column: str
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0

    @property
    def is_plain(self) -> bool:
        """Return whether values are taken as they stand."""
        return self.scale == 1.0 and self.offset == 0.0 and self._unit == _OURS

    @property
    def _unit(self) -> Unit:
        return _OURS if self.unit is None else units_of(self.target)[1][self.unit]

    def convert(self, recorded: Any) -> Any:
        """Return recorded values, a number or a float array, in our unit."""
        return self._unit.convert(recorded * self.scale + self.offset)


def units_of(target: str) -> tuple[str, dict[str, Unit]]:
    """Return what one of our columns holds, in words, and the units it may come in."""
    if target == INSTANT:
        return "time", _TIME
    if target.endswith(TRAVEL_END):
        return "length", _LENGTH
    if target == VEHICLE_SPEED:
        return "speed", _SPEED
    if target.endswith(PRESSURE_END):
        return "pressure", _PRESSURE
    return "temperature", _TEMPERATURE


def targets_of(positions: Sequence[str], sensors: Iterable[str]) -> tuple[str, ...]:
    """Return every column a recording may have.

    Args:
        positions: all of the vehicle. sensors: those with a travel sensor of their own.
    """
    travel = [f"{position}{TRAVEL_END}" for position in sensors]
    own = [f"{position}{end}" for end in (BODY_END, PRESSURE_END) for position in positions]
    return (INSTANT, *travel, *own, AMBIENT, VEHICLE_SPEED)
