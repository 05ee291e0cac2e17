"""The live page's figures in a real browser: they are the snapshot's, rounded for people, in both systems of units."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dutylog.heat.forecast import Kind, NodeForecast
from dutylog.heat.heat_room import Exponent, Pace, say_forecast, say_minutes, say_pace
from dutylog.publish.snapshot import Snapshot, VehicleName
from web.browser_pages import DESK, PHONE, SteadyCore, rows_of
from web.live_samples import (
    NEAR,
    NO_LIMIT,
    OVER,
    SIX_WHEELS,
    alert,
    every_state,
    heated,
    hot_vehicle,
    six_wheels,
)  # fmt: skip
from web.samples import HOSTILE, POSITIONS, damper_now, snapshot

pytestmark = pytest.mark.browser
# The phone always; the desk with the long forms.
SIZES = pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.slow)], ids=["phone", "desk"])
OpenPage = Callable[..., Any]
STATIC = Path(__file__).parents[2] / "src" / "dutylog" / "web" / "static"


def shown(steady: SteadyCore, open_page: OpenPage, now: Snapshot, size: dict[str, Any] = PHONE) -> Page:
    steady.show(now)
    page, _ = open_page("/", size)
    expect(page.locator("#dampers .row")).to_have_count(len(now.dampers))
    return page


def halves_up(value: float) -> str:
    return str(math.floor(abs(value) + 0.5) * (1 if value >= 0 else -1))


@SIZES
@pytest.mark.parametrize("units", ["metric", "us"])
def test_temperatures_of_each_row_are_those_of_the_snapshot(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any], units: str
) -> None:
    """Body, its limit, oil with its doubt, plateau: °C and °F, from the snapshot's own numbers."""
    now = hot_vehicle()
    page = shown(steady, open_page, now, size)
    if units == "us":
        page.click("#units")
    degrees = (lambda c: halves_up(c * 9 / 5 + 32)) if units == "us" else halves_up
    kelvins = (lambda k: halves_up(k * 9 / 5)) if units == "us" else halves_up
    sign = "°F" if units == "us" else "°C"
    for row, damper in zip(rows_of(page), now.dampers, strict=True):
        assert damper.body_c is not None
        assert damper.oil_c is not None
        assert damper.oil_sd_k is not None
        assert row["body"] == degrees(damper.body_c) + sign
        assert row["limit"] == f"limit {degrees(damper.body_limit_c)}"
        assert row["oil"] == f"{degrees(damper.oil_c)} {sign}"
        assert row["doubt"] == f"± {kelvins(damper.oil_sd_k)}"
    assert now.dampers[0].plateau_c is not None
    assert rows_of(page)[0]["word"] == f"body settles at {degrees(now.dampers[0].plateau_c)} {sign}"


def test_forecast_trend_and_heat_room_are_words_and_shapes(steady: SteadyCore, open_page: OpenPage) -> None:
    """Minutes are the large thing; which limit, which way and how much room stand beside it in words."""
    page = shown(steady, open_page, hot_vehicle())
    rows = rows_of(page)
    assert [(r["ahead"], r["unit"], r["range"], r["word"]) for r in rows] == [
        ("holds", "", "", "body settles at 97 °C"),
        ("12", "min", "9 to 17", "to oil limit"),
        ("2", "min", "1 or more", "to body limit"),
        ("near limit", "", "", "body: no time can be given"),
    ]
    assert [(r["trend"], r["rate"], r["arrow"]) for r in rows] == [
        ("steady", "", "#shape-steady"),
        ("rising", "1.2 K/min", "#shape-rising"),
        ("rising", "1.8 K/min", "#shape-rising"),
        ("falling", "1.2 K/min", "#shape-falling"),
    ]
    assert [(r["label"], r["heat"], r["bar"]) for r in rows] == [
        ("heat room", "340 W · 22 %", "22.0%"),
        ("too much", "140 W · 15 %", "0.0%"),
        ("too much", "1.44 kW · 35 %", "0.0%"),
        ("heat room", "40 W · 3 %", "3.0%"),
    ]
    assert rows[1]["damping"].startswith("damping lost 20 % less heat")
    assert [r["damping"] for r in (rows[0], rows[2], rows[3])] == ["", "", ""]
    assert "at this surface, holds at 45 km/h (38 to 52)" in rows[1]["advice"]
    page.click("#units")
    assert "at this surface, holds at 28 mph (24 to 32)" in rows_of(page)[1]["advice"]
    assert rows_of(page)[1]["rate"] == "2.2 °F/min"


def test_other_forecasts_say_what_is_known(steady: SteadyCore, open_page: OpenPage) -> None:
    """Over its limit and no limit at all aren't minutes."""
    kinds = (OVER, NO_LIMIT, NEAR)
    cleared = dict.fromkeys(("to_limit_s", "to_limit_low_s", "to_limit_high_s", "pace_text", "heat_room_w"))
    dampers = [replace(heated(f"d{i}", f"d{i}", 1, **cleared), **kind) for i, kind in enumerate(kinds)]
    rows = rows_of(shown(steady, open_page, snapshot(1, dampers=tuple(dampers))))
    assert [(r["ahead"], r["word"]) for r in rows] == [
        ("over", "oil limit"), ("no limit set", "oil settles at 131 °C"), ("near limit", "body: no time can be given"),
    ]  # fmt: skip


@SIZES
def test_largest_thing_of_a_row_is_body_or_minutes(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]
) -> None:
    """A second to look: nothing else competes."""
    page = shown(steady, open_page, hot_vehicle(), size)
    largest = page.evaluate(
        """() => [...document.querySelectorAll("#dampers .row")].map((row) => {
            const parts = [...row.querySelectorAll("*")].filter((e) => e.checkVisibility()
                && [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim()));
            const size = (e) => parseFloat(getComputedStyle(e).fontSize);
            const most = Math.max(...parts.map(size));
            return parts.filter((e) => size(e) === most).map((e) => e.className);
        })"""
    )
    assert largest == [["number"], ["number", "ahead-number"], ["number", "ahead-number"], ["number"]]


@SIZES
def test_page_is_good_while_nothing_of_heat_is_known(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]
) -> None:
    """No forecast is no dash, no zero and no 'null': the line of the last minutes and the heat going in stand there."""
    page = shown(steady, open_page, snapshot(1), size)
    expect(page.locator("#dampers .spark").first).to_be_visible()
    rows = rows_of(page)
    assert {(r["ahead"], r["oil"], r["trend"], r["damping"], r["label"]) for r in rows} == {("", "", "", "", "heat in")}
    words = page.locator("main").inner_text()
    assert not re.search(r"null|undefined|NaN|Infinity|\[object", words), words


def test_a_vehicle_of_six_wheels_groups_twin_dampers(steady: SteadyCore, open_page: OpenPage) -> None:
    """Two dampers of one wheel stand under its name, told apart by the rest of theirs."""
    page = shown(steady, open_page, six_wheels(), DESK)
    wheels = page.evaluate(
        """() => [...document.querySelectorAll("#dampers > li")].map((wheel) => [
            wheel.querySelector(".wheel-name")?.textContent ?? null,
            [...wheel.querySelectorAll(".position")].map((p) => p.textContent)])"""
    )
    assert wheels == [
        [None, ["front left"]], [None, ["front right"]], [None, ["middle left"]], [None, ["middle right"]],
        ["rear left", ["main", "bypass"]], ["rear right", ["main", "bypass"]],
    ]  # fmt: skip
    assert [row["state"] for row in rows_of(page)][5:7] == ["over limit", "no temperature"]
    options = page.locator("#closer-damper option").all_inner_texts()
    assert options == [position.replace("_", " ") for position, _ in SIX_WHEELS]


def test_hostile_texts_of_every_field_stay_text(steady: SteadyCore, open_page: OpenPage) -> None:
    """Names, sentences and alerts come from files and labels; none may run or draw anything."""
    texts = ("forecast_text", "heat_room_text", "pace_text", "stop_text", "damping_text", "state_text")
    hostile = heated(HOSTILE[:90], HOSTILE[:80], 2, serial=HOSTILE, faults=(HOSTILE[:60],), damping_state="lost")
    hostile = replace(hostile, state="hot", **dict.fromkeys(texts, HOSTILE))
    twin = replace(damper_now("b", wheel=HOSTILE[:80]), unit_id="2")
    bad = alert(1, text=HOSTILE, remedy=HOSTILE, position=HOSTILE[:60], acknowledged_by=None)
    seen = alert(2, text="x", acknowledged_by=HOSTILE[:90])
    now = snapshot(1, vehicle=VehicleName("v", HOSTILE), dampers=(hostile, twin), alerts=(bad, seen))
    steady.show(now)
    page, watch = open_page("/", DESK)
    expect(page.locator("#alert-list")).to_contain_text(HOSTILE)
    for place in (".wheel-name", "#dampers .position", "#dampers .advice", "#dampers .damping-text", "#minutes-name"):
        expect(page.locator(place).first).to_contain_text(HOSTILE[:60])
    expect(page.locator("#fact-stop dd")).to_have_text(HOSTILE)
    assert page.locator("main img, main script").count() == 0
    page.click("#copy-line")
    expect(page.locator("#line-text")).to_have_value(re.compile(r"^<script>alert"))
    assert page.locator("main img, main script").count() == 0
    assert watch.complaints == []


def test_minutes_of_a_row_are_those_of_the_forecasts_sentence(steady: SteadyCore, open_page: OpenPage) -> None:
    """One rounding: a row that says 12 beside a sentence that says 13 would cost all trust."""
    page = shown(steady, open_page, snapshot(1))
    source = STATIC.joinpath("quantity.js").read_text("utf-8").replace("export ", "")
    page.evaluate(source + "\nglobalThis.formatParts = formatParts;")
    times_s = [0.0, 29.0, 31.0, 89.0, 90.0, 91.0, 150.0, 210.0, 720.0, 1799.0, 1800.0, 2250.0, 2550.0, 7199.0, 7201.0]
    numbers = page.evaluate("(all) => all.map((s) => formatParts('minutes_s', s, 'metric').number)", times_s)
    sentences = [
        say_minutes(s).replace("less than a minute", "about <1 min").replace("more than ", "about >") for s in times_s
    ]
    assert [f"about {number} min" for number in numbers] == sentences


def test_degrees_and_speeds_of_sentences_follow_the_readers_units(steady: SteadyCore, open_page: OpenPage) -> None:
    """The logger speaks metric; a crew that thinks in °F must not read °C in one line and °F in the next."""
    page = shown(steady, open_page, snapshot(1))
    source = STATIC.joinpath("quantity.js").read_text("utf-8").replace("export ", "")
    page.evaluate(source + "\nglobalThis.inUnits = inUnits;")
    settles = NodeForecast(Kind.NO_LIMIT, None, 100.0, 130.6, 120.0, 140.0)
    sentences = {
        say_forecast(settles): "no limit set; settles at about 268 °F",
        say_pace(Pace(12.5, 10.6, 14.4, Exponent(2.2, 0.2, True))): "at this surface, holds at 28 mph (24 to 32)",
        "body rises to 96 °C (92 to 99) about 4 min after the stop": (
            "body rises to 205 °F (198 to 210) about 4 min after the stop"
        ),
        "body less than 8 K below its limit of 120 °C": "body less than 14\u00a0°F below its limit of 248 °F",
        "rising 2 K/min, 3 kW, 5 Kelvin": "rising 4\u00a0°F/min, 3 kW, 5 Kelvin",
        "about 12 min to the limit at this pace (9 to 17)": "about 12 min to the limit at this pace (9 to 17)",
    }
    found = {text: page.evaluate("(text) => inUnits(text, 'us')", text) for text in sentences}
    assert found == sentences
    assert [page.evaluate("(text) => inUnits(text, 'metric')", text) for text in sentences] == list(sentences)


@SIZES
def test_nothing_is_touched_where_nothing_changed(
    steady: SteadyCore, open_page: OpenPage, wait_until: Callable[..., None], size: dict[str, Any]
) -> None:
    """A cheap phone gets a snapshot a second and four ticks: what stands still must cost nothing."""
    page = shown(steady, open_page, every_state(), size)
    page.evaluate(
        """() => { window.touched = []; window.seen = 0;
        new MutationObserver((all) => window.touched.push(...all.map((m) => m.target.id || m.target.className
            || m.target.parentElement?.className || m.target.nodeName)))
            .observe(document.body, { childList: true, characterData: true, subtree: true, attributes: true });
        const source = new EventSource("/events");
        source.addEventListener("snapshot", () => { window.seen += 1; }); }"""
    )
    wait_until(lambda: page.evaluate("window.seen") >= 4, 30, "four more snapshots")
    moving = {"baseVal", "plot-body", "plot-oil", "spark-line", "plot-since", "spark-limit"}
    touched = page.evaluate("window.touched.map((name) => name.baseVal ?? name)")
    # the table of minutes is made anew when a minute begins, and then only
    assert touched.count("minutes-rows") <= 1
    assert set(touched) - {"minutes-rows"} <= moving, sorted(set(touched))


def test_the_place_of_each_wheel_never_jumps(steady: SteadyCore, open_page: OpenPage) -> None:
    """Whoever looks for a second looks where it was: rows keep the order of the vehicle file, whatever is urgent."""
    page = shown(steady, open_page, hot_vehicle())
    before = [row["position"] for row in rows_of(page)]
    hotter = [replace(d, body_c=125.0, state="over_limit", state_text="x") for d in hot_vehicle().dampers[3:]]
    steady.show(snapshot(1, dampers=(*hot_vehicle().dampers[:3], *hotter)))
    expect(page.locator("#dampers .state-word").last).to_have_text("over limit")
    assert [row["position"] for row in rows_of(page)] == before == [p.replace("_", " ") for p in POSITIONS]
