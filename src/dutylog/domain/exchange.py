"""How a damper's geometry lets heat pass: from oil to body, from body to air. Medians, each within a factor of 3.

`heat` starts from these and learns better ones; `life` uses them where nothing was measured.
"""

from __future__ import annotations

import math

from dutylog.domain.vehicle import Profile

WALL_M = 0.003
"""Wall of a body over its bore (judgement)."""
DEAD_LENGTH_M = 0.10
"""Body longer than its stroke by piston, guide and floating piston (judgement)."""
OIL_STILL_W_PER_M2_K = 200.0
OIL_MOVE_W_PER_M2_K_PER_MPS = 700.0
"""Heat transfer from oil to the wall of the bore, at rest and by the rms of the shaft speed (judgement: laminar
exchange in a gap of a few mm gives about 100, natural convection and metal inside more; a piston renews the layer
at the wall on each stroke). The factor of 3 applies to each."""


def compute_wetted_m2(profile: Profile) -> float:
    """Return the wall of the bore that oil touches [m2]."""
    return math.pi * profile.bore_diameter_m * profile.stroke_m


def compute_outer_m2(profile: Profile) -> float:
    """Return the outer area of a body [m2], both ends counted."""
    diameter_m = profile.bore_diameter_m + 2.0 * WALL_M
    return math.pi * diameter_m * (profile.stroke_m + DEAD_LENGTH_M + 0.5 * diameter_m)
