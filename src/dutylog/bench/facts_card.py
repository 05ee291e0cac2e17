"""What a duty card, or the summary in its QR code, says of a damper, as facts.

Both have been checked before (card_verify, summary_read); here only their meaning is read.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from dutylog.bench.facts import (
    CARD,
    SUMMARY,
    AlertFact,
    GasFact,
    HeatFacts,
    LifeFacts,
    MarkFact,
    PartFact,
    ServiceFact,
    TripFact,
    UnitFacts,
)
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS, Profile, Vehicle
from dutylog.errors import InputError
from dutylog.life.budget import PRIOR_BUDGET
from dutylog.life.learning import learn
from dutylog.life.marks import ASSUMED_PASSES_PER_M, Mark
from dutylog.life.parts import PARTS, parts_of
from dutylog.units import J_PER_UJ, M_PER_MILE

TRIPS_KEPT = 50
"""A card holds its newest trips only: of fewer, nothing is missing and their sums are the damper's own."""
CLOCK_NOTE = "the vehicle's clock was never vouched for: days on this card may be wrong"
SUMMARY_NOTE = "from the short summary alone: no trips, marks, gas or alerts; ask for the whole card"
_M_PER_UM, _S_PER_US = 1e-6, 1e-6
SERVICE_RECORD = "service_record"
"""Kind of the ledger's entry that tells of a record taken in (shared/DUTY_CARD.md)."""
EMULSION = CONSTRUCTIONS[2]
BY_CALENDAR = frozenset(part.key for part in PARTS if not part.weights)
"""Parts that only the calendar ends."""


def facts_of_card(card: Mapping[str, Any]) -> UnitFacts:
    """Return what a card says.

    Args:
        card: a checked card as a dictionary.
    Raises:
        InputError: a field lacks or makes no sense, which a checked card of schema 1 can't have.
    """
    try:
        return _read_card(card)
    except InputError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as err:
        raise InputError(f"duty card lacks or garbles {str(err)!r:.80}; have the vehicle issue it anew") from err


def profile_of(data: Mapping[str, Any]) -> Profile:
    """Return a profile from its dictionary form; InputError where it isn't one."""
    vehicle = {"schema": 1, "vehicle_id": "bench", "name": "bench", "dampers": [], "profiles": [dict(data)]}
    return Vehicle.from_dict(vehicle).profiles[0]


def facts_of_summary(
    summary: Mapping[str, Any], profile: Profile | None = None, joints: str | None = None, reservoir: str | None = None
) -> UnitFacts:
    """Return what the summary of a QR code says; what it can't say of the construction follows from its parts.

    Args:
        summary: its fields by their letters. profile: as the bench knows it from before, None unknown.
        joints, reservoir: what somebody sees on the bench, where no profile tells.
    Raises:
        InputError: a field lacks or makes no sense.
    """
    try:
        used = {str(key): float(percent) / 100.0 for key, percent in summary["p"]}
        day = date.fromisoformat(summary["d"])
        life = LifeFacts(
            float(summary["e"]) * 1e6, None, float(summary["t"]) * 1e3, int(summary["b"]), None,
            float(summary["r"]) * 3600.0, None, None if summary["c"] is None else float(summary["c"]) / 100.0,
        )  # fmt: skip
        unit_id, number = str(summary["u"]), int(summary["n"])
        name = None if summary["s"] is None else str(summary["s"])
    except (KeyError, TypeError, ValueError, OverflowError) as err:
        raise InputError(f"summary lacks or garbles {str(err)!r:.80}; scan it again, or take the card's file") from err
    return UnitFacts(
        label=name or unit_id[:8],
        unit_id=unit_id,
        serial=name,
        tag=None,
        basis=SUMMARY,
        day=day,
        profile=profile,
        construction=profile.construction if profile else _construction_by_parts(used),
        reservoir=profile.reservoir if profile else "hose" if "hose" in used else reservoir or RESERVOIRS[0],
        joints=profile.joints if profile else joints or JOINTS[0],
        vehicle_name=str(summary["v"]) if summary.get("v") else None,
        parts=tuple(_part_of_summary(part.key, part.name, used[part.key]) for part in PARTS if part.key in used),
        life=life,
        notes=(SUMMARY_NOTE,),
        sequence=number,
    )


def _read_card(card: Mapping[str, Any]) -> UnitFacts:
    damper, issued, profile = card["damper"], card["issued"], profile_of(card["profile"])
    names = {part.key: part.name for part in parts_of(profile)}
    trips = tuple(_trip(one) for one in card["trips"])
    serial, tag = damper["serial"], damper.get("tag")
    return UnitFacts(
        label=serial or tag or str(damper["unit_id"])[:8],
        unit_id=damper["unit_id"],
        serial=serial,
        tag=tag,
        basis=CARD,
        day=date.fromisoformat(str(issued["utc"])[:10]),
        profile=profile,
        construction=profile.construction,
        reservoir=profile.reservoir,
        joints=profile.joints,
        position=damper.get("position"),
        vehicle_name=card["vehicle"]["name"],
        parts=tuple(_part(one, names) for one in card["parts"]),
        life=_life(card, trips),
        heat=_heat(card["heat"]),
        marks=tuple(_mark(one) for one in card["marks"]),
        trips=trips,
        gas=tuple(_gas(one) for one in card["gas"]),
        alerts=tuple(_alert(one) for one in card["alerts"]),
        services=tuple(_service(one) for one in card["services"]),
        notes=() if issued["utc_trusted"] else (CLOCK_NOTE,),
        ledger_id=card["vehicle"]["ledger_id"],
        sequence=issued["sequence"],
        is_clock_sure=bool(issued["utc_trusted"]),
        taken_records=tuple(_taken_records(card)),
        revision=card["revision"],
    )


def _part(data: Mapping[str, Any], names: Mapping[str, str]) -> PartFact:
    key, share = data["part"], float(data["used_share"])
    measured = float(data["measured_share"])
    return PartFact(
        key=key,
        name=names.get(key, data["name"]),
        used_share=share,
        used_sd=float(data["used_sd"]),
        used_ratio=None if key in BY_CALENDAR else float(data["used_ratio"]),
        measured_ratio=min(1.0, measured / share) if share > 0.0 else None,
        budget=float(data["budget"]),
        budget_low=float(data["budget_low"]),
        budget_high=float(data["budget_high"]),
        findings_count=int(data["findings_count"]),
        since=_day(data["since"]),
        since_entry=data["since_entry"],
        driven_m=_metres(data["miles"]),
        street_m=_metres(data["street_miles"]),
        calendar_day=_day(data["calendar_day"]),
        due_early=_day(data["due_early"]),
        due_likely=_day(data["due_likely"]),
        due_late=_day(data["due_late"]),
        order_by=_day(data["order_by"]),
        text=data["text"],
    )


def _part_of_summary(key: str, name: str, ratio: float) -> PartFact:
    belief = learn(())
    return PartFact(
        key, name, ratio * PRIOR_BUDGET.median, 0.0, None if key in BY_CALENDAR else ratio, None,
        PRIOR_BUDGET.median, belief.low, belief.high, 0, None, None, None, None, None, None, None, None, None,
        "by the summary: its budget is taken as it was before anything was found",
    )  # fmt: skip


def _life(card: Mapping[str, Any], trips: tuple[TripFact, ...]) -> LifeFacts:
    totals, is_whole = card["totals"], len(trips) < TRIPS_KEPT
    far = [one.distance_m for one in trips]
    known = [one for one in far if one is not None]
    counted = [one.top_outs_count for one in trips if one.top_outs_count is not None]
    return LifeFacts(
        energy_j=(totals["energy_compression_uj"] + totals["energy_rebound_uj"]) * J_PER_UJ,
        strokes_count=int(totals["strokes_count"]),
        shaft_travel_m=totals["shaft_travel_um"] * _M_PER_UM,
        bottom_outs_count=totals["bottom_outs_count"],
        top_outs_count=sum(counted) if is_whole and len(counted) == len(trips) and trips else None,
        moving_s=totals["moving_us"] * _S_PER_US,
        distance_m=sum(known) if is_whole and far and len(known) == len(far) else None,
        coverage_ratio=card["coverage"]["ratio"],
    )


def _heat(data: Mapping[str, Any]) -> HeatFacts:
    histogram = tuple((float(low), float(high), float(seconds)) for low, high, seconds in data["body_histogram"])
    return HeatFacts(float(data["hot_seal_s"]), float(data["hot_oil_s"]), data["peak_body_c"], histogram)


def _mark(data: Mapping[str, Any]) -> MarkFact:
    factor = data["wear_factor"]
    if factor is None:
        mark = Mark(data["kind"], float(data["distance_mm"]), float(data["size_mm"]), bool(data["is_sharp"]))
        factor = 1.0 + mark.pass_m * ASSUMED_PASSES_PER_M
    return MarkFact(
        data["kind"], float(data["distance_mm"]), float(data["size_mm"]), bool(data["is_sharp"]), float(factor),
        data["urgency"], data["text"],
    )  # fmt: skip


def _trip(data: Mapping[str, Any]) -> TripFact:
    return TripFact(
        _day(data["day"]), data["distance_m"], float(data["moving_s"]), float(data["energy_j"]),
        int(data["bottom_outs_count"]), data["top_outs_count"], data["peak_body_c"], data["dirt"], data["washed"],
    )  # fmt: skip


def _gas(data: Mapping[str, Any]) -> GasFact:
    return GasFact(
        _day(data["day"]), data["what"], float(data["gauge_pa"]), float(data["body_c"]), data["oil_c"],
        float(data["air_c"]), float(data["travel_mm"]), float(data["altitude_m"]), data["by"],
    )  # fmt: skip


def _alert(data: Mapping[str, Any]) -> AlertFact:
    return AlertFact(_day(data["day"]), data["kind"], data["level"], data["text"], bool(data["is_over"]))


def _service(data: Mapping[str, Any]) -> ServiceFact:
    found = tuple(dict(data["found"]).items())
    return ServiceFact(_day(data["day"]), data["by"], tuple(data["replaced"]), found, data.get("note"))


def _taken_records(card: Mapping[str, Any]) -> Iterator[str]:
    """Yield the digests of service records that the vehicle has taken in, by the entries on its card."""
    for entry in card["evidence"]["entries"]:
        if entry["kind"] == SERVICE_RECORD:
            data = json.loads(entry["data"])
            if isinstance(data, dict) and isinstance(data.get("digest"), str):
                yield data["digest"]


def _construction_by_parts(used: Mapping[str, float]) -> str:
    """Return the construction that has these parts (shared/LIFE.md); without a tell-tale one it may be charged."""
    by_part = {"piston_seal": CONSTRUCTIONS[0], "bladder": CONSTRUCTIONS[1]}
    return next((by_part[key] for key in by_part if key in used), EMULSION)


def _metres(miles: float | None) -> float | None:
    return None if miles is None else miles * M_PER_MILE


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
