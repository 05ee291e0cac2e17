"""Checks of the sensors that a vehicle file names: against its dampers and against each other."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from dutylog.config.limits import show_number, show_text
from dutylog.config.lines import KeyPath
from dutylog.config.report import Report, nearest
from dutylog.config.settings import SENSORS

AIR = "air"
"""Stands for the air in the place of a position."""
RANGES_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256)
"""Full scales of ADS1115 and ADS1015. Source: data sheet SBAS444, table 'Config register', PGA."""
_SCALED = ("reservoir_pressure", "battery_voltage")
_OF_A_DAMPER = ("travel", "reservoir_pressure")


def check_sensors(raw: dict[str, Any], rest: dict[str, Any], report: Report) -> None:
    """Check the tables of sensors; raw and rest as for `checks.check_document`."""
    tables = [name for name in ("bridge", "thermocouple", "adc", "gps") if name in raw]
    kind = rest.get("source", {}).get("kind")
    if kind not in (None, SENSORS):
        for name in tables:
            report.note((name,), f"not used with [source] kind = {show_text(kind)}")
    _check_travel(rest, report, is_needed=kind == SENSORS)
    _check_positions(rest, report)
    _check_places(rest, report)
    for path, adc in _numbered(rest, "adc"):
        _check_adc(adc, path, report)


def _numbered(rest: dict[str, Any], name: str) -> Iterator[tuple[KeyPath, dict[str, Any]]]:
    for i, table in enumerate(rest.get(name, [])):
        if isinstance(table, dict):
            yield (name, i), table


def _check_travel(rest: dict[str, Any], report: Report, *, is_needed: bool) -> None:
    """Travel must come from one line: the bridge, or the converters of one rate."""
    on_bridge = [
        (("bridge", "inputs", i), position)
        for i, position in enumerate(rest.get("bridge", {}).get("inputs", []))
        if position
    ]
    on_chips = [
        ((*path, "input", i, "position"), entry.get("position"))
        for path, adc in _numbered(rest, "adc")
        for i, entry in enumerate(adc.get("input", []))
        if entry.get("measures") == "travel"
    ]
    if on_bridge and on_chips:
        report.problem(
            on_chips[0][0], "travel comes from [bridge] already; measure all of it there, or all with an [[adc]]"
        )
    elif len({path[1] for path, _ in on_chips}) > 1:
        text = "travel comes from another [[adc]] already; one chip, or [bridge], measures all of it"
        report.problem(on_chips[-1][0], text)
    elif is_needed and not on_bridge and not on_chips:
        text = 'no sensor measures travel; add [bridge], or an [[adc.input]] with measures = "travel"'
        report.problem(("source", "kind"), text)
    seen: set[str] = set()
    for path, position in [*on_bridge, *on_chips]:
        if position in seen:
            report.problem(path, f"{show_text(position)} has a travel input already")
        if position is not None:
            seen.add(position)
    for i, damper in enumerate(rest.get("damper", [])):
        own = damper.get("position") if "travel_from" not in damper else None
        if seen and own is not None and own not in seen:
            report.note(("damper", i), f"no sensor measures the travel of {show_text(own)}; its duty can't be counted")


def _check_positions(rest: dict[str, Any], report: Report) -> None:
    """Whatever names a position names one of a damper; travel one with a sensor of its own."""
    dampers = {d["position"]: d for d in rest.get("damper", []) if "position" in d}
    for i, position in enumerate(rest.get("bridge", {}).get("inputs", [])):
        if position:
            _check_position(position, dampers, ("bridge", "inputs", i), report, is_travel=True)
    seen: set[str] = set()
    for path, table in _numbered(rest, "thermocouple"):
        position = table.get("position")
        if position is None:
            continue
        if position != AIR:
            _check_position(position, dampers, (*path, "position"), report)
        if position in seen:
            report.problem((*path, "position"), f"{show_text(position)} has a thermocouple already")
        seen.add(position)
    for path, adc in _numbered(rest, "adc"):
        for i, entry in enumerate(adc.get("input", [])):
            measures, key = entry.get("measures"), (*path, "input", i, "position")
            if measures in _OF_A_DAMPER and "position" not in entry:
                report.problem(key, f"missing; whose {measures.replace('_', ' ')} it is")
            elif measures not in _OF_A_DAMPER and measures is not None and "position" in entry:
                report.problem(key, f"means nothing with measures = {show_text(measures)}")
            elif "position" in entry:
                _check_position(entry["position"], dampers, key, report, is_travel=measures == "travel")


def _check_position(
    position: str, dampers: dict[str, dict[str, Any]], path: KeyPath, report: Report, *, is_travel: bool = False
) -> None:
    if position not in dampers:
        report.problem(path, f"{show_text(position)} is not a position{nearest(position, dampers)}")
    elif is_travel and (other := dampers[position].get("travel_from")):
        report.problem(path, f"{show_text(position)} uses the travel of {show_text(other)}; name that one")


def _check_places(rest: dict[str, Any], report: Report) -> None:
    """Two chips of one address must sit on different buses or branches."""
    seen: dict[tuple[Any, ...], str] = {}
    for name in ("thermocouple", "adc"):
        for path, table in _numbered(rest, name):
            if ("multiplexer" in table) != ("branch" in table):
                missing = "branch" if "multiplexer" in table else "multiplexer"
                report.problem((*path, missing), "missing; multiplexer and branch belong together")
            if "address" not in table:
                continue
            place = (table.get("bus", 1), table["address"], table.get("multiplexer"), table.get("branch"))
            where = f"{name}[{path[1] + 1}]"  # type: ignore[operator]
            if place in seen:
                report.problem((*path, "address"), f"0x{table['address']:02x} is also that of {seen[place]}")
            seen.setdefault(place, where)


def _check_adc(adc: dict[str, Any], path: KeyPath, report: Report) -> None:
    range_v = adc.get("range_v")
    if range_v is not None and range_v not in RANGES_V:
        known = ", ".join(show_number(value) for value in RANGES_V)
        report.problem((*path, "range_v"), f"{show_number(range_v)} V is no range of the chip; it has {known} V")
    numbers: set[int] = set()
    for i, entry in enumerate(adc.get("input", [])):
        key: KeyPath = (*path, "input", i)
        number, measures = entry.get("number"), entry.get("measures")
        if number in numbers:
            report.problem((*key, "number"), f"input {number} is used already")
        if number is not None:
            numbers.add(number)
        if measures in _SCALED and "points" not in entry:
            report.problem((*key, "points"), "missing; at least two pairs, such as [[0.5, 0.0], [4.5, 500.0]]")
        elif measures is not None and measures not in _SCALED and "points" in entry:
            report.problem((*key, "points"), f"means nothing with measures = {show_text(measures)}")
        for name in ("unit", "reading"):
            if name in entry and measures not in (None, "reservoir_pressure"):
                report.problem((*key, name), f"means nothing with measures = {show_text(measures)}")
        volts = [pair[0] for pair in entry.get("points", [])]
        if any(later <= earlier for earlier, later in pairwise(volts)):
            report.problem((*key, "points"), "readings must rise from pair to pair")
