"""What must be known before an intake's figures are believed: trust in the card, its age, coverage, radio."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from dutylog.bench.facts import CARD, STATED, UnitFacts
from dutylog.bench.figures import Figure, Sentence
from dutylog.bench.gas_facts import judge_gas
from dutylog.bench.look_rules import LEAST_COVERAGE, SENSOR_ALERTS
from dutylog.bench.radio_use import find_gain
from dutylog.bench.since_service import alerts_since, last_service_day
from dutylog.bench.store.rows import RadioDuty, Service
from dutylog.errors import one_line

STOP, CARE, NOTE = "stop", "care", "note"
LEVELS = (STOP, CARE, NOTE)
"""How weighty a notice is, the weightiest first: figures may be false; may be off; good to know."""
OLD_DAYS = 60
"""A card older than this may miss a season's hardest trip. Source: judgement."""
TRUST_LEVELS: Mapping[str, str] = {
    "first_sight": CARE,
    "clock_unset": CARE,
    "key_changed": STOP,
    "history_differs": STOP,
    "rolled_back": STOP,
    "other_ledger": STOP,
    "accepted": STOP,
    "not_checked": STOP,
}
"""Level of what checking a card said, by its code (card_verify); all others are notes."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to know. key: for tests and pages. level: one of LEVELS."""

    key: str
    level: str
    text: Sentence


@dataclass(frozen=True, slots=True)
class Trust:
    """What checking a card said. notices: (code, line). accepted: codes that a manager accepted, and who that was."""

    notices: tuple[tuple[str, str], ...] = ()
    accepted: tuple[str, ...] = ()
    accepted_by: str | None = None


def find_notices(
    facts: UnitFacts, trust: Trust, radio: RadioDuty | None, today: date, untold: Sequence[Service] = ()
) -> tuple[Notice, ...]:
    """Return what must be known, the weightiest first; each key once.

    Args:
        facts: of the damper. trust: of its card. radio: None where none came. today: for the card's age. untold:
        services of this bench that its vehicle hasn't taken in.
    """
    found: dict[str, Notice] = {}
    for one in (
        *_of_trust(trust),
        *_of_untold(facts, untold),
        *_of_basis(facts, today),
        *_of_measuring(facts),
        *_of_gas(facts, today),
        *_of_radio(facts, radio),
    ):
        found.setdefault(one.key, one)
    return tuple(sorted(found.values(), key=lambda one: LEVELS.index(one.level)))


def _of_trust(trust: Trust) -> Iterator[Notice]:
    who = "" if trust.accepted_by is None else f" ({one_line(trust.accepted_by, 80)})"
    for code, line in trust.notices:
        yield Notice(code, TRUST_LEVELS.get(code, NOTE), (f"{line}{who if code in trust.accepted else ''}",))
    for code in trust.accepted:
        yield Notice(code, STOP, (f"taken in although it was refused for {code.replace('_', ' ')}{who}",))


def _of_untold(facts: UnitFacts, untold: Sequence[Service]) -> Iterator[Notice]:
    """Yield what is wrong with a card whose vehicle never heard of a service: its parts count from before that."""
    replaced = [one for one in untold if one.replaced]
    if not replaced or facts.basis == STATED:
        return
    newest = max(replaced, key=lambda one: one.day or "")
    names = ", ".join(part.name for part in facts.parts if part.key in newest.replaced) or "its parts"
    day = newest.day or "a day nobody knows"
    if newest.day is not None and newest.day >= facts.day.isoformat():
        text = f"serviced here on {day}, after this was made: {names} count from before that"
        yield Notice("serviced_since", NOTE, (text,))
        return
    text = f"its vehicle hasn't taken in our service record of {day}: {names} count from before that; give it once more"
    yield Notice("record_not_taken", STOP, (text,))


def _of_basis(facts: UnitFacts, today: date) -> Iterator[Notice]:
    if facts.basis == STATED:
        yield from (Notice(f"estimate_{place}", CARE, (note,)) for place, note in enumerate(facts.notes))
        return
    if facts.is_clock_sure is False:
        yield Notice("clock_unset", CARE, (facts.notes[0] if facts.notes else "its clock was never vouched for",))
    if facts.basis != CARD:
        yield from (Notice(f"summary_{place}", CARE, (note,)) for place, note in enumerate(facts.notes))
    age = (today - facts.day).days
    if age > OLD_DAYS:
        text = f"made {age} days ago, on {facts.day}: what it did since isn't in it; ask for a new card"
        yield Notice("old", CARE, (text,))
    if age < -1:
        yield Notice(
            "from_future", CARE, (f"its day {facts.day} is still to come: the vehicle's clock or ours is wrong",)
        )


def _of_measuring(facts: UnitFacts) -> Iterator[Notice]:
    ratio, moving_s = facts.life.coverage_ratio, facts.life.moving_s
    if ratio is not None and ratio < LEAST_COVERAGE:
        missed: Sentence = ()
        if moving_s is not None:
            missed = (", ", Figure("duration_s", moving_s * (1.0 - ratio)), " h were not")
        text: Sentence = (
            "only ", Figure("ratio", ratio), " of its moving time was measured", *missed,
            ": totals are lower bounds, use of parts is worked out from the rest",
        )  # fmt: skip
        yield Notice("coverage", CARE, text)
    if ratio is None and facts.basis != STATED:
        yield Notice("coverage", CARE, ("it never moved while it was measured: its figures say nothing",))
    faults = [one for one in alerts_since(facts, last_service_day(facts)) if one.kind in SENSOR_ALERTS]
    if faults:
        text = (f"its sensors raised {len(faults)} alert{'s' * (len(faults) > 1)}, the newest: {faults[0].text}",)
        yield Notice("sensors", NOTE, text)


def _of_gas(facts: UnitFacts, today: date) -> Iterator[Notice]:
    found = judge_gas(facts, today)
    if found is not None and found.left_out:
        readings = f"{found.left_out} gauge reading{'s' * (found.left_out > 1)}"
        yield Notice("gas_left_out", NOTE, (f"{readings} can't be of such a damper and were left out",))
    if found is not None and found.verdict is None and found.newest_pa is not None:
        yield Notice("gas_no_verdict", NOTE, (f"newest gauge reading: {found.reason}",))


def _of_radio(facts: UnitFacts, radio: RadioDuty | None) -> Iterator[Notice]:
    gain = find_gain(facts, radio)
    if gain is None or gain.travel_m <= 0.0:
        return
    text: Sentence = (
        f"by radio, unsigned, as heard on {gain.day}: ", Figure("far_m", gain.travel_m), " of shaft travel and ",
        Figure("energy_j", gain.energy_j), " since this card",
    )  # fmt: skip
    if facts.basis == CARD and gain.moving_s is not None and not gain.is_likely(facts.day):
        yield Notice(
            "radio_unlikely",
            CARE,
            (
                *text,
                ", more than can be; it counts for nothing here",
            ),
        )
        return
    yield Notice("radio", NOTE, (*text, "; ask for a new one"))
