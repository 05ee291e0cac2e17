"""Duty cards as lines for people: what was issued, and what a card says."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dutylog.cli.duty_text import table_text
from dutylog.domain.quantity import NBSP, position_text, quantity_text
from dutylog.life.words import INFORMS
from dutylog.units import J_PER_UJ

if TYPE_CHECKING:
    from dutylog.bench.card_read import Card
    from dutylog.bench.card_verify import Verdict

NO_PLACE = "A card holds no place on earth and no names of trips."
_NEWEST = 10
"""Rows of a long list that are shown; the file has all."""


def issued_lines(card: Mapping[str, Any], out: Path | None) -> list[str]:
    """Return what was made, and what to compare with at the bench."""
    damper, issued = card["damper"], card["issued"]
    label = damper["serial"] or damper["tag"] or damper["unit_id"]
    words = _words(card["signature"]["key_id"])
    lines = [f"card {issued['sequence']} of damper {label}, issued by {issued['by']}", f"key  {words}"]
    if out is not None:
        lines.append(f"file {out}, {out.stat().st_size} bytes")
    return lines


def card_lines(card: Card, verdict: Verdict, units: str) -> list[str]:
    """Return what a card says; first whether it is as it was signed and its history holds in itself."""
    body = card.body
    return [
        *_head_lines(card, verdict),
        "",
        *_life_lines(body, units),
        "",
        *_part_lines(body),
        *_told_lines(body, units),
        "",
        NO_PLACE,
        INFORMS,
    ]


def _head_lines(card: Card, verdict: Verdict) -> list[str]:
    body = card.body
    damper, issued, vehicle = body["damper"], body["issued"], body["vehicle"]
    clock = "" if issued["utc_trusted"] else " (clock not checked)"
    place = "on the shelf" if damper["position"] is None else f"at {position_text(damper['position'])}"
    lines = [
        f"duty card {card.sequence} of damper {card.label}, {place} of {vehicle['name']} ({vehicle['vehicle_id']})",
        f"issued {issued['utc']}{clock} by {issued['by']}",
        f"signed by key {_words(card.key_id)}: it is as it was signed; whose key that is, compare at the vehicle",
        f"history of {card.head_row} entries, {len(body['evidence']['entries'])} of this damper in full",
    ]
    lines += [f"NOT IN ORDER: {one.text}" for one in verdict.refusals]
    return lines


def _life_lines(body: Mapping[str, Any], units: str) -> list[str]:
    totals, coverage, heat = body["totals"], body["coverage"], body["heat"]
    energy_j = (totals["energy_compression_uj"] + totals["energy_rebound_uj"]) * J_PER_UJ
    rows = [
        ("energy turned to heat", _said("energy_j", energy_j, units)),
        ("strokes", _said("count", totals["strokes_count"], units)),
        ("shaft travel", _said("distance_m", totals["shaft_travel_um"] * 1e-6, units)),
        ("bottom-outs", _said("count", totals["bottom_outs_count"], units)),
        ("time in motion", _said("duration_s", coverage["moving_s"], units)),
        ("of it measured", _said("ratio", coverage["ratio"], units)),
        ("warmest body", _said("temperature_c", heat["peak_body_c"], units)),
        ("oil too hot for seals", _said("duration_s", heat["hot_seal_s"], units) + " since the seal was new"),
        ("oil too hot for oil", _said("duration_s", heat["hot_oil_s"], units) + " since it was new"),
    ]
    return ["all its life:", *table_text(("", ""), rows, left=2).splitlines()[1:]]


def _part_lines(body: Mapping[str, Any]) -> list[str]:
    heads = ("part", "used", "counts since", "early", "likely", "late")
    rows = []
    for one in body["parts"]:
        used = f"{100.0 * one['used_ratio']:.0f} %" if one["doses"] else "-"
        days = [one[name] or "-" for name in ("due_early", "due_likely", "due_late")]
        rows.append((one["name"], used, one["since"], *days))
    lines = table_text(heads, rows, left=1).splitlines()
    return [*lines, "early, likely, late: in 1, 5, 9 of 10 cases it is due by then"]


def _told_lines(body: Mapping[str, Any], units: str) -> list[str]:
    lines: list[str] = []
    for one in body["marks"]:
        lines += ["", f"mark on the shaft, {one['kind']}: {one['urgency']}. {one['text']}. {one['advice']}"]
    for title, rows in (
        ("services", [_service(one) for one in reversed(body["services"])]),
        ("distances nobody measured", [_use(one, units) for one in body["stated_use"]]),
        ("gauge readings", [_gas(one, units) for one in reversed(body["gas"])]),
        ("alerts", [_alert(one) for one in body["alerts"]]),
        ("trips", [_trip(one, units) for one in body["trips"]]),
        ("where it sat", [_stay(one) for one in reversed(body["installs"])]),
        ("adjusters", [_setting(one) for one in reversed(body["settings"])]),
    ):
        if rows:
            more = [f"  and {len(rows) - _NEWEST} more"] if len(rows) > _NEWEST else []
            lines += ["", f"{title}:", *(f"  {row}" for row in rows[:_NEWEST]), *more]
    return lines


def _service(one: Mapping[str, Any]) -> str:
    what = [f"replaced {', '.join(map(position_text, one['replaced']))}"] if one["replaced"] else []
    what += [f"found {position_text(part)} {position_text(grade)}" for part, grade in one["found"].items()]
    return f"{_day(one)} by {one['by']}: {'; '.join(what)}{_note(one)}"


def _use(one: Mapping[str, Any], units: str) -> str:
    far = _said("far_m", one["distance_m"], units)
    return f"{far} of {one['mix']}, {position_text(one['kind'])}, says {one['by']}"


def _gas(one: Mapping[str, Any], units: str) -> str:
    pressure, body = _said("pressure_fine_pa", one["gauge_pa"], units), _said("temperature_c", one["body_c"], units)
    travel = _said("travel_m", one["travel_mm"] * 1e-3, units)
    what = "filled, then read" if one["what"] == "fill" else "read"
    return f"{_day(one)} by {one['by']}: {what} {pressure}, body {body}, {travel} in"


def _alert(one: Mapping[str, Any]) -> str:
    return f"{_day(one)} {one['level']}: {one['text']}{'' if one['is_over'] else ' (not over)'}"


def _trip(one: Mapping[str, Any], units: str) -> str:
    far, energy = _said("distance_m", one["distance_m"], units), _said("energy_j", one["energy_j"], units)
    dirt = "" if one["dirt"] is None else f", {one['dirt']}, {'washed' if one['washed'] else 'not washed'}"
    return f"{_day(one)} {far}, {energy}, bottom-outs {one['bottom_outs_count']}{dirt}"


def _stay(one: Mapping[str, Any]) -> str:
    begun = one["from_day"] or "a day nobody knows"
    return f"{position_text(one['position'])} from {begun}" + (f" to {one['to_day']}" if one["to_day"] else "")


def _setting(one: Mapping[str, Any]) -> str:
    clicks = [
        f"{name} {one[f'{name}_clicks']}" for name in ("compression", "rebound") if one[f"{name}_clicks"] is not None
    ]
    told = f", clicks from open: {', '.join(clicks)}" if clicks else ""
    return f"{one['from_day']} {position_text(one['position'])}: {one['name']}{told}"


def _note(one: Mapping[str, Any]) -> str:
    return "" if one["note"] is None else f" ({one['note']})"


def _day(one: Mapping[str, Any]) -> str:
    return one["day"] or "clock not set"


def _said(kind: str, value: float | None, units: str) -> str:
    return quantity_text(kind, value, units).replace(NBSP, " ").replace("\u202f", ",")


def _words(key_id: str) -> str:
    return " ".join(key_id[at : at + 4] for at in range(0, len(key_id), 4))
