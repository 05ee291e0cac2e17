"""The allowed range of every number, the units people mix up, and the form of names.

Ranges are judgement: generous for anything that carries an off-road vehicle, narrow enough that a
value in the wrong unit falls outside. They are stated for people in shared/CONFIG.md; a test holds
the two together.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

OIL_J_PER_KG_K = 1900.0
"""Specific heat of damper oil [J/(kg K)]; fixed by the definition of `heat_capacity_j_per_k` (shared/CONFIG.md)."""

SLUG = re.compile(r"[a-z0-9_]{1,40}")
SLUG_LENGTH = 40
TEXT_LENGTH = 64


@dataclass(frozen=True, slots=True)
class Mixup:
    """A unit that people type by mistake: ours = factor * (value + offset)."""

    unit: str
    factor: float
    offset: float = 0.0

    def in_our_unit(self, value: float) -> float:
        """Return what the value would be in the unit we ask for."""
        return self.factor * (value + self.offset)


# Exact by definition: inch 25.4 mm and the Fahrenheit and Celsius scales (see units.py).
METRES = Mixup("metres", 1000.0)
INCHES = Mixup("inches", 25.4)
GRAMS = Mixup("grams", 1e-3)
KILOJOULES = Mixup("kJ/K", 1000.0)
PERCENT = Mixup("percent", 0.01)
FAHRENHEIT = Mixup("degrees Fahrenheit", 5.0 / 9.0, -32.0)
KELVIN = Mixup("kelvin", 1.0, -273.15)
SECONDS = Mixup("seconds", 1.0 / 60.0)
MM_PER_S = Mixup("mm/s", 1e-3)
INCHES_PER_S = Mixup("in/s", 0.0254)
MEGABYTES = Mixup("MB", 0.001)
KILONEWTONS = Mixup("kN", 1000.0)
BARS = Mixup("bar", 14.5037738)
PSI = Mixup("psi", 0.0689475729)
LITRES = Mixup("litres", 1000.0)
CUBIC_INCHES = Mixup("cubic inches", 16.387064)


@dataclass(frozen=True, slots=True)
class Limit:
    """The range of one number, both ends allowed."""

    low: float
    high: float
    unit: str
    mixups: tuple[Mixup, ...] = ()

    @property
    def range_text(self) -> str:
        """Return the range as people read it."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{show_number(self.low)} to {show_number(self.high)}{unit}"

    def complaint(self, value: float) -> str | None:
        """Return what is wrong with a value and what to write instead, None when it is in range."""
        if self.low <= value <= self.high:
            return None
        meant = [(m.unit, m.in_our_unit(value)) for m in self.mixups]
        hints = [f"looks like {unit}; write {show_number(v)}" for unit, v in meant if self.low <= v <= self.high]
        text = f"{show_number(value)} is outside {self.range_text}"
        return "; ".join([text, " or ".join(hints)]) if hints else text


_LENGTH = (METRES, INCHES)
_TEMPERATURE = (FAHRENHEIT, KELVIN)

LIMITS = {
    "stroke_mm": Limit(50, 1000, "mm", _LENGTH),
    "bump_stop_mm": Limit(20, 1000, "mm", _LENGTH),
    "strap_mm": Limit(0, 500, "mm", _LENGTH),
    "shaft_diameter_mm": Limit(8, 60, "mm", _LENGTH),
    "bore_diameter_mm": Limit(20, 200, "mm", _LENGTH),
    "oil_mass_kg": Limit(0.05, 20, "kg", (GRAMS,)),
    "body_mass_kg": Limit(0.2, 50, "kg", (GRAMS,)),
    "heat_capacity_j_per_k": Limit(200, 60_000, "J/K", (KILOJOULES,)),
    "fade_per_k": Limit(0, 0.02, "per K", (PERCENT,)),
    "reference_c": Limit(-20, 80, "°C", _TEMPERATURE),
    "body_limit_c": Limit(60, 200, "°C", _TEMPERATURE),
    "oil_limit_c": Limit(60, 200, "°C", _TEMPERATURE),
    "charge_psi": Limit(30, 600, "psi", (BARS,)),
    "charge_bar": Limit(2, 41, "bar", (PSI,)),
    "lead_days": Limit(0, 365, "days"),
    "gas_volume_ml": Limit(20, 5000, "ml", (LITRES, CUBIC_INCHES)),
    "compression_clicks": Limit(0, 60, "clicks"),
    "rebound_clicks": Limit(0, 60, "clicks"),
    "pace": Limit(0, 100_000, ""),
    "seed": Limit(0, 2**32 - 1, ""),
    "port": Limit(1, 65_535, ""),
    "rate_hz": Limit(50, 2000, "Hz"),
    "wheel_pulses_per_m": Limit(0.1, 1000, "1/m"),
    "bus": Limit(0, 31, ""),
    "address": Limit(0x08, 0x77, ""),
    "multiplexer": Limit(0x70, 0x77, ""),
    "branch": Limit(0, 7, ""),
    "number": Limit(0, 3, ""),
    "range_v": Limit(0.256, 6.144, "V"),
    "baud": Limit(1200, 921_600, ""),
    "grace_min": Limit(0.1, 240, "min", (SECONDS,)),
    "keep_days": Limit(1, 36_500, "days"),
    "keep_gb": Limit(0.1, 100_000, "GB", (MEGABYTES,)),
    "scale": Limit(-1_000_000, 1_000_000, ""),
    "offset": Limit(-1_000_000_000, 1_000_000_000, ""),
}
"""Ranges of single numbers, by key."""

CURVE_REACH_MPS = Limit(0.05, 12, "m/s", (MM_PER_S, INCHES_PER_S))
"""Largest speed of a curve in either direction."""
CURVE_PEAK_N = Limit(20, 200_000, "N", (KILONEWTONS,))
"""Largest force of a curve in either direction."""
LIKELY_REACH_MPS = (0.2, 7.0)
"""What a curve in m/s usually reaches (judgement); tells mm/s from in/s."""
LEAST_STEP = 1e-6
"""Values that must rise do so by at least this much (m/s, mm or counts), so that every slope is finite."""
TRAVEL_MARGIN_MM = 50.0
"""How far outside 0..stroke a travel may lie (judgement)."""
FIRST_SETTING_YEAR = 1950
"""A day before that is a year mistyped (judgement)."""
RAW = Limit(-1_000_000_000, 1_000_000_000, "")
"""Sensor readings in a calibration."""
MAP_MM = Limit(-2000, 2000, "mm")
"""Millimetres in a calibration or travel map."""


def show_number(value: float) -> str:
    """Return a number as people write it: no exponent where it can be helped, no trailing zeros."""
    if isinstance(value, int):
        return str(value) if value.bit_length() <= 64 else f"an integer of {value.bit_length()} bits"
    if abs(value) < 1e15 and value == int(value):
        return str(int(value))
    return f"{value:.6g}"


def make_slug(name: str) -> str:
    """Return a name in the form of an id; empty when no letter or digit of it can be kept."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
    return re.sub(r"[^a-z0-9]+", "_", plain).strip("_")[:SLUG_LENGTH].strip("_")


def slug_complaint(text: str) -> str | None:
    """Return what is wrong with a name that is used in topics, columns and paths."""
    if SLUG.fullmatch(text):
        return None
    suggestion = make_slug(text)
    remedy = f'; write "{suggestion}"' if suggestion and suggestion != text else ""
    return f"{show_text(text)} needs 1 to {SLUG_LENGTH} of the characters a-z 0-9 _{remedy}"


def text_complaint(text: str) -> str | None:
    """Return what is wrong with a name or serial that people read."""
    if not text or text != text.strip():
        return f"{show_text(text)} is empty or has blanks around it"
    if len(text) > TEXT_LENGTH:
        return f"{show_text(text)} has {len(text)} characters, at most {TEXT_LENGTH} are allowed"
    if not text.isprintable():
        return f"{show_text(text)} has characters that can't be printed"
    return None


def show_text(text: str, length: int = 60) -> str:
    """Return text in quotes, on one line, shortened."""
    cut = text if len(text) <= length else text[: length - 1] + "…"
    return '"' + one_line(cut.replace("\\", "\\\\").replace('"', '\\"')) + '"'


def one_line(text: str) -> str:
    """Return text with everything escaped that can't be printed, so that it stays one line."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
