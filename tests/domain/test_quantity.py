"""Numbers as people read them."""

from __future__ import annotations

import pytest

from dutylog.domain.quantity import position_text, quantity_text, utc_iso, utc_text


@pytest.mark.parametrize(
    ("kind", "value", "text"),
    [
        ("temperature_c", 88.4, "88 °C"),
        ("temperature_c", 88.5, "89 °C"),
        ("temperature_c", -0.4, "0 °C"),
        ("temperature_c", -12.5, "-13 °C"),
        ("distance_m", 999.4, "999 m"),
        ("distance_m", 1000.0, "1.0 km"),
        ("distance_m", 41_250.0, "41.3 km"),
        ("per_m", 0.01, "10.0 times a km"),
        ("per_m", 0.0, "0.00 times a km"),
        ("energy_j", 0.0, "0 J"),
        ("energy_j", 999.0, "999 J"),
        ("energy_j", 1234.0, "1.23 kJ"),
        ("energy_j", 484_000.0, "484 kJ"),
        ("energy_j", 12_340_000.0, "12.3 MJ"),
        ("energy_j", 2.5e9, "2.50 GJ"),
        ("duration_s", 59.9, "0:00:59"),
        ("duration_s", 360_000.0, "100:00:00"),
        ("ratio", 1.0, "100 %"),
        ("ratio", 0.99999, "99.9 %"),
        ("ratio", 0.9431, "94.3 %"),
        ("ratio", 0.0, "0 %"),
        ("count", 812345, "812 345"),
        ("count", 0, "0"),
        ("energy_j", None, "–"),
        ("energy_j", float("nan"), "–"),
        ("count", float("inf"), "–"),
    ],
)
def test_text_of_a_quantity(kind: str, value: float | None, text: str) -> None:
    """Three figures for energy; coverage is cut, so less than all never reads as all."""
    assert quantity_text(kind, value).replace("\u00a0", " ").replace("\u202f", " ") == text


@pytest.mark.parametrize("utc_s", [None, float("inf"), 1e20, -1e20])
def test_impossible_times_are_unknown(utc_s: float | None) -> None:
    """A clock without battery may say anything."""
    assert (utc_text(utc_s), utc_iso(utc_s)) == ("time unknown", "")


def test_times_are_utc() -> None:
    """The page's script turns them into local time."""
    assert utc_text(1_764_000_000.0) == "2025-11-24 16:00 UTC"
    assert utc_iso(1_764_000_000.0) == "2025-11-24T16:00:00Z"


def test_positions_read_as_words() -> None:
    """Names are free; only the joining sign changes."""
    assert position_text("rear_left_bypass") == "rear left bypass"
