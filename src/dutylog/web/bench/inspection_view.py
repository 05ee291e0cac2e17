"""What the pages of an inspection show: its points with their answers, and the fields of one point's form."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dutylog.bench.figures import Sentence
from dutylog.bench.findings import GRADE_WORDS, NOT_LOOKED, Finding, Item, Measure
from dutylog.bench.gas_seen import check_reading
from dutylog.bench.inspection import ListedItem
from dutylog.bench.inspection_items import STEP_WORDS, check_measures
from dutylog.bench.job_state import Looked
from dutylog.domain.vehicle import Profile
from dutylog.domain.wear import AS_NEW, GRADES, USABLE, WORN
from dutylog.errors import InputError
from dutylog.web.bench.measure_units import FormUnit, choice_key, measure_text, parse_measure, typed_text, units_of

NOTE_LIMIT = 2000
PHOTOS_LIMIT = 12
ALL_GRADES = (*GRADES, NOT_LOOKED)
MEASURE, UNIT, KEEP = "m_", "u_", "keep_"
"""Starts of the names of a point's fields: figures, their units, photos that stay."""
FIGURE_WORDS: Mapping[str, str] = {
    **GRADE_WORDS,
    AS_NEW: "as it should be",
    USABLE: "off, would go on",
    WORN: "off, put it right",
}
"""Grades where the question asks what or how much: "no sign" answers no such question."""
_ASKS = ("What ", "How ")
_SENTENCES = re.compile(r"(?<=\.) (?=[A-Z])")


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer with its figures as text."""

    finding: Finding
    measure_texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Point:
    """A point of the list. why: strongest hint first. answer: the newest one, None while nobody answered."""

    item: Item
    why: tuple[Sentence, ...]
    answer: Answer | None
    earlier: tuple[Answer, ...] = ()


@dataclass(frozen=True, slots=True)
class Group:
    """Points of one step of the work."""

    name: str
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class FormField:
    """A measure of a point's form. typed, unit: what stands in it. choices: (key, words)."""

    measure: Measure
    units: tuple[FormUnit, ...]
    typed: str = ""
    unit: str = ""

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """Return the answers it may have, where it is no figure."""
        return tuple((choice_key(value), words) for value, words in self.measure.choices)


@dataclass(frozen=True, slots=True)
class PhotoTick:
    """A photo that a point's form offers to keep with the answer. is_on: whether it is ticked."""

    sha: str
    words: str
    is_on: bool


@dataclass(frozen=True, slots=True)
class Given:
    """An answer as it was sent and found good. photos: those of the last answer that stay."""

    grade: str
    measures: Mapping[str, float]
    note: str | None
    kept_photos: tuple[str, ...]


def make_points(listed: Sequence[ListedItem], looked: Mapping[str, Looked]) -> tuple[Point, ...]:
    """Return the points of a list with all answers."""
    return tuple(_point(one, looked.get(one.item.key)) for one in listed)


def make_groups(points: Sequence[Point]) -> tuple[Group, ...]:
    """Return points by the steps of the work, each in the order of the list."""
    steps = sorted({point.item.step for point in points})
    return tuple(Group(STEP_WORDS[step], tuple(point for point in points if point.item.step == step)) for step in steps)


def next_to_do(points: Sequence[Point], after: str | None = None) -> str | None:
    """Return the next point nobody answered: behind a point first, then from the top; None when all are answered."""
    keys = [point.item.key for point in points]
    start = keys.index(after) + 1 if after in keys else 0
    ordered = [*points[start:], *points[:start]]
    return next((point.item.key for point in ordered if point.answer is None and point.item.key != after), None)


def asks_figure(item: Item) -> bool:
    """Return whether a point asks what or how much, so that a grade alone is no answer."""
    return item.question.startswith(_ASKS)


def words_of(item: Item | None) -> Mapping[str, str]:
    """Return the words of the grades at a point; item: None where it is none of today's points."""
    return FIGURE_WORDS if item is not None and asks_figure(item) else GRADE_WORDS


def split_caution(points: Sequence[Point], key: str) -> tuple[str, str]:
    """Return what a point's caution says for the first time in its step of the work, and what points before it said."""
    keys = [point.item.key for point in points]
    item = points[keys.index(key)].item
    said = {
        one
        for point in points[: keys.index(key)]
        if point.item.step == item.step
        for one in _SENTENCES.split(point.item.caution)
    }
    told = _SENTENCES.split(item.caution)
    return " ".join(one for one in told if one not in said), " ".join(one for one in told if one in said)


def neighbours(points: Sequence[Point], key: str) -> tuple[str | None, str | None]:
    """Return the points before and after one in the list."""
    keys = [point.item.key for point in points]
    place = keys.index(key)
    return keys[place - 1] if place else None, keys[place + 1] if place + 1 < len(keys) else None


def make_fields(
    item: Item, system: str, held: Mapping[str, float], sent: Mapping[str, str] | None = None
) -> tuple[FormField, ...]:
    """Return the fields of a point's form.

    Args:
        system: of domain.quantity, the bench's own. held: figures that stand in it at first.
        sent: fields that were sent and are to be shown again.
    """
    fields = []
    for measure in item.measures:
        units = units_of(measure)
        usual = next((unit for unit in units if unit.system == system), units[0])
        typed, unit = "", usual.key
        if sent is not None:
            typed, unit = sent.get(MEASURE + measure.key, ""), sent.get(UNIT + measure.key, unit)
        elif measure.key in held:
            typed = typed_text(measure, held[measure.key], usual)
        fields.append(FormField(measure, units, typed, unit))
    return tuple(fields)


def read_answer(item: Item, sent: Mapping[str, str], photos: Sequence[str], profile: Profile | None = None) -> Given:
    """Return an answer that was sent.

    Args:
        item: the point. sent: fields of its form. photos: those its form may keep. profile: of the damper, where it's
            known.
    Raises:
        InputError: no grade or an unknown one, a figure that can't be meant, half a gauge reading, left out without a
            word, or neither figure nor word where the point asks for one.
    """
    grade = sent.get("grade", "")
    if not grade:
        raise InputError(f"{item.name}: press one of the grades, nothing is kept yet; what you typed stands below")
    if grade not in ALL_GRADES:
        raise InputError(
            f"{item.name}: grade {grade!r:.40} is none of {', '.join(ALL_GRADES)}; press one of the buttons"
        )
    measures = {}
    for measure in item.measures:
        held = parse_measure(measure, sent.get(MEASURE + measure.key, ""), sent.get(UNIT + measure.key, ""))
        if held is not None:
            measures[measure.key] = held
    note = sent.get("note", "").replace("\r\n", "\n").strip() or None
    if note is not None and len(note) > NOTE_LIMIT:
        raise InputError(f"{item.name}: a note of {len(note)} characters, at most {NOTE_LIMIT} are kept; shorten it")
    if grade == NOT_LOOKED and note is None:
        raise InputError(f"{item.name}: left out; write down why, whoever builds it must know")
    if asks_figure(item) and not measures and note is None:
        asked = "a figure" if any(not one.choices for one in item.measures) else "what you saw"
        raise InputError(f"{item.name}: a grade alone doesn't answer it; give {asked}, or a note why there is none")
    check_reading(item, measures, profile)
    kept = {value for name, value in sent.items() if name.startswith(KEEP)}
    return Given(grade, check_measures(item, measures), note, tuple(sha for sha in photos if sha in kept))


def make_answer(item: Item, finding: Finding) -> Answer:
    """Return an answer with its figures as text, those the point doesn't have any more left out."""
    texts = tuple(
        f"{measure.name.rstrip('?')}: {measure_text(measure, finding.measures[measure.key])}"
        for measure in item.measures
        if measure.key in finding.measures
    )
    return Answer(finding, texts)


def _point(listed: ListedItem, looked: Looked | None) -> Point:
    item = listed.item
    if looked is None:
        return Point(item, listed.why, None)
    earlier = tuple(make_answer(item, one) for one in looked.earlier)
    return Point(item, listed.why, make_answer(item, looked.newest), earlier)
