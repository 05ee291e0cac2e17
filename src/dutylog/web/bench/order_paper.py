"""What stands on a printed work order, gathered from all of a job."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dutylog.bench.build_fields import LOW_GAS_CAUTION, open_caution
from dutylog.bench.build_sheet import is_known_open
from dutylog.bench.facts import STATED, UnitFacts
from dutylog.bench.findings import NOT_LOOKED, Finding, Item
from dutylog.bench.inspection_items import ITEM_OF
from dutylog.bench.items_inside import GAS
from dutylog.bench.job_state import Told
from dutylog.bench.order_pdf import FoundLine, OrderPaper, both
from dutylog.bench.part_needs import TWIN_TUBE, is_opened, need_of
from dutylog.bench.triage_words import ROW_WORDS, WITHIN
from dutylog.domain.quantity import position_text
from dutylog.domain.wear import AS_NEW
from dutylog.web.bench.frame import Seen
from dutylog.web.bench.inspection_view import words_of
from dutylog.web.bench.job_desk import JobDesk
from dutylog.web.bench.measure_units import measure_text

RESERVOIR_WORDS = {"none": "no reservoir", "attached": "reservoir attached", "hose": "reservoir on a hose"}
ESTIMATE_NOTE = "Estimate from what was told, not measured."


def make_paper(seen: Seen, desk: JobDesk) -> OrderPaper:
    """Return the order of a job for paper: everything as it stands now."""
    head, state = desk.head, desk.state
    agreed = state.agreed
    return OrderPaper(
        shop=seen.frame.settings.name,
        job=desk.job_id,
        day=seen.frame.today().isoformat(),
        customer="" if head.customer is None else head.customer.name,
        contact="" if head.customer is None else head.customer.contact or "",
        damper=_damper_pairs(desk),
        facts=_fact_pairs(desk.facts),
        triage="" if agreed is None else ROW_WORDS[str(agreed.data["row"])],
        agreed_by="" if agreed is None else agreed.by,
        reasons=() if agreed is None else _reasons(agreed),
        limit="" if agreed is None or agreed.data["row"] != WITHIN else _limit_text(agreed.data.get("limit")),
        findings=tuple(_found_line(one) for one in _worst_first(state.newest_findings)),
        order=desk.order,
        currency=seen.frame.settings.currency,
        cautions=_cautions(desk),
        notes=_notes(desk.facts),
        is_agreed_old=state.is_agreed_old,
    )


def _damper_pairs(desk: JobDesk) -> tuple[tuple[str, str], ...]:
    damper, vehicle = desk.head.damper, desk.head.vehicle
    pairs: list[tuple[str, str | None]] = [
        ("Serial", damper.serial),
        ("Tag", damper.tag),
        ("Vehicle", None if vehicle is None else vehicle.label),
        ("Position", None if damper.position is None else position_text(damper.position)),
        ("Profile", damper.profile_name),
        ("Build", f"{position_text(damper.construction)}, {RESERVOIR_WORDS.get(damper.reservoir, damper.reservoir)}"),
        ("Ends", position_text(damper.joints)),
    ]
    return tuple((name, value) for name, value in pairs if value)


def _fact_pairs(facts: UnitFacts) -> tuple[tuple[str, str], ...]:
    life = facts.life
    pairs: list[tuple[str, str | None]] = [
        ("Driven", None if life.distance_m is None else both("far_m", life.distance_m)),
        ("Shaft travel", None if life.shaft_travel_m is None else both("far_m", life.shaft_travel_m)),
        ("Heat made", None if life.energy_j is None else both("energy_j", life.energy_j)),
        ("Strokes", None if life.strokes_count is None else both("count", life.strokes_count)),
        ("Bottom-outs", None if life.bottom_outs_count is None else both("count", life.bottom_outs_count)),
        ("Warmest body", None if facts.heat.peak_body_c is None else both("temperature_c", facts.heat.peak_body_c)),
        ("Measured", None if life.coverage_ratio is None else f"{both('ratio', life.coverage_ratio)} of moving time"),
    ]
    for part in facts.parts:
        if part.used_ratio is not None:
            told = ", estimate" if part.is_estimate else ""
            pairs.append((part.name, f"{both('change_ratio', part.used_ratio)} of its budget used{told}"))
    return tuple((name, value) for name, value in pairs if value)


def _reasons(agreed: Told) -> tuple[str, ...]:
    """Return why, as it was when it was agreed to; what a technician said against the rules first."""
    told: list[dict[str, Any]] = list(agreed.data["reasons"])
    found = [f"{one['says']} ({'; '.join(one['seen'])})" if one.get("seen") else str(one["says"]) for one in told]
    if agreed.data["row"] != agreed.data["judged_row"]:
        judged = ROW_WORDS[str(agreed.data["judged_row"])]
        found.insert(0, f"{agreed.by}: {agreed.data.get('why') or ''} (the rules said: {judged})")
    return tuple(found)


def _limit_text(limit: Mapping[str, Any] | None) -> str:
    """Return how long it may go on, as it was agreed to; '' where nobody wrote that down."""
    if limit is None:
        return ""
    far = None if limit.get("distance_m") is None else both("far_m", float(limit["distance_m"]))
    weeks = None
    if limit.get("weeks") is not None:
        weeks = f"{limit['weeks']} week{'' if limit['weeks'] == 1 else 's'}, until {limit['until']}"
    told = [one for one in (far, weeks) if one]
    return f"{told[0]}, or {told[1]}, whichever comes first" if len(told) == 2 else "".join(told)


def _worst_first(findings: tuple[Finding, ...]) -> list[Finding]:
    """Return findings with the worst first, those without a sign last; what was left out stands before them."""
    order = ["failed", "worn", "usable", NOT_LOOKED, AS_NEW]
    return sorted(findings, key=lambda one: order.index(one.grade) if one.grade in order else len(order))


def _found_line(finding: Finding) -> FoundLine:
    item = ITEM_OF.get(finding.item)
    return FoundLine(
        name=finding.item if item is None else item.name,
        grade=words_of(item).get(finding.grade, finding.grade),
        measures="" if item is None else _measures(item, finding),
        note=finding.note or "",
        by=finding.by,
    )


def _measures(item: Item, finding: Finding) -> str:
    texts = []
    for measure in item.measures:
        if measure.key in finding.measures:
            held = finding.measures[measure.key]
            text = both(measure.kind, held) if measure.kind else measure_text(measure, held)
            texts.append(f"{measure.name}: {text}")
    return "; ".join(texts)


def _cautions(desk: JobDesk) -> tuple[str, ...]:
    """Return what whoever works by this paper must know, by what is on it and how the damper is built."""
    parts = {part for line in desk.order.lines if line.need is not None for part in need_of(line.need).parts}
    construction = desk.head.damper.construction
    if construction == TWIN_TUBE:
        # Its gas has no valve to let it out at, so whoever has this paper in hand must know before anything is opened.
        return (LOW_GAS_CAUTION,)
    is_open = is_opened(parts) or is_known_open(desk.state)
    return (GAS, open_caution(construction)) if is_open else (GAS,)


def _notes(facts: UnitFacts) -> tuple[str, ...]:
    return ((ESTIMATE_NOTE,) if facts.basis == STATED else ()) + facts.notes
