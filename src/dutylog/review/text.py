"""A review, and a comparison of trips, as lines for a terminal in the reader's units; names are shown as plain text."""

from __future__ import annotations

from collections.abc import Sequence

from dutylog.domain.quantity import position_text, quantity_text
from dutylog.review.hits import choose_hits, count_hits, name_hit
from dutylog.review.report_care import tasks
from dutylog.review.report_words import (
    CONTACT_HEADS,
    clean_text,
    difference_row,
    fact_rows,
    height_row,
    hit_row,
    is_lower_bound,
    road_row,
    say,
    words_text,
)
from dutylog.review.review import DamperRow, Difference, Review
from dutylog.review.standing import LEVEL_UNKNOWN
from dutylog.review.trip_data import CONTACT_KINDS

MOST_HITS = 10
"""Contacts in the table, the hardest of each kind. Source: judgement."""
MOST_LIKE = 12
"""Differences within their doubt that are shown beside the clear ones. Source: judgement."""
LOWER_BOUND = "Part of the motion was not measured: heat, strokes and contacts are lower bounds."


def review_lines(review: Review, system: str) -> list[str]:
    """Return the verdict, then the tables; `system`: one of domain/quantity.SYSTEMS."""
    name = f": {clean_text(review.facts.name)}" if review.facts.name else ""
    lines = [f"trip {review.facts.key}{name}", ""]
    for said in say(review.verdict, system):
        lines += [f"{said.word:<9} {said.text}", f"{'':<9} why: {said.why}"]
    lines += ["", *(f"{name:<20} {value}" for name, value in fact_rows(review, system)), ""]
    lines += table_lines(_DUTY_HEADS, [_duty_row(row, system) for row in review.dampers], 2)
    if any(is_lower_bound(row) for row in review.dampers):
        lines.append(LOWER_BOUND)
    if review.cost_problem:
        lines.append(f"nothing is said of some budgets: {clean_text(review.cost_problem, 300)}")
    roads_title = "roads" if review.is_raw_whole else "roads, of what is left of the log"
    lines += _section(roads_title, _ROAD_HEADS, [road_row(row, system) for row in review.roads])
    lines += _hit_lines(review, system)
    lines += _section("standing height", _HEIGHT_HEADS, [height_row(one, system) for one in review.heights])
    lines += [LEVEL_UNKNOWN] if review.heights else []
    known = [one for one in review.trends if one.change_m is not None]
    lines += [f"{position_text(one.position)} {words_text(one.words, system)}" for one in known]
    lines += difference_lines(review.differences, system)
    lines += _care_lines(review, system)
    return [*lines, *(clean_text(note, 300) for note in review.notes if note not in lines)]


def _hit_lines(review: Review, system: str) -> list[str]:
    """Return the hardest hits of each kind; how many there were only where the log holds all of them."""
    shown = choose_hits(review.hits, MOST_HITS)
    rows = []
    for one in shown:
        at, _, *rest = hit_row(one, review.segments, system)
        rows.append([at, clean_text(name_hit(one, review.dampers), 60), *rest])
    most = count_hits(review.dampers) if review.is_raw_whole else 0
    title = f"hits, the hardest of each kind, {len(shown)} of {most}" if most > len(shown) else "hits"
    return _section(title, _HIT_HEADS, rows, left=3)


def difference_lines(found: Sequence[Difference], system: str) -> list[str]:
    """Return comparisons as a table, clear ones first, of the others at most MOST_LIKE."""
    clear = [one for one in found if one.is_clear]
    others = [one for one in found if not one.is_clear]
    shown = [*clear, *others[:MOST_LIKE]]
    rows = [difference_row(one, system)[:5] for one in shown]
    lines = _section("differences", _DIFFERENCE_HEADS, rows, left=5)
    if left := len(others) - MOST_LIKE if len(others) > MOST_LIKE else 0:
        lines.append(f"and {left} more within their doubt; --format json has all")
    return lines


def table_lines(heads: Sequence[str], rows: Sequence[Sequence[str]], left: int) -> list[str]:
    """Return aligned columns: the first `left` to the left, the rest to the right."""
    widths = [max(len(row[place]) for row in (heads, *rows)) for place in range(len(heads))]
    lines = []
    for row in (heads, *rows):
        cells = zip(row, widths, range(len(widths)), strict=True)
        line = "  ".join(cell.ljust(width) if place < left else cell.rjust(width) for cell, width, place in cells)
        lines.append(line.rstrip())
    return lines


_CONTACTS = tuple(CONTACT_HEADS[kind] for kind in CONTACT_KINDS)
_DUTY_HEADS = ("damper", "serial", "heat", "strokes", *_CONTACTS, "fastest in", "hottest", "coverage", "most used part")
_ROAD_HEADS = ("road", "time", "distance", "mean speed", "of the heat", "heat by distance", "most at")
_HIT_HEADS = ("into the trip", "damper", "what", "shaft", "vehicle", "distance", "road", "place")
_HEIGHT_HEADS = ("damper", "stop at", "travel", "left in", "left out", "body", "load")
_DIFFERENCE_HEADS = ("what", "first", "second", "second by first, 95 % range", "says")


def _duty_row(row: DamperRow, system: str) -> list[str]:
    contacts = [row.contacts_count.get(kind) for kind in CONTACT_KINDS]
    used = row.used[0] if row.used else None
    return [
        position_text(row.position),
        clean_text(row.label, 40),
        quantity_text("energy_j", row.energy_j, system),
        str(row.strokes_count),
        *("–" if count is None else str(count) for count in contacts),
        quantity_text("shaft_mps", row.peak_compression_mps, system),
        quantity_text("temperature_c", row.peak_body_c, system),
        quantity_text("ratio", row.coverage_ratio, system),
        "–" if used is None else f"{used.name} {quantity_text('share_ratio', used.ratio, system)}",
    ]


def _section(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Return a table under its title; nothing without rows."""
    return ["", title, *table_lines(heads, rows, left)] if rows else []


def _care_lines(review: Review, system: str) -> list[str]:
    lines = []
    for task in tasks(review.care, system):
        state = f"  ({task.done})" if task.is_done else ""
        lines += [f"[{'x' if task.is_done else ' '}] {task.text}{state}", f"    why: {task.why}"]
        lines += [f"    caution: {task.caution}"] if task.caution and not task.is_done else []
    return ["", "care", *lines] if lines else []
