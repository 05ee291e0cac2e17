"""One real database and one drive of the demo for all tests here."""

from __future__ import annotations

from dashboards.demo_data import demo
from publish.influx_servers import database, real_influx

__all__ = ["database", "demo", "real_influx"]
