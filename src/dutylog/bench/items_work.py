"""What each point of the inspection calls for when it is bad: wear parts, other pieces, labour (shared/BENCH.md).

A wear part is what a budget is believed of (domain.wear); much of what an inspection finds is none: a mount of the
vehicle, a bolt, a bump stop. Sources: common practice, no published source; the maker's parts list comes first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Work:
    """What a bad point calls for. parts: wear parts made new. needs: other pieces, by their key in part_needs.

    labour: what is done beside replacing, '' nothing. opens: the damper is opened for it, whatever becomes new.
    """

    parts: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    labour: str = ""
    opens: bool = False


OF_DAMPER = ("body", "end_cap", "fitting_seals", "reservoir_seals", "reservoir_clamps", "shims")
"""Pieces of the damper itself: of no use where it is replaced whole."""
WASH = "Wash off mud and sand with the damper cold, dry it, look at wipers and shafts again"
_ENDS = Work(("joints",))
_SHAFT = Work(("structure",))
ITEM_WORK: Mapping[str, Work] = MappingProxyType(
    {
        "leak_seal_head": Work(("shaft_seal",)),
        "leak_fittings": Work((), ("fitting_seals",), "Find the fitting, plug or adjuster that leaks; seal it", True),
        "leak_hose_crimp": Work(("hose",)),
        "leak_reservoir": Work((), ("reservoir_seals",), "Seal the caps of the reservoir", True),
        "clunk_mounts": Work((), ("mount", "fasteners"), "Mend or replace what knocks at the mount, bolts to torque"),
        "clunk_joints": _ENDS,
        "clunk_top_out": Work((), ("limit_strap",), "Find why it tops out: limit strap, top-out bumper, valving"),
        "clunk_floating_piston": Work(("piston_seal",)),
        "shaft_marks": _SHAFT,
        "shaft_rust": _SHAFT,
        "shaft_runout": _SHAFT,
        "shaft_on_blocks": _SHAFT,
        "damping_lost": Work(("oil",), (), "Find where its damping went: force curve, gas, oil, valving"),
        "damping_curve": Work(("oil",), (), "Find where its damping went: gas, oil, valving; force curve afterwards"),
        "rod_end_noise": _ENDS,
        "rod_end_play": _ENDS,
        "rod_end_cap": Work(("joints",), ("end_cap",)),
        "bushing_bulge": _ENDS,
        "bushing_cracks": _ENDS,
        "bearing_rust": _ENDS,
        "bearing_dirt": _ENDS,
        "bearing_rattle": _ENDS,
        "body_dents": Work((), ("body",), "Replace the dented body", True),
        "mounts_cracked": Work((), ("mount",), "Replace the mount, or have it mended by somebody qualified to weld it"),
        "corrosion": Work((), ("body",), "Replace what corrosion has taken: body, cap, ring or spring seat", True),
        "reservoir_clamps": Work((), ("reservoir_clamps",), "Hold the reservoir anew, clear of what it touched"),
        "hose_route": Work(("hose",), (), "Lay the hose clear of all it can touch at full travel and steering"),
        "bolts": Work((), ("fasteners",), "Replace bolts that are loose, bent or missing; torque by the manual"),
        "straps": Work((), ("limit_strap",), "Set the strap so that it is taut before the damper is at its end"),
        "bump_stops": Work((), ("bump_stop",)),
        "tyre_wear": Work((), (), "Measure alignment and balance; look at the tyre again"),
        "charge_before": Work(("charge",)),
        "charge_valve": Work(("charge",)),
        "charge_after": Work(("charge",), (), "Find where the gas goes: valve, caps, seals"),
        "oil_volume": Work(("oil",), (), "Find where the oil went"),
        "oil_colour": Work(("oil",)),
        "oil_metal": Work(("oil",), (), "Find what gave the metal: band, bore, valving"),
        "piston_depth": Work(("charge",), (), "Set the floating piston to its depth", True),
        "piston_seal_state": Work(("piston_seal",)),
        "bladder_state": Work(("bladder",)),
        "seal_lips": Work(("shaft_seal",)),
        "wear_band_state": Work(("wear_band",)),
        "bore_state": Work((), ("body",), "Replace the scored body", True),
        "valving_state": Work((), ("shims",), "Build the shim stack anew as it was written down", True),
    }
)
"""By point; every point has a row."""
_DRESSED = Work(
    ("shaft_seal",),
    (),
    "Take the shaft out and look at it: dress what its maker lets be dressed; a new one where a cloth still catches",
    True,
)
UNLESS_GRADED: Mapping[str, Work] = MappingProxyType({"shaft_marks": _DRESSED, "shaft_rust": _DRESSED})
"""What points call for while only a rule says that they are bad: nobody buys a shaft that somebody may dress."""


def work_for(item: str, *, is_graded: bool) -> Work:
    """Return what a bad point calls for. is_graded: somebody who looked at it said that it is; else a rule does."""
    return ITEM_WORK[item] if is_graded else UNLESS_GRADED.get(item, ITEM_WORK[item])
