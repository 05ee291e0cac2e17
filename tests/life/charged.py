"""A damper charged to 200 psi in 250 ml, and one of which nothing is known."""

from __future__ import annotations

from dataclasses import replace

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.units import PA_PER_PSI

TARGET_PA = 200.0 * PA_PER_PSI
PROFILE = Profile(
    "desert", 0.25, 0.0222, 0.0635, 0.9, 3.5, 4000.0,
    (ForceAt(0.0, ForceCurve((-1.0, 0.0, 1.0), (-2000.0, 0.0, 1000.0))),), 0.0, 40.0, 120.0,
    charge_pa=TARGET_PA, gas_volume_m3=250e-6,
)  # fmt: skip
BARE = replace(PROFILE, charge_pa=None, gas_volume_m3=None)
