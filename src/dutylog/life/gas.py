"""What a nitrogen charge should show at a temperature, travel and altitude, and what a reading comes to cold.

Pure functions. The charge is told as it would be read at 20 degC, full extension and 101 325 Pa outside. Pressures
are gauge where their name says so, absolute inside. Ranges are 95 of 100, of doubts that are stated here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dutylog.domain.gas import (
    COLD_C,
    LEAST_ROOM_RATIO,
    check_charged,
    compute_hot_room_ratio,
    compute_oil_growth_m3,
    compute_room_m3,
)
from dutylog.domain.nitrogen import (
    ALTITUDES_M,
    LEAST_GAS_SD_K,
    ROOM_SD_RATIO,
    compute_atmosphere_pa,
    compute_density,
    compute_pressure_pa,
    estimate_gas_c,
    move_charge_pa,
)
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger.gas_readings import LIMITS
from dutylog.units import STANDARD_ATMOSPHERE_PA, ZERO_C_IN_K

LOW, OK, HIGH = "low", "ok", "high"
TOLERANCE_RATIO = 0.05
"""Of the target: 10 psi of 200. Source: judgement; the maker's tolerance comes first."""
COLD_WITHIN_K = 5.0
"""Body and oil no further from the air than this, or there is no verdict. Source: judgement."""
RANGE_SD = 1.96
"""95 of 100, normal distribution."""
GAUGE_SD_RATIO = 0.01
"""Of the absolute pressure: what a workshop's gauge is good for. Source: judgement, a class 1 to 1.6 by EN 837-1."""
WEATHER_SD_PA = 1000.0
"""Of the atmosphere against the standard one at an altitude. Source: from memory, within a factor of 2."""
TRAVEL_SD_M = 0.003
"""Of a shaft that isn't fully extended, read by tape. Source: judgement."""
BARE_ROOM_STROKES = 2.0
"""Without a gas volume: its room against what the shaft takes over the whole stroke. Source: judgement."""
LEAST_KEPT_RATIO = 0.02
"""A gas squeezed further than this isn't in that damper: a figure is wrong. Source: judgement."""
RIDE_RATIO = 0.40
"""Of the stroke: how far in a shaft is at ride height where nobody says. Source: common practice, none published."""
TEMPERATURES_C = (-60.0, 250.0)
GAUGE_LIMITS_PA = LIMITS["gauge_pa"][:2]
"""What a reading may have, so what a gauge may be asked to show."""
MAKE_UP_RATIO = 1.1
"""No more of the target may be put in for checks to come. Source: judgement; twice the tolerance of a charge."""
HOSE_LIMIT_ML, GAS_LIMITS_ML, CHECKS_LIMIT = 200.0, (5.0, 6000.0), 100

CAUTIONS = (
    "The maker's manual and a qualified technician come first; vehicle on stands, damper cold and clean.",
    "Dry nitrogen only, through a regulator and a relief rated for the fitting. Never air, never oxygen.",
    "Release gas only below 40 °C, valve pointed away from everybody, eye protection on.",
    "A stuck or leaking floating piston can hold pressure on the oil side with the valve open: "
    "treat it as charged until the maker's procedure proves otherwise.",
)
"""Shown before anybody puts a gauge on."""


@dataclass(frozen=True, slots=True)
class Charge:
    """A gauge pressure with its doubt.

    own_sd_pa: of this one alone (gauge, gas temperature, travel, weather). room_sd_pa: from how well the damper's
    volumes are known, signed: the same error in every reading of that damper. is_by_travel: False where no gas volume
    is known, so that temperature alone was corrected.
    """

    gauge_pa: float
    own_sd_pa: float
    room_sd_pa: float
    is_by_travel: bool

    @property
    def sd_pa(self) -> float:
        """Return one standard deviation."""
        return math.hypot(self.own_sd_pa, self.room_sd_pa)

    @property
    def range_pa(self) -> tuple[float, float]:
        """Return where it lies in 95 of 100."""
        return self.gauge_pa - RANGE_SD * self.sd_pa, self.gauge_pa + RANGE_SD * self.sd_pa


@dataclass(frozen=True, slots=True)
class Place:
    """Where a charge is looked at. gas_sd_k: doubt of the gas's temperature. travel_m: 0 is full extension."""

    gas_c: float
    oil_c: float
    travel_m: float = 0.0
    altitude_m: float = 0.0
    gas_sd_k: float = LEAST_GAS_SD_K

    def __post_init__(self) -> None:
        for name, value in (("gas", self.gas_c), ("oil", self.oil_c)):
            _within(value, TEMPERATURES_C, f"temperature of the {name}", "degC")
        _within(self.altitude_m, ALTITUDES_M, "altitude", "m")
        _within(self.gas_sd_k, (0.0, 100.0), "doubt of the gas's temperature", "K")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a gauge showed, and how warm everything was. oil_c: None: it stood still, so as warm as the body."""

    gauge_pa: float
    body_c: float
    air_c: float
    travel_m: float = 0.0
    altitude_m: float = 0.0
    oil_c: float | None = None

    @property
    def place(self) -> Place:
        """Return where that was; the gas lies between body and air."""
        gas_c, gas_sd_k = estimate_gas_c(self.body_c, self.air_c)
        oil_c = self.body_c if self.oil_c is None else self.oil_c
        return Place(gas_c, oil_c, self.travel_m, self.altitude_m, gas_sd_k)


@dataclass(frozen=True, slots=True)
class Judged:
    """What a reading comes to. verdict: LOW, OK or HIGH, None where there is none. reason: one line, why that."""

    equivalent: Charge
    verdict: str | None
    reason: str


def compute_expected(profile: Profile, target_pa: float, place: Place) -> Charge:
    """Return what a gauge should show there.

    Args:
        profile: of the damper. target_pa: gauge, at 20 degC and full extension. place: where it is read.
    Raises:
        InputError: no valve, more travel than stroke, no room left for the gas, or a figure out of range.
    """
    _within(target_pa, GAUGE_LIMITS_PA, "target", "Pa")
    room = _compute_room(profile, place)
    absolute_pa = move_charge_pa(target_pa + STANDARD_ATMOSPHERE_PA, COLD_C, place.gas_c, 1.0 / room.ratio)
    own = math.hypot(place.gas_sd_k / (place.gas_c + ZERO_C_IN_K), room.own_sd_ratio)
    return Charge(
        absolute_pa - compute_atmosphere_pa(place.altitude_m),
        math.hypot(absolute_pa * own, WEATHER_SD_PA),
        absolute_pa * room.common_sd_ratio,
        room.is_known,
    )


def compute_equivalent(profile: Profile, reading: Reading) -> Charge:
    """Return what a reading comes to at 20 degC and full extension; InputError as of `compute_expected`."""
    place = reading.place
    room = _compute_room(profile, place)
    absolute_pa = reading.gauge_pa + compute_atmosphere_pa(reading.altitude_m)
    if not math.isfinite(absolute_pa) or absolute_pa <= 0.0:
        raise InputError(f"a gauge of {reading.gauge_pa:g} Pa is less than nothing")
    cold_pa = move_charge_pa(absolute_pa, place.gas_c, COLD_C, room.ratio)
    own = (place.gas_sd_k / (place.gas_c + ZERO_C_IN_K), room.own_sd_ratio, GAUGE_SD_RATIO, WEATHER_SD_PA / absolute_pa)
    return Charge(
        cold_pa - STANDARD_ATMOSPHERE_PA, cold_pa * math.hypot(*own), cold_pa * room.common_sd_ratio, room.is_known
    )


def judge(profile: Profile, reading: Reading, target_pa: float | None) -> Judged:
    """Return the equivalent of a reading, and a verdict where it was cold and well enough known.

    Args:
        profile: of the damper. reading: what was read. target_pa: gauge, None where nobody stated one.
    Raises:
        InputError: as of `compute_expected`.
    """
    equivalent = compute_equivalent(profile, reading)
    warmer_k = max((reading.body_c, reading.place.oil_c), key=lambda one_c: abs(one_c - reading.air_c)) - reading.air_c
    if abs(warmer_k) > COLD_WITHIN_K:
        word = "warm" if warmer_k > 0.0 else "cold"
        text = f"no verdict, too {word}: body or oil is {abs(warmer_k):.0f} K off the air"
        return Judged(equivalent, None, f"{text}, {COLD_WITHIN_K:.0f} K at most")
    if target_pa is None:
        return Judged(equivalent, None, "no verdict: nobody stated a target")
    limit_pa = TOLERANCE_RATIO * target_pa
    if equivalent.sd_pa > limit_pa:
        why = "read it at full extension" if equivalent.is_by_travel else "give gas_volume_ml or read it fully extended"
        return Judged(equivalent, None, f"no verdict: not known well enough there; {why}")
    off_pa = equivalent.gauge_pa - target_pa
    verdict = OK if abs(off_pa) <= limit_pa else LOW if off_pa < 0.0 else HIGH
    is_close = abs(abs(off_pa) - limit_pa) < RANGE_SD * equivalent.sd_pa
    close = "; its range reaches over the limit, so read it again" if is_close else ""
    return Judged(equivalent, verdict, f"within {TOLERANCE_RATIO:.0%} of the target is ok{close}")


def compute_after_checks(
    gauge_pa: float, gas_ml: float, hose_ml: float, count: int, gas_c: float = COLD_C, altitude_m: float = 0.0
) -> list[float]:
    """Return what a gauge shows [Pa] at each of some checks of a charge: each fills its hose from the damper.

    Args:
        gauge_pa: before the first one. gas_ml: room of the gas then. hose_ml: room of gauge and hose, at the pressure
        outside when it is put on. count: checks, each with an empty hose.
    Source:
        Mass balance of a real gas at one temperature; tests/data/reference/02_n2_gauge_hose_loss.csv, test_gas.py.
    """
    _check_hose(gas_ml, hose_ml, count)
    outside_pa, kelvin = compute_atmosphere_pa(altitude_m), gas_c + ZERO_C_IN_K
    empty = compute_density(outside_pa, kelvin)
    density, shown = compute_density(gauge_pa + outside_pa, kelvin), []
    for _ in range(count):
        density = (density * gas_ml + empty * hose_ml) / (gas_ml + hose_ml)
        shown.append(compute_pressure_pa(density, kelvin) - outside_pa)
    return shown


def compute_before_checks(
    gauge_pa: float, gas_ml: float, hose_ml: float, count: int, gas_c: float = COLD_C, altitude_m: float = 0.0
) -> float:
    """Return what was there [Pa gauge] before some checks, the last of which showed `gauge_pa`.

    Arguments and source as of `compute_after_checks`.

    Raises:
        InputError: it would have been more than a reading may have.
    """
    _check_hose(gas_ml, hose_ml, count)
    outside_pa, kelvin = compute_atmosphere_pa(altitude_m), gas_c + ZERO_C_IN_K
    empty, density = compute_density(outside_pa, kelvin), compute_density(gauge_pa + outside_pa, kelvin)
    for _ in range(count):
        density = (density * (gas_ml + hose_ml) - empty * hose_ml) / gas_ml
        gauge_pa = compute_pressure_pa(density, kelvin) - outside_pa
        if gauge_pa > GAUGE_LIMITS_PA[1]:
            raise InputError(
                f"making up for {count} check(s) takes more than {GAUGE_LIMITS_PA[1] / 1e6:g} MPa, more than a charge "
                "may have; refill after each check instead, or give a shorter hose"
            )
    return gauge_pa


def compute_make_up(
    target_pa: float, gas_ml: float, hose_ml: float, count: int, gas_c: float = COLD_C, altitude_m: float = 0.0
) -> float | None:
    """Return what a gauge must show [Pa] before it is unscrewed, to leave a target after some checks to come.

    None where that is more than MAKE_UP_RATIO of the target: until those checks are done it is too much in there.
    Arguments and errors as of `compute_before_checks`.
    """
    before_pa = compute_before_checks(target_pa, gas_ml, hose_ml, count, gas_c, altitude_m)
    return before_pa if before_pa <= MAKE_UP_RATIO * target_pa else None


def warn_room(profile: Profile) -> str | None:
    """Return one line where the hot gas has too little room left at full bump, None where it has enough."""
    ratio = compute_hot_room_ratio(profile)
    if ratio is None or ratio >= LEAST_ROOM_RATIO:
        return None
    return (
        f"at full bump and hot the gas keeps {max(0.0, ratio):.0%} of its room, less than {LEAST_ROOM_RATIO:.0%}: its "
        "pressure rises far; check gas_volume_ml, and ask the maker before it is filled"
    )


@dataclass(frozen=True, slots=True)
class _Room:
    """Room of the gas against that at 20 degC and full extension, and its doubts; common_sd_ratio is signed."""

    ratio: float
    own_sd_ratio: float
    common_sd_ratio: float
    is_known: bool


def _compute_room(profile: Profile, place: Place) -> _Room:
    check_charged(profile)
    _within(place.travel_m * 1e3, (0.0, profile.stroke_m * 1e3), f"travel of profile {profile.name}", "mm")
    room_m3, volume_m3 = compute_room_m3(profile, place.travel_m, place.oil_c), profile.gas_volume_m3
    if room_m3 is None or volume_m3 is None:
        taken_m3 = profile.shaft_area_m2 * place.travel_m + compute_oil_growth_m3(profile, place.oil_c)
        bare_m3 = BARE_ROOM_STROKES * profile.shaft_area_m2 * profile.stroke_m
        return _Room(1.0, 0.0, taken_m3 / bare_m3, is_known=False)
    ratio = room_m3 / volume_m3
    if ratio < LEAST_KEPT_RATIO:
        raise InputError(
            f"profile {profile.name}: {place.travel_m * 1e3:.0f} mm in and oil at {place.oil_c:.0f} degC leave "
            f"{room_m3 * 1e6:.0f} ml of {volume_m3 * 1e6:.0f} ml for the gas; check gas_volume_ml"
        )
    own = profile.shaft_area_m2 * TRAVEL_SD_M / room_m3 if place.travel_m > 0.0 else 0.0
    return _Room(ratio, own, ROOM_SD_RATIO * (1.0 - ratio) / ratio, is_known=True)


def _check_hose(gas_ml: float, hose_ml: float, count: int) -> None:
    _within(gas_ml, GAS_LIMITS_ML, "room of the gas", "ml")
    _within(hose_ml, (0.0, HOSE_LIMIT_ML), "room of gauge and hose", "ml")
    _within(count, (1, CHECKS_LIMIT), "checks", "times")


def _within(value: float, limits: tuple[float, float], what: str, unit: str) -> None:
    if not limits[0] <= value <= limits[1]:
        raise InputError(f"{what}: {value:g} {unit}, expected {limits[0]:g} to {limits[1]:g}")
