"""Calibrations of sensors as entries of the chain: old ones stay, the newest of each kind and position is in force.

Fields, limits and messages: shared/CALIBRATION.md.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from statistics import median
from typing import Any

from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.names import nearest
from dutylog.ledger.rows import Entry
from dutylog.motion.calibration_fit import LINE, POINT_LIMIT, TapePoint, TravelFit, fit_travel

ENTRY_KIND = "calibrate"
TRAVEL, TEMPERATURE = "travel", "temperature"
LEAST_REST_H = 3.0
"""Hours until a damper has the air's temperature (judgement: some time constants of half an hour to an hour)."""
OFFSET_LIMIT_K = 5.0
"""More is no offset but a wrong type of thermocouple, a loose junction or a warm damper (judgement)."""
SOAKED_K = 3.0
"""A vehicle that has soaked: the middle one of its bodies is this close to the air (judgement)."""
LATER_H = 1000.0
_TEMPERATURE_C = (-40.0, 60.0)
_OTHERS_LIMIT = 64
_NUMBER_LIMIT = 1e9


@dataclass(frozen=True, slots=True)
class Signed:
    """Who calibrated which sensor when. row: of the entry. sequence: place in the raw log. unit_id: the damper there.

    is_remounted: the sensor was mounted anew, so the past is another sensor's. corrects: the calibration before
    was wrong ever since the sensor was mounted, so the past is to be worked out again.
    """

    row: int
    position: str
    utc_ns: int
    utc_trusted: bool
    sequence: int | None
    unit_id: str | None
    by: str
    note: str | None
    is_remounted: bool
    corrects: bool


@dataclass(frozen=True, slots=True)
class TravelCalibration:
    """A travel sensor's, with the points it rests on [counts, mm] and what it was fitted for [mm]."""

    signed: Signed
    points: tuple[TapePoint, ...]
    extended_mm: float
    stroke_mm: float
    fit: TravelFit


@dataclass(frozen=True, slots=True)
class BodyCalibration:
    """A body thermocouple's. offset_k: to be added to what it reads. others_c: the other bodies at that moment."""

    signed: Signed
    offset_k: float
    body_c: float
    ambient_c: float
    rested_h: float
    others_c: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Calibration:
    """What is in force at one position; None: never calibrated."""

    position: str
    travel: TravelCalibration | None = None
    body: BodyCalibration | None = None


def compute_offset_k(body_c: float, ambient_c: float, rested_h: float, others_c: Sequence[float] = ()) -> float:
    """Return what to add to a body thermocouple [K] so that it agrees with the air after a cold soak.

    Args:
        body_c, ambient_c: as read, without any offset. rested_h: all dampers at rest for so long [h].
        others_c: bodies of the other dampers; needed where the offset could as well be a damper still warm.
    Raises:
        InputError: not soaked, or more than OFFSET_LIMIT_K.
    """
    if not LEAST_REST_H <= rested_h <= LATER_H:
        raise InputError(
            f"at rest for {rested_h:g} h, at least {LEAST_REST_H:g} h without sun on the vehicle is needed; wait longer"
        )
    for name, value_c in (("body", body_c), ("air", ambient_c), *(("another body", other) for other in others_c)):
        if not _TEMPERATURE_C[0] <= value_c <= _TEMPERATURE_C[1]:
            raise InputError(
                f"{name}: {value_c:g} °C, expected {_TEMPERATURE_C[0]:g} to {_TEMPERATURE_C[1]:g} °C of a vehicle at "
                "rest; check the thermocouple and the unit"
            )
    offset_k = ambient_c - body_c
    if abs(offset_k) > OFFSET_LIMIT_K:
        raise InputError(
            f"the body reads {_off_text(body_c - ambient_c)} against the air, at most {OFFSET_LIMIT_K:g} K is taken "
            "for an offset; check type letter, junction and plug of the thermocouple, or let the vehicle rest longer"
        )
    middle_k = median((body_c, *others_c)) - ambient_c
    if abs(middle_k) > SOAKED_K:
        who = "the bodies read" if others_c else "with no other body to compare, the only one reads"
        raise InputError(
            f"{who} {_off_text(middle_k)} against the air in the middle, at most {SOAKED_K:g} K tells of a cold soak; "
            "let the vehicle rest longer out of the sun, and check the air sensor"
        )
    return offset_k


def store(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> TravelCalibration | BodyCalibration:
    """Work out a checked request `calibrate` and write its entry.

    Raises:
        LedgerError: no vehicle known, no such position, no sensor of its own.
        InputError: fields of the other kind, or measurements that can't be taken; one line.
    """
    vehicle = require_vehicle(ledger)
    damper = find_damper(vehicle, request["position"])
    is_remounted, corrects = bool(request["is_remounted"]), bool(request["corrects"])
    if is_remounted and corrects:
        raise InputError("a sensor mounted anew says nothing of the past; give one of is_remounted and corrects")
    kind = request["kind"]
    if kind not in (TRAVEL, TEMPERATURE):
        raise InputError(f"kind {kind}: expected {TRAVEL} or {TEMPERATURE}")
    measured = _travel_data(vehicle, damper, request) if kind == TRAVEL else _body_data(request)
    unit = ledger.installed().get(damper.position)
    data = {
        "kind": kind,
        "position": damper.position,
        "vehicle_id": vehicle.vehicle_id,
        "unit_id": None if unit is None else unit.unit_id,
        "by": request["by"],
        "note": request["note"],
        "is_remounted": is_remounted,
        "corrects": corrects,
        **measured,
    }
    entry = ledger.append_entry(ENTRY_KIND, None, data, ledger.cursor().hot_sequence if sequence is None else sequence)
    return read_entry(ledger, entry)


def effect_data(done: TravelCalibration | BodyCalibration) -> dict[str, Any]:
    """Return what the daemon must know of a new calibration; `offset_k` is of the body thermocouple."""
    signed = done.signed
    common = {
        "position": signed.position,
        "entry": signed.row,
        "is_remounted": signed.is_remounted,
        "corrects": signed.corrects,
    }
    if isinstance(done, TravelCalibration):
        return {"quantity": "travel", **common, "calibration_raw_mm": [list(p) for p in done.fit.calibration]}
    return {"quantity": "body_temperature", **common, "offset_k": done.offset_k}


def history(ledger: Ledger, position: str | None = None) -> list[TravelCalibration | BodyCalibration]:
    """Return every calibration of a position, None for all positions, oldest first."""
    found = [read_entry(ledger, entry) for entry in ledger.entries_of(ENTRY_KIND)]
    return [one for one in found if position in (None, one.signed.position)]


def in_force(ledger: Ledger) -> dict[str, Calibration]:
    """Return the newest calibration of each kind by position."""
    found: dict[str, Calibration] = {}
    for one in history(ledger):
        position = one.signed.position
        known = found.get(position, Calibration(position))
        if isinstance(one, TravelCalibration):
            found[position] = replace(known, travel=one)
        else:
            found[position] = replace(known, body=one)
    return found


def overlaid(vehicle: Vehicle, calibrations: Mapping[str, Calibration]) -> tuple[Vehicle, list[str]]:
    """Return a vehicle with the ledger's calibrations in place of its own, and lines for people about it."""
    notes, dampers = [], []
    for bare in vehicle.dampers:
        known_here = calibrations.get(bare.position, Calibration(bare.position))
        found, body = known_here.travel, known_here.body
        damper = bare if body is None else replace(bare, body_offset_k=body.offset_k)
        if found is None:
            dampers.append(damper)
            continue
        who = f"calibration of {damper.position} in the ledger (entry {found.signed.row}, {found.signed.by})"
        if damper.travel_from is not None:
            notes.append(f"the {who} isn't used: the vehicle file takes its travel from {damper.travel_from}")
            dampers.append(damper)
            continue
        if damper.calibration and damper.calibration != found.fit.calibration:
            notes.append(f"the {who} counts, not the one of the vehicle file; delete `calibration` there")
        stroke_mm = vehicle.profile_of(damper).stroke_m * 1e3
        if not math.isclose(stroke_mm, found.stroke_mm, abs_tol=0.05):
            notes.append(
                f"the {who} was made for a stroke of {found.stroke_mm:g} mm, the profile says {stroke_mm:g} mm; "
                "calibrate that sensor again"
            )
        dampers.append(replace(damper, calibration=found.fit.calibration))
    known = {damper.position for damper in vehicle.dampers}
    notes += [
        f"the ledger has a calibration of {position}, which the vehicle file doesn't name; it isn't used"
        for position in sorted(calibrations.keys() - known)
    ]
    return replace(vehicle, dampers=tuple(dampers)), notes


def require_vehicle(ledger: Ledger) -> Vehicle:
    """Return the vehicle a ledger belongs to; LedgerError before it knows one."""
    vehicle = ledger.vehicle()
    if vehicle is None:
        raise LedgerError("the ledger doesn't know its vehicle yet; start the daemon once or give --config FILE")
    return vehicle


def find_damper(vehicle: Vehicle, position: str) -> Damper:
    """Return the damper at a position; LedgerError names the nearest known one."""
    damper = next((d for d in vehicle.dampers if d.position == position), None)
    if damper is None:
        known = (d.position for d in vehicle.dampers)
        raise LedgerError(f"vehicle {vehicle.vehicle_id} has no position {position}; {nearest(position, known)}")
    return damper


def find_travel_damper(vehicle: Vehicle, position: str) -> Damper:
    """Return the damper whose travel sensor sits at a position; LedgerError when it has none of its own."""
    damper = find_damper(vehicle, position)
    if damper.travel_from is not None:
        raise LedgerError(f"{position} has no travel sensor of its own; calibrate {damper.travel_from}")
    return damper


def read_entry(ledger: Ledger, entry: Entry) -> TravelCalibration | BodyCalibration:
    """Return what an entry holds; LedgerCorrupt when it can't be read."""
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        signed = Signed(
            entry.row,
            data["position"],
            entry.utc_ns,
            entry.utc_trusted,
            entry.sequence,
            *(data[name] for name in ("unit_id", "by", "note", "is_remounted", "corrects")),
        )
        if data["kind"] == TEMPERATURE:
            numbers = {name: float(data[name]) for name in ("offset_k", *_BODY_FIELDS)}
            return BodyCalibration(signed, **numbers, others_c=tuple(data["others_c"]))
        points = tuple(TapePoint(*point) for point in data["points"])
        return TravelCalibration(signed, points, data["extended_mm"], data["stroke_mm"], _read_fit(data["fit"]))


def to_json(one: TravelCalibration | BodyCalibration) -> dict[str, Any]:
    """Return a calibration as programs read it (shared/CALIBRATION.md)."""
    content = asdict(one.signed)
    content = {"kind": "temperature", "entry": content.pop("row"), **content}
    if isinstance(one, BodyCalibration):
        measured = asdict(one)
        del measured["signed"]
        return content | measured
    fit, points = asdict(one.fit), [asdict(point) for point in one.points]
    worst, pairs = fit.pop("worst"), fit.pop("calibration")
    for point, travel_mm, residual_mm in zip(points, fit.pop("travels_mm"), fit.pop("residuals_mm"), strict=True):
        point |= {"travel_mm": travel_mm, "residual_mm": residual_mm}
    derived = {
        "worst_point": worst + 1,
        "is_reversed": one.fit.is_reversed,
        "energy_uncertainty_ratio": one.fit.energy_uncertainty_ratio,
        "calibration_raw_mm": pairs,
    }
    lengths = {"extended_mm": one.extended_mm, "stroke_mm": one.stroke_mm}
    return content | {"kind": "travel"} | lengths | fit | derived | {"points": points}


# -- fields of the command ------------------------------------------------------------------------


def check_number(value: object, what: str) -> float:
    """Return a finite number as a float; InputError when it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= _NUMBER_LIMIT:
        raise InputError(f"{what}: {value!r:.40} is no number up to {_NUMBER_LIMIT:g}")
    return float(value)


def check_flag(value: object, what: str) -> bool:
    """Return true or false; InputError when it is neither."""
    if not isinstance(value, bool):
        raise InputError(f"{what}: {value!r:.40} is neither true nor false")
    return value


def check_points(value: object, what: str) -> list[list[float]]:
    """Return a list of [counts, length in mm, noise in counts], noise 0 where it was left out."""
    if not isinstance(value, list) or len(value) > POINT_LIMIT:
        raise InputError(f"{what}: expected a list of at most {POINT_LIMIT} points")
    points = []
    for number, point in enumerate(value, start=1):
        if not isinstance(point, list) or len(point) not in (2, 3):
            raise InputError(f"{what}: point {number} is no list of counts, length in mm and perhaps noise")
        full = [*point, 0.0][:3]
        points.append([check_number(part, f"{what}: point {number}") for part in full])
    return points


def check_numbers(value: object, what: str) -> list[float]:
    """Return a list of finite numbers; InputError when it is none."""
    if not isinstance(value, list) or len(value) > _OTHERS_LIMIT:
        raise InputError(f"{what}: expected a list of at most {_OTHERS_LIMIT} numbers")
    return [check_number(part, what) for part in value]


_TRAVEL_FIELDS = ("points", "extended_mm")
_BODY_FIELDS = ("body_c", "ambient_c", "rested_h")


def _refuse_mixture(request: Mapping[str, Any], wanted: Sequence[str], others: Sequence[str]) -> None:
    kind = request["kind"]
    for name in wanted:
        if request[name] is None:
            raise InputError(f"command calibrate, kind {kind}: {name} is missing")
    for name in others:
        if request[name] is not None:
            raise InputError(f"command calibrate, kind {kind}: {name} belongs to the other kind")


def _travel_data(vehicle: Vehicle, damper: Damper, request: Mapping[str, Any]) -> dict[str, Any]:
    _refuse_mixture(request, _TRAVEL_FIELDS, (*_BODY_FIELDS, "others_c"))
    find_travel_damper(vehicle, damper.position)
    stroke_mm = vehicle.profile_of(damper).stroke_m * 1e3
    points = [TapePoint(*point) for point in request["points"]]
    fit = fit_travel(points, request["extended_mm"], stroke_mm, request["method"] or LINE)
    return {
        "points": [[p.raw, p.length_mm, p.noise] for p in points],
        "extended_mm": request["extended_mm"],
        "stroke_mm": stroke_mm,
        "fit": _fit_to_data(fit),
    }


def _body_data(request: Mapping[str, Any]) -> dict[str, Any]:
    _refuse_mixture(request, _BODY_FIELDS, (*_TRAVEL_FIELDS, "method"))
    measured = {name: request[name] for name in _BODY_FIELDS}
    others_c = request["others_c"] or []
    return {"offset_k": compute_offset_k(**measured, others_c=others_c), **measured, "others_c": others_c}


def _fit_to_data(fit: TravelFit) -> dict[str, Any]:
    return {
        "method": fit.method,
        "calibration_raw_mm": [list(pair) for pair in fit.calibration],
        "mm_per_count": fit.mm_per_count,
        "travels_mm": [round(v, 4) for v in fit.travels_mm],
        "residuals_mm": [round(v, 4) for v in fit.residuals_mm],
        "worst": fit.worst,
        "places_count": fit.places_count,
        "span_mm": list(fit.span_mm),
        "beyond_mm": list(fit.beyond_mm),
        "scale_uncertainty_ratio": fit.scale_uncertainty_ratio,
        "local_uncertainty_ratio": fit.local_uncertainty_ratio,
        "end_uncertainties_mm": list(fit.end_uncertainties_mm),
        "notes": list(fit.notes),
    }


def _read_fit(data: Mapping[str, Any]) -> TravelFit:
    (low_mm, high_mm), (before_mm, after_mm) = data["span_mm"], data["beyond_mm"]
    extended_mm, bump_mm = data["end_uncertainties_mm"]
    return TravelFit(
        method=data["method"],
        calibration=tuple((float(raw), float(mm)) for raw, mm in data["calibration_raw_mm"]),
        mm_per_count=data["mm_per_count"],
        travels_mm=tuple(data["travels_mm"]),
        residuals_mm=tuple(data["residuals_mm"]),
        worst=data["worst"],
        places_count=data["places_count"],
        span_mm=(low_mm, high_mm),
        beyond_mm=(before_mm, after_mm),
        scale_uncertainty_ratio=data["scale_uncertainty_ratio"],
        local_uncertainty_ratio=data["local_uncertainty_ratio"],
        end_uncertainties_mm=(extended_mm, bump_mm),
        notes=tuple(data["notes"]),
    )


def _off_text(difference_k: float) -> str:
    return f"{abs(difference_k):.1f} K {'high' if difference_k > 0 else 'low'}"
