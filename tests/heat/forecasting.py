"""A damper and its states for the tests of forecasts."""

from __future__ import annotations

import json
from pathlib import Path

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.heat.forecast import (
    Doubt,
)

DATA = Path(__file__).parents[1] / "data"
REFERENCE = json.loads((DATA / "reference" / "04_time_to_limit.json").read_text())
SURE = Doubt(((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
DOUBTFUL = Doubt(((4.0, 1.0), (1.0, 0.25)), 0.1, 0.2, 10.0, 1.0, 30.0, 150_000.0)
FORCE = (ForceAt(0.0, ForceCurve((-1.0, 1.0), (-1000.0, 1000.0))),)


def make_profile(oil_j=2000.0, body_j=1800.0, body_limit_c=110.0, oil_limit_c=130.0, fade_per_k=0.0):
    return Profile(
        "test",
        0.25,
        0.02,
        0.06,
        oil_j / 1900.0,
        3.0,
        oil_j + body_j,
        FORCE,
        fade_per_k,
        40.0,
        body_limit_c,
        oil_limit_c,
    )
