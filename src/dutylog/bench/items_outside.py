"""Points of the inspection at the damper itself with nothing opened: leaks, clunk, shaft, damping (shared/BENCH.md)."""

from __future__ import annotations

from dutylog.bench.findings import Item, Measure

MORE, LESS = "more", "less"
STANDS = (
    "Vehicle on stands on firm level ground, wheels chocked, before anybody gets under it or takes a damper off; never "
    "under one that only a jack holds."
)
ROCKED = (
    "It is pushed or rocked only with its wheels on firm level ground, chocked, brake on: never on stands or a jack, "
    "it would fall. Hands clear of spring, links and bump stop meanwhile."
)
HOT = (
    "A damper that has worked burns, and gets hotter for a while after the stop: below 48 °C (118 °F) first, never "
    "cool it by water."
)
CHARGED = "It is under gas pressure: loosen nothing here, eyes protected."

ON_VEHICLE, ON_BENCH = 0, 1

WIPED = Measure("wiped", "wiped dry, then 50 strokes", "", "", 0.0, 1.0, choices=((0.0, "not done"), (1.0, "done")))
WET_AGAIN = Measure(
    "wet_again",
    "after 50 strokes",
    "",
    "",
    0.0,
    3.0,
    MORE,
    ((0.0, "dry"), (1.0, "a dry film"), (2.0, "wet again"), (3.0, "drops or runs")),
)
"""A leak is asked in two steps: what was wet before says little, what is wet again after wiping and 50 strokes does."""
DRY, FILM, WET, RUNS = 0.0, 1.0, 2.0, 3.0
TWO_STEPS = (
    "Wipe it dry and clean, work the damper 50 strokes (or drive them), look again. A dry film on the shaft that takes "
    "up a little dust is normal: it keeps the seal alive. Wet again, drops or a clean washed track is a leak."
)


def _leak(key: str, name: str, where: str, parts: tuple[str, ...], reservoirs: tuple[str, ...] = ()) -> Item:
    return Item(
        key,
        "leaks",
        name,
        f"Does oil come out {where}?",
        TWO_STEPS,
        ON_VEHICLE,
        f"{STANDS} {ROCKED} {HOT} {CHARGED} Oil on brakes or tyres: it isn't driven until they are clean.",
        (WIPED, WET_AGAIN),
        parts,
        reservoirs=reservoirs,
    )


LEAKS = (
    _leak("leak_seal_head", "Seal head", "at the shaft or around the seal head", ("shaft_seal",)),
    _leak("leak_fittings", "Fittings", "at a fitting, a plug, an adjuster or the end of the body", ()),
    _leak(
        "leak_hose_crimp",
        "Hose at the crimp",
        "where the hose goes into its crimp, at either end",
        ("hose",),
        ("hose",),
    ),
    _leak("leak_reservoir", "Reservoir", "at the caps of the reservoir", (), ("attached", "hose")),
)
RUNOUT = Measure("runout_mm", "runout, least to most", "", "mm", 0.0, 20.0, MORE)
CLUNK = (
    Item(
        "clunk_mounts",
        "clunk",
        "Clunk: mounts",
        "Does a mount, its bolt or its sleeve move when the vehicle is rocked?",
        "The vehicle's weight on its wheels: one rocks the body in short strokes, one holds a hand on mount and "
        "eyelet, a knock is felt where it is. Commonest first: mounts, then bushings or rod ends, then top-out, then "
        "the floating piston.",
        ON_VEHICLE,
        f"{ROCKED} {HOT}",
    ),
    Item(
        "clunk_joints",
        "clunk",
        "Clunk: bushings or rod ends",
        "Does the knock sit in the eyelet itself?",
        "As before, on its wheels, a finger across eyelet and bolt. Then, no longer rocked, the weight off and a "
        "gentle pry along the bolt.",
        ON_VEHICLE,
        f"{ROCKED} For prying: {STANDS} {HOT}",
        parts=("joints",),
    ),
    Item(
        "clunk_top_out",
        "clunk",
        "Clunk: top-out",
        "Does it knock at full extension only?",
        "Let the wheel drop gently by the jack from mid travel to full droop; a hard metal knock at the end is a "
        "top-out: look at limit strap and top-out bumper.",
        ON_VEHICLE,
        f"{STANDS} {HOT}",
    ),
    Item(
        "clunk_floating_piston",
        "clunk",
        "Clunk: floating piston",
        "With all the others tight: does it knock at each reversal, or is there lost motion before it resists?",
        "Push and release by hand or on the bench, short strokes about mid travel. Lost motion speaks of low gas or "
        "a floating piston that sits wrong; only reading the charge and the piston's depth decide.",
        ON_VEHICLE,
        f"{ROCKED} For taking it off: {STANDS} {HOT} {CHARGED}",
        parts=("piston_seal",),
        constructions=("floating_piston",),
    ),
)
SHAFT = (
    Item(
        "shaft_marks",
        "shaft",
        "Shaft: marks",
        "Are there nicks, scratches or pits where it goes through the seal?",
        "Full extension, clean; draw a cloth along it all round: where it catches, the mark is sharp. Measure from "
        "the face of the seal head.",
        ON_VEHICLE,
        f"{STANDS} {HOT} Never stone, file or polish a shaft under pressure.",
        (
            Measure("mark_size_mm", "longest mark", "", "mm", 0.0, 500.0, MORE),
            Measure("mark_distance_mm", "its distance from the seal head", "", "mm", 0.0, 2000.0),
            Measure("mark_sharp", "a cloth catches on it", "", "", 0.0, 1.0, MORE, ((0.0, "no"), (1.0, "yes"))),
        ),
        ("structure",),
    ),
    Item(
        "shaft_rust",
        "shaft",
        "Shaft: rust and plating",
        "Is there rust, or plating that lifts or has worn through?",
        "Clean and dry; rust that a nail feels cuts the seal, a stain that wipes off doesn't.",
        ON_VEHICLE,
        f"{STANDS} {HOT}",
        parts=("structure",),
    ),
    Item(
        "shaft_runout",
        "shaft",
        "Shaft: runout",
        "Is the shaft bent?",
        "Fully extended, nothing opened: a dial gauge on the shaft near its eyelet, the shaft turned once in its "
        "guide; the reading is from least to most, the guide's play is in it. A wiper that is wet on one side says the "
        "same. V-blocks decide, once the shaft is out.",
        ON_BENCH,
        CHARGED,
        (RUNOUT,),
        ("structure",),
    ),
)
DAMPING = (
    Item(
        "damping_lost",
        "damping",
        "Lost damping",
        "Has it lost damping: does it move with hardly any resistance, or differ from its neighbour?",
        "The push test on the vehicle, or stroked by hand on the bench against the other side. Dead travel at a "
        "reversal is air or too little gas.",
        ON_VEHICLE,
        f"{ROCKED} For taking it off: {STANDS} {HOT} {CHARGED}",
        (Measure("push_lost_percent", "less than its neighbour or baseline", "", "%", -100.0, 100.0, MORE),),
        ("oil",),
    ),
    Item(
        "damping_curve",
        "damping",
        "Force curve as found",
        "What force does it make by speed, against its profile?",
        "On the damper bench, warmed as the manual says, gas pressure known; put the table in as CSV. The changes are "
        "worked out against the profile.",
        ON_BENCH,
        f"{HOT} {CHARGED} Guards of the bench closed, nobody's hands near while it moves.",
        (
            Measure("compression_lost_percent", "compression force lost", "", "%", -300.0, 100.0, MORE),
            Measure("rebound_lost_percent", "rebound force lost", "", "%", -300.0, 100.0, MORE),
        ),
        ("oil",),
    ),
)
OUTSIDE = LEAKS + CLUNK + SHAFT + DAMPING
