"""Points of the inspection that need the charge read, the damper opened, or closed again (shared/BENCH.md)."""

from __future__ import annotations

from dutylog.bench.findings import Item, Measure
from dutylog.bench.items_outside import MORE, RUNOUT
from dutylog.ledger.gas_readings import LIMITS

GAS = (
    "Nitrogen under pressure: cold, below 40 °C (104 °F), before any gas is let out; valve pointed away from "
    "everybody, eyes protected, dry nitrogen only, through a regulator and a relief rated for the fitting."
)
OPENED = (
    "Charge let out by the maker's procedure before anything is opened. A stuck or leaking floating piston can hold "
    "pressure on the oil side with the valve open: treat it as charged until the procedure proves otherwise. One "
    "without a valve, a twin tube too, may hold gas under low pressure. Eyes and hands protected; hot oil burns."
)
CHARGE, INSIDE, CLOSED = 2, 3, 4
GASES = ("floating_piston", "bladder", "emulsion")
"""Constructions whose gas has a valve to read and fill at."""
_READING = (
    Measure("gauge_pa", "gauge", "pressure_pa", "Pa", *LIMITS["gauge_pa"][:2]),
    Measure("body_c", "body", "temperature_c", "degC", *LIMITS["body_c"][:2]),
    Measure("air_c", "air", "temperature_c", "degC", *LIMITS["air_c"][:2]),
    Measure("travel_mm", "shaft in, from full extension", "", "mm", *LIMITS["travel_mm"][:2]),
    Measure("altitude_m", "altitude", "", "m", *LIMITS["altitude_m"][:2]),
)
_HOW_READ = (
    "Full extension, body within 5 K of the air; write down both temperatures, how far the shaft is in, the altitude. "
    "The gauge itself takes a little: read once."
)

CHARGES = (
    Item(
        "charge_before",
        "nitrogen",
        "Nitrogen as found",
        "What does the gauge show before anything is done?",
        _HOW_READ,
        CHARGE,
        GAS,
        _READING,
        ("charge",),
        GASES,
    ),
    Item(
        "charge_valve",
        "nitrogen",
        "Nitrogen: valve and caps",
        "Does the valve or a cap of the gas side leak?",
        "Soapy water at valve, core and cap, a minute; dry it after.",
        CHARGE,
        GAS,
        (Measure("bubbles", "bubbles", "", "", 0.0, 2.0, MORE, ((0.0, "none"), (1.0, "slow"), (2.0, "steady"))),),
        ("charge",),
        GASES,
    ),
    Item(
        "charge_after",
        "nitrogen",
        "Nitrogen after",
        "What does the gauge show after filling, and the day after?",
        _HOW_READ + " Read again after a night; the build sheet judges what is lost.",
        CLOSED,
        GAS,
        _READING,
        ("charge",),
        GASES,
    ),
)
OIL = (
    Item(
        "oil_volume",
        "oil",
        "Oil: volume",
        "How much oil came out, against what went in?",
        "Catch it all in a clean measure, shaft worked slowly until no more comes.",
        INSIDE,
        OPENED,
        (
            Measure("oil_ml", "came out", "", "ml", 0.0, 5000.0),
            Measure("oil_missing_percent", "missing", "", "%", -50.0, 100.0, MORE),
        ),
        ("oil",),
    ),
    Item(
        "oil_colour",
        "oil",
        "Oil: colour and smell",
        "What does the oil look and smell like?",
        "In a clear glass against white, beside new oil of the same kind. Milky is water, black and burnt was hot.",
        INSIDE,
        OPENED,
        (
            Measure(
                "colour", "colour", "", "", 0.0, 4.0, MORE,
                ((0.0, "as new"), (1.0, "darker, clear"), (2.0, "grey"), (3.0, "black or burnt"), (4.0, "milky")),
            ),
        ),
        ("oil",),
    ),
    Item(
        "oil_metal",
        "oil",
        "Oil: metal",
        "What is in the oil?",
        "Through a clean cloth or over a magnet. Fine grey paste comes from running in and wear; flakes and chips from "
        "something that breaks: find out what.",
        INSIDE,
        OPENED,
        (
            Measure(
                "metal", "metal", "", "", 0.0, 3.0, MORE,
                ((0.0, "none"), (1.0, "fine paste"), (2.0, "flakes"), (3.0, "chips")),
            ),
        ),
        ("oil",),
    ),
)  # fmt: skip
OPEN = (
    Item(
        "piston_depth",
        "floating piston",
        "Floating piston: depth",
        "How deep does the floating piston sit, against the manual?",
        "Depth gauge from the face of the reservoir before it is moved, shaft fully extended.",
        INSIDE,
        OPENED,
        (
            Measure("depth_mm", "depth", "", "mm", 0.0, 500.0),
            Measure("depth_off_mm", "off the stated depth", "", "mm", 0.0, 300.0, MORE),
        ),
        ("charge",),
        ("floating_piston",),
    ),
    Item(
        "piston_seal_state",
        "floating piston",
        "Floating piston: seal and bore",
        "Is its seal cut, hard or flat, oil on the gas side, its bore scored?",
        "Oil on the gas side or gas in the oil says that it leaks, whatever the seal looks like.",
        INSIDE,
        OPENED,
        parts=("piston_seal",),
        constructions=("floating_piston",),
    ),
    Item(
        "bladder_state",
        "bladder",
        "Bladder",
        "Is the bladder cracked, soft, creased or does it leak?",
        "Clean and dry; stretch it gently by hand over a lamp, look at the bead.",
        INSIDE,
        OPENED,
        parts=("bladder",),
        constructions=("bladder",),
    ),
    Item(
        "seal_lips",
        "seals",
        "Shaft seal and wiper",
        "Are the lips cut, hard, flat or worn on one side?",
        "Under a lens; worn on one side speaks of a bent shaft or a worn guide.",
        INSIDE,
        OPENED,
        parts=("shaft_seal",),
    ),
    Item(
        "shaft_on_blocks",
        "shaft",
        "Shaft: runout on V-blocks",
        "Is the shaft bent, measured out of the damper?",
        "On V-blocks near both ends of the plated length, a dial gauge in the middle, one turn; the reading is from "
        "least to most. A seal worn on one side says the same.",
        INSIDE,
        OPENED,
        (RUNOUT,),
        ("structure",),
    ),
    Item(
        "wear_band_state",
        "piston",
        "Wear band and guide",
        "Is the wear band or the shaft's guide worn through, scored or loose?",
        "Measure thickness at four places against the manual; metal through the band scores the bore.",
        INSIDE,
        OPENED,
        (Measure("worn_off_mm", "worn off at its thinnest", "", "mm", 0.0, 5.0, MORE),),
        ("wear_band",),
    ),
    Item(
        "bore_state",
        "piston",
        "Bore",
        "Is the bore scored, worn or dented from outside?",
        "Wiped dry, a lamp at the other end; what a nail feels counts.",
        INSIDE,
        OPENED,
        parts=("structure",),
    ),
    Item(
        "valving_state",
        "piston",
        "Shims and piston",
        "Are shims bent, cracked or in another order than written down?",
        "Lay the stack out in its order, photograph it, look at each shim against the light.",
        INSIDE,
        OPENED,
    ),
)
INSIDE_ITEMS = CHARGES + OIL + OPEN
