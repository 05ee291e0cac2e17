"""Checks of [import.columns] against the dampers of the same file."""

from __future__ import annotations

from typing import Any

from dutylog.config.columns import INSTANT, TRAVEL_END, targets_of, units_of
from dutylog.config.limits import show_number, show_text
from dutylog.config.report import Report, nearest

_TABLE = ("import", "columns")


def check_columns(columns: dict[str, Any], raw: dict[str, Any], report: Report) -> None:
    """Tell everything that is wrong with the names, units and scales of recorded columns.

    Args:
        columns: entries by target, each a name or a table, values of a wrong type taken out.
        raw: the file as read, for its positions even where the rest of a damper is bad.
        report: takes problems.
    """
    entries = {target: _entry(value) for target, value in columns.items()}
    positions, shared = _positions(raw)
    known = targets_of(positions, [p for p in positions if p not in shared])
    for target, entry in entries.items():
        if positions and target not in known:
            report.problem((*_TABLE, target), _tell_unknown(target, known, shared))
        elif "unit" in entry:
            _check_unit(target, entry["unit"], report)
        _check_scale(target, entry, report)
    _check_sources({target: entry["column"] for target, entry in entries.items() if "column" in entry}, known, report)


def _entry(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {"column": value}


def _positions(raw: dict[str, Any]) -> tuple[list[str], dict[str, str]]:
    """Return all positions, and of those that read another's sensor whose it is."""
    tables = raw.get("damper")
    dampers = [d for d in tables if isinstance(d, dict)] if isinstance(tables, list) else []
    named = [d for d in dampers if isinstance(d.get("position"), str)]
    return [d["position"] for d in named], {d["position"]: str(d["travel_from"]) for d in named if "travel_from" in d}


def _tell_unknown(target: str, known: tuple[str, ...], shared: dict[str, str]) -> str:
    position = target.removesuffix(TRAVEL_END)
    if position in shared and target.endswith(TRAVEL_END):
        return f"{position} has no sensor of its own; name {shared[position]}{TRAVEL_END}"
    return f"no such column of a recording{nearest(target, known)}"


def _check_unit(target: str, unit: str, report: Report) -> None:
    quantity, units = units_of(target)
    if unit not in units:
        report.problem((*_TABLE, target, "unit"), f"{show_text(unit)} is no unit of {quantity}{nearest(unit, units)}")


def _check_scale(target: str, entry: dict[str, Any], report: Report) -> None:
    scale = entry.get("scale", 1.0)
    if scale == 0:
        report.problem((*_TABLE, target, "scale"), "0 makes every value the same; leave it out or write the factor")
    elif target == INSTANT and scale < 0:
        report.problem((*_TABLE, target, "scale"), f"{show_number(scale)} would make time run backwards")


def _check_sources(sources: dict[str, str], known: tuple[str, ...], report: Report) -> None:
    """Tell of columns that would be read twice, by name or because a column that isn't named keeps its own."""
    first: dict[str, str] = {}
    for target, column in sources.items():
        key = (*_TABLE, target, "column")
        if column in first:
            report.problem(key, f"{show_text(column)} is also that of {first[column]}")
        elif column in known and column not in sources:
            report.problem(key, f"{show_text(column)} is read as {column} too; say where that comes from")
        first.setdefault(column, target)
