"""Checks that need more than one value: dampers against profiles, geometry, heat, source.

They run on what is left of the file after the bad values were taken out, so that a file with a wrong
key and a wrong curve is told of both.
"""

from __future__ import annotations

import ipaddress
import itertools
from collections.abc import Sequence
from datetime import date
from typing import Any
from urllib.parse import urlsplit

from dutylog.config.column_checks import check_columns
from dutylog.config.curves import check_curve
from dutylog.config.gas_checks import check_gas
from dutylog.config.limits import (
    LEAST_STEP,
    LIMITS,
    MAP_MM,
    OIL_J_PER_KG_K,
    RAW,
    TRAVEL_MARGIN_MM,
    make_slug,
    show_number,
    show_text,
    slug_complaint,
)
from dutylog.config.lines import KeyPath
from dutylog.config.report import Report, nearest
from dutylog.config.sensor_checks import check_sensors
from dutylog.config.settings import RECORDING, SENSORS, SIMULATED

LEAST_SPREAD_MM = 1.0
"""A calibration or force_at that spans less than this was written in metres (judgement)."""


def check_document(raw: dict[str, Any], rest: dict[str, Any], report: Report) -> None:
    """Check everything that spans several values.

    Args:
        raw: the file as read, for names that may be referred to even where the rest of their table is bad.
        rest: the same with every value of a wrong type or range taken out.
        report: takes problems and notes.
    """
    _check_vehicle(rest.get("vehicle", {}), report)
    _check_dampers(raw, rest, report)
    raw_profiles = _table(raw.get("profile"))
    for name in raw_profiles:
        complaint = slug_complaint(name)
        if complaint is not None:
            report.problem(("profile", name), complaint)
    for name, profile in rest.get("profile", {}).items():
        _check_profile(profile, ("profile", name), report)
        _check_force_keys(_table(raw_profiles[name]), ("profile", name), report)
    _check_source(_table(raw.get("source")), rest.get("source", {}), report)
    check_sensors(raw, rest, report)
    _note_listen(rest.get("web", {}), report)
    check_outputs(_table(raw.get("mqtt")), rest, report)
    check_columns(_table(rest.get("import")).get("columns", {}), raw, report)


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _check_vehicle(vehicle: dict[str, Any], report: Report) -> None:
    name = vehicle.get("name")
    if name is not None and "id" not in vehicle and not make_slug(name):
        report.problem(("vehicle", "id"), f"missing; no id can be made from {show_text(name)}, write one of a-z 0-9 _")


def _check_dampers(raw: dict[str, Any], rest: dict[str, Any], report: Report) -> None:
    dampers: list[dict[str, Any]] = rest.get("damper", [])
    positions = set(_named(raw, "position"))
    for key in ("position", "serial"):
        _check_unique(dampers, key, report)
    by_position = {d["position"]: d for d in reversed(dampers) if "position" in d}
    for i, damper in enumerate(dampers):
        path: KeyPath = ("damper", i)
        _check_profile_name(damper, raw, path, report)
        _check_travel_from(damper, positions, by_position, path, report)
        if "calibration" in damper:
            _check_map(damper["calibration"], "raw", (*path, "calibration"), report)
        if "travel_map" in damper:
            _check_map(damper["travel_map"], "mm there", (*path, "travel_map"), report)
        _check_ends(damper, raw, path, report)
        _check_settings(damper.get("setting", []), (*path, "setting"), report)
        _note_wheel(damper, by_position, path, report)
    _note_unused(raw, report)


def _named(raw: dict[str, Any], key: str) -> list[str]:
    """Return what the dampers of the file as read say under a key, where it is text."""
    tables = raw.get("damper")
    values = [_table(table).get(key) for table in tables] if isinstance(tables, list) else []
    return [value for value in values if isinstance(value, str)]


def _check_unique(dampers: Sequence[dict[str, Any]], key: str, report: Report) -> None:
    first: dict[str, int] = {}
    for i, damper in enumerate(dampers):
        value = damper.get(key)
        if value is None:
            continue
        if value in first:
            report.problem(("damper", i, key), f"{show_text(value)} is also that of damper[{first[value] + 1}]")
        first.setdefault(value, i)


def _check_profile_name(damper: dict[str, Any], raw: dict[str, Any], path: KeyPath, report: Report) -> None:
    profiles = raw.get("profile")
    if not isinstance(profiles, dict) or "profile" not in damper:
        return
    name = damper["profile"]
    if name not in profiles:
        report.problem((*path, "profile"), f"{show_text(name)} is not a profile{nearest(name, profiles)}")


def _check_ends(damper: dict[str, Any], raw: dict[str, Any], path: KeyPath, report: Report) -> None:
    """Check that strap, bump stop and full bump come in this order."""
    profile = _table(_table(raw.get("profile")).get(damper.get("profile", "")))
    ends = [("strap_mm", damper.get("strap_mm")), ("bump_stop_mm", damper.get("bump_stop_mm"))]
    ends.append((f"stroke_mm of profile {damper.get('profile')}", profile.get("stroke_mm")))
    known = [(name, value) for name, value in ends if isinstance(value, int | float)]
    for (name, value), (next_name, limit) in itertools.pairwise(known):
        if value >= limit:
            report.problem((*path, name), f"{value:g} is not below {next_name} ({limit:g}); both from full extension")


def _check_travel_from(
    damper: dict[str, Any],
    positions: set[str],
    by_position: dict[str, dict[str, Any]],
    path: KeyPath,
    report: Report,
) -> None:
    name = damper.get("travel_from")
    if name is None:
        if "travel_map" in damper:
            report.problem((*path, "travel_map"), "means nothing without travel_from")
        return
    key = (*path, "travel_from")
    if name == damper.get("position"):
        report.problem(key, f"{show_text(name)} is this damper itself; name the one that has the sensor")
    elif name not in positions:
        report.problem(key, f"{show_text(name)} is not a position{nearest(name, positions)}")
    elif "travel_from" in by_position.get(name, {}):
        report.problem(key, f"{show_text(name)} has no sensor of its own; name the damper that has it")
    if "calibration" in damper:
        report.problem((*path, "calibration"), f"belongs to the damper with the sensor, {show_text(name)}")


def _check_map(points: Sequence[Sequence[float]], first_name: str, path: KeyPath, report: Report) -> None:
    """Check pairs that translate one reading into mm: first value rising, second rising or falling all along."""
    inputs = [float(p[0]) for p in points]
    outputs_mm = [float(p[1]) for p in points]
    rising = outputs_mm[1] > outputs_mm[0]
    for i in range(1, len(points)):
        if inputs[i] - inputs[i - 1] < LEAST_STEP:
            text = f"{first_name} {show_number(inputs[i])} does not rise above {show_number(inputs[i - 1])} before it"
            report.problem((*path, i), text)
            break
    for i in range(1, len(points)):
        step_mm = outputs_mm[i] - outputs_mm[i - 1]
        if step_mm == 0 or (step_mm > 0) != rising:
            before, here = show_number(outputs_mm[i - 1]), show_number(outputs_mm[i])
            report.problem((*path, i), f"mm go from {before} to {here}; they must rise or fall all along")
            break
    for values, limit in ((inputs, RAW), (outputs_mm, MAP_MM)):
        complaint = limit.complaint(max(values, key=abs))
        if complaint is not None:
            report.problem(path, complaint)
    spread_mm = max(outputs_mm) - min(outputs_mm)
    if 0 < spread_mm < LEAST_SPREAD_MM:
        text = f"spans only {show_number(spread_mm)} mm; looks like metres; write {show_number(spread_mm * 1000)}"
        report.problem(path, text)


def _check_settings(settings: Sequence[dict[str, Any]], path: KeyPath, report: Report) -> None:
    previous: date | None = None
    for i, setting in enumerate(settings):
        day = setting.get("from")
        if day is None:
            continue
        if previous is not None and day <= previous:
            text = f"{day} does not come after {previous} before it; put the settings in the order of their days"
            report.problem((*path, i, "from"), text)
        previous = day


def _note_wheel(damper: dict[str, Any], by_position: dict[str, dict[str, Any]], path: KeyPath, report: Report) -> None:
    position = damper.get("position")
    if position is None or "wheel" in damper:
        return
    for other in sorted(by_position, key=len, reverse=True):
        if position.startswith(f"{other}_"):
            report.note(
                (*path, "wheel"), f'taken as a wheel of its own; if it sits at {other}, write wheel = "{other}"'
            )
            return


def _note_unused(raw: dict[str, Any], report: Report) -> None:
    used = set(_named(raw, "profile"))
    for name in _table(raw.get("profile")):
        if name not in used:
            report.note(("profile", name), "no damper uses this profile")


def _check_profile(profile: dict[str, Any], path: KeyPath, report: Report) -> None:
    bore_mm, shaft_mm = profile.get("bore_diameter_mm"), profile.get("shaft_diameter_mm")
    if bore_mm is not None and shaft_mm is not None and bore_mm <= shaft_mm:
        text = f"{show_number(bore_mm)} mm is not wider than the shaft of {show_number(shaft_mm)} mm"
        report.problem((*path, "bore_diameter_mm"), text)
    _check_heat(profile, path, report)
    check_gas(profile, path, report)
    if "force_curve" in profile:
        check_curve(profile["force_curve"], (*path, "force_curve"), report)
    _check_force_at(profile, path, report)


def _check_force_keys(raw_profile: dict[str, Any], path: KeyPath, report: Report) -> None:
    if "force_curve" in raw_profile and "force_at" in raw_profile:
        report.problem((*path, "force_at"), "both force_curve and force_at are given; keep one")
    if raw_profile and "force_curve" not in raw_profile and "force_at" not in raw_profile:
        report.problem((*path, "force_curve"), "missing; give force_curve or several [[profile.NAME.force_at]]")


def _check_heat(profile: dict[str, Any], path: KeyPath, report: Report) -> None:
    total_j_per_k, oil_kg = profile.get("heat_capacity_j_per_k"), profile.get("oil_mass_kg")
    if total_j_per_k is not None and oil_kg is not None and total_j_per_k <= oil_kg * OIL_J_PER_KG_K:
        text = (
            f"{show_number(total_j_per_k)} J/K leaves nothing for the body: the oil alone has {show_number(oil_kg)} kg"
            f" * {show_number(OIL_J_PER_KG_K)} J/(kg K) = {show_number(oil_kg * OIL_J_PER_KG_K)} J/K"
        )
        report.problem((*path, "heat_capacity_j_per_k"), text)
    limit_c, fade = profile.get("body_limit_c"), profile.get("fade_per_k", 0.0)
    span_k = None if limit_c is None else limit_c - profile.get("reference_c", 40.0)
    if span_k is not None and fade * span_k >= 1.0:
        text = f"{show_number(fade)} per K over the {show_number(span_k)} K up to body_limit_c leaves no force at all"
        report.problem((*path, "fade_per_k"), text)


def _check_force_at(profile: dict[str, Any], path: KeyPath, report: Report) -> None:
    entries: list[dict[str, Any]] = profile.get("force_at", [])
    previous_mm: float | None = None
    travels_mm: list[float] = []
    for i, entry in enumerate(entries):
        if "force_curve" in entry:
            check_curve(entry["force_curve"], (*path, "force_at", i, "force_curve"), report)
        travel_mm = entry.get("travel_mm")
        if travel_mm is None:
            continue
        key = (*path, "force_at", i, "travel_mm")
        if previous_mm is not None and travel_mm - previous_mm < LEAST_STEP:
            report.problem(key, f"{show_number(travel_mm)} does not rise above {show_number(previous_mm)} before it")
        previous_mm = travel_mm
        travels_mm.append(travel_mm)
        high_mm = profile.get("stroke_mm", LIMITS["stroke_mm"].high) + TRAVEL_MARGIN_MM
        if not -TRAVEL_MARGIN_MM <= travel_mm <= high_mm:
            allowed = f"{show_number(-TRAVEL_MARGIN_MM)} to {show_number(high_mm)} mm"
            report.problem(key, f"{show_number(travel_mm)} is outside {allowed} (stroke and {TRAVEL_MARGIN_MM:.0f} mm)")
    spread_mm = max(travels_mm) - min(travels_mm) if len(travels_mm) > 1 else 0.0
    if 0 < spread_mm < LEAST_SPREAD_MM:
        report.problem((*path, "force_at"), f"travels span only {show_number(spread_mm)} mm; looks like metres")


def _check_source(raw_source: dict[str, Any], source: dict[str, Any], report: Report) -> None:
    kind = source.get("kind")
    if kind is None:
        return
    if kind == RECORDING and "file" not in raw_source:
        report.problem(("source", "file"), 'missing; the recording to read, file = "..."')
    unfit = {RECORDING: ("scenario", "seed"), SIMULATED: ("file",), SENSORS: ("file", "pace", "scenario", "seed")}
    for key in unfit[kind]:
        if key in raw_source:
            report.problem(("source", key), f"means nothing with kind = {show_text(kind)}")


def _note_listen(web: dict[str, Any], report: Report) -> None:
    listen = web.get("listen")
    if listen is not None and not ipaddress.ip_address(listen).is_loopback:
        seen = "all who reach the page see it, once an access code is set (dutylog access set)"
        open_line = (
            "" if web.get("tls") is True else "; without tls = true the code travels readable for all on the way"
        )
        report.note(("web", "listen"), f"{show_text(listen)}: {seen}{open_line}")


def check_outputs(raw_mqtt: dict[str, Any], rest: dict[str, Any], report: Report) -> None:
    """Check [mqtt] and [influxdb]; arguments as those of `check_document`, raw_mqtt being the raw [mqtt]."""
    mqtt = _table(rest.get("mqtt"))
    if "password_file" in raw_mqtt and "username" not in raw_mqtt:
        report.problem(("mqtt", "username"), 'missing; a password needs a user, username = "..."')
    if mqtt.get("tls") is False:
        if "ca_file" in raw_mqtt:
            report.problem(("mqtt", "ca_file"), "means nothing with tls = false")
        if "host" in mqtt and not _is_this_machine(mqtt["host"]):
            report.note(("mqtt", "tls"), "false: duty and password travel readable for all on the way")
    url = str(_table(rest.get("influxdb")).get("url", ""))
    if url.startswith("http://") and not _is_this_machine(urlsplit(url).hostname or ""):
        report.note(("influxdb", "url"), "http: duty and token travel readable for all on the way; prefer https")


def _is_this_machine(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
