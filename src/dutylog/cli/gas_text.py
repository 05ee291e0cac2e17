"""A charge as people type and read it, and as programs read it: psi or bar, °F or °C."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date
from typing import Any

import click

from dutylog.cli.duty_text import UNKNOWN, US, table_text
from dutylog.ledger.gas_readings import FILL, StoredReading
from dutylog.life.gas import CAUTIONS, RANGE_SD, Charge, Judged, Place
from dutylog.life.gas_history import GasHistory, Leak, Told, TooLow
from dutylog.units import PA_PER_BAR, PA_PER_KPA, PA_PER_PSI, c_to_f, f_to_c

PRESSURE_UNITS: Mapping[str, float] = {"psi": PA_PER_PSI, "bar": PA_PER_BAR, "kpa": PA_PER_KPA}
CAUTION_LINES = "\n".join(["Before anybody puts a gauge on:", *(f"  - {line}" for line in CAUTIONS)])
NOT_BY_TRAVEL = "temperature alone was corrected: the profile has no gas_volume_ml"
_NUMBER = r"([+-]?\d{1,9}(?:\.\d{1,9})?)"
_PRESSURE = re.compile(rf"{_NUMBER} ?(psi|bar|kpa)?", re.IGNORECASE | re.ASCII)
_TEMPERATURE = re.compile(rf"{_NUMBER} ?°?(c|f)?", re.IGNORECASE | re.ASCII)


def parse_pressure_pa(text: str, unit: str | None) -> float:
    """Return a gauge pressure as people type it: 200psi, 13.8bar, or 200 with `unit`; click.BadParameter otherwise."""
    found = _PRESSURE.fullmatch(text.strip())
    if found is None:
        raise click.BadParameter(f"{text!r:.40} is no pressure; write 200psi or 13.8bar")
    given = (found[2] or unit or "").lower()
    if not given:
        raise click.BadParameter(f"{text!r:.40} of what? write {found[1]}psi, or give --unit psi or --unit bar")
    if found[2] and unit and given != unit:
        raise click.BadParameter(f"{text!r:.40}, but --unit {unit}; give one of them")
    return float(found[1]) * PRESSURE_UNITS[given]


def parse_temperature_c(text: object) -> float:
    """Return a temperature [degC] as people type it: 24C, 75F; a bare number is degrees Celsius."""
    found = _TEMPERATURE.fullmatch(str(text).strip())
    if found is None:
        raise click.BadParameter(f"{text!r:.40} is no temperature; write 24C or 75F")
    number = float(found[1])
    return f_to_c(number) if (found[2] or "c").lower() == "f" else number


def pressure_text(pressure_pa: float, units: str) -> str:
    """Return a pressure with its unit."""
    return f"{_number(pressure_pa, units)} {_unit(units)}"


def charge_text(charge: Charge, units: str) -> str:
    """Return a pressure with its range of 95 in 100."""
    return f"{_number(charge.gauge_pa, units)} ± {_number(RANGE_SD * charge.sd_pa, units)} {_unit(units)}"


def temperature_text(temperature_c: float, units: str) -> str:
    """Return a temperature with its unit."""
    return f"{c_to_f(temperature_c):.0f} °F" if units == US else f"{temperature_c:.0f} °C"


def place_text(place: Place, units: str) -> str:
    """Return where a charge is read, in words."""
    where = f"{place.travel_m * 1e3:.0f} mm in" if place.travel_m else "at full extension"
    return (
        f"{where}, gas {temperature_text(place.gas_c, units)}, oil {temperature_text(place.oil_c, units)}, "
        f"{place.altitude_m:.0f} m up"
    )


def judged_lines(judged: Judged, units: str) -> list[str]:
    """Return what a reading comes to, and the verdict."""
    lines = [f"comes to {charge_text(judged.equivalent, units)} at {temperature_text(20.0, units)} and full extension"]
    if not judged.equivalent.is_by_travel:
        lines.append(NOT_BY_TRAVEL)
    lines.append(judged.reason if judged.verdict is None else f"charge {judged.verdict}: {judged.reason}")
    return lines


def history_lines(history: GasHistory, leak: Leak | None, units: str) -> list[str]:
    """Return the table of readings, the leak rate and when the charge is too low."""
    heads = ("entry", "day", "by", "what", f"gauge {_unit(units)}", f"at 20 °C {_unit(units)}", "within", "verdict")
    lines = table_text(heads, [_row(one, units) for one in history.told], left=4).splitlines()
    lines += [f"entry {one.stored.row}: {one.stored.note}" for one in history.told if one.stored.note]
    lines += [f"entry {one.row} is left out: {why}" for one, why in history.left_out]
    lines += [
        f"entry {one.stored.row}: more than before, so it was filled and nobody wrote it down"
        for one in history.told
        if one.begins == "rose"
    ]
    return [*lines, *leak_lines(leak, units)]


def leak_lines(leak: Leak | None, units: str) -> list[str]:
    """Return what is known of the leak."""
    if leak is None:
        return ["leak rate: unknown; it takes two readings of different days since it was last filled"]
    rate, within = _number(leak.rate_pa_year, units), _number(RANGE_SD * leak.rate_sd_pa_year, units)
    months = f"{leak.month_ratio:.2%} ± {RANGE_SD * leak.month_sd_ratio:.2%} a month"
    since = date.fromordinal(leak.since_day).isoformat()
    lines = [f"loses {rate} ± {within} {_unit(units)} a year ({months}), by {leak.count} readings since {since}"]
    if not leak.is_shown:
        lines.append("that is no more than readings differ by")
    if leak.too_low is not None:
        lines.append(too_low_text(leak.too_low))
    return lines


def too_low_text(too_low: TooLow) -> str:
    """Return when a charge falls below its limit."""
    if too_low.first is None:
        return "stays above its limit for ten years"
    middle = "not within ten years" if too_low.middle is None else _day(too_low.middle)
    last = "later than in ten years" if too_low.last is None else _day(too_low.last)
    return f"falls below its limit: {middle} (from {_day(too_low.first)} to {last})"


def charge_to_json(charge: Charge) -> dict[str, Any]:
    """Return a pressure for programs."""
    low_pa, high_pa = charge.range_pa
    return {
        "gauge_pa": charge.gauge_pa,
        "sd_pa": charge.sd_pa,
        "low_pa": low_pa,
        "high_pa": high_pa,
        "is_by_travel": charge.is_by_travel,
    }


def judged_to_json(judged: Judged) -> dict[str, Any]:
    """Return what a reading comes to for programs."""
    return {
        "equivalent": charge_to_json(judged.equivalent),
        "verdict": judged.verdict,
        "reason": judged.reason,
    }


def told_to_json(told: Told) -> dict[str, Any]:
    """Return a stored reading for programs."""
    return {
        **stored_to_json(told.stored),
        **judged_to_json(told.judged),
        "own_loss_pa": told.own_loss_pa,
        "begins": told.begins,
    }


def stored_to_json(stored: StoredReading) -> dict[str, Any]:
    """Return a reading as it was stored, for programs."""
    names = ("gauge_pa", "what", "body_c", "oil_c", "air_c", "travel_mm", "altitude_m", "hose_ml", "by", "note")
    return {
        "entry": stored.row,
        "day": None if stored.day is None else stored.day.isoformat(),
        "is_day_sure": stored.is_day_sure,
        **{name: getattr(stored, name) for name in names},
    }


def leak_to_json(leak: Leak | None) -> dict[str, Any] | None:
    """Return a leak for programs, dates as text."""
    if leak is None:
        return None
    too_low = leak.too_low
    return {
        "rate_pa_year": leak.rate_pa_year,
        "rate_sd_pa_year": leak.rate_sd_pa_year,
        "month_ratio": leak.month_ratio,
        "month_sd_ratio": leak.month_sd_ratio,
        "since": _day(leak.since_day),
        "readings_count": leak.count,
        "is_shown": leak.is_shown,
        "too_low": None
        if too_low is None
        else {
            name: None if (day := getattr(too_low, name)) is None else _day(day) for name in ("first", "middle", "last")
        },
    }


def _row(told: Told, units: str) -> tuple[str, ...]:
    stored, found = told.stored, told.judged.equivalent
    day = "clock not set" if stored.day is None else stored.day.isoformat()
    sure = "" if stored.is_day_sure or stored.day is None else " (clock not checked)"
    return (
        str(stored.row),
        day + sure,
        stored.by,
        "filled" if stored.what == FILL else "checked",
        _number(stored.gauge_pa, units),
        _number(found.gauge_pa, units),
        _number(RANGE_SD * found.sd_pa, units),
        told.judged.verdict or UNKNOWN,
    )


def _number(pressure_pa: float, units: str) -> str:
    size, digits = (PA_PER_PSI, 1) if units == US else (PA_PER_BAR, 2)
    value = round(pressure_pa / size, digits) + 0.0
    return f"{value:.{digits}f}" if math.isfinite(value) else UNKNOWN


def _unit(units: str) -> str:
    return "psi" if units == US else "bar"


def _day(ordinal: int) -> str:
    return date.fromordinal(ordinal).isoformat()
