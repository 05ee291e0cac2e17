"""Stores of both kinds for the tests of the store."""

from __future__ import annotations

from bench.store.store_on import bench_store, cluster, store, url

__all__ = ["bench_store", "cluster", "store", "url"]
