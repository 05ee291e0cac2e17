"""The inspection list of one damper: what its construction has, the most suspicious first, in a safe order.

Steps of the work keep their order: outside first, the charge before anything is opened. Within a step the points stand
by suspicion (bench/suspicion.py); those of a group that is a sequence in itself stay together in their written order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

from dutylog.bench.facts import UnitFacts
from dutylog.bench.figures import Sentence
from dutylog.bench.findings import Finding, Item
from dutylog.bench.inspection_items import is_rebuildable, items_for
from dutylog.bench.items_outside import FILM, RUNS, WET
from dutylog.bench.store.rows import LikeRow
from dutylog.bench.suspicion import Hint, combine, hints_of
from dutylog.domain.wear import AS_NEW, FAILED, WORN

SEQUENCES = ("clunk", "nitrogen", "floating piston")
"""Groups whose points are done one after the other: the commonest clunk first, a charge read before soap goes on its
valve, a depth before the piston is moved. Such a group stands where its most suspicious point would."""
SPEAKS_FOR: Mapping[str, tuple[str, ...]] = {
    "shaft_seal": ("leak_seal_head", "seal_lips"),
    "oil": ("oil_colour",),
    "wear_band": ("wear_band_state",),
    "joints": (
        "clunk_joints",
        "rod_end_noise",
        "rod_end_play",
        "rod_end_cap",
        "bushing_bulge",
        "bushing_cracks",
        "bearing_rust",
        "bearing_dirt",
        "bearing_rattle",
    ),
    "piston_seal": ("piston_seal_state",),
    "bladder": ("bladder_state",),
    "hose": ("leak_hose_crimp",),
    "structure": ("shaft_runout", "shaft_on_blocks", "bore_state"),
}
"""Points whose grade is the grade of a part, as a service record has it in `found`; others only point at a part, and
must not teach its budget."""


@dataclass(frozen=True, slots=True)
class ListedItem:
    """A point as it stands in the list.

    suspicion: 0 to 1, by what its damper did and what was found before it. why: the strongest hint first, empty where
    nothing points there. finding: the newest word on it, None where nobody looked yet.
    """

    item: Item
    suspicion: float
    why: tuple[Sentence, ...]
    finding: Finding | None = None


def newest(findings: Iterable[Finding]) -> dict[str, Finding]:
    """Return the finding that counts of each point: the one of the latest entry, of equal ones the last given."""
    found: dict[str, Finding] = {}
    for one in findings:
        before = found.get(one.item)
        if before is None or one.entry >= before.entry:
            found[one.item] = one
    return found


def make_list(
    facts: UnitFacts,
    findings: Iterable[Finding] = (),
    today: date | None = None,
    likes: Mapping[str, LikeRow] = MappingProxyType({}),
) -> tuple[ListedItem, ...]:
    """Return the points for a damper in the order in which they are done.

    Args:
        facts: what is known of it. findings: of this visit, in the order in which they were written.
        today: for the calendar, None: the day of the facts. likes: of like units, by part.
    """
    items = items_for(facts.construction, facts.reservoir, facts.joints, is_rebuildable(facts))
    said = newest(findings)
    hints = hints_of(facts, items, said, likes, today or facts.day)
    listed = [_list(item, hints.get(item.key, ()), said.get(item.key)) for item in items]
    blocks: dict[tuple[int, str], list[ListedItem]] = {}
    for one in listed:
        # A point outside a sequence is a block by itself; keys of points and names of groups never meet.
        name = one.item.group if one.item.group in SEQUENCES else f"point {one.item.key}"
        blocks.setdefault((one.item.step, name), []).append(one)
    order = sorted(
        blocks.items(), key=lambda block: (block[0][0], -max(one.suspicion for one in block[1]))
    )  # equal ones keep their written order
    return tuple(one for _, block in order for one in block)


def suggest_leak_grade(measures: Mapping[str, float]) -> tuple[str, str] | None:
    """Return the grade that the two questions of a leak come to, and why; None where they weren't both answered.

    A suggestion: the technician's own grade counts.
    """
    wet = measures.get("wet_again")
    if measures.get("wiped") != 1.0 or wet is None:
        return None
    if wet >= RUNS:
        return FAILED, "drops or runs after wiping and 50 strokes: it leaks"
    if wet >= WET:
        return WORN, "wet again after wiping and 50 strokes: it leaks"
    if wet >= FILM:
        return AS_NEW, "a dry film on the shaft is normal"
    return AS_NEW, "dry after wiping and 50 strokes"


def _list(item: Item, hints: Sequence[Hint], finding: Finding | None) -> ListedItem:
    strongest = sorted(hints, key=lambda hint: -hint.weight)
    return ListedItem(item, combine(hints), tuple(hint.text for hint in strongest if hint.is_told), finding)
