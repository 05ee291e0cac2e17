"""Figures people type at the bench: each with its unit beside it, turned into what entries hold (SI or mm)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from dutylog.bench.findings import Measure
from dutylog.domain.quantity import METRIC, UNKNOWN, US, quantity_text
from dutylog.errors import InputError
from dutylog.units import M_PER_INCH, M_PER_MILE, PA_PER_BAR, PA_PER_PSI
from dutylog.web.bench.typed_number import parse_number

MM_PER_INCH = M_PER_INCH * 1e3
NM_PER_LBF_FT = 1.3558179483314004
"""Source: pound 0.45359237 kg, standard gravity 9.80665 m/s2, foot 0.3048 m, exact by definition."""


@dataclass(frozen=True, slots=True)
class FormUnit:
    """A unit that can be chosen: held = typed x scale + offset. system: of domain.quantity, where it is usual."""

    key: str
    label: str
    system: str
    scale: float = 1.0
    offset: float = 0.0

    def to_held(self, typed: float) -> float:
        """Return a typed figure as entries hold it."""
        return typed * self.scale + self.offset

    def to_typed(self, held: float) -> float:
        """Return what somebody would have typed."""
        return (held - self.offset) / self.scale


_PRESSURES = (FormUnit("bar", "bar", METRIC, PA_PER_BAR), FormUnit("psi", "psi", US, PA_PER_PSI))
_BY_KIND: Mapping[str, tuple[FormUnit, ...]] = {
    "pressure_pa": _PRESSURES,
    "pressure_fine_pa": _PRESSURES,
    "temperature_c": (FormUnit("degC", "°C", METRIC), FormUnit("degF", "°F", US, 5.0 / 9.0, -160.0 / 9.0)),
    "temperature_k": (FormUnit("K", "K", METRIC), FormUnit("degF", "°F", US, 5.0 / 9.0)),
    "travel_m": (FormUnit("mm", "mm", METRIC, 1e-3), FormUnit("in", "in", US, M_PER_INCH)),
    "distance_m": (FormUnit("m", "m", METRIC), FormUnit("ft", "ft", US, 12.0 * M_PER_INCH)),
    "far_m": (FormUnit("km", "km", METRIC, 1e3), FormUnit("mi", "miles", US, M_PER_MILE)),
    "shaft_mps": (FormUnit("m_s", "m/s", METRIC), FormUnit("in_s", "in/s", US, M_PER_INCH)),
    "duration_s": (FormUnit("h", "h", METRIC, 3600.0), FormUnit("min", "min", METRIC, 60.0)),
    "ratio": (FormUnit("percent", "%", METRIC, 0.01),),
    "change_ratio": (FormUnit("percent", "%", METRIC, 0.01),),
    "share_ratio": (FormUnit("percent", "%", METRIC, 0.01),),
}
_BY_UNIT: Mapping[str, tuple[FormUnit, ...]] = {
    "mm": (FormUnit("mm", "mm", METRIC), FormUnit("in", "in", US, MM_PER_INCH)),
    "m": (FormUnit("m", "m", METRIC), FormUnit("ft", "ft", US, 12.0 * M_PER_INCH)),
    "Nm": (FormUnit("Nm", "N·m", METRIC), FormUnit("lbf_ft", "lbf·ft", US, NM_PER_LBF_FT)),
    "N m": (FormUnit("Nm", "N·m", METRIC), FormUnit("lbf_ft", "lbf·ft", US, NM_PER_LBF_FT)),
}


def units_of(measure: Measure) -> tuple[FormUnit, ...]:
    """Return the units a measure may be typed in, the first one where nobody chose."""
    known = _BY_KIND.get(measure.kind) if measure.kind else _BY_UNIT.get(measure.unit)
    return known or (FormUnit("plain", measure.unit, METRIC),)


def parse_measure(measure: Measure, text: str, unit_key: str = "") -> float | None:
    """Return a typed figure as entries hold it, None where nothing was typed.

    Raises:
        InputError: no number, an unknown unit, or outside of what the measure may be, said in the unit it was typed in.
    """
    if measure.choices:
        return _parse_choice(measure, text)
    if not text.strip():
        return None
    units = units_of(measure)
    unit = next((one for one in units if one.key == unit_key), None if unit_key else units[0])
    if unit is None:
        raise InputError(f"{measure.name}: unit {unit_key!r:.20} is none of {', '.join(one.key for one in units)}")
    typed = parse_number(text, measure.name)
    if typed is None:
        return None
    held = unit.to_held(typed)
    if not measure.least <= held <= measure.most:
        least, most = (_plain(unit.to_typed(end)) for end in (measure.least, measure.most))
        shown = f" {unit.label}" if unit.label else ""
        raise InputError(f"{measure.name}: {_plain(typed)}{shown}, expected {least} to {most}{shown}")
    return held


def measure_text(measure: Measure, held: float | None) -> str:
    """Return a held figure with its unit; the other system's behind it where they differ and no page can choose."""
    if held is None or not math.isfinite(held):
        return UNKNOWN
    if measure.choices:
        return next((words for value, words in measure.choices if value == held), UNKNOWN)
    if measure.kind:
        return quantity_text(measure.kind, held)
    texts = [f"{_plain(unit.to_typed(held))} {unit.label}".strip() for unit in units_of(measure)]
    return texts[0] if len(texts) == 1 else f"{texts[0]} ({texts[1]})"


def typed_text(measure: Measure, held: float, unit: FormUnit) -> str:
    """Return a held figure as one would type it in a unit."""
    return choice_key(held) if measure.choices else _plain(unit.to_typed(held))


def _parse_choice(measure: Measure, text: str) -> float | None:
    """Return the value of an answer that was chosen, None where none was."""
    if not text.strip():
        return None
    found = next((value for value, _ in measure.choices if choice_key(value) == text.strip()), None)
    if found is None:
        raise InputError(f"{measure.name}: {text!r:.40} is none of {', '.join(words for _, words in measure.choices)}")
    return found


def choice_key(value: float) -> str:
    """Return how a page sends one of the answers."""
    return f"{value:g}"


def _plain(value: float) -> str:
    """Return a number to four figures, without an exponent."""
    if value == 0.0:
        return "0"
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(digits, 6)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
