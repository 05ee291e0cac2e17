"""The page of a damper's nitrogen: what it says in words, from made-up rows and from a real ledger."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import expect

from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Profile
from dutylog.ledger.command import apply_command
from dutylog.life.gas import CAUTIONS
from dutylog.units import PA_PER_PSI
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.gas_plot import HEIGHT, WIDTH, PlotPoint, draw
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.settings import WebSettings
from ledger.builders import POSITIONS, fill, make_profile, make_vehicle, open_ledger
from web.browser_pages import DESK, PHONE, ThreadedPages, axe_problems
from web.samples import HOSTILE, damper_summary, fake_ledger, gas_row

PATH = "/dampers/SN-rear_left/gas"
CHARGED = replace(make_profile(), charge_pa=200 * PA_PER_PSI, gas_volume_m3=300e-6)


async def page_text(**gas_changes: Any) -> str:
    """Return the page as HTML."""
    view = fake_ledger()
    view.gas_changes = gas_changes
    app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), view, WebSettings())
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1:8321") as client:
        answer = await client.get(PATH)
    assert answer.status_code == 200
    return answer.text


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).replace("\u00a0", " ").replace("&nbsp;", " ").split())


@pytest.mark.anyio
async def test_every_figure_stands_in_words() -> None:
    """Target, newest equivalent with its range, verdict, leak, day, readings, fill table."""
    text = words(await page_text())
    for said in (
        "13.79 bar ± 5 %", "12.80 bar ± 0.40 bar", "low", "0.85 bar ± 0.30 bar a year, 0.51 % ± 0.18 % a month",
        "by 4 readings since 2025-01-10", "Below its limit: 2026-04-11 (from 2026-03-02 to later than in ten years)",
        "no verdict", "clock not set", "(clock unchecked)", "filled by Ana , entry 11", "after the race",
        "102 mm in, ride height", "16.20 bar ± 0.70 bar", "Every 1000 m up it shows 0.11 bar more",
    ):  # fmt: skip
        assert said in text, said


@pytest.mark.anyio
async def test_cautions_stand_on_every_such_page() -> None:
    """Also where nothing can be told: somebody has a gauge in his hand."""
    for changes in ({}, {"problem": "its gas has no valve to read"}, {"readings": (), "leak": None, "plot": None}):
        html = await page_text(**changes)
        for caution in CAUTIONS:
            assert caution.replace("'", "&#39;") in html


@pytest.mark.anyio
async def test_a_sound_charge_has_no_day_and_says_so() -> None:
    """No date is made up of noise."""
    view = fake_ledger().gas("SN-rear_left")
    assert view is not None
    assert view.leak is not None
    sound = replace(view.leak, is_shown=False, first=None, middle=None, last=None)
    text = words(await page_text(leak=sound))
    assert "That is no more than readings differ by." in text
    assert "It stays above its limit for ten years." in text
    none = words(await page_text(leak=None, plot=None))
    assert "it takes two readings of different days" in none


@pytest.mark.anyio
async def test_hostile_names_and_notes_stay_text() -> None:
    """They come from whoever typed them."""
    row = gas_row(1, "2026-03-02", 1.28e6, by=HOSTILE, note=HOSTILE)
    html = await page_text(readings=(row,), label=HOSTILE, notes=(HOSTILE,), problem=None)
    assert "<script>alert" not in html
    assert "<img" not in html
    assert html.count("&lt;script&gt;alert(1)") >= 4


@pytest.mark.anyio
@pytest.mark.parametrize("key", ["SN-nobody", "", "%0a", "x" * 300, "../../etc/passwd", "%3Cscript%3E"])
async def test_an_unknown_damper_is_one_line(key: str) -> None:
    """Not a fault, and nothing of the key runs."""
    app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), fake_ledger(), WebSettings())
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1:8321") as client:
        answer = await client.get(f"/dampers/{key}/gas")
    assert answer.status_code == 404
    assert "<script>" not in answer.text.replace('<script src="', "").replace('<script type="', "")


def points(*pressures_pa: float) -> list[PlotPoint]:
    return [PlotPoint(738_000 + 30 * n, one, 4e4, n == 2) for n, one in enumerate(pressures_pa)]


def test_the_picture_keeps_order_and_stays_in_its_box() -> None:
    """Later is further right, more is higher, and no range leaves the box."""
    plot = draw(points(1.38e6, 1.30e6, 1.40e6, 1.36e6), 1.379e6, 1.31e6)
    assert plot is not None
    assert [mark.x for mark in plot.marks] == sorted(mark.x for mark in plot.marks)
    assert plot.marks[1].y > plot.marks[0].y > plot.marks[2].y
    for mark in plot.marks:
        assert 0 <= mark.high_y < mark.y < mark.low_y <= HEIGHT
        assert plot.left <= mark.x <= WIDTH
    assert plot.target is not None
    assert plot.limit is not None
    assert plot.target.y < plot.limit.y
    assert [len(line.split()) for line in plot.lines] == [2, 2]


def test_pixels_are_pressures() -> None:
    """A straight scale: the middle of two pressures stands in the middle."""
    plot = draw(points(1.0e6, 1.2e6, 1.1e6), None, None)
    assert plot is not None
    low, high, middle = (mark.y for mark in plot.marks)
    assert middle == pytest.approx((low + high) / 2, abs=0.06)
    ratio = (plot.bottom.y - low) / (plot.bottom.y - plot.top.y)
    found_pa = plot.bottom.pressure_pa + ratio * (plot.top.pressure_pa - plot.bottom.pressure_pa)
    assert found_pa == pytest.approx(1.0e6, rel=1e-3)


def test_one_day_has_no_picture() -> None:
    """Nor has none; equal pressures don't divide by nothing."""
    assert draw([], 1e6, None) is None
    assert draw([*points(1e6), *points(1e6)], 1e6, None) is None
    assert draw(points(1e6, 1e6), None, None) is not None


# -- from a real ledger

REQUEST: dict[str, Any] = {
    "schema": 1, "command": "gas_reading", "unit": "SN-1", "gauge_pa": 200 * PA_PER_PSI, "what": "check",
    "body_c": 20.0, "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 0.0, "by": "Ann",
}  # fmt: skip


def data_with(folder: Path, profile: Profile = CHARGED, *requests: dict[str, Any]) -> SqliteLedgerView:
    with open_ledger(folder) as ledger:
        fill(ledger)
        ledger.put_vehicle(replace(make_vehicle(), profiles=(profile,)))
        for request in requests:
            assert apply_command(ledger, {"schema": 1, **request}).reply["ok"] is True
    return SqliteLedgerView(folder)


def test_readings_come_newest_first_with_what_they_come_to(tmp_path: Path) -> None:
    """Two years, 18 psi: the leak rate of the page is that of the readings."""
    years = [{**REQUEST, "gauge_pa": (200 - 9 * n) * PA_PER_PSI, "on": f"{2021 + n}-06-01"} for n in range(3)]
    detail = data_with(tmp_path, CHARGED, *years).gas("SN-1")
    assert detail is not None
    assert [row.day for row in detail.readings] == ["2023-06-01", "2022-06-01", "2021-06-01"]
    assert [row.verdict for row in detail.readings] == ["low", "ok", "ok"]
    assert detail.readings[0].equivalent_pa == pytest.approx(182 * PA_PER_PSI, rel=1e-6)
    assert detail.leak is not None
    assert detail.leak.rate_pa_year == pytest.approx(9 * PA_PER_PSI, rel=1e-3)
    assert detail.leak.middle is not None
    assert date.fromisoformat(detail.leak.middle) >= date(2023, 6, 1)
    assert detail.plot is not None
    assert detail.problem is None


def test_withdrawn_readings_and_services_count(tmp_path: Path) -> None:
    """A slip is gone from page, picture and leak; a service that renewed the charge begins anew."""
    requests = (
        {**REQUEST, "on": "2021-06-01"},
        {**REQUEST, "gauge_pa": 20 * PA_PER_PSI, "on": "2022-06-01"},
        {"command": "service", "unit": "SN-1", "by": "Ann", "on": "2022-12-01", "replaced": ["charge"], "found": {}},
        {**REQUEST, "on": "2023-06-01"},
    )
    view = data_with(tmp_path, CHARGED, *requests)
    before = view.gas("SN-1")
    assert before is not None
    assert [row.begins for row in before.readings] == ["charge renewed", None, None]
    assert before.leak is None
    with open_ledger(tmp_path) as ledger:
        slip = before.readings[1].row
        request = {"schema": 1, "command": "withdraw", "entry": slip, "by": "Ann", "why": "slip"}
        assert apply_command(ledger, request).reply["ok"] is True
    after = view.gas("SN-1")
    assert after is not None
    assert slip not in [row.row for row in after.readings]


def test_fill_table_is_higher_at_ride_height_and_rises_with_warmth(tmp_path: Path) -> None:
    """At 20 degC and full extension it is the target itself."""
    detail = data_with(tmp_path).gas("SN-1")
    assert detail is not None
    assert [row.extended_pa for row in detail.fill] == sorted(row.extended_pa for row in detail.fill)
    assert all(row.ride_pa > row.extended_pa for row in detail.fill)
    cold = next(row for row in detail.fill if row.temperature_c == 20.0)
    assert cold.extended_pa == pytest.approx(200 * PA_PER_PSI, rel=1e-9)
    assert detail.ride_mm == pytest.approx(0.4 * 254)


@pytest.mark.parametrize(
    ("profile", "problem", "note"),
    [
        (replace(CHARGED, construction="twin_tube"), "no valve to read", None),
        (make_profile("street"), "has no profile desert", None),
        (replace(CHARGED, charge_pa=None), None, "nobody stated a target"),
        (replace(CHARGED, gas_volume_m3=None), None, "no gas_volume_ml"),
        (replace(CHARGED, gas_volume_m3=110e-6), None, "check gas_volume_ml"),
        (replace(CHARGED, gas_volume_m3=40e-6), "check gas_volume_ml", None),
    ],
)
def test_what_cant_be_told_is_said(tmp_path: Path, profile: Profile, problem: str | None, note: str | None) -> None:
    """One line with the remedy instead of a failed page."""
    with open_ledger(tmp_path) as ledger:
        fill(ledger)
        dampers = make_vehicle().dampers if profile.name == "desert" else ()
        ledger.put_vehicle(replace(make_vehicle(), profiles=(profile,), dampers=dampers))
    detail = SqliteLedgerView(tmp_path).gas("SN-1")
    assert detail is not None
    assert (detail.problem is None) == (problem is None)
    assert (problem or "") in (detail.problem or "")
    assert [note in one for one in detail.notes] == ([True] if note else [])
    assert SqliteLedgerView(tmp_path).gas("SN-9") is None


# -- in a real browser


@pytest.mark.browser
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_page_fits_whatever_people_typed(
    pages: ThreadedPages, open_page: Callable[..., Any], size: dict[str, Any]
) -> None:
    """390 px without sideways scroll; verdicts have a shape each; the link from the damper leads here."""
    long = "W" * 64
    rows = tuple(
        gas_row(10**6 + n, f"2026-03-0{n + 1}", 1.3e6, by=long, note=long * 7, verdict=one, is_day_sure=False)
        for n, one in enumerate(("low", "ok", "high", None))
    )
    pages.view.damper_rows = [replace(damper_summary(p), label=long, serial=f"SN-{p}") for p in POSITIONS]
    pages.view.gas_changes = {"readings": rows, "notes": (long,)}
    page, watch = open_page("/dampers/SN-rear_left", size)
    page.get_by_role("link", name="Nitrogen of this damper").click()
    expect(page.locator("h1")).to_have_text(f"Nitrogen of {long}")
    page.wait_for_load_state("load")  # before its style sheet is there, nothing fits
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    shapes = page.evaluate("() => [...document.querySelectorAll('.gas-table .gas-shape')].map((s) => s.innerHTML)")
    assert len(set(shapes)) == 4
    assert page.locator(".gas-table td b").all_inner_texts() == ["low", "ok", "high", "no verdict"]
    assert axe_problems(page) == []
    assert watch.complaints == []


@pytest.mark.browser
def test_units_are_chosen_on_this_page_too(open_page: Callable[..., Any]) -> None:
    """The workshop's gauge is in psi; the picture's figures follow."""
    page, watch = open_page(PATH, PHONE)
    page.get_by_role("button", name="Units").tap()
    assert "200.0\u00a0psi" in page.locator("dl").inner_text()
    assert str(page.locator(".gas-plot .q").first.text_content()).endswith("\u00a0psi")
    assert watch.complaints == []


@pytest.mark.browser
def test_print_keeps_the_fill_table_and_the_cautions(open_page: Callable[..., Any]) -> None:
    """The sheet that hangs beside the bottle."""
    page, _ = open_page(PATH, DESK)
    page.emulate_media(media="print")
    expect(page.locator(".gas-fill")).to_be_visible()
    expect(page.locator(".gas-cautions")).to_be_visible()
    expect(page.locator(".gas-parts")).to_be_hidden()
    expect(page.locator("header")).to_be_hidden()
