"""One damper's past as rows of use: what was measured, and where each row stands in the damper's running time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.duty.totals import Totals
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import LifeEntries, known_day
from dutylog.ledger.rows import Unit
from dutylog.ledger.trip_book import Span
from dutylog.ledger.use_rows import UseRow
from dutylog.life.dirt import compute_dirt_factors
from dutylog.life.doses import Events, compute_doses, compute_events
from dutylog.life.eras import Era, mix, part_after, weigh_eras
from dutylog.life.use import Use, estimate_temperatures

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BREAK_S = 120.0
"""A longer pause between two rows lets a damper cool (judgement: two rows)."""
COOL_S = 6 * 3600.0
"""A pause of unknown length counts as this one, in which a damper cools all the way (judgement: conservative)."""
LEAST_MEASURED_S = 60.0
"""Moving time measured on a day from which on its own rates stand in for what was not measured (judgement)."""
UNKNOWN_DAY = 0
WHOLE_TIME = ("ageing", "oil_heat")
"""Mechanisms whose doses run over all of a row, measured or not; without power their oil reads as cool as the body."""


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """All of a damper's measured use. today: by the ledger's clock. profile: what it is now; eras: what it was when.

    doses: (n,) by mechanism. missed: (n,) by mechanism, the estimate for moving time that was not measured.
    epochs, start_ns: (n,) where rows begin in the log.
    start_s, end_s: (n,) the unit's running time at the row's ends. days: (n,) ordinals of UTC days, UNKNOWN_DAY
    where the date is unknown. distance_m: (n,), NaN unknown.
    """

    unit: Unit
    profile: Profile
    use: Use
    doses: dict[str, Floats]
    missed: dict[str, Floats]
    start_s: Floats
    end_s: Floats
    days: Ints
    epochs: Ints
    start_ns: Ints
    today: date
    eras: tuple[Era, ...]

    def part_within(self, epoch: int, first_ns: int, last_ns: int) -> Floats:
        """Return what share (n,) of each row lies within a span of an epoch's time."""
        length_ns = np.maximum(np.rint(self.use.duration_s * 1e9), 1.0)
        begin, end = np.maximum(self.start_ns, first_ns), np.minimum(self.start_ns + length_ns, last_ns)
        share = np.clip((end - begin) / length_ns, 0.0, 1.0)
        return np.where(self.epochs == epoch, share, 0.0)

    def part_of_trip(self, spans: Iterable[Span]) -> Floats:
        """Return what share (n,) of each row lies within the spans of a trip."""
        share = np.zeros(len(self.epochs))
        for one in spans:
            share += self.part_within(one.epoch, one.start_ns, one.end_ns)
        return np.minimum(share, 1.0)

    def part_after(self, running_s: float) -> Floats:
        """Return what share (n,) of each row lies after a running time."""
        return part_after(self.start_s, self.end_s, running_s)

    def events(self) -> Events:
        """Return for how long each row was hotter than seals and oil should be."""

        def compute(profile: Profile) -> dict[str, Floats]:
            found = compute_events(profile, self.use)
            return {"seal": found.hot_seal_s, "oil": found.hot_oil_s}

        found = mix(self.eras, weigh_eras(self.eras, self.start_s, self.end_s), compute)
        return Events(found["seal"], found["oil"])


def read_history(
    ledger: Ledger, unit: Unit, profile: Profile, entries: LifeEntries, today: date, eras: tuple[Era, ...] = ()
) -> UnitHistory:
    """Read a damper's rows and work out what each did to every wear part.

    Args:
        entries: what people told, of the same ledger. eras: what the damper was when; none: `profile` all its life.
    Raises:
        LedgerCorrupt: the file is damaged.
    """
    with ledger.reading():
        rows, totals, counted = (
            ledger.use_rows(unit.unit_id),
            ledger.totals(unit.unit_id),
            ledger.counted(unit.unit_id),
        )
    # Rows of trips that weren't driven keep their time, and nothing else.
    totals = replace(totals, measured_us=counted.measured_us, unmeasured_us=counted.unmeasured_us)
    rows = [*rows, *_rest(rows, totals)]
    places = _Places.of(rows)
    factors = compute_dirt_factors(entries.dirts, places.epochs, places.start_ns, places.duration_s, places.running_s)
    eras = eras or (Era(-np.inf, profile),)
    running_s = _column(rows, "measured_us", 1e6) + _column(rows, "unmeasured_us", 1e6)
    weights = weigh_eras(eras, places.running_s, places.running_s + running_s)
    use = _estimate(eras, weights, _to_use(rows, places, factors, ledger.stamp().utc_ns))
    is_driven = np.array([row.is_driven for row in rows], dtype=np.float64)
    found = mix(eras, weights, lambda of_then: compute_doses(of_then, use))
    doses = {name: values * is_driven for name, values in found.items()}
    days = np.array([_day(row.utc_ns) for row in rows], dtype=np.int64)
    missed = _estimate_missed(doses, use, days)
    return UnitHistory(
        unit,
        profile,
        use,
        doses,
        missed,
        places.running_s,
        places.running_s + running_s,
        days,
        places.epochs,
        places.start_ns,
        today,
        eras,
    )


def _estimate(eras: tuple[Era, ...], weights: list[Floats], use: Use) -> Use:
    """Return rows with their temperatures filled in, each by the profiles of its own time."""

    def compute(profile: Profile) -> dict[str, Floats]:
        found = estimate_temperatures(profile, use)
        return {name: getattr(found, name) for name in ("ambient_c", "body_c", "oil_c")}

    return replace(use, **mix(eras, weights, compute))


@dataclass(frozen=True, slots=True)
class _Places:
    """Where rows stand in the log, and the running time at their start."""

    epochs: Ints
    start_ns: Ints
    duration_s: Floats
    running_s: Floats

    @staticmethod
    def of(rows: Sequence[UseRow]) -> _Places:
        running_us = np.array([row.measured_us + row.unmeasured_us for row in rows], dtype=np.int64)
        return _Places(
            np.array([row.epoch for row in rows], dtype=np.int64),
            np.array([row.start_ns for row in rows], dtype=np.int64),
            _column(rows, "duration_us", 1e6),
            (np.cumsum(running_us) - running_us) / 1e6,
        )


def _column(rows: Sequence[UseRow], name: str, divisor: float = 1.0) -> Floats:
    values = [getattr(row, name) for row in rows]
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64) / divisor


def _to_use(rows: Sequence[UseRow], places: _Places, factors: Floats, now_ns: int) -> Use:
    speed_mps = _column(rows, "speed_mean_mps")
    body_c = _column(rows, "body_mean_c")
    return Use(
        duration_s=places.duration_s,
        energy_j=_column(rows, "energy_uj", 1e6),
        strokes_count=_column(rows, "strokes_count"),
        sliding_m=_column(rows, "shaft_travel_um", 1e6),
        measured_s=_column(rows, "measured_us", 1e6),
        moving_s=_column(rows, "moving_us", 1e6),
        moving_measured_s=_column(rows, "moving_measured_us", 1e6),
        body_c=body_c,
        ambient_c=_column(rows, "ambient_mean_c"),
        speed_mps=speed_mps,
        dirt_factor=factors,
        distance_m=speed_mps * places.duration_s,
        oil_c=np.full(len(rows), np.nan),
        # From the oil, as the reference cools: see life/doses.py.
        cool_from_c=np.full(len(rows), np.nan),
        cool_s=_pauses_s(rows, now_ns),
    )


def _pauses_s(rows: Sequence[UseRow], now_ns: int) -> Floats:
    """Return how long a damper could cool after each row [s]; 0 where it went on."""
    found = np.zeros(len(rows))
    for place, row in enumerate(rows):
        after = rows[place + 1] if place + 1 < len(rows) else None
        end_ns = row.start_ns + row.duration_us * 1000
        if after is not None and after.epoch == row.epoch:
            pause_s = (after.start_ns - end_ns) / 1e9
        elif row.utc_ns is None or (after is not None and after.utc_ns is None):
            pause_s = COOL_S
        else:
            then_ns = now_ns if after is None or after.utc_ns is None else after.utc_ns
            pause_s = (then_ns - row.utc_ns) / 1e9 - row.duration_us / 1e6
        if pause_s > BREAK_S:
            found[place] = min(pause_s, COOL_S)
    return found


def _rest(rows: Sequence[UseRow], totals: Totals) -> list[UseRow]:
    """Return what the life totals hold beyond all rows as one row: the minute under way, or rows that were lost."""
    lacking = {
        "energy_uj": totals.energy_uj,
        "strokes_count": totals.strokes_count,
        "shaft_travel_um": totals.shaft_travel_um,
        "measured_us": totals.measured_us,
        "unmeasured_us": totals.unmeasured_us,
        "moving_us": totals.moving_us,
        "moving_measured_us": totals.moving_measured_us,
    }
    for name in lacking:
        lacking[name] = max(0, lacking[name] - sum(getattr(row, name) for row in rows))
    if not any(lacking.values()):
        return []
    last = rows[-1] if rows else None
    begun = (last.epoch, last.start_ns + last.duration_us * 1000) if last else (0, 0)
    utc_ns = None if last is None or last.utc_ns is None else last.utc_ns + last.duration_us * 1000
    duration_us = lacking["measured_us"] + lacking["unmeasured_us"]
    rest = UseRow(
        *begun,
        duration_us=duration_us,
        utc_ns=utc_ns,
        body_mean_c=last.body_mean_c if last else None,
        ambient_mean_c=last.ambient_mean_c if last else None,
        speed_mean_mps=last.speed_mean_mps if last else None,
        position=last.position if last else "",
        is_driven=True,
        **lacking,
    )
    return [rest]


def _estimate_missed(doses: dict[str, Floats], use: Use, days: Ints) -> dict[str, Floats]:
    """Return doses for moving time that wasn't measured: as if it had gone on like the rest of its day, else of all."""
    missed_s = np.maximum(use.moving_s - use.moving_measured_s, 0.0)
    found = {name: np.zeros(len(days)) for name in doses}
    if not missed_s.any():
        return found
    _, group = np.unique(days, return_inverse=True)
    measured_s = np.bincount(group, use.moving_measured_s)
    all_s = float(measured_s.sum())
    for name, values in doses.items():
        if name in WHOLE_TIME:
            continue
        by_day = np.bincount(group, values)
        overall = float(values.sum()) / all_s if all_s > 0.0 else 0.0
        is_known = measured_s >= LEAST_MEASURED_S
        rates = np.where(is_known, by_day / np.maximum(measured_s, LEAST_MEASURED_S), overall)
        found[name] = rates[group] * missed_s
    return found


def _day(utc_ns: int | None) -> int:
    day = None if utc_ns is None else known_day(utc_ns)
    return UNKNOWN_DAY if day is None else day.toordinal()


def day_of(utc_ns: int) -> date:
    """Return the UTC day of a wall time [ns]."""
    return datetime.fromtimestamp(utc_ns / 1e9, UTC).date()
