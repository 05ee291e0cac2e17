"""Trips as people keep them: what the engine found, with the repairs they made."""

from __future__ import annotations

from dataclasses import dataclass

from dutylog.engine.output import TripDamper


@dataclass(frozen=True, slots=True)
class Span:
    """Where a stretch of a trip lies in the raw log: from a tile of an epoch on, as long as length_ns on its clock."""

    epoch: int
    start_tile: int
    length_ns: int


@dataclass(frozen=True, slots=True)
class BookTrip:
    """One trip as it is shown.

    key: '7', or '7.2' for the second part of a trip that was split. numbers: of the engine's trips it is made of.
    spans: in order. dampers: sums and maxima of all of it. not_driven: why its duty doesn't count, None where it does.
    Wall times are None where no clock of the epoch is known.
    """

    key: str
    numbers: tuple[int, ...]
    name: str | None
    spans: tuple[Span, ...]
    is_open: bool
    duration_ns: int
    moving_us: int
    distance_m: float | None
    dampers: tuple[TripDamper, ...]
    start_utc_ns: int | None
    end_utc_ns: int | None
    utc_trusted: bool
    not_driven: str | None
