"""Is a force curve one of a damper: speeds rising, force always against the motion?"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from dutylog.config.limits import CURVE_PEAK_N, CURVE_REACH_MPS, LEAST_STEP, LIKELY_REACH_MPS, show_number
from dutylog.config.lines import KeyPath
from dutylog.config.report import Report

ZERO_FORCE_RATIO = 1e-6
"""Force allowed at zero speed, as a share of the curve's peak: rounding of decimal figures, no more."""


def check_curve(points: Sequence[Sequence[float]], path: KeyPath, report: Report) -> None:
    """Tell everything that is wrong with one curve; a force that falls with speed is only noted.

    Args:
        points: at least two pairs of shaft speed [m/s] and force [N], compression positive.
    """
    speeds = [float(p[0]) for p in points]
    forces = [float(p[1]) for p in points]
    _check_units(speeds, forces, path, report)
    _check_signs(speeds, forces, path, report)
    for i, (before, speed) in enumerate(pairwise(speeds), start=1):
        if speed - before < LEAST_STEP:
            report.problem(
                (*path, i), f"speed {show_number(speed)} does not rise above {show_number(before)} before it"
            )
            return
    if speeds[0] >= 0 or speeds[-1] <= 0:
        side = "rebound (negative speeds)" if speeds[0] >= 0 else "compression (positive speeds)"
        report.problem(path, f"has no {side}; give both directions")
        return
    _check_zero(speeds, forces, path, report)
    _check_end(speeds[-1], forces[-1], _slope(speeds, forces, len(speeds) - 1), path, report)
    # The rebound end is the same question seen in the mirror.
    _check_end(-speeds[0], -forces[0], _slope(speeds, forces, 1), path, report, sign=-1)
    _note_falling(speeds, forces, path, report)


def _slope(speeds: Sequence[float], forces: Sequence[float], i: int) -> float:
    return (forces[i] - forces[i - 1]) / (speeds[i] - speeds[i - 1])


def _check_units(speeds: Sequence[float], forces: Sequence[float], path: KeyPath, report: Report) -> None:
    reach = max(abs(v) for v in speeds)
    if not CURVE_REACH_MPS.low <= reach <= CURVE_REACH_MPS.high:
        text = f"speeds reach {show_number(reach)}, allowed is {CURVE_REACH_MPS.range_text}"
        low, high = LIKELY_REACH_MPS
        meant = [(m.unit, m.in_our_unit(reach)) for m in CURVE_REACH_MPS.mixups]
        hints = [f"looks like {unit}; write {show_number(v)} m/s for it" for unit, v in meant if low <= v <= high]
        report.problem(path, "; ".join([text, " or ".join(hints)]) if hints else text)
    peak = max(abs(f) for f in forces)
    complaint = CURVE_PEAK_N.complaint(peak)
    if complaint is not None:
        report.problem(path, f"largest force {complaint}")


def _check_signs(speeds: Sequence[float], forces: Sequence[float], path: KeyPath, report: Report) -> None:
    moving = [i for i, v in enumerate(speeds) if v != 0]
    wrong = [i for i in moving if _opposed(speeds[i], forces[i])]
    if not wrong:
        return
    point = f"[{show_number(speeds[wrong[0]])}, {show_number(forces[wrong[0]])}]"
    text = f"force and speed of {point} have opposite signs, so the damper would drive the wheel (F*v < 0)"
    if len(wrong) == len(moving):
        report.problem(path, f"{text}; so have all others: turn the sign round, compression is positive in both")
    else:
        report.problem((*path, wrong[0]), f"{text}; {len(wrong)} of {len(moving)} points are so")


def _opposed(speed: float, force: float) -> bool:
    # Not by the product: it underflows to zero for tiny values.
    return (speed > 0 > force) or (speed < 0 < force)


def _check_zero(speeds: Sequence[float], forces: Sequence[float], path: KeyPath, report: Report) -> None:
    i = next(i for i, v in enumerate(speeds) if v >= 0)
    share = -speeds[i - 1] / (speeds[i] - speeds[i - 1])
    at_zero = forces[i - 1] + share * (forces[i] - forces[i - 1])
    if abs(at_zero) > ZERO_FORCE_RATIO * max(abs(f) for f in forces):
        remedy = "make it [0.0, 0.0]" if speeds[i] == 0 else "add the point [0.0, 0.0]"
        report.problem((*path, i), f"force is {show_number(at_zero)} N at zero speed, so F*v < 0 beside it; {remedy}")


def _check_end(speed: float, force: float, slope: float, path: KeyPath, report: Report, sign: int = 1) -> None:
    """Beyond its end the curve goes on with its last slope; a falling one turns against the motion somewhere."""
    if force < 0 or slope >= 0:
        return
    turn = sign * (speed - force / slope)
    report.problem(
        path,
        f"force falls at the end at {show_number(sign * speed)} m/s and, going on like that, turns at "
        f"{show_number(turn)} m/s (F*v < 0); end with two points of equal or rising force",
    )


def _note_falling(speeds: Sequence[float], forces: Sequence[float], path: KeyPath, report: Report) -> None:
    for i in range(1, len(forces)):
        if forces[i] < forces[i - 1]:
            a, b = show_number(speeds[i - 1]), show_number(speeds[i])
            report.note(path, f"force falls with speed between {a} and {b} m/s; right for a blow-off valve")
            return
