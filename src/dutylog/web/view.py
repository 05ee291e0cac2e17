"""What the pages show of trips and dampers: plain rows, and the protocol they are asked through."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from dutylog.web.gas_view import GasDetail
from dutylog.web.life_view import LifeBasis, LifeEntry

MAX_TRIPS = 50
"""Rows of one list page; older trips follow by `before`."""


@dataclass(frozen=True, slots=True)
class TripSummary:
    """One trip, open or closed.

    started_utc_s: wall time [s since 1970], None when unknown; utc_trusted: whether anything vouched
    for the clock. duration_s: first to last motion. moving_s: time in motion. distance_m: None when
    speed was never known. coverage_ratio: measured / moving time of the least covered damper, None
    when nothing moved. key: '7', or '7.2' for a part of a trip that was split; number: the first it is made of.
    trips: all numbers it is made of. parts: keys of its parts where it was split and this is all of it.
    not_driven: why its duty doesn't count, None where it does.
    """

    number: int
    name: str | None
    started_utc_s: float | None
    utc_trusted: bool
    duration_s: float
    moving_s: float
    distance_m: float | None
    is_open: bool
    energy_j: float
    coverage_ratio: float | None
    key: str = ""
    trips: tuple[int, ...] = ()
    parts: tuple[str, ...] = ()
    not_driven: str | None = None


@dataclass(frozen=True, slots=True)
class TripRepairRow:
    """A repair of a trip, by the number of its entry."""

    row: int
    key: str
    text: str
    by: str
    note: str | None
    utc_s: float
    utc_trusted: bool
    undone_by: str | None


@dataclass(frozen=True, slots=True)
class TripDamperRow:
    """One damper's share of a trip; label is its serial or our tag, peak_body_c None when never measured.

    cavitation_*: time beyond the cavitation margin and the energy in it; 0 where nothing was, or isn't judged.
    """

    position: str
    unit_id: str
    label: str
    serial: str | None
    energy_j: float
    compression_energy_j: float
    rebound_energy_j: float
    strokes_count: int
    shaft_travel_m: float
    stroke_travel_m: float
    bottom_outs_count: int
    peak_body_c: float | None
    peak_compression_mps: float
    peak_rebound_mps: float
    coverage_ratio: float | None
    cavitation_s: float = 0.0
    cavitation_energy_j: float = 0.0


@dataclass(frozen=True, slots=True)
class TripAlertRow:
    """An alert raised in a trip. state: raised, cleared. level: advice, act_now. Trusted: see TripSummary.

    lasted_s: None while it lasts, or where it ended on another clock. acknowledged_by: who has seen it, None: nobody.
    """

    id: str
    kind: str
    position: str | None
    subject: str | None
    level: str
    state: str
    text: str
    remedy: str
    raised_utc_s: float | None
    utc_trusted: bool
    lasted_s: float | None
    acknowledged_by: str | None
    acknowledged_utc_s: float | None
    acknowledged_utc_trusted: bool


@dataclass(frozen=True, slots=True)
class TripDetail:
    """A trip with its dampers in the order of the configuration, as far as the ledger knows it.

    alerts: those raised in it, the oldest first. dirt: the last word on what its shafts had, None: nobody told.
    repairs: those of it, the newest first. older: key of the trip before it, None: there is none.
    """

    trip: TripSummary
    dampers: tuple[TripDamperRow, ...]
    alerts: tuple[TripAlertRow, ...] = ()
    dirt: LifeEntry | None = None
    repairs: tuple[TripRepairRow, ...] = ()
    older: str | None = None


@dataclass(frozen=True, slots=True)
class DamperSummary:
    """A damper for life; label is its serial or our tag, position None while it is on no vehicle."""

    unit_id: str
    label: str
    serial: str | None
    profile: str | None
    position: str | None
    energy_total_j: float
    strokes_total_count: int
    shaft_travel_total_m: float


@dataclass(frozen=True, slots=True)
class InstallRow:
    """One stay of a damper at a position; until_* None while it is still there. Trusted: see TripSummary."""

    position: str
    from_utc_s: float | None
    from_utc_trusted: bool
    until_utc_s: float | None
    until_utc_trusted: bool | None
    is_current: bool


@dataclass(frozen=True, slots=True)
class DamperDetail:
    """A damper's life totals and where it has been, newest stay first."""

    damper: DamperSummary
    compression_energy_total_j: float
    rebound_energy_total_j: float
    stroke_travel_total_m: float
    bottom_outs_total_count: int
    measured_s: float
    moving_s: float
    coverage_ratio: float | None
    peak_body_c: float | None
    installs: tuple[InstallRow, ...]


class LedgerView(Protocol):
    """Read-only questions to the ledger; each may raise LedgerError with one line for people."""

    def trips(self, limit: int, before: str | None) -> list[TripSummary]:
        """Return at most `limit` trips, newest first, those older than the key `before` where given."""
        ...

    def trip(self, key: str) -> TripDetail | None:
        """Return one trip, None when there is none of that key; of one that was merged into another, that one."""
        ...

    def dampers(self) -> list[DamperSummary]:
        """Return every damper: those on the vehicle first."""
        ...

    def damper(self, key: str) -> DamperDetail | None:
        """Return the damper of this unit id, else of this serial; None when there is none."""
        ...

    def gas(self, key: str) -> GasDetail | None:
        """Return the nitrogen of the damper of this unit id, serial or tag; None when there is none."""
        ...

    def life(self, key: str) -> LifeBasis | None:
        """Return what the ledger says at once of the life of such a damper; None when there is none."""
        ...

    def life_version(self) -> int:
        """Return what changes whenever somebody tells the ledger something."""
        ...

    def recovered(self) -> str | None:
        """Return one line on when and from what a damaged ledger was put right the last time, None if never."""
        ...
