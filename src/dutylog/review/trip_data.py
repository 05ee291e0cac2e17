"""What one pass over a trip's raw samples leaves: a row a second, histograms, contacts. All else follows from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.duty.totals import Totals

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

STREET, GRADED, WASHBOARD, ROUGH, JUMPS, PARKED = "street", "graded", "washboard", "rough", "jumps", "parked"
ROAD_KINDS = (STREET, GRADED, WASHBOARD, ROUGH, JUMPS, PARKED)
"""What a segment of a trip may be. Definitions: shared/REVIEW.md."""

BUMP_STOP, BOTTOMED, STRAP, TOPPED_OUT = "bump_stop", "bottomed", "strap", "topped_out"
CONTACT_KINDS = (BUMP_STOP, BOTTOMED, STRAP, TOPPED_OUT)
"""What the end of travel may be met with. Definitions: shared/REVIEW.md."""


@dataclass(frozen=True, slots=True)
class Contact:
    """One meeting with an end of travel.

    t_s: since the trip's begin. speed_mps: shaft speed at contact, 0 or more. Of the vehicle then: vehicle_mps,
    distance_m since the trip's begin, latitude_deg, longitude_deg; None where unknown. unit_id: of the damper that sat
    at the position then, None where nobody named one.
    """

    position: str
    kind: str
    t_s: float
    speed_mps: float
    vehicle_mps: float | None = None
    distance_m: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    unit_id: str | None = None


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one kind of road. start_s, end_s: since the trip's begin. is_said: a person put it right."""

    kind: str
    start_s: float
    end_s: float
    is_said: bool = False


@dataclass(frozen=True, slots=True)
class Fault:
    """Time in which a sensor told nothing true. kind: as in engine/output.py. end_s: None where its end isn't known."""

    position: str
    kind: str
    start_s: float
    end_s: float | None


COUNTS = (
    "energy_compression_uj",
    "energy_rebound_uj",
    "shaft_travel_um",
    "strokes_count",
    "bottom_outs_count",
    "measured_us",
)
"""Columns of whole numbers, as in Totals and DamperData."""
SIGNALS = ("body_c", "rms_mps", "travel_mean_m", "travel_min_m", "travel_max_m", "gas_pa")
"""Columns of single floats, NaN where unknown, as in DamperData."""


@dataclass(frozen=True, slots=True)
class DamperData:
    """One damper in one place.

    Rows go with those of TripData; a damper that came or left on the way has zeros and NaN elsewhere. energy_*_uj,
    shaft_travel_um, strokes_count, bottom_outs_count, measured_us: what each row adds, as in Totals. body_c, rms_mps
    (of the shaft), travel_mean_m, travel_min_m, travel_max_m: NaN where unknown. gas_pa: gauge, NaN without a sender.
    totals: of the whole trip. energy_by_speed_uj, time_by_speed_ns, time_by_position_ns: classes of
    duty/histograms.py. strokes_by_length_frequency: (LENGTH_BINS, frequencies) classes of duty/strokes.py.
    """

    position: str
    wheel: str
    unit_id: str
    label: str
    stroke_m: float
    bump_stop_m: float | None
    strap_m: float | None
    energy_compression_uj: Ints
    energy_rebound_uj: Ints
    shaft_travel_um: Ints
    strokes_count: Ints
    bottom_outs_count: Ints
    measured_us: Ints
    body_c: Singles
    rms_mps: Singles
    travel_mean_m: Singles
    travel_min_m: Singles
    travel_max_m: Singles
    gas_pa: Singles
    totals: Totals
    energy_by_speed_uj: Ints
    time_by_speed_ns: Ints
    time_by_position_ns: Ints
    strokes_by_length_frequency: Ints

    @property
    def energy_uj(self) -> Ints:
        """Return heat of each row [uJ]."""
        return self.energy_compression_uj + self.energy_rebound_uj


@dataclass(frozen=True, slots=True)
class TripData:
    """All of one trip, a row for each tile of the engine (about a second).

    key: of the trip (ledger/trip_book.py). vehicle: configuration in force at its end. start_utc_s: None where nobody
    knew the time. t_s: (n,) begin of each row since the trip's begin; dt_s: its length. vehicle_mps, ambient_c,
    latitude_deg, longitude_deg: NaN where unknown. distance_m: (n,) driven up to the end of each row, NaN from the
    begin where speed was never known. segments cover the trip without a hole; parts of it that aren't in the log
    have no rows and no segment.
    """

    key: str
    engine: str
    vehicle: Vehicle
    start_utc_s: float | None
    utc_trusted: bool
    t_s: Floats
    dt_s: Floats
    moving: Mask
    vehicle_mps: Singles
    ambient_c: Singles
    latitude_deg: Floats
    longitude_deg: Floats
    distance_m: Floats
    dampers: tuple[DamperData, ...]
    contacts: tuple[Contact, ...]
    segments: tuple[Segment, ...]
    faults: tuple[Fault, ...]
    is_raw_whole: bool
    notes: tuple[str, ...] = ()

    @property
    def end_s(self) -> float:
        """Return the end of the last row."""
        return float(self.t_s[-1] + self.dt_s[-1]) if len(self.t_s) else 0.0
