"""A push test as people and as programs read it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from dutylog.cli.duty_text import UNKNOWN, table_text, utc_text
from dutylog.cli.push_corners import Corner, result_of
from dutylog.ledger.push_tests import AFTER, BEFORE, CHECK, PushTest, StoredCorner, find_before
from dutylog.motion.pushes import ALIKE, FELL, ROSE, UNSURE, Change, CornerResult, compare

WHEN_TEXTS = {BEFORE: "before service", AFTER: "after service", CHECK: "check"}
RANGE_SD = 1.96
"""95 of 100, normal distribution."""
WARM_K = 15.0
"""Bodies farther apart than this say of two tests that the oil isn't as thick (judgement: 2 to 4 % of the force)."""
LOW_RATIO = 0.15
"""Below this a body rocks on for three swings and more (common practice, no published source: 0.2 to 0.4 is usual)."""
_HEADS = ("corner", "pushes", "frequency Hz", "damping ratio", "within", "pushes differ", "swing mm", "body °C")
_VERDICTS = {
    FELL: "fell by more than pushes differ by",
    ROSE: "rose by more than pushes differ by",
    ALIKE: "no more than pushes differ by",
    UNSURE: "too few pushes to tell",
}


def corner_lines(
    corners: Sequence[Corner],
    pairs: Sequence[tuple[str, str]],
    history: Sequence[PushTest],
    units: Mapping[str, tuple[str, ...]],
    wanted: int,
) -> list[str]:
    """Return a push test as lines: the table, left against right, against the last one, and what was amiss.

    history: push tests stored before. units: unit_ids on the wheel of each position, empty where no ledger is known.
    wanted: pushes of each corner.
    """
    lines = table_text(_HEADS, [_row(corner.position, corner.result, corner.body_c) for corner in corners], left=1)
    by_position = {corner.position: corner for corner in corners}
    return [
        *lines.splitlines(),
        *(line for pair in pairs if (line := _sides_line(pair, by_position))),
        *(
            line
            for corner in corners
            if corner.position in units
            for line in _before_lines(corner, history, units[corner.position])
        ),
        *(line for corner in corners for line in _amiss_lines(corner, wanted)),
        "a load, a spring or a tyre changes these figures as much as a damper does; oil, gas and seals look alike here",
    ]


def show_lines(tests: Sequence[PushTest], labels: Mapping[str, str]) -> list[str]:
    """Return stored push tests as a table, oldest first. labels: serial or tag of each unit_id."""
    heads = ("entry", "made", "by", "when", "dampers", *_HEADS)
    rows = [
        (
            str(test.row),
            utc_text(test.utc_ns, test.utc_trusted),
            test.by,
            WHEN_TEXTS[test.when],
            " ".join(labels.get(unit, unit) for unit in corner.units) or UNKNOWN,
            *_row(corner.position, result_of(corner.pushes), corner.body_c),
        )
        for test in tests
        for corner in test.corners
    ]
    notes = [f"entry {test.row}: {test.note}" for test in tests if test.note]
    return [*table_text(heads, rows, left=6).splitlines(), *notes]


def stored_to_json(test: PushTest) -> dict[str, Any]:
    """Return a stored push test for programs (shared/PUSH_TEST.md)."""
    return {
        "entry": test.row,
        "utc_ns": test.utc_ns,
        "utc_trusted": test.utc_trusted,
        "by": test.by,
        "when": test.when,
        "note": test.note,
        "corners": [
            {
                "position": corner.position,
                "units": list(corner.units),
                "body_c": corner.body_c,
                **_result_to_json(result_of(corner.pushes)),
                "pushes": [asdict(push) for push in corner.pushes],
            }
            for corner in test.corners
        ],
    }


def as_json(
    corners: Sequence[Corner],
    pairs: Sequence[tuple[str, str]],
    history: Sequence[PushTest],
    units: Mapping[str, tuple[str, ...]],
) -> dict[str, Any]:
    """Return a push test just made for programs; arguments as of `corner_lines`."""
    by_position = {corner.position: corner for corner in corners}
    sides = [
        {"left": left, "right": right, **_change_to_json(change)}
        for left, right in pairs
        if (change := _compare(by_position.get(left), by_position.get(right))) is not None
    ]
    content = []
    for corner in corners:
        mine = units.get(corner.position, ())
        before = find_before(history, mine)
        change = None if before is None else _compare(corner, before[1])
        content.append(
            {
                "position": corner.position,
                "units": list(mine),
                "body_c": corner.body_c,
                **_result_to_json(corner.result),
                "pushes": [asdict(push) for push in corner.pushes],
                "refused": [{"time_s": time_s, "reason": reason} for time_s, reason in corner.refused],
                "against_last": None
                if before is None or change is None
                else {"entry": before[0].row, "when": before[0].when, **_change_to_json(change)},
            }
        )
    return {"corners": content, "sides": sides}


def _row(position: str, result: CornerResult | None, body_c: float | None) -> tuple[str, ...]:
    body = UNKNOWN if body_c is None else f"{body_c:.0f}"
    if result is None:
        return position, "0", *(UNKNOWN,) * 5, body
    return (
        position,
        str(result.count),
        f"{result.frequency_hz:.2f}",
        f"{result.ratio:.3f}",
        f"{RANGE_SD * result.ratio_sd:.3f}",
        f"{result.spread_ratio:.1%}" if result.count > 1 else UNKNOWN,
        f"{result.swing_m * 1e3:.1f}",
        body,
    )


def _compare(now: Corner | None, other: Corner | StoredCorner | None) -> Change | None:
    """Return how one corner stands against another, None where one has no pushes."""
    if now is None or other is None:
        return None
    result, against = now.result, result_of(other.pushes)
    return None if result is None or against is None else compare(result, against)


def _sides_line(pair: tuple[str, str], corners: Mapping[str, Corner]) -> str | None:
    left, right = pair
    change = _compare(corners.get(left), corners.get(right))
    if change is None:
        return None
    said = f"{left} against {right}: damping ratio {change.change_ratio:+.0%}, "
    if change.verdict in (FELL, ROSE):
        lower = left if change.verdict == FELL else right
        return f"{said}more than pushes differ by: {lower} damps less{_noted(change)}"
    return f"{said}{_VERDICTS[change.verdict]}{_noted(change)}"


def _before_lines(corner: Corner, history: Sequence[PushTest], units: tuple[str, ...]) -> list[str]:
    """Return how a corner stands against the last push test of the same units."""
    if corner.result is None:
        return []
    before = find_before(history, units)
    if before is None:
        why = "not pushed before with this damper" if units else "no damper is named there, so nothing to compare with"
        return [f"{corner.position}: {why}"]
    test, then = before
    change = _compare(corner, then)
    if change is None:
        return []
    when = f"{WHEN_TEXTS[test.when]} (entry {test.row}, {utc_text(test.utc_ns, test.utc_trusted)}, {test.by})"
    warm = ""
    if corner.body_c is not None and then.body_c is not None and abs(corner.body_c - then.body_c) > WARM_K:
        warm = f"; its body was at {then.body_c:.0f} °C then and is at {corner.body_c:.0f} °C now: push at alike ones"
    return [
        f"{corner.position}: damping ratio {change.change_ratio:+.0%} against {when}: "
        f"{_VERDICTS[change.verdict]} ({change.limit_ratio:.0%}){_noted(change)}{warm}"
    ]


def _amiss_lines(corner: Corner, wanted: int) -> list[str]:
    lines = [f"{corner.position}: push at {time_s:.1f} s: {reason}" for time_s, reason in corner.refused]
    if len(corner.pushes) < wanted:
        lines.append(f"{corner.position}: {len(corner.pushes)} of {wanted} pushes can be used; push it again")
    result = corner.result
    if result is not None and result.ratio + RANGE_SD * result.ratio_sd < LOW_RATIO:
        lines.append(
            f"{corner.position}: a damping ratio of {result.ratio:.2f} is low: it may damp too little to be driven "
            "with; have a qualified technician look at it"
        )
    return lines


def _noted(change: Change) -> str:
    return "".join(f"; {note}" for note in change.notes)


def _change_to_json(change: Change) -> dict[str, Any]:
    return {
        "change_ratio": change.change_ratio,
        "limit_ratio": change.limit_ratio,
        "verdict": change.verdict,
        "notes": list(change.notes),
    }


def _result_to_json(result: CornerResult | None) -> dict[str, Any]:
    if result is None:
        return {"frequency_hz": None, "damping_ratio": None, "damping_ratio_sd": None, "spread_ratio": None}
    return {
        "frequency_hz": result.frequency_hz,
        "damping_ratio": result.ratio,
        "damping_ratio_sd": result.ratio_sd,
        "spread_ratio": result.spread_ratio if result.count > 1 else None,
    }
