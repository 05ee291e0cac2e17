"""What the report says, as text in the chosen units: sentences and the rows of its tables."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dutylog.domain.quantity import UNKNOWN, position_text, quantity_text, utc_text
from dutylog.review.hits import choose_hits as choose_hits
from dutylog.review.review import (
    ACT,
    FINE,
    LOOK,
    DamperRow,
    Difference,
    HeightTrend,
    Review,
    RoadRow,
    Sentence,
    StandingHeight,
    TripFacts,
    UsedPart,
    Words,
)
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, CONTACT_KINDS, STRAP, TOPPED_OUT, Contact, Segment
from dutylog.units import M_PER_MILE

LEVEL_WORDS = {ACT: "do first", LOOK: "look at", FINE: "fine"}
CONTACT_WORDS = {
    BUMP_STOP: "reached the bump stop",
    BOTTOMED: "bottomed",
    STRAP: "pulled the strap taut",
    TOPPED_OUT: "topped out",
}
CONTACT_HEADS = {BUMP_STOP: "on bump stop", BOTTOMED: "bottomed", STRAP: "on strap", TOPPED_OUT: "topped out"}
NOT_DRIVEN_WORDS = "This trip was told as not driven ({why}): it doesn't count in any damper's duty."
WORDS_LIMIT = 400
"""Characters of a sentence that are printed."""
TEXT_LIMIT = 160
"""Characters of a free text that are printed; one that is longer ends in three dots."""
STREET_FROM_RATIO = 0.005
"""Of a part's budget; what less is worth in street isn't said. Judgement."""
_NO_SHARE = 5e-5
"""Less would be printed as 0.00 %."""
WORTH = (
    "Heat is the damping force of the profile's curve times the measured shaft speed, summed up for each sample. "
    "Numerically that is good to hundredths of a percent. What it is worth is 8 to 15 %: scale 1 to 2 %, curve and "
    "temperature 5 to 10 %, hysteresis at short strokes (judgement). Left against right cancels part of it.",
    "Coverage is measured time as a share of moving time. Below 100 % heat, strokes and contacts are lower bounds: "
    "what a sensor missed isn't filled in.",
    "Shares of budgets rest on wear laws that are judgement; a range of 95 % holds the sensors' and curves' doubt.",
    "These figures inform; the maker's manual, local rules and a qualified technician decide. Dampers are charged "
    "with gas and get hot.",
)


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence as text. level: one of LEVELS, word: what it is called."""

    level: str
    word: str
    text: str
    why: str


def clean_text(text: object, limit: int | None = TEXT_LIMIT) -> str:
    """Return free text fit for paper: no control characters, nothing that turns the line round.

    limit: characters, three dots where it was longer; None: all of it.
    """
    # Cc, Cs, Co, Cn can't be printed or aren't allowed in XML; Cf holds the marks that reverse or hide text.
    kept = "".join(c if unicodedata.category(c) not in _UNFIT else " " for c in str(text))
    # Only plain spaces: one that must not break holds number and unit together.
    short = re.sub(" +", " ", kept).strip()
    return short if limit is None or len(short) <= limit else short[: limit - 3].rstrip() + "..."


_UNFIT = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def words_text(words: Words, system: str, limit: int | None = WORDS_LIMIT) -> str:
    """Return a sentence's words, its figures in the units of `system` (domain/quantity.py), cut at `limit`."""
    parts = [word if isinstance(word, str) else quantity_text(word.kind, word.value, system) for word in words]
    return clean_text(_without_thin("".join(parts)), limit)


def say(sentences: Iterable[Sentence], system: str, limit: int = WORDS_LIMIT) -> list[Said]:
    """Return the verdict as text, in the order it has."""
    return [
        Said(
            one.level,
            LEVEL_WORDS[one.level],
            words_text(one.words, system, limit),
            words_text(one.why, system, limit),
        )
        for one in sentences
    ]


def fact_rows(review: Review, system: str) -> list[tuple[str, str]]:
    """Return name and value of what is known of the trip as a whole."""
    facts = review.facts
    rows = [
        ("begin", _when(facts, facts.start_utc_s)),
        ("end", "under way" if facts.is_open else _when(facts, facts.end_utc_s)),
        ("time", quantity_text("duration_s", facts.seconds, system)),
        ("of it moving", quantity_text("duration_s", facts.moving_s, system)),
        ("distance", quantity_text("distance_m", facts.distance_m, system)),
        ("heat of all dampers", quantity_text("energy_j", facts.energy_j, system)),
        ("coverage", quantity_text("ratio", facts.coverage_ratio, system)),
        ("air", _air(review.ambient_c, system)),
        ("dirt", clean_text(facts.dirt or "nothing told")),
        ("load", clean_text(facts.load_note or "nothing told")),
    ]
    return [(name, value) for name, value in rows if value != UNKNOWN]


def duty_heads() -> list[str]:
    """Return the headings of the duty table."""
    heads = ["damper", "serial", "heat", "in / out", "strokes", "shaft way"]
    heads += [CONTACT_HEADS[kind] for kind in CONTACT_KINDS]
    return [*heads, "fastest in / out", "hottest", "coverage", "most used part", "worth on street"]


def duty_row(row: DamperRow, system: str) -> list[str]:
    """Return one damper's line of the duty table."""
    hottest = quantity_text("temperature_c", row.peak_body_c, system)
    if row.peak_rise_k is not None and row.peak_body_c is not None:
        hottest += f" ({quantity_text('temperature_k', row.peak_rise_k, system)} above the air)"
    used = max(row.used, key=lambda part: part.ratio, default=None)
    fastest = [quantity_text("shaft_mps", speed, system) for speed in (row.peak_compression_mps, row.peak_rebound_mps)]
    inwards = [quantity_text("energy_j", heat, system) for heat in (row.compression_energy_j, row.rebound_energy_j)]
    return [
        position_text(row.position),
        clean_text(row.label, 40),
        ("at least " if is_lower_bound(row) else "") + quantity_text("energy_j", row.energy_j, system),
        " / ".join(inwards),
        _count(row.strokes_count),
        quantity_text("distance_m", row.shaft_travel_m, system),
        *(_count(row.contacts_count.get(kind)) for kind in CONTACT_KINDS),
        " / ".join(fastest),
        hottest,
        quantity_text("ratio", row.coverage_ratio, system),
        UNKNOWN if used is None else f"{clean_text(used.name, 40)} {quantity_text('share_ratio', used.ratio, system)}",
        _street_text(row, used, system),
    ]


def _street_text(row: DamperRow, used: UsedPart | None, system: str) -> str:
    """Return how much street wears the most used part alike; beside a tiny share it would only be a large number."""
    if used is None or row.street_miles is None:
        return UNKNOWN
    if used.ratio < STREET_FROM_RATIO:
        return "too little to tell"
    return _without_thin(quantity_text("far_m", row.street_miles * M_PER_MILE, system))


def is_lower_bound(row: DamperRow) -> bool:
    """Return whether part of the motion wasn't measured."""
    return row.coverage_ratio is not None and row.coverage_ratio < 1.0


def road_row(row: RoadRow, system: str) -> list[str]:
    """Return kind, time, distance, mean speed, share of the heat, heat a distance; and where most heat was made."""
    most = max(row.energy_j, key=lambda place: row.energy_j[place], default=None)
    return [
        row.kind,
        quantity_text("duration_s", row.seconds, system),
        quantity_text("distance_m", row.distance_m, system),
        quantity_text("speed_mps", row.mean_mps, system),
        quantity_text("share_ratio", row.energy_ratio, system) if row.energy_ratio >= _NO_SHARE else "none",
        quantity_text("energy_per_m", row.energy_per_m_j, system),
        UNKNOWN if most is None or row.energy_ratio < _NO_SHARE else position_text(most),
    ]


def hit_row(hit: Contact, segments: tuple[Segment, ...], system: str) -> list[str]:
    """Return when, who, what, shaft speed, vehicle speed, distance, road and place of one contact."""
    road = next((one.kind for one in segments if one.start_s <= hit.t_s < one.end_s), UNKNOWN)
    place = UNKNOWN
    if hit.latitude_deg is not None and hit.longitude_deg is not None:
        place = f"{hit.latitude_deg:.5f}, {hit.longitude_deg:.5f}"
    return [
        quantity_text("duration_s", hit.t_s, system),
        position_text(hit.position),
        CONTACT_WORDS[hit.kind],
        quantity_text("shaft_mps", hit.speed_mps, system),
        quantity_text("speed_mps", hit.vehicle_mps, system),
        quantity_text("distance_m", hit.distance_m, system),
        road,
        place,
    ]


def height_row(height: StandingHeight, system: str) -> list[str]:
    """Return damper, begin of the stop, travel with its doubt, what is left either way, body and load."""
    doubt = quantity_text("travel_m", 2.0 * height.sd_m, system)
    return [
        position_text(height.position),
        quantity_text("duration_s", height.start_s, system),
        f"{quantity_text('travel_m', height.travel_m, system)} ± {doubt}",
        quantity_text("travel_m", height.to_bump_m, system),
        quantity_text("travel_m", height.to_droop_m, system),
        quantity_text("temperature_c", height.body_c, system),
        clean_text(height.load_note or UNKNOWN, 40),
    ]


def trend_texts(trends: Iterable[HeightTrend], system: str, limit: int = WORDS_LIMIT) -> list[str]:
    """Return what is said of standing heights over trips; dampers of whom the same is said share a line."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in trends:
        said = LEVEL_WORDS[one.level], words_text(one.words, system, limit)
        found.setdefault(said, []).append(position_text(one.position))
    return [f"{', '.join(places)} ({word}): {text}" for (word, text), places in found.items()]


def difference_row(one: Difference, system: str, limit: int = WORDS_LIMIT) -> list[str]:
    """Return what was compared, both figures, their ratio with its range, and what that means."""
    ratio = UNKNOWN if one.ratio is None else f"{one.ratio:.2f}"
    if one.low is not None and one.high is not None:
        ratio += f" ({one.low:.2f} to {one.high:.2f})"
    sides = [
        f"{clean_text(name, 40)}: {quantity_text(one.kind, value, system)}"
        for name, value in ((one.first_name, one.first), (one.second_name, one.second))
    ]
    return [clean_text(one.what, 60), *sides, ratio, words_text(one.words, system, limit), basis_text(one)]


def basis_text(one: Difference) -> str:
    """Return what a difference was compared on."""
    return clean_text(one.basis, 100)


def contact_totals(rows: Iterable[DamperRow]) -> Mapping[str, int]:
    """Return how many contacts of each kind there were, kinds that nobody can tell left out."""
    found: dict[str, int] = {}
    for row in rows:
        for kind, count in row.contacts_count.items():
            found[kind] = found.get(kind, 0) + count
    return found


def _when(facts: TripFacts, utc_s: float | None) -> str:
    known = utc_text(utc_s)
    return known if utc_s is None or facts.utc_trusted else f"{known} (clock not checked)"


def _air(ambient_c: tuple[float, float] | None, system: str) -> str:
    if ambient_c is None:
        return UNKNOWN
    low, high = (quantity_text("temperature_c", one, system) for one in ambient_c)
    return low if low == high else f"{low} to {high}"


def _count(count: int | None) -> str:
    return _without_thin(quantity_text("count", None if count is None else float(count)))


def _without_thin(text: str) -> str:
    """Return text with the thin space, which isn't in every font, as one that is and doesn't break either."""
    return text.replace("\u202f", "\u00a0")
