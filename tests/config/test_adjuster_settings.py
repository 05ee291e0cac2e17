"""What adjusters stand on in the vehicle file: one way to write a day, its order, and the form a log carries."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from dutylog.config.loader import parse_settings
from dutylog.domain.vehicle import Setting, Vehicle

D = "damper[1].setting"
BOTH = """
[[damper.setting]]
from = 2026-04-01
name = "street"

[[damper.setting]]
from = 2026-05-31
name = "8 in, 10 out"
compression_clicks = 8
rebound_clicks = 10
"""


def with_settings(good: str, text: str) -> str:
    """Put tables behind the first damper."""
    return good.replace('serial = "A-1"\nprofile = "front"\n', f'serial = "A-1"\nprofile = "front"\n{text}\n')


def one(lines: str) -> str:
    return f"\n[[damper.setting]]\n{lines}\n"


def vehicle_of(text: str) -> Vehicle:
    return parse_settings(text.encode(), Path("truck.toml")).vehicle


def test_settings_are_taken_as_written(good: str) -> None:
    """Clicks and days must come through as the owner turned them, at his damper alone."""
    front, rear = vehicle_of(with_settings(good, BOTH)).dampers
    assert front.settings == (
        Setting(date(2026, 4, 1), "street"),
        Setting(date(2026, 5, 31), "8 in, 10 out", 8, 10),
    )
    assert rear.settings == ()


def test_a_log_says_the_same_and_one_without_keeps_its_bytes(good: str) -> None:
    """Logs of vehicles without settings stay comparable byte by byte with those of earlier versions."""
    plain, full = vehicle_of(good), vehicle_of(with_settings(good, BOTH))
    assert "settings" not in plain.to_dict()["dampers"][0]
    for vehicle in (plain, full):
        assert Vehicle.from_dict(json.loads(json.dumps(vehicle.to_dict()))) == vehicle
    told = full.to_dict()
    del told["dampers"][0]["settings"]
    assert json.dumps(told) == json.dumps(plain.to_dict())


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ('from = "2026-05-31"\nname = "a"', '[1].from: "2026-05-31" is text; write it without quotes, 2026-05-31'),
        ('from = "31.5.26"\nname = "a"', '[1].from: "31.5.26" is no date; write it as 2026-05-31, without quotes'),
        (
            'from = 2026-05-31T08:00:00Z\nname = "a"',
            "[1].from: 2026-05-31T08:00:00+00:00 has a time of day; write the date alone, 2026-05-31",
        ),
        ('from = 08:00:00\nname = "a"', "[1].from: 08:00:00 is no date; write a date without quotes, 2026-05-31"),
        ('from = 20260531\nname = "a"', "[1].from: 20260531 is no date; write a date without quotes, 2026-05-31"),
        ('from = [1]\nname = "a"', "[1].from: this is an array; write a date without quotes, 2026-05-31"),
        ('from = 0206-05-31\nname = "a"', "[1].from: 0206-05-31 is before 1950; check the year"),
        ('name = "a"', "[1].from: missing; the first day on which it counted, such as 2026-05-31"),
        ("from = 2026-05-31", "[1].name: missing; what the adjusters stand on"),
        (f'from = 2026-05-31\nname = "{"x" * 65}"', "has 65 characters, at most 64 are allowed"),
        ('from = 2026-05-31\nname = "a"\nrebound_clicks = 61', "[1].rebound_clicks: 61 is outside 0 to 60 clicks"),
        ('from = 2026-05-31\nname = "a"\ncompression_clicks = -1', "[1].compression_clicks: -1 is outside 0 to 60"),
        (
            'from = 2026-05-31\nname = "a"\ncompression_clicks = 8.5',
            "[1].compression_clicks: 8.5 is a number, expected a whole number (0 to 60 clicks)",
        ),
        ('from = 2026-05-31\nname = "a"\nclicks = 8', "[1].clicks: unknown key; did you mean"),
    ],
)
def test_problems(good: str, problems_of: Callable[[str], tuple[str, ...]], lines: str, problem: str) -> None:
    """A setting that is read otherwise than it was meant would split a life at the wrong day."""
    found = problems_of(with_settings(good, one(lines)))
    assert len(found) == 1
    assert f"{problem}" in found[0]
    assert f"{D}[1]" in found[0]


@pytest.mark.parametrize("second", ["2026-05-31", "2026-05-30"])
def test_days_rise(good: str, problems_of: Callable[[str], tuple[str, ...]], second: str) -> None:
    """Two settings from one day, or out of order, are a day mistyped."""
    text = one('from = 2026-05-31\nname = "a"') + one(f'from = {second}\nname = "b"')
    (line,) = problems_of(with_settings(good, text))
    assert f"{D}[2].from: {second} does not come after 2026-05-31 before it" in line
    assert line.startswith("truck.toml:14:"), "points at the second day"


def test_each_damper_has_its_own_order(good: str, problems_of: Callable[[str], tuple[str, ...]]) -> None:
    """The rear may have been turned before the front."""
    text = with_settings(good, one('from = 2026-05-31\nname = "a"'))
    text = text.replace('serial = "A-2"\nprofile = "rear"\n', 'serial = "A-2"\nprofile = "rear"\n' + BOTH)
    assert problems_of(text) == ()


def test_at_most_a_hundred(good: str, problems_of: Callable[[str], tuple[str, ...]]) -> None:
    """The log carries all of them at the head of each segment."""
    days = [date.fromordinal(738_000 + n) for n in range(101)]
    tables = [one(f'from = {day}\nname = "a"') for day in days]
    assert problems_of(with_settings(good, "".join(tables[:100]))) == ()
    (line,) = problems_of(with_settings(good, "".join(tables)))
    assert "setting: 101 entries, at most 100 allowed" in line
