"""Renders the bench's pages from plain rows; every value is escaped."""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import partial
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from dutylog.bench import money
from dutylog.bench.keys import key_words
from dutylog.bench.roles import ROLE_WORDS, ROLES
from dutylog.config.bench import BenchSettings
from dutylog.domain import wear
from dutylog.domain.quantity import position_text, quantity_text, utc_iso, utc_text
from dutylog.web.bench.accounts import Viewer
from dutylog.web.bench.sent_once import ONCE_FIELD
from dutylog.web.pages import TEMPLATES

NAVIGATION = (
    ("board", "/board", "Due board"),
    ("intake", "/intake", "Intake"),
    ("jobs", "/", "Jobs"),
    ("parts", "/parts", "Parts"),
    ("customers", "/customers", "Customers"),
    ("settings", "/settings", "Settings"),
)
"""Key, address and name of each part; those whose page isn't there are left out."""
JOB_STEPS = (
    ("intake", "/jobs/{job}", "Intake"),
    ("inspection", "/jobs/{job}/inspection", "Inspection"),
    ("triage", "/jobs/{job}/triage", "Triage"),
    ("order", "/jobs/{job}/order", "Work order"),
    ("build", "/jobs/{job}/build", "Build and record"),
)
"""The steps of a damper's visit, as they follow each other."""
_CSRF_INPUT = re.compile(r'<input type="hidden" name="csrf" value="[^"<>]*">')
"""In every form that writes; names and notes are escaped, so none of them can look like it."""


class BenchPages:
    """Gives every template what it may rely on (web/bench/frame.py)."""

    def __init__(self, settings: BenchSettings, today: Callable[[], date], has_route: Callable[[str], bool]) -> None:
        self._today = today
        self._jinja = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._jinja.filters.update(
            position=position_text,
            when=utc_text,
            iso=utc_iso,
            segment=_segment,
            path=_path,
            key_words=key_words,
            moment=moment_text,
        )
        self._jinja.globals.update(
            quantity_text=partial(_quantity_in, settings.units),
            money=partial(money_text, currency=settings.currency),
            bench=settings,
            has_route=has_route,
            wear=wear,
            navigation=NAVIGATION,
            job_steps=JOB_STEPS,
            roles=ROLES,
            role_words=ROLE_WORDS,
        )

    def render(
        self,
        template: str,
        viewer: Viewer | None,
        here: str,
        status: int = 200,
        headers: Mapping[str, str] | None = None,
        **values: Any,
    ) -> HTMLResponse:
        """Return a page. viewer: None for the form to sign in."""
        known = {"viewer": viewer, "here": here, "today": self._today(), "said": "", "job": None, "step": ""}
        text = self._jinja.get_template(template).render(**known | values)
        return HTMLResponse(_CSRF_INPUT.sub(_with_mark, text), status_code=status, headers=headers)


def _with_mark(token: re.Match[str]) -> str:
    """Return the token's field with a mark beside it by which a form that comes twice is known (sent_once.py)."""
    return f'{token[0]}<input type="hidden" name="{ONCE_FIELD}" value="{secrets.token_urlsafe(12)}">'


def money_text(minor: int | None, currency: str) -> str:
    """Return an amount of whole minor units with its currency; a dash for none."""
    return "–" if minor is None else money.money_text(minor, currency)


def moment_text(utc: str) -> str:
    """Return the store's ISO time as people read it, to the minute in UTC; the text itself where it is none."""
    try:
        return datetime.fromisoformat(utc).strftime("%Y-%m-%d %H:%M UTC")
    except ValueError:
        return utc


def _quantity_in(system: str, kind: str, value: float | None) -> str:
    return quantity_text(kind, value, system)


def _segment(text: str) -> str:
    """Return `text` as one segment of a path."""
    return quote(text, safe="")


def _path(text: str) -> str:
    """Return a decoded path as an address has it; what follows a query's mark is kept as a segment's text."""
    return quote(text, safe="/")
