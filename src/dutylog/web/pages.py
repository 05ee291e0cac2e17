"""Renders the HTML pages from plain rows; every value is escaped."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from dutylog.engine.state import STATES
from dutylog.publish.core_link import STALE_AFTER_S
from dutylog.web.quantity import position_text, quantity_text, utc_iso, utc_text
from dutylog.web.view import DamperDetail, DamperSummary, TripDetail, TripSummary

TEMPLATES = Path(__file__).parent / "templates"


class Pages:
    """One method a page."""

    def __init__(self) -> None:
        self._jinja = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._jinja.filters.update(position=position_text, when=utc_text, iso=utc_iso, segment=_segment)
        self._jinja.globals["quantity_text"] = quantity_text

    def live(self) -> HTMLResponse:
        """Return the live page; its values come by server-sent events."""
        return self._page("live.html", "live", states=STATES, stale_after_s=STALE_AFTER_S)

    def trips(self, trips: list[TripSummary], older_before: int | None) -> HTMLResponse:
        """Return the list of trips, newest first."""
        return self._page("trips.html", "trips", trips=trips, older_before=older_before)

    def trip(self, detail: TripDetail) -> HTMLResponse:
        """Return one trip with its bars of energy and its table."""
        largest_j = max((row.energy_j for row in detail.dampers), default=0.0)
        bars = [(row, 100.0 * row.energy_j / largest_j if largest_j > 0 else 0.0) for row in detail.dampers]
        return self._page("trip.html", "trips", detail=detail, bars=bars)

    def dampers(self, dampers: list[DamperSummary]) -> HTMLResponse:
        """Return the list of dampers."""
        return self._page("dampers.html", "dampers", dampers=dampers)

    def damper(self, detail: DamperDetail) -> HTMLResponse:
        """Return one damper for life."""
        return self._page("damper.html", "dampers", detail=detail)

    def error(self, status: int, text: str) -> HTMLResponse:
        """Return an error as one helpful line."""
        return self._page("error.html", "", status=status, text=text, http_status=status)

    def _page(self, template: str, here: str, http_status: int = 200, **values: Any) -> HTMLResponse:
        return HTMLResponse(self._jinja.get_template(template).render(here=here, **values), status_code=http_status)


def _segment(text: str) -> str:
    """Return `text` as one segment of a path."""
    return quote(text, safe="")
