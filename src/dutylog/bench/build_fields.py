"""Fields of a build sheet: what each asks for, and the caution that stands beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from dutylog.bench.items_outside import CHARGED, HOT
from dutylog.bench.part_needs import TWIN_TUBE

REPLACED, OIL_KIND, OIL_VOLUME, PISTON_DEPTH = "replaced", "oil_kind", "oil_volume_ml", "floating_piston_mm"
REVALVED, PROFILE_NAME, SHIMS, TORQUES = "is_revalved", "profile_name", "shims", "torques"
GAS, LEAK_BEFORE, LEAK_AFTER, DRY = "gas", "leak_before", "leak_after", "is_dry"
AFTER_CURVE = "after_curve"
AFTER = "after"
"""The curve measured after the build (bench.entry_kinds, curve_put)."""
STANDS = "Vehicle on stands, damper off the vehicle, cold and clean."
GAS_CAUTION = (
    "Dry nitrogen only, through a regulator and a relief rated for the fitting. Release gas only below 40 °C (104 °F), "
    "valve pointed away from everybody, eye protection on."
)
OPEN_CAUTION = (
    "Charge let out by the maker's procedure before anything is opened. A stuck or leaking floating piston can hold "
    "pressure on the oil side with the valve open: treat it as charged until that procedure proves otherwise. Eyes and "
    "hands protected; hot oil burns."
)
OPEN_GAS_CAUTION = (
    "Charge let out by the maker's procedure before anything is opened. A blocked valve, a folded bladder or gas in "
    "the oil can hold pressure with the valve open: treat it as charged until that procedure proves otherwise. Eyes "
    "and hands protected; hot oil burns."
)
LOW_GAS_CAUTION = (
    "A twin-tube damper may hold gas at low pressure behind no valve: nothing tells whether it is gone. Open it by the "
    "maker's procedure only, cold, eyes and hands protected; hot oil burns."
)
CURVE_CAUTION = f"{HOT} {CHARGED} Guards of the force bench closed, nobody's hands near while it moves."


@dataclass(frozen=True, slots=True)
class SheetField:
    """A field of the sheet. how: what to put down.

    kind: how a page asks for it: 'text', 'number', 'flag', 'parts', 'shims', 'torques', 'gas', 'reading', 'curve'.
    unit: of a number. caution: shown beside it.
    """

    key: str
    name: str
    kind: str
    how: str
    unit: str = ""
    caution: str = ""


FIELDS: tuple[SheetField, ...] = (
    SheetField(REPLACED, "parts made new", "parts", "Everything that is new; what was only cleaned isn't."),
    SheetField(
        REVALVED,
        "revalved",
        "flag",
        "Shims, pistons or orifices were changed, so the force curve is another.",
    ),
    SheetField(OIL_KIND, "oil, kind", "text", "As it stands on the can; the maker's manual says which."),
    SheetField(OIL_VOLUME, "oil, volume measured", "number", "What went in, less what came out again.", "ml"),
    SheetField(
        PISTON_DEPTH,
        "floating piston, depth",
        "number",
        "From the edge of its tube, set before the oil goes in; the maker's manual says from which edge.",
        "mm",
        OPEN_CAUTION,
    ),
    SheetField(SHIMS, "shim stack", "shims", "From the piston outwards, one row for each size."),
    SheetField(
        TORQUES,
        "torques",
        "torques",
        "Each fastener as tightened; the maker's manual gives the figures.",
    ),
    SheetField(
        GAS,
        "gas fill",
        "gas",
        "Gauge after filling, with body and air temperature, at the travel it was read at.",
        "",
        GAS_CAUTION,
    ),
    SheetField(
        LEAK_BEFORE,
        "leak check, before the night",
        "reading",
        "Gauge with body and air temperature, after it has stood for an hour.",
        "",
        GAS_CAUTION,
    ),
    SheetField(
        LEAK_AFTER,
        "leak check, after the night",
        "reading",
        "The same gauge and hose, at least eight hours later, temperatures again.",
        "",
        GAS_CAUTION,
    ),
    SheetField(DRY, "dry outside after the night", "flag", "Wiped before; a dry film on the shaft is normal."),
    SheetField(
        AFTER_CURVE,
        "force curve after the build",
        "curve",
        "Measured on a force bench, both ways, as fast as the profile goes; the body's temperature with it.",
        "",
        CURVE_CAUTION,
    ),
    SheetField(
        PROFILE_NAME,
        "name of the new profile",
        "text",
        "As [profile.NAME] of the vehicle file: another one than before, such as desert_2.",
    ),
)
BY_KEY: Mapping[str, SheetField] = {one.key: one for one in FIELDS}


def open_caution(construction: str) -> str:
    """Return what whoever opens a damper of that construction must know."""
    return {TWIN_TUBE: LOW_GAS_CAUTION, "floating_piston": OPEN_CAUTION}.get(construction, OPEN_GAS_CAUTION)


def field_for(key: str, construction: str) -> SheetField:
    """Return a field with the caution of its construction: whatever opens a damper says what may still be in it."""
    field = BY_KEY[key]
    if key == OIL_KIND:
        return replace(field, caution=open_caution(construction))
    return field
