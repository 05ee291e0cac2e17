"""Made-up wear of dampers for the tests of the pages, and a runner of commands that answers with it at once."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from dutylog.web.jobs import JobFailed
from dutylog.web.life_view import LifeEntry

DAY = "2026-11-30"


def part_object(part: str, name: str, **changes: Any) -> dict[str, Any]:
    """Return one part as `dutylog life show --format json` has it: half used, due in spring."""
    base: dict[str, Any] = {
        "part": part, "name": name, "since": "2026-01-05", "since_entry": None, "used_share": 0.5, "used_sd": 0.06,
        "measured_share": 0.45, "missed_share": 0.05, "stated_share": 0.0, "marks_share": 0.0,
        "doses": {"abrasion": 216000.0}, "budget": 1.0, "budget_low": 0.59, "budget_high": 1.68, "findings_count": 0,
        "used_ratio": 0.5, "miles": 1677.7, "street_miles": 73673.5, "calendar_day": "2033-01-05",
        "due_early": "2027-04-23", "due_likely": "2027-10-16", "due_late": "2029-04-12", "miles_early": 290.0,
        "miles_likely": 1700.0, "miles_late": 3900.0, "order_by": None, "wear_first_ratio": 1.0,
        "text": "due 2027-10-16, in 8 of 10 cases 2027-04-23 to 2029-04-12; about 1,700 miles from today (290 to "
        "3,900); by use in 100 of 100 cases, otherwise by the calendar on 2033-01-05",
    }  # fmt: skip
    return {**base, **changes}


def calendar_object(**changes: Any) -> dict[str, Any]:
    """Return the nitrogen charge, which only the calendar and readings end."""
    same = dict.fromkeys(("due_early", "due_likely", "due_late", "calendar_day"), "2027-01-05")
    none = dict.fromkeys(("miles_early", "miles_likely", "miles_late", "street_miles"))
    nothing = dict.fromkeys(("used_share", "used_sd", "measured_share", "missed_share", "used_ratio"), 0.0)
    text = "by the calendar on 2027-01-05"
    return part_object("charge", "nitrogen charge", doses={}, text=text, **same, **none, **nothing, **changes)


def mark_object(**changes: Any) -> dict[str, Any]:
    """Return a sharp nick that wants a technician."""
    base: dict[str, Any] = {
        "entry": 10, "kind": "nick", "distance_mm": 60.0, "size_mm": 1.5, "is_sharp": True, "passes_so_far": None,
        "passes_per_mile": None, "extra_sliding_m": None, "wear_factor": 46.0, "urgency": "stop",
        "text": "sharp nick of 1.5 mm at 60 mm: too little was measured since it was seen",
        "advice": "don't drive on before a qualified technician has looked at it",
    }  # fmt: skip
    return {**base, **changes}


def damper_object(unit_id: str, **changes: Any) -> dict[str, Any]:
    """Return one damper: a seal over its budget, oil that is due, a charge to plan, a structure that is fine."""
    seal = part_object(
        "shaft_seal", "shaft seal and wiper", used_share=1.27, used_ratio=1.27, measured_share=1.14,
        due_early=DAY, due_likely=DAY, due_late="2027-03-02", miles_early=0.0,
        miles_likely=0.0, miles_late=640.0, street_miles=163_000.0,
        text="due today: 27 % over its budget",
    )  # fmt: skip
    oil = part_object(
        "oil", "damper oil", used_ratio=0.83, used_share=0.83, measured_share=0.83,
        due_early="2026-12-10", due_likely="2026-12-24", order_by="2026-11-14",
        since="2026-04-01", since_entry=9, findings_count=2,
    )  # fmt: skip
    structure = part_object("structure", "shaft and eyelets", calendar_day=None, due_late=None, miles_late=None)
    base: dict[str, Any] = {
        "unit_id": unit_id, "serial": "SN-rear_left", "position": "rear_left", "profile": "front_254", "day": DAY,
        "hot_seal_s": 1260.0, "hot_oil_s": 0.0, "parts": [structure, calendar_object(), oil, seal],
        "marks": [mark_object()],
    }  # fmt: skip
    return {**base, **changes}


ENTRIES = (
    LifeEntry(12, "2026-11-02", "Ana", "distance nobody measured, mixed, before install", None, ("far_m", 3e7)),
    LifeEntry(10, "2026-11-02", "Ben", "sharp nick of 1.5 mm, 60 mm from the seal head", "after the rocks"),
    LifeEntry(9, "2026-04-01", "Ana", "service: replaced oil; found oil usable", None),
)


@dataclass
class FakeJobs:
    """Answers like the command; keeps what it was asked and can be told to fail."""

    dampers: list[dict[str, Any]] = field(default_factory=list)
    explained: str = "damper oil of damper SN-rear_left\n\n  measured dose   4.00909e+07 J/kg\n"
    problem: str | None = None
    asked: list[tuple[tuple[str, ...], tuple[str, ...], int]] = field(default_factory=list)
    is_closed: bool = False

    async def ask(self, words: Sequence[str], names: Sequence[str], version: int) -> str:
        self.asked.append((tuple(words), tuple(names), version))
        if self.problem:
            raise JobFailed(self.problem)
        if words[1] == "explain":
            return self.explained
        wanted = self.dampers if not names else [one for one in self.dampers if one["serial"] == names[0]]
        return json.dumps({"schema": 1, "engine": "test", "dampers": wanted})

    async def close(self) -> None:
        self.is_closed = True


def fake_jobs() -> FakeJobs:
    """Return the wear of the four dampers of `samples.fake_ledger`; the rear ones wear first."""
    positions = ("front_left", "front_right", "rear_left", "rear_right")
    fine = [part_object("oil", "damper oil", used_ratio=0.3, used_share=0.3)]
    found = []
    for place, position in enumerate(positions):
        parts = {} if "rear" in position else {"parts": fine, "marks": [], "hot_seal_s": 0.0}
        unit_id = f"00000000-0000-4000-8000-0000000000{place:02d}"
        found.append(damper_object(unit_id, serial=f"SN-{position}", position=position, **parts))
    return FakeJobs(found)
