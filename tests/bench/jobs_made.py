"""Jobs made entry by entry: what tests of orders, build sheets and records share. People and shops are invented."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.bench.build_sheet import Sheet, check_signature, check_value, make_sheet
from dutylog.bench.entry_kinds import KINDS
from dutylog.bench.job_state import JobState, fold
from dutylog.bench.order import Order, check_approval, check_line, check_step, make_order
from dutylog.domain.vehicle import Profile
from ledger.builders import make_profile

READING = {"gauge_pa": 1.38e6, "body_c": 20.0, "air_c": 20.0, "altitude_m": 300.0}
GAS = {**READING, "travel_mm": 0.0}
BUILD: Mapping[str, Any] = {
    "replaced": ["shaft_seal", "oil", "charge"],
    "is_revalved": False,
    "oil_kind": "mineral 5",
    "oil_volume_ml": 910.0,
    "floating_piston_mm": 42.5,
    "torques": [{"what": "seal head", "torque_nm": 80}],
    "gas": GAS,
    "leak_before": READING,
    "leak_after": READING,
    "is_dry": True,
}
EVENING, MORNING = "2026-11-30T09:15:02Z", "2026-12-01T08:00:00Z"
CURVE = {"speeds_mps": [-1.0, -0.2, 0.2, 1.0], "forces_n": [-3000.0, -900.0, 500.0, 1500.0]}


@dataclass(frozen=True)
class Entry:
    row: int
    kind: str
    data: Mapping[str, Any]
    who: str
    utc: str = EVENING


class Job:
    """One job; every write is checked as its page checks it."""

    def __init__(self, construction: str = "floating_piston", profile: Profile | None = None) -> None:
        self.entries: list[Entry] = []
        self.construction, self.profile = construction, profile or make_profile()

    def tell(self, what: str, who: str = "Ada", /, **data: Any) -> Entry:
        known = KINDS[what].fields
        assert set(data) <= set(known), set(data) - set(known)
        assert {name for name, one in known.items() if one.is_needed} <= set(data)
        utc = MORNING if data.get("field") == "leak_after" else EVENING
        self.entries.append(Entry(len(self.entries) + 1, what, data, who, utc))
        return self.entries[-1]

    @property
    def state(self) -> JobState:
        return fold(self.entries)

    @property
    def sheet(self) -> Sheet:
        return make_sheet(self.state, self.construction, "none", "rod_end", self.profile)

    @property
    def order(self) -> Order:
        return make_order(self.state, self.sheet)

    def line(self, line_id: str, price_minor: int | None = 1000, count: float = 1.0, is_gone: bool = False) -> None:
        data = {
            "line_id": line_id, "kind": "part", "text": f"piece {line_id}", "count": count,
            "price_minor": price_minor, "is_gone": is_gone, "currency": "EUR",
        }  # fmt: skip
        self.tell("line_put", **check_line(self.order, data))

    def step(self, stage: str, note: str | None = None) -> None:
        self.tell("stage", **check_step(self.order, stage, note))

    def approve(self, amount_minor: int | None) -> None:
        word = {"by_customer": "Bo Dune", "how": "phone", "amount_minor": amount_minor, "note": None}
        self.tell("approved", **check_approval(self.order, word, "EUR"))

    def build(self, changes: Mapping[str, Any] | None = None, only: Iterable[str] = (), who: str = "Ada") -> None:
        values = {**BUILD, **(changes or {})}
        for field in only or values:
            self.tell("build", who, field=field, value=check_value(field, values[field]), note=None)

    def sign(self, signed_as: str, who: str) -> None:
        self.tell("signed", who, **check_signature(self.sheet, signed_as, who))

    def curve(self, which: str = "after", curve: Mapping[str, Any] = CURVE, body_c: float | None = 30.0) -> None:
        self.tell("curve_put", which=which, name="bench.csv", body_c=body_c, gauge_pa=None, **curve)


def built_job(changes: Mapping[str, Any] | None = None, curve: Mapping[str, Any] | None = None, **more: Any) -> Job:
    """Return a job that is built, with both signatures."""
    job = Job(**more)
    job.line("a", 2500)
    job.step("quoted")
    job.approve(2500)
    job.step("parts_here")
    job.step("in_work")
    job.build(changes)
    if curve is not None:
        job.curve("after", curve)
    job.sign("builder", "Ada")
    job.step("built")
    job.sign("checker", "Cleo")
    job.step("checked")
    return job
