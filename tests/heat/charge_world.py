"""A damper's gas with known truth, driven and parked for weeks: what its sender says in quiet stretches.

Of another make than the filter it tests: gas follows the body with a lag of its own, its share of the body's warmth
changes from trip to trip, volumes and the oil's growth aren't those of the profile, the sender drifts with temperature,
altitude and weather come in. Every figure is judgement.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from dutylog.domain.gas import COLD_C, OIL_EXPANSION_PER_K, OIL_KG_PER_M3
from dutylog.domain.heat_input import HeatInput
from dutylog.domain.nitrogen import compute_density, compute_pressure_pa
from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA, ZERO_C_IN_K

TILE_S = 10.0
FULL_SCALE_PA = 500.0 * PA_PER_PSI
PROFILE = Profile(
    "desert", 0.25, 0.0222, 0.0635, 0.9, 3.5, 4000.0,
    (ForceAt(0.0, ForceCurve((-1.0, 0.0, 1.0), (-2000.0, 0.0, 1000.0))),), 0.0, 40.0, 120.0,
    charge_pa=200.0 * PA_PER_PSI, gas_volume_m3=250e-6,
)  # fmt: skip
BARE = replace(PROFILE, charge_pa=None, gas_volume_m3=None)


class ChargeWorld:
    """One damper. loss_day, loss_hour: share of its gas that goes in a day, in an hour of driving."""

    def __init__(self, seed, watch, loss_day=0.0, loss_hour=0.0):
        self.rng, self.watch = np.random.default_rng(seed), watch
        self.loss_day, self.loss_hour = loss_day, loss_hour
        draw = self.rng.normal
        self.room_m3 = 250e-6 * (1 + 0.05 * draw())
        self.growth = OIL_EXPANSION_PER_K * (1 + 0.15 * draw()) * PROFILE.oil_mass_kg / OIL_KG_PER_M3
        self.share = self.rng.uniform(0.45, 0.95)
        self.drift_per_k = 1e-4 * draw() * FULL_SCALE_PA
        self.gain = 1 + 0.01 * draw()
        charge_pa = 200 * PA_PER_PSI * (1 + 0.1 * draw()) + STANDARD_ATMOSPHERE_PA
        self.amount = compute_density(charge_pa, COLD_C + ZERO_C_IN_K) * self.room_m3
        self.season_c = self.rng.uniform(5, 30)
        self.body_c = self.gas_c = self.air_c = self.season_c
        self.body_over_k = self.body_aim_k = 0.0
        self.driven_s = 0.0
        self.days = 0.0
        self.leaked_at = None
        """Days and driven hours when it was first said to leak."""

    def run(self, days):
        """Live through some days; stop where the watch says that it leaks."""
        until = self.days + days
        while self.days < until and self.leaked_at is None:
            self.park(self.rng.uniform(9, 15) * 3600 if self.rng.random() < 0.8 else self.rng.uniform(1, 5) * 86400)
            for _ in range(self.rng.integers(1, 4)):
                self.trip()
                self.park(self.rng.uniform(0.3, 3) * 3600)
        return self

    def park(self, seconds):
        self.days += seconds / 86400
        self.amount *= (1 - self.loss_day) ** (seconds / 86400)
        self.air_c = self.season_c + self.rng.normal(0, 6)
        self.warm(seconds, 0.0)
        self.watch.skip(seconds)

    def trip(self):
        draw = self.rng.normal
        self.trip_share = float(np.clip(self.share + 0.07 * draw(), 0.2, 1.0))
        self.ride_m = 0.10 + 0.012 * draw()
        self.outside_pa = 4000.0 * draw()
        self.stop(self.rng.uniform(60, 180))
        for _ in range(self.rng.integers(2, 6)):
            self.drive(self.rng.uniform(300, 1800), self.rng.uniform(10, 85))
            self.stop(self.rng.uniform(20, 400))

    def drive(self, seconds, over_k):
        for _ in range(round(seconds / 60)):
            self.pass_time(60.0, over_k)
            self.take(60.0, 0.4)
            self.driven_s += 60.0
            self.amount *= (1 - self.loss_hour) ** (60 / 3600)

    def stop(self, seconds):
        self.travel_m = self.ride_m + 0.015 * self.rng.normal()
        for _ in range(max(1, round(seconds / TILE_S))):
            self.pass_time(TILE_S, 0.0, 0.25)
            if self.take(TILE_S, 0.002) and self.watch.now().is_leaking and self.leaked_at is None:
                self.leaked_at = self.days, self.driven_s / 3600

    def pass_time(self, seconds, over_k, share=1.0):
        self.days += seconds / 86400
        self.amount *= (1 - self.loss_day) ** (seconds / 86400)
        self.warm(seconds * share, over_k)

    def warm(self, seconds, over_k):
        """Body within 15 min, gas within 8 more."""
        keep = math.exp(-seconds / 900)
        self.body_c = self.air_c + over_k + (self.body_c - self.air_c - over_k) * keep
        aim_c = self.air_c + getattr(self, "trip_share", self.share) * (self.body_c - self.air_c)
        self.gas_c = aim_c + (self.gas_c - aim_c) * math.exp(-seconds / 480)

    def pressure_pa(self):
        """Return what the sender says [Pa gauge]."""
        room_m3 = self.room_m3 - PROFILE.shaft_area_m2 * self.travel_m - self.growth * (self.body_c - COLD_C)
        absolute_pa = compute_pressure_pa(self.amount / room_m3, self.gas_c + ZERO_C_IN_K)
        noise_pa = 1e-3 * FULL_SCALE_PA / math.sqrt(10 * TILE_S) * self.rng.normal()
        gauge_pa = absolute_pa - STANDARD_ATMOSPHERE_PA + self.outside_pa
        return self.gain * gauge_pa + self.drift_per_k * (self.gas_c - COLD_C) + noise_pa

    def take(self, seconds, rms_mps):
        tile = HeatInput(seconds, 0.0, 1.0, rms_mps, self.body_c, self.air_c, None)
        if rms_mps > 0.1:
            return self.watch.take(tile, None, None)
        return self.watch.take(tile, self.pressure_pa(), self.travel_m)
