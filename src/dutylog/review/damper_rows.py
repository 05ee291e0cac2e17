"""One row for each damper of a trip: the ledger's sums, what the raw samples add to them, and what it took of parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from dutylog.duty.totals import Totals
from dutylog.ledger.trip_book import BookTrip
from dutylog.review.costs import NO_COST, Cost
from dutylog.review.review import DamperRow
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT, Contact, DamperData, TripData

HEAT_WINDOW_S = 60.0
"""Time over which the highest heat going in is averaged. Source: judgement; a body takes no notice of less."""


def make_damper_rows(data: TripData, trip: BookTrip, costs: Mapping[str, Cost]) -> tuple[DamperRow, ...]:
    """Return the dampers in the order of the data; their sums are the ledger's wherever it has them.

    Args:
        costs: by unit.
    """
    sums = {(one.unit_id, one.position): one.totals for one in trip.dampers}
    rows = []
    for one in data.dampers:
        totals = sums.get((one.unit_id, one.position), one.totals)
        rows.append(_make_row(data, one, totals, costs.get(one.unit_id, NO_COST)))
    return tuple(rows)


def compute_coverage(totals: Totals) -> float | None:
    """Return measured time as a share of moving time, None when nothing moved (shared/CONVENTIONS.md)."""
    return totals.moving_measured_us / totals.moving_us if totals.moving_us else None


def _make_row(data: TripData, one: DamperData, totals: Totals, cost: Cost) -> DamperRow:
    return DamperRow(
        position=one.position,
        wheel=one.wheel,
        unit_id=one.unit_id,
        label=one.label,
        energy_j=totals.energy_uj / 1e6,
        compression_energy_j=totals.energy_compression_uj / 1e6,
        rebound_energy_j=totals.energy_rebound_uj / 1e6,
        strokes_count=totals.strokes_count,
        shaft_travel_m=totals.shaft_travel_um / 1e6,
        bottom_outs_count=totals.bottom_outs_count,
        peak_compression_mps=totals.peak_compression_umps / 1e6,
        peak_rebound_mps=totals.peak_rebound_umps / 1e6,
        peak_body_c=None if totals.peak_body_mc is None else totals.peak_body_mc / 1e3,
        peak_rise_k=_peak_rise_k(data, one),
        peak_heat_w=_peak_heat_w(data, one),
        measured_s=totals.measured_us / 1e6,
        unmeasured_s=totals.unmeasured_us / 1e6,
        coverage_ratio=compute_coverage(totals),
        contacts_count=_count_contacts(data, one, totals.bottom_outs_count),
        used=cost.used,
        street_miles=cost.street_miles,
    )


def _count_contacts(data: TripData, one: DamperData, bottom_outs_count: int) -> dict[str, int]:
    """Return contacts by kind: bottom-outs as the ledger has them, the others only of a log that is whole."""
    told = {BUMP_STOP: one.bump_stop_m is not None, STRAP: one.strap_m is not None, TOPPED_OUT: True}
    kinds = [contact.kind for contact in own_contacts(data.contacts, one.position, one.unit_id)]
    found = {kind: kinds.count(kind) for kind, is_told in told.items() if is_told and data.is_raw_whole}
    return {BOTTOMED: bottom_outs_count, **found}


def own_contacts(contacts: Sequence[Contact], position: str, unit_id: str) -> list[Contact]:
    """Return the contacts of one damper: another may have sat at its place before or after it."""
    return [one for one in contacts if one.position == position and one.unit_id in (None, unit_id)]


def _peak_rise_k(data: TripData, one: DamperData) -> float | None:
    rise_k = np.asarray(one.body_c, dtype=np.float64) - np.asarray(data.ambient_c, dtype=np.float64)
    known = rise_k[np.isfinite(rise_k)]
    return float(known.max()) if len(known) else None


def _peak_heat_w(data: TripData, one: DamperData) -> float | None:
    """Return the highest mean over HEAT_WINDOW_S of rows that follow each other; of the whole trip if it is shorter."""
    energy_j = np.cumsum(np.concatenate([[0.0], one.energy_uj / 1e6]))
    measured_s = np.cumsum(np.concatenate([[0.0], one.measured_us / 1e6]))
    if measured_s[-1] <= 0.0:
        return None
    first = np.arange(len(data.t_s))
    end = np.searchsorted(data.t_s, data.t_s + HEAT_WINDOW_S - 0.5)
    heat_s = measured_s[end] - measured_s[first]
    is_whole = heat_s >= 0.9 * min(HEAT_WINDOW_S, float(measured_s[-1]))
    if not is_whole.any():
        return float(energy_j[-1] / measured_s[-1])
    return float(((energy_j[end] - energy_j[first])[is_whole] / heat_s[is_whole]).max())
