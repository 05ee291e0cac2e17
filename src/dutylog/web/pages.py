"""Renders the HTML pages from plain rows; every value is escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse
from starlette.types import Scope

from dutylog.bench.keys import key_words
from dutylog.domain import wear
from dutylog.domain.nitrogen import compute_atmosphere_pa
from dutylog.domain.quantity import position_text, quantity_text, utc_iso, utc_text
from dutylog.engine.state import STATES
from dutylog.life.gas import CAUTIONS
from dutylog.life.words import INFORMS
from dutylog.web.access import NAME_LIMIT, Refused, Viewer, viewer_in
from dutylog.web.access_code import MOST_SIGNS
from dutylog.web.card_view import CardPage
from dutylog.web.gas_view import GasDetail
from dutylog.web.life_view import WORK_CAUTIONS, LifeBasis, LifeDamper, make_bars
from dutylog.web.line import OLD_AFTER_S
from dutylog.web.review_desk import DeskState
from dutylog.web.review_view import HIT_WORDS, ROAD_KINDS, ReviewView, make_energy_bars, trip_key
from dutylog.web.view import DamperDetail, DamperSummary, TripDetail, TripSummary

TEMPLATES = Path(__file__).parent / "templates"


class Pages:
    """One method a page. As made, for a viewer who isn't signed in and can't; `seen_by` gives them for another."""

    def __init__(self, allowance_s: float = 0.0, follows: bool = False) -> None:
        """allowance_s: by how much older readings may be before they are stale. follows: no ledger and no writes."""
        self._stale_after_s = OLD_AFTER_S + allowance_s
        self._viewer = Viewer()
        self._jinja = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._jinja.filters.update(position=position_text, when=utc_text, iso=utc_iso, segment=_segment)
        self._jinja.globals.update(quantity_text=quantity_text, follows=follows, wear=wear, informs=INFORMS)

    def seen_by(self, scope: Scope) -> Pages:
        """Return the pages for whoever sent a request."""
        seen = copy(self)
        seen._viewer = viewer_in(scope)
        return seen

    def live(self) -> HTMLResponse:
        """Return the live page; its values come by server-sent events."""
        return self._page("live.html", "live", states=STATES, stale_after_s=self._stale_after_s)

    def trips(self, trips: list[TripSummary], older_before: int | str | None) -> HTMLResponse:
        """Return the list of trips, newest first."""
        return self._page("trips.html", "trips", trips=trips, older_before=older_before)

    def trip(
        self, detail: TripDetail, review: ReviewView | None, state: DeskState | None, made: str = ""
    ) -> HTMLResponse:
        """Return one trip: figures of the ledger, and its review as far as there is one.

        state: of a new one. made: of what lies on disk, also where that can't be read.
        """
        bars = make_energy_bars(detail.dampers)
        values: dict[str, Any] = {"detail": detail, "bars": bars, "review": review, "state": state, "made": made}
        return self._page("trip.html", "trips", key=trip_key(detail), hit_words=HIT_WORDS, roads=ROAD_KINDS, **values)

    def against(
        self,
        detail: TripDetail,
        second: TripDetail | None = None,
        rows: Sequence[Mapping[str, Any]] = (),
        *,
        choice: Sequence[TripSummary] = (),
        problem: str = "",
    ) -> HTMLResponse:
        """Return one trip held against another; second: None to choose it from `choice`. problem: why it can't be."""
        values: dict[str, Any] = {"second": second, "rows": rows, "choice": choice, "problem": problem}
        return self._page("against.html", "trips", 409 if problem else 200, detail=detail, **values)

    def dampers(self, dampers: list[DamperSummary]) -> HTMLResponse:
        """Return the list of dampers."""
        return self._page("dampers.html", "dampers", dampers=dampers)

    def damper(self, detail: DamperDetail) -> HTMLResponse:
        """Return one damper for life."""
        return self._page("damper.html", "dampers", detail=detail)

    def gas(self, detail: GasDetail) -> HTMLResponse:
        """Return one damper's nitrogen."""
        per_1000_m_pa = compute_atmosphere_pa(0.0) - compute_atmosphere_pa(1000.0)
        return self._page("gas.html", "dampers", detail=detail, cautions=CAUTIONS, per_1000_m_pa=per_1000_m_pa)

    def life(self, basis: LifeBasis, damper: LifeDamper | None, problem: str = "") -> HTMLResponse:
        """Return the wear of one damper; damper: None where it couldn't be worked out, problem says why."""
        bars = {} if damper is None else make_bars(damper.parts)
        values: dict[str, Any] = {"basis": basis, "damper": damper, "problem": problem, "bars": bars}
        return self._page("life.html", "dampers", _status(basis, problem), cautions=WORK_CAUTIONS, **values)

    def life_part(self, basis: LifeBasis, text: str | None, problem: str = "") -> HTMLResponse:
        """Return the whole computation of one part, as the command prints it."""
        status = _status(basis, problem)
        return self._page("life_part.html", "dampers", status, basis=basis, text=text, problem=problem)

    def card(self, page: CardPage) -> HTMLResponse:
        """Return the page of a damper's duty card."""
        words = "" if page.kept is None else key_words(page.kept.key_id)
        return self._page("card.html", "dampers", page=page, words=words, names=page.basis.parts or {})

    def record_taken(self, basis: LifeBasis, text: str, notices: Sequence[str], block: str) -> HTMLResponse:
        """Return what came of taking a service record in. block: for the vehicle file, empty where there is none."""
        values: dict[str, Any] = {"text": text, "notices": notices, "block": block}
        return self._page("record_taken.html", "dampers", basis=basis, **values)

    def due(self, told: list[tuple[str, LifeDamper]], untold: list[DamperSummary], problem: str = "") -> HTMLResponse:
        """Return what is due first of every damper; untold: those whose profile nobody knows."""
        status = 503 if problem else 200
        return self._page("due.html", "dampers", status, told=told, untold=untold, problem=problem)

    def sign_in(
        self, then: str, refused: Refused | None = None, name: str = "", headers: Mapping[str, str] | None = None
    ) -> HTMLResponse:
        """Return the form for name and code, with why it was refused; then: the page that follows."""
        values = {"then": then, "name": name, "name_limit": NAME_LIMIT, "code_limit": MOST_SIGNS}
        status = refused.status if refused else 200
        return self._page("sign_in.html", "sign_in", status, headers, refused=refused, **values)

    def sign_out(self) -> HTMLResponse:
        """Return the page with the button to sign out."""
        return self._page("sign_out.html", "sign_in")

    def error(self, status: int, text: str, headers: Mapping[str, str] | None = None) -> HTMLResponse:
        """Return an error as one helpful line."""
        return self._page("error.html", "", status, headers, status=status, text=text)

    def _page(
        self,
        template: str,
        here: str,
        http_status: int = 200,
        headers: Mapping[str, str] | None = None,
        **values: Any,
    ) -> HTMLResponse:
        text = self._jinja.get_template(template).render(here=here, viewer=self._viewer, **values)
        return HTMLResponse(text, status_code=http_status, headers=headers)


def _status(basis: LifeBasis, problem: str) -> int:
    """Return 409 where the vehicle file says too little to tell of a damper, 503 where it couldn't be worked out."""
    return 200 if not problem else 409 if basis.parts is None else 503


def _segment(text: str) -> str:
    """Return `text` as one segment of a path."""
    return quote(text, safe="")
