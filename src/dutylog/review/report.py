"""A trip's report for paper: one page of HTML that needs nothing else, or a PDF of at most four pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from dutylog import ENGINE, __version__
from dutylog.domain.quantity import METRIC, SYSTEMS, US, position_text, quantity_text, utc_text
from dutylog.errors import DutylogError, InputError
from dutylog.review import report_words as words
from dutylog.review.report_care import not_needed, tasks
from dutylog.review.report_paper import FONTS, SCHEME, Paper
from dutylog.review.report_plots import draw_all
from dutylog.review.report_svg import Plot, unheard
from dutylog.review.review import Review, StandingHeight
from dutylog.review.standing import LEVEL_UNKNOWN
from dutylog.review.trip_data import Fault, TripData
from dutylog.review.verdict_rules import FAULT_WORDS

PAGES_MOST = 4
DAMPERS_A_TABLE = 8
_SYSTEM_WORDS = {METRIC: "metric units", US: "US units"}
_ROAD_HEADS = ("road", "time", "distance", "mean speed", "share of heat", "heat a distance", "most heat in")
_HIT_HEADS = ("at", "damper", "what", "shaft speed", "vehicle", "distance", "road", "place")
_HEIGHT_HEADS = ("damper", "stop at", "travel", "left to bump", "left to droop", "body", "load")
_DIFFERENCE_HEADS = ("what", "first", "second", "second / first", "verdict")
_BASIS_HEAD = "compared on"


@dataclass(frozen=True, slots=True)
class Room:
    """How much goes onto the paper: size of the type [pt], most lines of each list, most characters of a sentence.

    rest: care that this trip doesn't call for. What it calls for is never left out, nor is any caution cut. notes: at
    the end. has_care_whys, has_whys: whether care items, and sentences of the verdict, have their reasons.
    """

    font_pt: float
    sentences: int = 1000
    rest: int = 1000
    differences: int = 1000
    hits: int = 1000
    heights: int = 1000
    notes: int = 1000
    has_care_whys: bool = True
    has_whys: bool = True
    words: int = words.WORDS_LIMIT


WHOLE = Room(8.0)
"""For HTML, which has room."""
_PAPER = (
    Room(8.0, 12, rest=10, differences=12, hits=14, heights=12, notes=8),
    Room(8.0, 12, rest=0, differences=6, hits=14, heights=12, notes=8),
    Room(7.2, 12, rest=0, differences=4, hits=10, heights=8, notes=6),
    Room(6.5, 10, rest=0, differences=3, hits=6, heights=8, notes=4, has_care_whys=False, words=300),
    Room(6.0, 8, rest=0, differences=2, hits=4, heights=4, notes=2, has_care_whys=False, words=160),
    Room(6.0, 6, rest=0, differences=1, hits=2, heights=2, notes=1, has_care_whys=False, has_whys=False, words=80),
)
"""Tried in order until the pages suffice: care that isn't called for and differences go first, then hits, then whys."""


def make_html(data: TripData, review: Review, system: str, made_utc_s: float) -> str:
    """Return the report as one page of HTML: drawings within, no script, nothing fetched.

    Args:
        data, review: of the same trip.
        system: one of domain.quantity.SYSTEMS.
        made_utc_s: now, printed as the day it was made.
    Raises:
        InputError: another trip's data, no such system.
        DutylogError: a package of the extra `report` isn't there.
    """
    _check(data, review, system)
    return _render(data, review, system, made_utc_s, draw_all(data, system), WHOLE)


def make_pdf(data: TripData, review: Review, system: str, made_utc_s: float) -> bytes:
    """Return the report as PDF, A4 with margins that let Letter take it too; at most PAGES_MOST pages.

    Lists are cut where they would need more, with a line that says how much was left out. Arguments and errors as
    in `make_html`.
    """
    _check(data, review, system)
    plots = draw_all(data, system)
    paper = Paper(plots)
    pages = 0
    for place, room in enumerate(_PAPER):
        # Far too much: the sizes between would only take time.
        if pages > 2 * PAGES_MOST and place < len(_PAPER) - 2:
            continue
        with unheard():
            document = paper.lay_out(_render(data, review, system, made_utc_s, plots, room, is_paper=True))
            pages = len(document.pages)
            if pages <= PAGES_MOST:
                pdf: bytes = document.write_pdf()
                return pdf
    raise DutylogError(
        f"trip {data.key}: its {len(data.dampers)} dampers need {pages} pages, a PDF has {PAGES_MOST}; "
        "write .html instead"
    )


def _check(data: TripData, review: Review, system: str) -> None:
    if system not in SYSTEMS:
        raise InputError(f"units {system!r}, expected one of {SYSTEMS}")
    if data.key != review.facts.key:
        raise InputError(f"data of trip {data.key} and a review of trip {review.facts.key}")


def _render(
    data: TripData,
    review: Review,
    system: str,
    made_utc_s: float,
    plots: Sequence[Plot],
    room: Room,
    is_paper: bool = False,
) -> str:
    jinja = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    name = f": {words.clean_text(review.facts.name, 80)}" if review.facts.name else ""
    values = {
        "title": f"Trip {review.facts.key}{name}",
        "subtitle": _subtitle(data, system, made_utc_s),
        "banners": _banners(review),
        "fonts": [(weight, f"{SCHEME}:{file}") for weight, file in FONTS] if is_paper else [],
        "scheme": SCHEME,
        "room": room,
        "plots": {plot.name: plot for plot in plots},
        "verdict": words.say(review.verdict, system, room.words)[: room.sentences],
        "verdict_more": _more(len(review.verdict), room.sentences),
        "facts": words.fact_rows(review, system),
        **_duty(review, system),
        **_roads_and_hits(review, system, room),
        **_heights(review, system, room),
        **_differences(review, system, room),
        **_care(review, system, room),
        "worth": _worth(data, review, system, room),
    }
    return jinja.get_template("report.html").render(values).lstrip()


def _subtitle(data: TripData, system: str, made_utc_s: float) -> str:
    vehicle = words.clean_text(data.vehicle.name or data.vehicle.vehicle_id, 80)
    return (
        f"{vehicle}. Report made {utc_text(made_utc_s)} by dutylog {__version__}, engine {ENGINE}, "
        f"in {_SYSTEM_WORDS[system]}. Times on this paper count from the begin of the trip unless they name UTC."
    )


def _banners(review: Review) -> list[str]:
    facts, lines = review.facts, []
    if facts.is_open:
        lines.append("The trip is still under way: this is what it was up to now.")
    if facts.not_driven:
        lines.append(words.NOT_DRIVEN_WORDS.format(why=words.clean_text(facts.not_driven, 60)))
    if not review.is_raw_whole:
        lines.append("Part of the raw log is gone or damaged: drawings show less than the tables.")
    return lines


def _duty(review: Review, system: str) -> dict[str, Any]:
    """Return the duty table turned, a column for each damper, in blocks that fit the paper."""
    blocks = []
    for start in range(0, len(review.dampers), DAMPERS_A_TABLE):
        some = review.dampers[start : start + DAMPERS_A_TABLE]
        columns = [words.duty_heads(), *(words.duty_row(row, system) for row in some)]
        lines = list(zip(*columns, strict=True))
        blocks.append((lines[0], lines[1:]))
    is_partial = any(words.is_lower_bound(row) for row in review.dampers)
    caption = "In is compression, out is rebound; – means that nobody knows."
    if is_partial:
        caption += " Where part of the motion wasn't measured, figures are lower bounds ('at least')."
    if review.cost_problem:
        caption += f" Nothing is said of budgets: {words.clean_text(review.cost_problem, 200)}"
    return {"duty": blocks, "duty_caption": caption}


def _roads_and_hits(review: Review, system: str, room: Room) -> dict[str, Any]:
    shown = words.choose_hits(review.hits, room.hits)
    counts = ", ".join(
        f"{words.CONTACT_WORDS[kind]} {quantity_text('count', count)}"
        for kind, count in words.contact_totals(review.dampers).items()
    )
    caption = f"The hardest {len(shown)}, as many of each kind, by shaft speed at contact. In all: {counts}."
    return {
        "roads": [words.road_row(row, system) for row in review.roads],
        "road_heads": _ROAD_HEADS,
        "hits": [words.hit_row(hit, review.segments, system) for hit in shown],
        "hit_heads": _HIT_HEADS,
        "hits_caption": caption,
    }


def _heights(review: Review, system: str, room: Room) -> dict[str, Any]:
    trends = words.trend_texts(review.trends, system, room.words)
    newest: list[StandingHeight] = sorted(review.heights, key=lambda one: one.start_s)[-room.heights :]
    return {
        "heights": [words.height_row(one, system) for one in newest],
        "height_heads": _HEIGHT_HEADS,
        "heights_caption": (
            f"Mean travel while standing, with twice its standard deviation; {len(newest)} of {len(review.heights)}, "
            f"the last ones. {LEVEL_UNKNOWN}"
        ),
        "trends": trends[: room.heights],
        "trends_more": _more(len(trends), room.heights),
    }


def _differences(review: Review, system: str, room: Room) -> dict[str, Any]:
    ordered = sorted(review.differences, key=lambda one: not one.is_clear)
    shown = ordered[: room.differences]
    rows = [words.difference_row(one, system, room.words) for one in shown]
    # What most were compared on is said once; the others bear theirs.
    usual = Counter(row[-1] for row in rows).most_common(1)[0][0] if rows else ""
    caption = f"With the range of 95 %; {len(shown)} of {len(ordered)}, what is more than its doubt first."
    if any(row[-1] != usual for row in rows):
        caption += f" Compared on, where nothing else stands: {usual}."
        rows = [[*row[:-1], "" if row[-1] == usual else row[-1]] for row in rows]
        heads: tuple[str, ...] = (*_DIFFERENCE_HEADS, _BASIS_HEAD)
    else:
        caption += f" Compared on: {usual}."
        rows, heads = [row[:-1] for row in rows], _DIFFERENCE_HEADS
    return {"differences": rows, "difference_heads": heads, "differences_caption": caption}


def _care(review: Review, system: str, room: Room) -> dict[str, Any]:
    rest = not_needed(review.care, system, room.words)
    more = _more(len(rest), room.rest) if room.rest else f"{len(rest)} items, which the page and the JSON have"
    return {
        "care": tasks(review.care, system, room.words),
        "not_needed": [*rest[: room.rest], *([more] if len(rest) > room.rest else [])],
    }


def _more(count: int, room: int) -> str:
    """Return the words for what didn't fit, '' where all did."""
    return f"and {count - room} more, which found no room here; the page and the JSON have all" if count > room else ""


def _worth(data: TripData, review: Review, system: str, room: Room) -> list[str]:
    lines = list(words.WORTH)
    faults = sorted(data.faults, key=lambda one: one.start_s)
    if faults:
        texts = [_fault_text(one, system) for one in faults[: room.notes]]
        more = f", and {len(faults) - len(texts)} more" if len(faults) > len(texts) else ""
        lines.append(f"Sensors told nothing true: {'; '.join(texts)}{more}.")
    notes = [words.clean_text(note, 200) for note in dict.fromkeys((*review.notes, *data.notes))]
    return [*lines, *notes[: room.notes], *filter(None, [_more(len(notes), room.notes)])]


def _fault_text(fault: Fault, system: str) -> str:
    end = "the end" if fault.end_s is None else quantity_text("duration_s", fault.end_s, system)
    start = quantity_text("duration_s", fault.start_s, system)
    return f"{position_text(fault.position)} {FAULT_WORDS.get(fault.kind, position_text(fault.kind))} {start} to {end}"
