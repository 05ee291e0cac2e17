"""Fields of a build sheet as forms: what stands in them, and what was sent as values of entries (SI or mm)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dutylog.bench.build_fields import SheetField
from dutylog.bench.build_sheet import Entered, check_value
from dutylog.bench.build_values import COUNT, DIAMETER_MM, GAS_FIELDS, LEAK_FIELDS, SIDES, THICKNESS_MM, TORQUE_NM
from dutylog.bench.findings import Measure
from dutylog.errors import InputError
from dutylog.ledger.gas_readings import LIMITS
from dutylog.web.bench.measure_units import FormUnit, measure_text, parse_measure, typed_text, units_of

ROWS_SHOWN = 24
"""Rows of a stack or of torques in a form; four fields each stay below the most a form may have."""
SPARE_ROWS, ROWS_OPEN = 12, 4
"""Empty rows behind those that were told, and how many of them stand open. Judgement."""
_GAUGES = {
    name: Measure(name, words, kind, unit, *LIMITS[name][:2])
    for name, words, kind, unit in (
        ("gauge_pa", "gauge", "pressure_pa", ""),
        ("body_c", "body", "temperature_c", ""),
        ("air_c", "air", "temperature_c", ""),
        ("travel_mm", "shaft in, from full extension", "", "mm"),
        ("altitude_m", "altitude", "distance_m", ""),
    )
}
_ROW = {
    "diameter_mm": Measure("diameter_mm", "diameter", "", "mm", *DIAMETER_MM),
    "thickness_mm": Measure("thickness_mm", "thickness", "", "mm", *THICKNESS_MM),
    "count": Measure("count", "how many", "", "", *COUNT),
    "torque_nm": Measure("torque_nm", "torque", "", "Nm", *TORQUE_NM),
}


@dataclass(frozen=True, slots=True)
class Gauge:
    """A figure of a gas fill or a reading, as a form asks for it. typed, unit: what stands in it."""

    key: str
    name: str
    units: tuple[FormUnit, ...]
    typed: str
    unit: str


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A field of the sheet as its page shows it. text: what counts, '' where nothing was put down.

    typed, unit, note: what stands in its form. units: those it may be typed in. rows: of a stack or of torques, as
    typed, empty ones behind; of them open_count stand open. gauges: of a fill or a reading. parts: (key, name, is
    ticked).
    """

    entered: Entered
    text: str
    typed: str = ""
    units: tuple[FormUnit, ...] = ()
    unit: str = ""
    note: str = ""
    rows: tuple[Mapping[str, str], ...] = ()
    open_count: int = 0
    gauges: tuple[Gauge, ...] = ()
    parts: tuple[tuple[str, str, bool], ...] = ()

    @property
    def field(self) -> SheetField:
        """Return the field itself."""
        return self.entered.field

    @property
    def is_to_do(self) -> bool:
        """Return whether it is needed and nobody put it down."""
        return self.entered.is_needed and self.entered.value is None


def make_rows(
    fields: Sequence[Entered],
    system: str,
    parts: Mapping[str, str],
    sent_key: str = "",
    sent: Mapping[str, str] | None = None,
) -> tuple[SheetRow, ...]:
    """Return the fields of a sheet as its page shows them.

    Args:
        system: of domain.quantity, the bench's own: a field that is empty is typed in its units.
        parts: names of the wear parts that this damper has, by key.
        sent_key, sent: field that was sent and isn't kept, and what its form had, shown again.
    """
    return tuple(_row(one, system, parts, sent if one.field.key == sent_key else None) for one in fields)


def read_field(field: SheetField, sent: Mapping[str, str]) -> Any:
    """Return the value of a field as its form sent it, put in order.

    Raises:
        InputError: nothing there, or what can't be meant; the line names the field.
    """
    return check_value(field.key, _READERS[field.kind](field, sent))


def _row(entered: Entered, system: str, parts: Mapping[str, str], sent: Mapping[str, str] | None) -> SheetRow:
    field, value = entered.field, entered.value
    if value is None:
        text = ""
    elif field.kind == "parts":
        text = ", ".join(parts.get(part, part) for part in value) or "nothing new"
    else:
        text = _TEXTS[field.kind](field, value)
    units = _units_of(field)
    # What was kept stands in the unit of entries; an empty field waits for the bench's own.
    usual = next((unit.key for unit in units if unit.system == system), "") if not value else ""
    unit = (sent or {}).get("unit") or usual or (units[0].key if units else "")
    row = SheetRow(entered, text, _typed(field, value, sent), units, unit, (sent or {}).get("note", ""))
    if field.kind in ("shims", "torques"):
        told = _rows_sent(sent) if sent is not None else tuple(map(_row_texts, value or ()))[:ROWS_SHOWN]
        empty: tuple[Mapping[str, str], ...] = ({},) * min(SPARE_ROWS, ROWS_SHOWN - len(told))
        return replace(row, rows=(*told, *empty), open_count=len(told) + ROWS_OPEN)
    if field.kind in ("gas", "reading"):
        names = GAS_FIELDS if field.kind == "gas" else LEAK_FIELDS
        return replace(
            row, gauges=tuple(_gauge(_GAUGES[name], (value or {}).get(name), system, sent) for name in names)
        )
    if field.kind == "parts":
        ticked = set(value or ()) if sent is None else {one.removeprefix("part_") for one in sent}
        return replace(row, parts=tuple((part, name, part in ticked) for part, name in parts.items()))
    return row


def _units_of(field: SheetField) -> tuple[FormUnit, ...]:
    """Return the units that a field with one choice of them may be typed in, none for other fields."""
    if field.kind == "number":
        return units_of(Measure(field.key, field.name, "", field.unit, 0.0, 0.0))
    if field.kind in ("shims", "torques"):
        return units_of(_ROW["diameter_mm" if field.kind == "shims" else "torque_nm"])
    return ()


def _typed(field: SheetField, value: Any, sent: Mapping[str, str] | None) -> str:
    """Return what stands in the one field of a form."""
    if sent is not None:
        return sent.get("value", "")
    if value is None or field.kind not in ("text", "number", "flag"):
        return ""
    if field.kind == "flag":
        return "yes" if value else "no"
    return f"{value:g}" if field.kind == "number" else str(value)


def _row_texts(row: Mapping[str, Any]) -> dict[str, str]:
    return {name: value if isinstance(value, str) else f"{value:g}" for name, value in row.items()}


def _rows_sent(sent: Mapping[str, str]) -> tuple[Mapping[str, str], ...]:
    """Return rows as they were sent, up to the last in which somebody wrote something."""
    names = (*_ROW, "what", "side")
    rows = [{name: sent.get(f"{name}_{place}", "") for name in names} for place in range(ROWS_SHOWN)]
    written = [at for at, row in enumerate(rows) if any(row[name].strip() for name in names if name != "side")]
    return tuple(rows[: written[-1] + 1]) if written else ()


def _gauge(measure: Measure, held: float | None, system: str, sent: Mapping[str, str] | None) -> Gauge:
    units = units_of(measure)
    usual = next((unit for unit in units if unit.system == system), units[0])
    if sent is not None:
        unit = sent.get(f"u_{measure.key}", usual.key)
        return Gauge(measure.key, measure.name, units, sent.get(measure.key, ""), unit)
    return Gauge(measure.key, measure.name, units, "" if held is None else typed_text(measure, held, usual), usual.key)


def _say_shims(_field: SheetField, value: Sequence[Mapping[str, Any]]) -> str:
    return "; ".join(
        f"{row['side']} {row['diameter_mm']:g} × {row['thickness_mm']:g} mm, {row['count']}" for row in value
    )


def _say_torques(_field: SheetField, value: Sequence[Mapping[str, Any]]) -> str:
    return "; ".join(f"{row['what']} {measure_text(_ROW['torque_nm'], row['torque_nm'])}" for row in value)


def _say_gauges(_field: SheetField, value: Mapping[str, float]) -> str:
    told = ((_GAUGES[name], value[name]) for name in GAS_FIELDS if name in value)
    return ", ".join(f"{measure.name} {measure_text(measure, held)}" for measure, held in told)


_TEXTS: Mapping[str, Callable[[SheetField, Any], str]] = {
    "text": lambda _field, value: str(value),
    "number": lambda field, value: f"{value:g} {field.unit}",
    "flag": lambda _field, value: "yes" if value else "no",
    "shims": _say_shims,
    "torques": _say_torques,
    "gas": _say_gauges,
    "reading": _say_gauges,
    "curve": lambda _field, value: f"{len(value['speeds_mps'])} points",
}


def _read_text(field: SheetField, sent: Mapping[str, str]) -> str:
    text = sent.get("value", "").strip()
    if not text:
        raise InputError(f"{field.name}: nothing there; write it down")
    return text


def _read_number(field: SheetField, sent: Mapping[str, str]) -> float:
    measure = Measure(field.key, field.name, "", field.unit, -1e9, 1e9)
    held = parse_measure(measure, sent.get("value", ""), sent.get("unit", ""))
    if held is None:
        raise InputError(f"{field.name}: nothing there; write it down")
    return held


def _read_flag(field: SheetField, sent: Mapping[str, str]) -> bool:
    answer = sent.get("value", "")
    if answer not in ("yes", "no"):
        raise InputError(f"{field.name}: choose yes or no")
    return answer == "yes"


def _read_parts(_field: SheetField, sent: Mapping[str, str]) -> list[str]:
    return [name.removeprefix("part_") for name in sent if name.startswith("part_")]


def _read_shims(field: SheetField, sent: Mapping[str, str]) -> list[dict[str, Any]]:
    rows = []
    for place in _places(sent, "diameter_mm"):
        what = f"{field.name}, row {place + 1}"
        side = sent.get(f"side_{place}", "")
        if side not in SIDES:
            raise InputError(f"{what}: choose on which side it sits")
        count = _figure("count", what, sent, place)
        if count != int(count):
            raise InputError(f"{what}: how many: {count:g}, expected a whole number")
        sizes = {name: _figure(name, what, sent, place) for name in ("diameter_mm", "thickness_mm")}
        rows.append({"side": side, **sizes, "count": int(count)})
    return rows


def _read_torques(field: SheetField, sent: Mapping[str, str]) -> list[dict[str, Any]]:
    return [
        {
            "what": sent.get(f"what_{place}", ""),
            "torque_nm": _figure("torque_nm", f"{field.name}, row {place + 1}", sent, place),
        }
        for place in _places(sent, "torque_nm")
    ]


def _read_gauges(field: SheetField, sent: Mapping[str, str]) -> dict[str, float]:
    names = GAS_FIELDS if field.kind == "gas" else LEAK_FIELDS
    found = {}
    for name in names:
        measure = _GAUGES[name]
        held = parse_measure(measure, sent.get(name, ""), sent.get(f"u_{name}", ""))
        if held is None:
            raise InputError(f"{field.name}: {measure.name} is missing; write it down")
        found[name] = held
    return found


def _places(sent: Mapping[str, str], name: str) -> list[int]:
    """Return the rows in which somebody wrote something; a row without a figure of that name is told of there."""
    names = {"diameter_mm": ("diameter_mm", "thickness_mm", "count"), "torque_nm": ("what", "torque_nm")}[name]
    return [place for place in range(ROWS_SHOWN) if any(sent.get(f"{one}_{place}", "").strip() for one in names)]


def _figure(name: str, what: str, sent: Mapping[str, str], place: int) -> float:
    try:
        held = parse_measure(
            _ROW[name], sent.get(f"{name}_{place}", ""), sent.get("unit", "") if name != "count" else ""
        )
    except InputError as err:
        raise InputError(f"{what}: {err}") from err
    if held is None:
        raise InputError(f"{what}: {_ROW[name].name} is missing")
    return held


def _read_curve(field: SheetField, _sent: Mapping[str, str]) -> None:
    raise InputError(f"{field.name} comes as a file of the force bench")


_READERS: Mapping[str, Callable[[SheetField, Mapping[str, str]], Any]] = {
    "text": _read_text,
    "number": _read_number,
    "flag": _read_flag,
    "parts": _read_parts,
    "shims": _read_shims,
    "torques": _read_torques,
    "gas": _read_gauges,
    "reading": _read_gauges,
    "curve": _read_curve,
}
