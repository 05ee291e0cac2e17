"""What the store's queries hand out: plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Customer:
    """Whom vehicles belong to. contact: telephone or mail, as told."""

    customer_id: str
    name: str
    contact: str | None
    note: str | None


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle. ledger_id: hash of its ledger's first entry. radio_agreed_*: who agreed to duty by radio, when."""

    vehicle_key: str
    label: str
    customer_id: str | None
    ledger_id: str | None
    vehicle_id: str | None
    radio_agreed_by: str | None
    radio_agreed_utc: str | None
    note: str | None


@dataclass(frozen=True, slots=True)
class Damper:
    """A damper as the bench knows it. profile: dictionary form of domain.vehicle.Profile."""

    damper_id: str
    unit_id: str | None
    serial: str | None
    tag: str | None
    vehicle_key: str | None
    position: str | None
    construction: str
    reservoir: str
    joints: str
    profile_name: str | None
    profile: Mapping[str, Any] | None

    @property
    def label(self) -> str:
        """Return what people call it."""
        return self.serial or self.tag or self.unit_id or self.damper_id


@dataclass(frozen=True, slots=True)
class Found:
    """A damper of a search, with whose it is."""

    damper: Damper
    vehicle_label: str | None
    customer_id: str | None
    customer_name: str | None


@dataclass(frozen=True, slots=True)
class CardRow:
    """An imported card without its body.

    row: of the chain. totals: as its body has them. entry_rows: rows of the vehicle's entries on it. head_hash: of the
    vehicle's chain at head_row, hex.
    """

    row: int
    damper_id: str
    ledger_id: str
    unit_id: str
    sequence: int
    digest: str
    key_id: str
    head_row: int
    head_hash: str | None
    revision: int
    totals: Mapping[str, Any]
    entry_rows: tuple[int, ...]
    utc: str
    by: str


@dataclass(frozen=True, slots=True)
class VehicleKey:
    """A key that a vehicle's cards may be signed with. how: 'first sight', or who accepted it and why."""

    ledger_id: str
    key_id: str
    public_key: str
    how: str
    why: str | None
    by: str
    utc: str
    row: int


@dataclass(frozen=True, slots=True)
class Job:
    """A damper's visit. card_row: entry of the card it rests on. triage_row: as agreed. newest_row: of its entries."""

    job_id: int
    damper_id: str
    basis: str
    digest: str | None
    card_row: int | None
    opened_utc: str
    opened_by: str
    opened_row: int
    stage: str | None
    stage_utc: str | None
    triage_row: str | None
    is_open: bool
    newest_row: int


@dataclass(frozen=True, slots=True)
class OpenJob:
    """A job with what a list of jobs shows of its damper."""

    job: Job
    label: str
    profile_name: str | None
    position: str | None
    vehicle_label: str | None
    customer_id: str | None
    customer_name: str | None


@dataclass(frozen=True, slots=True)
class DueRow:
    """When a part is due. early, likely, late, order_by, day: ISO dates; day: of which the forecast is."""

    damper_id: str
    part: str
    early: str | None
    likely: str | None
    late: str | None
    order_by: str | None
    used_ratio: float | None
    day: str
    basis: str
    serial: str | None
    tag: str | None
    unit_id: str | None
    position: str | None
    profile_name: str | None
    construction: str
    reservoir: str
    joints: str
    vehicle_key: str | None
    vehicle_label: str | None
    customer_id: str | None
    customer_name: str | None

    @property
    def label(self) -> str:
        """Return what people call the damper."""
        return self.serial or self.tag or self.unit_id or self.damper_id


@dataclass(frozen=True, slots=True)
class Service:
    """A service that is known of a damper.

    source 'bench': done here, number is the job's, sequence and digest are its record's. 'vehicle': told there (on the
    newest card), number is the entry of the vehicle's ledger.
    """

    damper_id: str
    source: str
    number: int
    day: str | None
    by: str
    replaced: tuple[str, ...]
    found: Mapping[str, str]
    note: str | None
    sequence: int | None
    digest: str | None
    row: int


@dataclass(frozen=True, slots=True)
class PartLook:
    """What a finished job found of a part. used_share, used_ratio: by the card the job rests on; None without one.

    grade: of domain.wear.GRADES, None where it was replaced without a word on it.
    """

    job_id: int
    part: str
    damper_id: str
    profile_name: str | None
    day: str
    grade: str | None
    is_replaced: bool
    used_share: float | None
    used_ratio: float | None
    row: int


@dataclass(frozen=True, slots=True)
class LikeRow:
    """At which used share of its budget the same part was replaced in dampers of the same profile."""

    part: str
    count: int
    low_ratio: float
    median_ratio: float
    high_ratio: float


@dataclass(frozen=True, slots=True)
class StockRow:
    """A part of the catalogue and how many are there. lead_days: until more are there. price_minor: of one."""

    part_no: str
    name: str
    need: str | None
    profile_name: str | None
    lead_days: int
    price_minor: int | None
    least_count: int
    is_gone: bool
    count: int


@dataclass(frozen=True, slots=True)
class Account:
    """Who may sign in. code: how the password is kept (web.access_code)."""

    name: str
    role: str
    code: Mapping[str, Any] | None
    is_closed: bool


@dataclass(frozen=True, slots=True)
class Bench:
    """This bench itself."""

    bench_id: str
    name: str
    key_id: str
    public_key: str


@dataclass(frozen=True, slots=True)
class RulesText:
    """A version of the triage rules."""

    version: int
    text: str
    why: str
    by: str
    utc: str


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo. sha256: hex of its bytes."""

    sha256: str
    media_type: str
    body: bytes


@dataclass(frozen=True, slots=True)
class RadioDuty:
    """The newest duty of a damper that came by radio: unsigned."""

    damper_id: str
    vehicle_id: str
    unit_id: str
    revision: int
    sequence: int
    utc: str
    totals: Mapping[str, Any]
