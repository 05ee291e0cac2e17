"""All that may be asked of the store: `Store.read()` and `Transaction.read`."""

from __future__ import annotations

from dutylog.bench.store.queries_bench import BenchQueries
from dutylog.bench.store.queries_cards import CardQueries
from dutylog.bench.store.queries_dampers import DamperQueries
from dutylog.bench.store.queries_due import DueQueries
from dutylog.bench.store.queries_jobs import JobQueries


class Reading(DamperQueries, CardQueries, JobQueries, DueQueries, BenchQueries):
    """Questions to the store; see Asking for what they see."""
