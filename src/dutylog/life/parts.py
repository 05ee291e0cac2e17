"""Wear parts, what wears them, and every number that this rests on, each with its source.

Used share = sum over a part's mechanisms of weight x dose / reference dose. The reference dose is what `budget_miles`
of the hard mix bring to a fitting damper of the reference vehicle (life/reference.py), one for all dampers: weights of
a part add up to 1, so those miles use up one budget of each part, and a damper too small for its vehicle is used up
sooner.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.units import PA_PER_PSI


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A number that wear rests on. source: begins with a source or the word `judgement`."""

    key: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One way in which parts wear. formula: its dose in words, with the names of its coefficients."""

    key: str
    name: str
    unit: str
    formula: str
    coefficients: tuple[Coefficient, ...] = ()


@dataclass(frozen=True, slots=True)
class WearPart:
    """A part that wears and is replaced.

    weights: (mechanism, weight) that add up to 1; empty where only the calendar counts. calendar_years: value 0 where
    there is no such limit.
    """

    key: str
    name: str
    weights: tuple[tuple[str, float], ...]
    calendar_years: Coefficient
    reset_by: str
    sources: str


@dataclass(frozen=True, slots=True)
class Rules:
    """All coefficients of the doses. There is one set, `RULES`; tests ask what others would do."""

    coefficients: tuple[Coefficient, ...]

    def value(self, key: str) -> float:
        """Return the value of a coefficient; InputError when there is none of that key."""
        for one in self.coefficients:
            if one.key == key:
                return one.value
        raise InputError(f"no coefficient {key!r:.40} in the rules of wear")

    def scaled(self, key: str, factor: float) -> Rules:
        """Return the same rules with one coefficient times a factor."""
        value = factor * self.value(key)
        return Rules(tuple(replace(one, value=value) if one.key == key else one for one in self.coefficients))


BUDGET_MILES = Coefficient(
    "budget_miles", 10_000.0, "mi", "common practice, no published source: 10 000 miles or fewer where use is hard"
)
USUAL_CHARGE = Coefficient(
    "usual_charge_pa",
    200.0 * PA_PER_PSI,
    "Pa gauge",
    "common practice, no published source: around 200 psi at full extension on most",
)
AGEING_ENERGY = Coefficient(
    "ageing_j_per_mol",
    80e3,
    "J/mol",
    "judgement: nitrile aged in air is told with 60 to 100 kJ/mol, evaluated as ISO 11346 does (from memory)",
)
HOT_SEAL = Coefficient(
    "hot_seal_c", 120.0, "degC", "common practice, no published source: 100 degC for long, 120 for short on nitrile"
)
OIL_STEP = Coefficient(
    "oil_step_k", 10.0, "K", "common practice, no published source: oil oxidises twice as fast by every 10 K"
)
OIL_LOW = Coefficient("oil_low_c", 40.0, "degC", "judgement: below that oil keeps for years")
OIL_CAP = Coefficient(
    "oil_cap_c", 130.0, "degC", "judgement: above that the rule of 10 K is used where nobody checked it; it is an event"
)
OUTER_DIRT = Coefficient(
    "outer_dirt_ratio",
    0.5,
    "1",
    "judgement: the wiper keeps half of what wears the seal from bands further in; joints turn in grit half as badly",
)
CLEAN = Coefficient(
    "clean_ratio",
    0.3,
    "1",
    "judgement: on a clean road a seal wears a third as fast or less; hard dust is what ends seals early",
)
PAVED = Coefficient(
    "paved_m_per_m",
    0.004,
    "m/m",
    "judgement: shaft sliding by distance up to which a road is paved; ISO 8608 class B gives 0.0038 (simulated)",
)
DUSTY = Coefficient(
    "dusty_m_per_m",
    0.007,
    "m/m",
    "judgement: shaft sliding by distance from which a road is dusty; ISO 8608 class C gives 0.0082 (simulated)",
)
MINER_EXPONENT = Coefficient(
    "miner_exponent", 5.0, "1", "judgement between 3 of welds and 7 or more of smooth shafts (handbooks, from memory)"
)
MADE_FOR = Coefficient(
    "made_for_mps", 3.0, "m/s", "judgement: shaft and eyelets are made for the force of their own damper at that speed"
)
AIR = Coefficient("air_c", 25.0, "degC", "judgement: air where nobody measured it")
UNKNOWN_SPEED = Coefficient("unknown_speed_mps", 10.0, "m/s", "judgement: speed of air where nobody measured it")
HA_REST = Coefficient(
    "ha_rest_w_per_m2_k",
    15.0,
    "W/(m2 K)",
    "fit to the correlations that heat/priors.py takes (Churchill and Bernstein, Churchill and Chu), test_doses.py",
)
HA_MOVE = Coefficient("ha_move_w_per_m2_k", 6.2, "W/(m2 K) at 1 m/s", HA_REST.source)
HA_EXPONENT = Coefficient(
    "ha_exponent", 0.8, "1", "common practice: forced convection over a turbulent surface; as heat/state.py has it"
)
COOL_CONSTANTS = Coefficient(
    "cool_time_constants", 5.0, "1", "judgement: within 1 % of the air by then; what age does in cold is the calendar's"
)

_DIRT = (CLEAN, PAVED, DUSTY)
_WARMTH = (AIR, UNKNOWN_SPEED, HA_REST, HA_MOVE, HA_EXPONENT, COOL_CONSTANTS)

RULES = Rules(
    (
        BUDGET_MILES,
        USUAL_CHARGE,
        AGEING_ENERGY,
        HOT_SEAL,
        OIL_STEP,
        OIL_LOW,
        OIL_CAP,
        OUTER_DIRT,
        CLEAN,
        PAVED,
        DUSTY,
        MINER_EXPONENT,
        MADE_FOR,
        *_WARMTH,
    )
)

_MECHANISMS = (
    Mechanism(
        "abrasion",
        "abrasion",
        "m",
        "sliding distance x dirt factor x charge / usual_charge_pa (1 where the charge is unknown); where no sand, mud "
        "or water was told the dirt factor rises from clean_ratio to 1 between paved_m_per_m and dusty_m_per_m of "
        "sliding by distance",
        (USUAL_CHARGE, *_DIRT),
    ),
    Mechanism(
        "ageing",
        "ageing by heat",
        "h at 60 degC",
        "hours x exp(ageing_j_per_mol / R x (1 / 333.15 K - 1 / T)), T of the oil, an upper bound of the seal's; also "
        "while it cools down, for cool_time_constants",
        (AGEING_ENERGY, *_WARMTH),
    ),
    Mechanism("shear", "shear of the oil", "J/kg", "energy turned to heat / mass of the oil"),
    Mechanism(
        "oil_heat",
        "heat of the oil",
        "h at 80 degC",
        "hours x 2^((T - 80 degC) / oil_step_k), none below oil_low_c, above oil_cap_c as there; also while "
        "it cools down, for cool_time_constants",
        (OIL_STEP, OIL_LOW, OIL_CAP, *_WARMTH),
    ),
    Mechanism(
        "sliding",
        "sliding",
        "m",
        "sliding distance x (1 + outer_dirt_ratio x (dirt factor - 1)), dirt factor as for abrasion",
        (OUTER_DIRT, *_DIRT),
    ),
    Mechanism(
        "joint_work",
        "work through the joints",
        "J/m2",
        "(energy + charge x shaft area x sliding distance) / shaft area x (1 + outer_dirt_ratio x (dirt factor - 1)); "
        "usual_charge_pa where the charge is unknown, 0 in a twin_tube; joints go with the size of the shaft",
        (USUAL_CHARGE, OUTER_DIRT, *_DIRT),
    ),
    Mechanism("piston_sliding", "sliding of the floating piston", "m", "sliding distance x (shaft / bore diameter)^2"),
    Mechanism(
        "force_cycles",
        "force cycles",
        "cycles at full force",
        "strokes x (force / full force)^miner_exponent, force of the curve at pi / 2 x mean shaft speed, mean of "
        "compression and rebound; full force: the larger of both at made_for_mps",
        (MINER_EXPONENT, MADE_FOR),
    ),
)
MECHANISMS = MappingProxyType({one.key: one for one in _MECHANISMS})
"""By key."""


def _years(part: str, value: float, source: str) -> Coefficient:
    return Coefficient(f"{part}_years", value, "a", source)


_RUBBER = "ISO 2230 keeps nitrile 7 years in store (group B, from memory); in use taken as long (judgement)"
_REPLACED = "its replacement"

PARTS = (
    WearPart(
        "shaft_seal",
        "shaft seal and wiper",
        (("abrasion", 0.7), ("ageing", 0.3)),
        _years("shaft_seal", 7.0, _RUBBER),
        _REPLACED,
        "judgement: seals are found cut and worn more often than hard",
    ),
    WearPart(
        "oil",
        "damper oil",
        (("shear", 0.6), ("oil_heat", 0.4)),
        _years("oil", 5.0, "common practice, no published source: 3 to 5 years at the longest"),
        _REPLACED,
        "judgement: thickeners are sheared down before the base oil oxidises",
    ),
    WearPart(
        "wear_band",
        "wear band and piston ring",
        (("sliding", 0.3), ("joint_work", 0.7)),
        _years("wear_band", 10.0, "judgement: filled PTFE hardly ages, bonded bands creep"),
        _REPLACED,
        "Archard's law, wear goes with load x distance: part of the load on a band is there always (sliding), more "
        "of it comes from the force along the damper (joint_work); judgement",
    ),
    WearPart(
        "joints",
        "rod ends",
        (("joint_work", 1.0),),
        _years("joints", 10.0, "judgement: liners and rubber get hard, races corrode"),
        _REPLACED,
        "Archard's law; the angle goes with the stroke (judgement)",
    ),
    WearPart(
        "piston_seal",
        "floating-piston seal",
        (("piston_sliding", 0.4), ("ageing", 0.6)),
        _years("piston_seal", 7.0, _RUBBER),
        _REPLACED,
        "judgement: it slides in clean oil, a tenth to a fifth of the shaft's way; it gets hard and takes a set",
    ),
    WearPart("bladder", "bladder", (("ageing", 1.0),), _years("bladder", 7.0, _RUBBER), _REPLACED, "judgement"),
    WearPart(
        "charge",
        "nitrogen charge",
        (),
        _years("charge", 1.0, "common practice, no published source: looked at once a year"),
        "a refill",
        "readings tell more (shared/CHARGE.md)",
    ),
    WearPart(
        "hose",
        "reservoir hose",
        (("ageing", 1.0),),
        _years("hose", 6.0, "DIN 20066: hose assemblies 6 years, store included (from memory)"),
        _REPLACED,
        "judgement",
    ),
    WearPart(
        "structure",
        "shaft and eyelets",
        (("force_cycles", 1.0),),
        _years("structure", 0.0, "judgement: steel has no calendar; bends and cracks are looked for at each service"),
        _REPLACED,
        "Palmgren and Miner; a budget calls for a look, it doesn't foretell a break (judgement)",
    ),
)
"""All wear parts there are; `parts_of` says which of them a damper has."""

_WHERE = {
    "piston_seal": ("floating_piston",),
    "bladder": ("bladder",),
    "charge": ("floating_piston", "bladder", "emulsion"),
}
_JOINT_NAMES: Mapping[str | None, str] = {"rod_end": "rod ends", "bushing": "bushings"}
WHOLE_RESET = "a replacement of the damper"


def part_names(joints: str | None) -> dict[str, str]:
    """Return what people call the wear parts, by key.

    joints: of domain.vehicle, what the damper is held by; None where dampers of both kinds are meant.
    """
    held_by = _JOINT_NAMES.get(joints, "rod ends or bushings")
    return {part.key: held_by if part.key == "joints" else part.name for part in PARTS}


def parts_of(profile: Profile) -> tuple[WearPart, ...]:
    """Return the wear parts that dampers of a profile have, as people call them there."""
    found, names = [], part_names(profile.joints)
    for part in PARTS:
        if part.key in _WHERE and profile.construction not in _WHERE[part.key]:
            continue
        if part.key == "hose" and profile.reservoir != "hose":
            continue
        reset_by = part.reset_by if profile.is_rebuildable else WHOLE_RESET
        found.append(replace(part, name=names[part.key], reset_by=reset_by))
    return tuple(found)
