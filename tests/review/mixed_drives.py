"""Drives over several kinds of road with known truth, from the simulated vehicle.

TUNING were used to choose the figures in review/road.py and review/segments.py. All others were written down before
anybody looked at their results: roads, speeds, seeds and cars that TUNING doesn't have. FIRST_LOOK, SHORT and
STRANGE_CARS were looked at once (90 to 100 % right), then figures were changed for the better; so HELD_OUT was written
before that change had a result. Looked at, it was 95 to 99.6 % right with speed; without, two drives were 81 % right
because jumps 140 m apart weren't taken for a row of jumps. After those two figures LAST was written, and nothing was
changed any more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dutylog.review.trip_data import GRADED, JUMPS, PARKED, ROUGH, STREET, WASHBOARD
from dutylog.sim.roads import Bumps, Corrugation, Jumps, RoughRoad
from open_data.roads import belgian_tracks, iri_profile
from review.driven_roads import PAVED_CPM, Car, Drive, Irregular, Leg

STOCK = Car()
LIGHT = Car((330.0, 420.0), (42.0, 48.0), (0.60, 0.70), 220e3)
HEAVY = Car((720.0, 680.0), (80.0, 95.0), (0.66, 0.62), 380e3)

_A, _B = RoughRoad("A", band_cpm=PAVED_CPM), RoughRoad("B", band_cpm=PAVED_CPM)
_C, _D = RoughRoad("C"), RoughRoad("D")

TUNING = (
    Drive(
        "mixed morning",
        (
            Leg(STREET, 80, 26, (_A,)),
            Leg(GRADED, 80, 18, (_C,)),
            Leg(WASHBOARD, 70, 13, (RoughRoad("B"), Corrugation(0.025, 0.8, 0.1))),
            Leg(ROUGH, 90, 16, (RoughRoad("E", 0.7), Bumps(70.0, 0.12, 1.8), Jumps(420.0, 0.35, 7.0, 1.2))),
            Leg(JUMPS, 80, 18, (_C, Jumps(100.0, 0.45, 7.0, 1.2))),
            Leg(PARKED, 50, 0, (_C,)),
            Leg(STREET, 60, 13, (_B,)),
            Leg(ROUGH, 60, 12, (_D,)),
            Leg(GRADED, 60, 20, (RoughRoad("C", 1.3),)),
            Leg(WASHBOARD, 50, 8, (RoughRoad("B"), Corrugation(0.02, 0.7, 0.0))),
        ),
        (STOCK, LIGHT, HEAVY),
        seed=11,
    ),
    Drive(
        "mixed evening",
        (
            Leg(GRADED, 60, 12, (_C,)),
            Leg(ROUGH, 70, 10, (RoughRoad("E"),)),
            Leg(WASHBOARD, 60, 18, (RoughRoad("C"), Corrugation(0.03, 0.9, 0.2))),
            Leg(STREET, 70, 20, (_B,)),
            Leg(PARKED, 40, 0, (_B,)),
            Leg(ROUGH, 70, 19, (_D, Bumps(50.0, 0.10, 1.5))),
            Leg(JUMPS, 80, 15, (_C, Jumps(80.0, 0.5, 6.0, 1.0))),
            Leg(GRADED, 60, 23, (_C,)),
            Leg(STREET, 60, 8, (_A,)),
        ),
        (STOCK, LIGHT, HEAVY),
        seed=12,
        force_ratio=1.3,
        wheelbase_m=2.8,
    ),
    Drive(
        "mixed noon",
        (
            Leg(ROUGH, 60, 17, (_D,)),
            Leg(WASHBOARD, 60, 14, (RoughRoad("B"), Irregular(0.025, 0.8, 0.08))),
            Leg(ROUGH, 60, 15, (RoughRoad("E", 0.8),)),
            Leg(WASHBOARD, 60, 17, (_C, Irregular(0.03, 0.9, 0.1))),
        ),
        (LIGHT, replace(STOCK, motion_ratio=(0.52, 0.54))),
        seed=13,
        force_ratio=0.7,
    ),
)

MIDDLE = Car((600.0, 560.0), (70.0, 85.0), (0.60, 0.64), 320e3)
BUGGY = Car((270.0, 380.0), (38.0, 55.0), (0.58, 0.58), 200e3)
TRUCK = Car((820.0, 640.0), (95.0, 130.0), (0.64, 0.70), 400e3)

FIRST_LOOK = (
    Drive(
        "valley",
        (
            Leg(STREET, 70, 17, (RoughRoad("B", 0.9, band_cpm=PAVED_CPM),)),
            Leg(GRADED, 70, 15, (RoughRoad("C", 1.1),)),
            Leg(WASHBOARD, 60, 15, (RoughRoad("B"), Corrugation(0.022, 0.65, 0.15))),
            Leg(ROUGH, 80, 14, (RoughRoad("E", 0.85), Bumps(60.0, 0.15, 2.0))),
            Leg(PARKED, 45, 0, (_C,)),
            Leg(JUMPS, 80, 16, (_C, Jumps(110.0, 0.5, 7.5, 1.1))),
            Leg(GRADED, 60, 21, (_C,)),
            Leg(STREET, 60, 28, (_A,)),
        ),
        (STOCK, MIDDLE),
        seed=101,
    ),
    Drive(
        "dry lake",
        (
            Leg(PARKED, 40, 0, ()),
            Leg(STREET, 60, 24, (_B,)),
            Leg(ROUGH, 70, 17, (_D,)),
            Leg(WASHBOARD, 60, 10, (RoughRoad("B"), Corrugation(0.03, 0.75, 0.05))),
            Leg(GRADED, 70, 17, (_C,)),
            Leg(JUMPS, 70, 20, (RoughRoad("C", 0.9), Jumps(130.0, 0.4, 7.0, 1.3))),
            Leg(ROUGH, 60, 11, (RoughRoad("E"), Bumps(80.0, 0.1, 1.6))),
            Leg(STREET, 50, 11, (_A,)),
            Leg(PARKED, 40, 0, (_A,)),
        ),
        (MIDDLE, TRUCK),
        seed=102,
        force_ratio=0.85,
        wheelbase_m=3.4,
    ),
    Drive(
        "canyon",
        (
            Leg(GRADED, 60, 14, (_C,)),
            Leg(WASHBOARD, 60, 20, (_C, Corrugation(0.028, 1.0, 0.2))),
            Leg(ROUGH, 80, 13, (RoughRoad("E", 0.75),)),
            Leg(STREET, 60, 19, (_B,)),
            Leg(WASHBOARD, 50, 12, (RoughRoad("B"), Corrugation(0.018, 0.6, 0.1))),
            Leg(GRADED, 60, 19, (RoughRoad("C", 1.2),)),
            Leg(PARKED, 35, 0, (_C,)),
            Leg(ROUGH, 60, 18, (_D, Bumps(90.0, 0.12, 2.2))),
            Leg(STREET, 60, 15, (_A,)),
        ),
        (BUGGY, LIGHT),
        seed=103,
        strokes_mm=(203.0, 254.0),
        force_ratio=0.7,
        wheelbase_m=2.6,
    ),
    Drive(
        "ridge",
        (
            Leg(STREET, 60, 22, (_A,)),
            Leg(WASHBOARD, 60, 16, (RoughRoad("B", 1.2), Corrugation(0.032, 0.85, 0.1))),
            Leg(STREET, 60, 14, (_B,)),
            Leg(ROUGH, 80, 20, (RoughRoad("E", 0.8), Jumps(500.0, 0.4, 7.0, 1.2))),
            Leg(GRADED, 60, 22, (RoughRoad("C", 1.15),)),
            Leg(JUMPS, 80, 17, (RoughRoad("C", 1.1), Jumps(90.0, 0.5, 7.0, 1.0))),
            Leg(PARKED, 60, 0, (_C,)),
            Leg(GRADED, 60, 10, (_C,)),
        ),
        (STOCK, TRUCK),
        seed=104,
        strokes_mm=(305.0, 356.0),
        force_ratio=1.2,
    ),
)

STRANGE_CARS = (
    Drive(
        "leverage",
        (
            Leg(STREET, 60, 18, (_B,)),
            Leg(GRADED, 60, 16, (_C,)),
            Leg(WASHBOARD, 60, 14, (RoughRoad("B"), Corrugation(0.025, 0.8, 0.1))),
            Leg(ROUGH, 60, 15, (RoughRoad("E", 0.8),)),
            Leg(STREET, 60, 25, (_A,)),
            Leg(ROUGH, 60, 14, (_D,)),
        ),
        # shaft moves half and nine tenths as far as the wheel: nobody told us
        (Car(motion_ratio=(0.5, 0.5)), Car(motion_ratio=(0.9, 0.9))),
        seed=105,
    ),
)
"""Outside of what is promised: to say how far wrong it goes there."""

SHORT = Drive(
    "short",
    (
        Leg(STREET, 36, 20, (_B,)),
        Leg(ROUGH, 40, 15, (RoughRoad("E", 0.8),)),
        Leg(PARKED, 34, 0, (_C,)),
        Leg(WASHBOARD, 40, 12, (RoughRoad("B"), Corrugation(0.024, 0.7, 0.1))),
        Leg(GRADED, 40, 17, (RoughRoad("C", 1.05),)),
    ),
    (MIDDLE,),
    seed=106,
)

HATCH = Car((410.0, 350.0), (48.0, 52.0), (0.68, 0.64), 250e3)
CAMPER = Car((760.0, 900.0), (85.0, 110.0), (0.60, 0.68), 420e3)
ROCKET = Car((460.0, 520.0), (68.0, 80.0), (0.58, 0.72), 260e3)

HELD_OUT = (
    Drive(
        "mesa",
        (
            Leg(GRADED, 60, 24, (_C,)),
            Leg(JUMPS, 80, 18, (RoughRoad("C", 1.2), Jumps(140.0, 0.45, 8.0, 1.5))),
            Leg(WASHBOARD, 60, 11, (RoughRoad("B"), Corrugation(0.015, 0.55, 0.1))),
            Leg(STREET, 60, 25, (_B,)),
            Leg(PARKED, 40, 0, (_B,)),
            Leg(ROUGH, 70, 13, (_D,)),
            Leg(GRADED, 60, 13, (RoughRoad("C", 1.25),)),
        ),
        (HATCH, CAMPER),
        seed=201,
        force_ratio=0.75,
        wheelbase_m=2.7,
    ),
    Drive(
        "arroyo",
        (
            Leg(ROUGH, 70, 10, (RoughRoad("E", 0.9), Bumps(55.0, 0.14, 1.7))),
            Leg(WASHBOARD, 60, 19, (RoughRoad("C", 0.9), Irregular(0.032, 1.0, 0.09))),
            Leg(PARKED, 45, 0, (_C,)),
            Leg(GRADED, 70, 16, (RoughRoad("C", 0.95),)),
            Leg(STREET, 60, 12, (_A,)),
            Leg(ROUGH, 70, 19, (RoughRoad("E", 0.75), Jumps(450.0, 0.4, 7.0, 1.2))),
            Leg(WASHBOARD, 60, 13, (RoughRoad("B"), Irregular(0.02, 0.7, 0.12))),
        ),
        (ROCKET, STOCK),
        seed=202,
        strokes_mm=(280.0, 330.0),
        force_ratio=1.1,
    ),
    Drive(
        "flats",
        (
            Leg(STREET, 60, 30, (RoughRoad("A", 1.3, band_cpm=PAVED_CPM),)),
            Leg(JUMPS, 70, 21, (_C, Jumps(120.0, 0.5, 8.0, 1.4))),
            Leg(ROUGH, 70, 15, (_D, Bumps(65.0, 0.13, 1.8))),
            Leg(STREET, 60, 16, (RoughRoad("B", 1.1, band_cpm=PAVED_CPM),)),
            Leg(WASHBOARD, 60, 9, (RoughRoad("B"), Corrugation(0.028, 0.7, 0.2))),
            Leg(GRADED, 60, 18, (RoughRoad("C", 1.1),)),
            Leg(PARKED, 50, 0, ()),
        ),
        (CAMPER, HATCH),
        seed=203,
        strokes_mm=(229.0, 280.0),
        force_ratio=0.9,
        wheelbase_m=3.3,
    ),
    Drive(
        "pass",
        (
            Leg(PARKED, 35, 0, (_C,)),
            Leg(GRADED, 70, 11, (_C,)),
            Leg(ROUGH, 70, 17, (RoughRoad("E", 0.95),)),
            Leg(WASHBOARD, 60, 22, (RoughRoad("B", 1.3), Irregular(0.03, 1.1, 0.07))),
            Leg(STREET, 70, 14, (_B,)),
            Leg(JUMPS, 70, 16, (_C, Jumps(85.0, 0.45, 6.5, 1.1))),
            Leg(GRADED, 60, 20, (_C,)),
            Leg(PARKED, 35, 0, (_C,)),
        ),
        (ROCKET, MIDDLE),
        seed=204,
        force_ratio=1.25,
        wheelbase_m=2.9,
    ),
)

LAST = (
    Drive(
        "bajada",
        (
            Leg(STREET, 60, 21, (RoughRoad("B", 0.95, band_cpm=PAVED_CPM),)),
            Leg(JUMPS, 80, 19, (_C, Jumps(135.0, 0.5, 7.5, 1.3))),
            Leg(ROUGH, 80, 18, (RoughRoad("E", 0.8), Jumps(420.0, 0.45, 7.0, 1.2), Bumps(75.0, 0.11, 1.9))),
            Leg(PARKED, 45, 0, (_C,)),
            Leg(WASHBOARD, 60, 16, (RoughRoad("B", 1.1), Irregular(0.026, 0.85, 0.1))),
            Leg(GRADED, 60, 14, (RoughRoad("C", 1.15),)),
        ),
        (replace(STOCK, motion_ratio=(0.58, 0.6)), CAMPER),
        seed=301,
        force_ratio=0.95,
        wheelbase_m=3.5,
    ),
    Drive(
        "sierra",
        (
            Leg(ROUGH, 60, 12, (_D, Bumps(70.0, 0.1, 1.6))),
            Leg(JUMPS, 70, 17, (RoughRoad("C", 1.1), Jumps(100.0, 0.4, 6.5, 1.2))),
            Leg(STREET, 60, 10, (_B,)),
            Leg(WASHBOARD, 60, 14, (RoughRoad("B"), Corrugation(0.02, 0.95, 0.1))),
            Leg(GRADED, 60, 21, (_C,)),
            Leg(PARKED, 40, 0, (_C,)),
            Leg(STREET, 60, 27, (RoughRoad("A", 1.2, band_cpm=PAVED_CPM),)),
        ),
        (HATCH, BUGGY),
        seed=302,
        strokes_mm=(240.0, 290.0),
        force_ratio=0.8,
        wheelbase_m=2.5,
    ),
)


@dataclass(frozen=True)
class Measured:
    """A measured surface, driven to and fro without a step: tracks (2, m) [m] every `spacing_m`."""

    spacing_m: float
    tracks_m: tuple[tuple[float, ...], ...]

    def elevation_m(self, points, step_m, rng):
        """Return (2, points) elevation [m]."""
        whole = np.concatenate([np.array(self.tracks_m), np.array(self.tracks_m)[:, ::-1]], axis=1)
        at_m = np.arange(points) * step_m % (whole.shape[1] * self.spacing_m)
        along_m = np.arange(whole.shape[1]) * self.spacing_m
        return np.stack([np.interp(at_m, along_m, track) for track in whole])


def measured_drive() -> Drive:
    """Return a drive over the measured surfaces of open_data; skips where they are absent."""
    spacing_m, tracks = belgian_tracks()
    orders = (range(len(tracks)), range(len(tracks))[::-1])
    level = [
        np.concatenate([tracks[k][:: (-1) ** n] - tracks[k].mean() for n, k in enumerate(order)]) for order in orders
    ]
    blocks = Measured(spacing_m, tuple(tuple(track.tolist()) for track in level))
    along_m, height_m = iri_profile()
    flat_m = height_m - np.polyval(np.polyfit(along_m, height_m, 1), along_m)
    paved = Measured(float(along_m[1]), (tuple(flat_m.tolist()),) * 2)
    legs = (Leg(ROUGH, 50, 9, (blocks,)), Leg(STREET, 60, 22, (paved,)), Leg(ROUGH, 40, 13, (blocks,)))
    return Drive("measured", legs, (STOCK, HEAVY), seed=1)
