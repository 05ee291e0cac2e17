"""The page of force curves: a bench's table over the profile, as found and after the build."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import FastAPI
from fastapi.responses import Response

from dutylog.bench.curve import Comparison, compare, take_gas_out
from dutylog.bench.curve_csv import FORCE_UNITS, SPEED_UNITS, BenchCurve, read_curve_csv
from dutylog.bench.findings import Measure
from dutylog.bench.job_state import JobState, Told
from dutylog.bench.roles import TECHNICIAN, VIEWER
from dutylog.errors import InputError, one_line
from dutylog.ledger.gas_readings import LIMITS
from dutylog.web.bench.curve_view import Line, Picture, draw, profile_line
from dutylog.web.bench.frame import FILES, Done, Frame, Seen, Write
from dutylog.web.bench.job_desk import JobDesk, lost_by_curve, open_desk, read_desk, refuse_over
from dutylog.web.bench.measure_units import parse_measure, units_of

BEFORE, AFTER = "before", "after"
NAME_SIGNS = 120
GAUGE = Measure("gauge_pa", "gauge", "pressure_pa", "", *LIMITS["gauge_pa"][:2])
BODY = Measure("body_c", "body", "temperature_c", "", *LIMITS["body_c"][:2])


@dataclass(frozen=True, slots=True)
class CurveShown:
    """A curve with what it says against the profile; comparison: None without a profile, problem says why not."""

    told: Told
    line: Line
    comparison: Comparison | None
    problem: str = ""


def add_curve(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the page of force curves."""

    @frame.page("/jobs/{job}/curve", least=VIEWER, here="jobs")
    def curve(seen: Seen) -> Response:
        return _show(seen, open_desk(seen))

    @frame.write("/jobs/{job}/curve", least=TECHNICIAN, body=FILES, here="jobs")
    def put(write: Write) -> Done | Response:
        desk = open_desk(write)
        try:
            keep_curve(write, BEFORE)
        except InputError as err:
            return _show(write, desk, one_line(err, 400))
        return Done("the curve is kept", f"/jobs/{desk.job_id}/curve")


def keep_curve(write: Write, which: str) -> JobDesk:
    """Keep the curve of an upload: field `table`, and what was told of it; return the job as it was before.

    Raises:
        InputError: no file, no curve, or a figure that can't be meant.
    """
    table = write.files.get("table")
    if table is None or not table.data:
        raise InputError("choose the table of the force bench, a CSV file")
    speed_unit, force_unit = (write.field(name) or None for name in ("speed_unit", "force_unit"))
    found = read_curve_csv(table.data, speed_unit, force_unit)
    gauge_pa = parse_measure(GAUGE, write.field("gauge_pa"), write.field("u_gauge_pa"))
    body_c = parse_measure(BODY, write.field("body_c"), write.field("u_body_c"))
    with write.store.write(write.who) as tx:
        desk = read_desk(tx.read, open_desk(write).job_id, write.frame.today())
        refuse_over(desk)
        if write.field("with_gas") == "yes":
            found = _without_gas(found, gauge_pa, desk)
        data = {
            "which": which,
            "name": one_line("; ".join((table.name, *found.notes)), NAME_SIGNS),
            "speeds_mps": list(found.speeds_mps),
            "forces_n": list(found.forces_n),
            "body_c": body_c,
            "gauge_pa": gauge_pa,
        }
        tx.append("curve_put", data, job_id=desk.job_id)
    return desk


def compare_told(told: Told, desk: JobDesk) -> CurveShown:
    """Return a kept curve against the damper's profile."""
    data = told.data
    speeds, forces = tuple(map(float, data["speeds_mps"])), tuple(map(float, data["forces_n"]))
    line = tuple(zip(speeds, forces, strict=True))
    if desk.profile is None:
        return CurveShown(
            told, line, None, "this damper's profile isn't known here, so there is nothing to hold it against"
        )
    body_c = None if data.get("body_c") is None else float(data["body_c"])
    try:
        return CurveShown(told, line, compare(BenchCurve(speeds, forces, len(speeds)), desk.profile, body_c))
    except InputError as err:
        return CurveShown(told, line, None, one_line(err, 300))


def lost_measures(desk: JobDesk) -> dict[str, float]:
    """Return the measures of the point `damping_curve` by the curve as found, none without one."""
    return lost_by_curve(desk.state, desk.profile)


def _without_gas(found: BenchCurve, gauge_pa: float | None, desk: JobDesk) -> BenchCurve:
    if gauge_pa is None or desk.profile is None:
        lacks = "the gauge's figure" if gauge_pa is None else "the damper's profile, which has its shaft's diameter"
        raise InputError(f"the bench's forces have the gas in them, and {lacks} isn't known: it can't be taken out")
    return take_gas_out(found, gauge_pa, desk.profile.shaft_area_m2)


def _show(seen: Seen, desk: JobDesk, problem: str = "") -> Response:
    state = desk.state
    found, after = (_shown(state, which, desk) for which in (BEFORE, AFTER))
    return seen.render(
        "bench/curve.html",
        400 if problem else 200,
        job=desk.head,
        step="inspection",
        found=found,
        after=after,
        picture=_picture(found, after, desk),
        gauge_units=units_of(GAUGE),
        body_units=units_of(BODY),
        speed_units=tuple(SPEED_UNITS),
        force_units=tuple(FORCE_UNITS),
        problem=problem,
        is_over=desk.is_over,
    )


def _shown(state: JobState, which: str, desk: JobDesk) -> CurveShown | None:
    told = state.curves.get(which)
    return None if told is None else compare_told(told, desk)


def _picture(found: CurveShown | None, after: CurveShown | None, desk: JobDesk) -> Picture | None:
    lines = [one.line for one in (found, after) if one is not None]
    if not lines:
        return None
    reach = max(abs(speed) for line in lines for speed, _ in line)
    stated = () if desk.profile is None else profile_line(desk.profile, reach)
    return draw(stated, found.line if found else (), after.line if after else ())
