"""What an order should hold: lines proposed from findings, triage, measured use and construction, for a person to
change.

A proposal is no order: nobody has looked at it, and what it leaves out may still be needed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Protocol

from dutylog.bench.facts import PartFact, UnitFacts
from dutylog.bench.findings import Finding
from dutylog.bench.inspection_items import ITEM_OF, is_rebuildable, items_for
from dutylog.bench.items_work import OF_DAMPER, WASH, Work, work_for
from dutylog.bench.order import LABOUR, PART, TEXT_LIMIT
from dutylog.bench.part_needs import OPENING, Needed, has_part, is_opened, needs_for
from dutylog.bench.triage import Reason
from dutylog.bench.triage_words import OUTING, STOP, WITHIN
from dutylog.domain.wear import FAILED, PARTS, WORN
from dutylog.life.parts import part_names

USED_UP_RATIO = 0.8
"""A part used to that share of its budget is made new when the damper is open anyway. Source: judgement."""
_PRESSING = (STOP, OUTING, WITHIN)
"""Rows of triage whose reasons call for work; what is only watched calls for none."""
REBUILD = ("shaft_seal", "oil", "wear_band", "piston_seal", "bladder", "charge")
"""Proposed together where a damper is opened for a seal or band that is worn, if nearly used up themselves."""


class CataloguePart(Protocol):
    """A part as the shop's catalogue has it."""

    @property
    def part_no(self) -> str:
        """Return the shop's own number."""

    @property
    def name(self) -> str:
        """Return what the shop calls it."""

    @property
    def need(self) -> str | None:
        """Return the key of part_needs that it serves."""

    @property
    def profile_name(self) -> str | None:
        """Return the only profile it fits, None: any."""

    @property
    def price_minor(self) -> int | None:
        """Return the price of one."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A wear part to be made new, and why. is_found: somebody found it so; else measured use or calendar says it."""

    part: str
    name: str
    why: str
    is_found: bool


@dataclass(frozen=True, slots=True)
class ProposedLine:
    """A line to be put on the order; `as_data` is what an entry `line_put` takes but for its line_id."""

    kind: str
    text: str
    count: float
    unit: str | None = None
    need: str | None = None
    part_no: str | None = None
    price_minor: int | None = None

    def as_data(self, line_id: str) -> dict[str, Any]:
        """Return the fields of an entry `line_put`."""
        return {
            "line_id": line_id,
            "kind": self.kind,
            "part_no": self.part_no,
            "need": self.need,
            "text": self.text,
            "count": self.count,
            "unit": self.unit,
            "price_minor": self.price_minor,
            "is_gone": False,
        }


@dataclass(frozen=True, slots=True)
class Plan:
    """What a damper calls for. wanted: wear parts, in the order of domain.wear. needs: other pieces, by key.

    labour: what is done beside replacing. is_opened: it is opened for that. is_whole: it can't be, so it is replaced.
    """

    wanted: tuple[Wanted, ...]
    needs: tuple[str, ...] = ()
    labour: tuple[str, ...] = ()
    is_opened: bool = False
    is_whole: bool = False


def plan_work(facts: UnitFacts, findings: Iterable[Finding], today: date, reasons: Iterable[Reason] = ()) -> Plan:
    """Return what a damper calls for.

    Args:
        facts: of the damper. findings: newest of each point. today: for the calendar. reasons: of its triage.
    Source:
        items_work, for what was found worn or failed and for what made a rule fire that can't wait for long; parts over
        their budget or calendar; nearly used up in a damper that is opened anyway (judgement).
    """
    urgent = [one for one in reasons if one.row in _PRESSING]
    bad = _bad_points(facts, findings, urgent)
    works, names = [one.work for one in bad], part_names(facts.joints)
    found: dict[str, Wanted] = {}
    for one in bad:
        for part in one.work.parts:
            found.setdefault(part, Wanted(part, names[part], one.why, one.is_found))
    for fact in facts.parts:
        over = _is_over(fact, today, facts.is_clock_sure is not False)
        if over is not None:
            found.setdefault(fact.key, Wanted(fact.key, fact.name, over, False))
    for reason in urgent:
        for part in PARTS:
            if part in reason.points.parts:
                found.setdefault(part, Wanted(part, names[part], f"triage: {reason.rule.says}", False))
    found = {part: one for part, one in found.items() if has_part(part, facts.construction, facts.reservoir)}
    opens, can_open = any(work.opens for work in works) or is_opened(found), is_rebuildable(facts)
    if opens and can_open:
        _add_opened(facts, found)
    labour = [work.labour for work in works if can_open or not work.opens] + [
        WASH for reason in urgent if reason.points.is_dirty
    ]
    return Plan(
        wanted=tuple(found[part] for part in PARTS if part in found),
        needs=tuple(dict.fromkeys(need for work in works for need in work.needs)),
        labour=tuple(dict.fromkeys(text for text in labour if text)),
        is_opened=opens,
        is_whole=opens and not can_open,
    )


def propose_lines(facts: UnitFacts, plan: Plan, catalogue: Iterable[CataloguePart] = ()) -> tuple[ProposedLine, ...]:
    """Return lines for an order: labour first, then parts.

    Args:
        facts: of the damper. plan: what it calls for (`plan_work`).
        catalogue: the shop's parts; one that fits the damper's profile alone goes before one that fits any.
    """
    chosen = choose_catalogue(catalogue, facts.profile.name if facts.profile is not None else None)
    keys, more = [one.part for one in plan.wanted], list(plan.needs)
    if plan.is_whole:
        keys = [part for part in keys if part not in OPENING and part != "joints"]
        more = ["damper", *(need for need in more if need not in OF_DAMPER)]
    needed = needs_for(keys, facts.construction, facts.reservoir, facts.joints, facts.profile, more)
    return (*_labour(plan), *(_part_line(one, chosen) for one in needed))


def choose_catalogue(catalogue: Iterable[CataloguePart], profile_name: str | None) -> dict[str, CataloguePart]:
    """Return the part to be taken for each need: one for this profile, else one for any; of several the first."""
    chosen: dict[str, CataloguePart] = {}
    for one in catalogue:
        if one.need is None or one.profile_name not in (None, profile_name):
            continue
        known = chosen.get(one.need)
        if known is None or (known.profile_name is None and one.profile_name is not None):
            chosen[one.need] = one
    return chosen


@dataclass(frozen=True, slots=True)
class _Bad:
    """Why a point is bad, what it calls for, and whether somebody graded it so."""

    why: str
    work: Work
    is_found: bool


def _bad_points(facts: UnitFacts, findings: Iterable[Finding], urgent: Iterable[Reason]) -> list[_Bad]:
    """Return the bad points, only those that this damper has."""
    has = {item.key for item in items_for(facts.construction, facts.reservoir, facts.joints, is_rebuildable(facts))}
    bad: dict[str, _Bad] = {}
    for one in findings:
        if one.grade in (WORN, FAILED) and one.item in has:
            word = "failed" if one.grade == FAILED else "worn"
            why = f"found {word} by {one.by or 'the bench'}"
            bad[one.item] = _Bad(why, work_for(one.item, is_graded=True), is_found=True)
    for reason in urgent:
        for item in ITEM_OF:
            if item in reason.points.items and item in has:
                work = work_for(item, is_graded=False)
                bad.setdefault(item, _Bad(f"triage: {reason.rule.says}", work, is_found=False))
    return list(bad.values())


def _add_opened(facts: UnitFacts, found: dict[str, Wanted]) -> None:
    """Add what goes along in a damper that is opened anyway."""
    for key in REBUILD:
        part = facts.part(key)
        if key not in found and part is not None and (part.used_ratio or 0.0) >= USED_UP_RATIO:
            share = f"{100 * (part.used_ratio or 0.0):.0f} % of its budget used, and the damper is open"
            found[key] = Wanted(key, part.name, share, False)
    # New oil comes with every opening (part_needs), and its dose starts anew then; so does the charge's calendar.
    for key in ("oil", "charge"):
        if key not in found and has_part(key, facts.construction, facts.reservoir):
            name = part_names(facts.joints)[key]
            found[key] = Wanted(key, name, "new whenever the damper is opened", False)


def _labour(plan: Plan) -> tuple[ProposedLine, ...]:
    names = ", ".join(one.name for one in plan.wanted)
    if plan.is_whole:
        first = "Replace the damper: this one isn't made to be opened; charge and fasteners as the maker's manual says"
    elif plan.is_opened:
        first = _rebuild(names)
        if len(first) > TEXT_LIMIT:
            first = _rebuild("what is listed")
    elif names:
        first = f"Replace {names}; check charge and fasteners"
    else:
        first = "Look over, clean, check charge and fasteners"
    return tuple(ProposedLine(LABOUR, text, 1.0, "job") for text in (first, *plan.labour))


def _rebuild(parts: str) -> str:
    done = "fill, bleed and charge as the maker's manual says; leak check overnight"
    return f"Open, clean and inspect; replace {parts}; {done}"


def _part_line(needed: Needed, chosen: Mapping[str, CataloguePart]) -> ProposedLine:
    need = needed.need
    ours = chosen.get(need.key)
    if ours is None:
        return ProposedLine(PART, need.name, needed.count, need.unit, need.key)
    return ProposedLine(PART, ours.name, needed.count, need.unit, need.key, ours.part_no, ours.price_minor)


def _is_over(part: PartFact, today: date, is_clock_sure: bool) -> str | None:
    """Return why a part is due by what was measured or told, None where it isn't."""
    basis = "by what was told, not measured" if part.is_estimate else "measured"
    if part.used_ratio is not None and part.used_ratio >= 1.0:
        return f"{100 * part.used_ratio:.0f} % of its budget used, {basis}"
    if is_clock_sure and part.calendar_day is not None and part.calendar_day <= today:
        return f"its time by the calendar was over on {part.calendar_day}"
    return None
