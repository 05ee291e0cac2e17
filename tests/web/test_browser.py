"""The pages in a real browser, on a phone and on a desk."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import pytest
from playwright.sync_api import Browser, expect

from dutylog.domain.quantity import quantity_text
from dutylog.engine.state import STATES, damper_state
from dutylog.publish.snapshot import ChannelNow, DeviceNow, DeviceState, SourceNow, VehicleName
from dutylog.web.publish_watch import NOT_RUNNING, PublishNow, Told
from dutylog.web.publish_watch import STATES as TOLD
from web.browser_pages import DESK, PHONE, WAIT_MS, SteadyCore, ThreadedPages, axe_problems, rows_of
from web.conftest import page_process
from web.core_socket import FakeCore
from web.samples import BODIES_C, HOSTILE, POSITIONS, STROKES, damper_now, damper_summary, snapshot

pytestmark = pytest.mark.browser
# The phone always; the desk with the long forms.
SIZES = pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.slow)], ids=["phone", "desk"])
PATHS = ["/", "/trips", "/trips/3", "/dampers", "/dampers/SN-rear_left", "/dampers/SN-rear_left/gas", "/trips/99"]
PATHS += ["/dampers/SN-rear_left/life", "/dampers/SN-rear_left/life/oil", "/due"]
LIVE_SHAPES = ("rising", "falling", "steady", "act_now", "advice", "passed", "stale", "damping-lost")


@SIZES
def test_page_shows_what_core_says(
    pages: ThreadedPages, steady: SteadyCore, open_page: Callable[..., Any], size: dict[str, Any]
) -> None:
    """Every figure on the page equals the snapshot, rounded for people; nothing comes from elsewhere."""
    steady.show(snapshot(1))
    page, watch = open_page("/", size)
    expect(page.locator("#dampers .row")).to_have_count(4)
    rows = rows_of(page)
    assert [row["position"] for row in rows] == [p.replace("_", " ") for p in POSITIONS]
    assert [row["body"] for row in rows] == [f"{round(b)}°C" for b in BODIES_C]
    assert [row["heat"] for row in rows] == ["610 W", "780 W", "1.46 kW", "1.24 kW"]
    assert [row["bar"] for row in rows] == ["41.8%", "53.3%", "100.0%", "84.8%"]
    assert [row["strokes"] for row in rows] == [str(s) for s in STROKES]
    assert [row["state"] for row in rows] == ["ok", "warm", "hot", "ok"]
    assert rows[2]["advice"] == damper_state(113.2, 120.0, (), True)[1]
    assert page.locator("#vehicle").inner_text() == "Demo truck"
    assert page.locator(".facts").inner_text().split("\n") == [
        "Trip 7", "0:42:10", "Speed", "66\u00a0km/h", "Air", "31\u00a0°C",
    ]  # fmt: skip
    expect(page.locator("#link-word")).to_have_text("live")
    assert {url.split("/", 3)[2] for url in watch.requests} == {pages.address.split("/")[2]}
    assert watch.complaints == []


@SIZES
def test_page_fits_and_is_large_enough(
    pages: ThreadedPages, open_page: Callable[..., Any], size: dict[str, Any]
) -> None:
    """Readable in sunlight, usable with gloves: no sideways scrolling, four rows in sight, targets of 48 px."""
    pages.core.push(snapshot(1, dampers=tuple(damper_now(p) for p in POSITIONS)))
    page, _ = open_page("/", size)
    expect(page.locator("#dampers .row")).to_have_count(4)
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    boxes = [row.bounding_box() for row in page.locator("#dampers .row").all()]
    assert max(box["y"] + box["height"] for box in boxes if box) <= size["viewport"]["height"]
    sizes = page.evaluate(
        "() => [...document.querySelectorAll('#dampers .number')].map((e) => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 40
    for target in page.locator("header a, header button").all():
        box = target.bounding_box()
        assert box
        assert box["height"] >= 48
        assert box["width"] >= 48


@SIZES
@pytest.mark.parametrize("path", PATHS)
def test_no_page_is_wider_than_the_screen(
    pages: ThreadedPages, open_page: Callable[..., Any], size: dict[str, Any], path: str
) -> None:
    """Long names and serials break instead of pushing the page sideways."""
    long = "W" * 90
    pages.view.damper_rows = [replace(damper_summary(p), label=long, serial=long, profile=long) for p in POSITIONS]
    pages.view.damper_rows[2] = replace(pages.view.damper_rows[2], serial="SN-rear_left")
    pages.view.trip_rows = [replace(row, name=long[:60]) for row in pages.view.trip_rows]
    dampers = tuple(damper_now(p + "_" + long[:60], serial=long, faults=("travel_stuck", "spike")) for p in POSITIONS)
    pages.core.push(snapshot(1, vehicle=VehicleName("v", long), dampers=dampers, speed_mps=None))
    page, _ = open_page(path, size)
    if path == "/":
        expect(page.locator("#dampers .row")).to_have_count(4)
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0


@SIZES
def test_values_follow_core_and_the_stop_is_said_within_seconds(
    steady: SteadyCore, open_page: Callable[..., Any], size: dict[str, Any]
) -> None:
    """Old figures must never pass for new ones."""
    steady.show(snapshot(1))
    page, watch = open_page("/", size)
    number = page.locator("#dampers .number").first
    expect(number).to_have_text("88")
    hotter = (damper_now("front_left", body_c=121.0), *snapshot().dampers[1:])
    steady.show(snapshot(2, dampers=hotter))
    expect(number).to_have_text("121")
    expect(page.locator("#spoken")).to_have_text("front left: over limit")
    expect(page.locator("#link-word")).to_have_text("live")
    expect(page.locator("#dampers .old").first).to_be_hidden()
    steady.show(None)
    expect(page.locator("#link-word")).to_have_text("stale")
    expect(page.locator("#link-text")).to_have_text(re.compile(r"no new data for [2-9] s"))
    for word in page.locator("#dampers .old").all():
        expect(word).to_be_visible()
        assert word.inner_text() == "old"
    expect(number).to_have_text("121")
    steady.show(snapshot(3))
    expect(page.locator("#link-word")).to_have_text("live")
    expect(number).to_have_text("88")
    assert watch.complaints == []


def test_unchanged_states_are_not_announced(steady: SteadyCore, open_page: Callable[..., Any]) -> None:
    """A screen reader that speaks every second is switched off."""
    steady.show(snapshot(1))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#dampers .row")).to_have_count(4)
    page.evaluate(
        """() => { window.spoken = 0;
        new MutationObserver((all) => { window.spoken += all.length; })
            .observe(document.getElementById("spoken"), { childList: true, characterData: true, subtree: true }); }"""
    )
    for seq in range(2, 6):
        steady.show(snapshot(seq, dampers=tuple(replace(d, heat_w=100.0 * seq) for d in snapshot().dampers)))
        expect(page.locator("#dampers .heat-text").first).to_have_text(f"{100 * seq}\u00a0W")
    assert page.evaluate("window.spoken") == 0
    steady.show(snapshot(6, dampers=(damper_now("front_left", body_c=101.0), *snapshot().dampers[1:])))
    expect(page.locator("#spoken")).to_have_text("front left: warm")


TOLD_STATES = (*TOLD, NOT_RUNNING)
DEVICE_STATES = get_args(DeviceState)


def test_who_is_told_is_a_shape_and_words(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """A broker that refuses us shows where the crew looks; where nobody is told nothing stands there."""
    pages.core.push(snapshot(1))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#dampers .row")).to_have_count(4)
    expect(page.locator("#told")).to_be_hidden()
    told = (Told("mqtt", "well", acked_age_s=1.0), Told("influxdb", "refused", 42, 3, 0, 9.0, "<b>token refused</b>"))
    pages.feed.publish = PublishNow(told)
    pages.core.push(snapshot(2))
    expect(page.locator("#told")).to_have_text(
        "Published: broker welldatabase refuses us, 42 wait, 3 dropped, <b>token refused</b>"
    )
    shapes = page.evaluate("() => [...document.querySelectorAll('#told use')].map((u) => u.getAttribute('href'))")
    assert shapes == ["#shape-told-well", "#shape-told-refused"]
    assert page.locator("#told b").count() == 0
    pages.feed.publish = PublishNow((Told("publish", NOT_RUNNING),))
    pages.core.push(snapshot(3))
    expect(page.locator("#told")).to_have_text("Published: publishing isn't running")


def test_sensors_that_do_not_work_say_what_to_do(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """A plug that shook loose is named with its remedy; where all is well that is one quiet word."""
    page, _ = open_page("/", PHONE)
    pages.core.push(snapshot(1))
    expect(page.locator("#vehicle")).not_to_have_text("Live")
    expect(page.locator("#sensors")).to_be_hidden()
    open_circuit = ChannelNow("front_left", "body_temperature", "wrong", "open: <b>check its plug</b>")
    good = DeviceNow("i2c-1", "working", "", {"reads": 5}, (ChannelNow("", "ambient_temperature", "working"),))
    bad = DeviceNow("i2c-2", "working", "", {}, (open_circuit,))
    lost = DeviceNow("bridge", "lost", "not at /dev/bridge; plug it in", {"lost": 1}, (open_circuit,))
    pages.core.push(snapshot(2, devices=(lost, good, bad)))
    expect(page.locator("#sensors")).to_have_text(
        "Sensors: bridge lost: not at /dev/bridge; plug it in"
        "front_left body temperature wrong: open: <b>check its plug</b>"
    )
    shapes = page.evaluate("() => [...document.querySelectorAll('#sensors use')].map((u) => u.getAttribute('href'))")
    assert shapes == ["#shape-device-lost", "#shape-device-wrong"]
    assert "sensors: bridge lost (not at /dev/bridge; plug it in)" in page.request.get(page.url + "health").text()
    pages.core.push(snapshot(3, devices=(good,)))
    expect(page.locator("#sensors")).to_have_text("Sensors: all working")


def test_every_state_has_its_own_word_and_shape(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """Not by colour alone."""
    dampers = tuple(damper_now(f"at_{state}", state=state, state_text=f"do {state}") for state in STATES)
    pages.core.push(snapshot(1, dampers=dampers))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#dampers .row")).to_have_count(len(STATES))
    rows = rows_of(page)
    assert [row["shape"] for row in rows] == [f"#shape-{state}" for state in STATES]
    assert [row["state"].replace(" ", "_") for row in rows] == list(STATES)
    drawings = page.evaluate("() => [...document.querySelectorAll('symbol')].map((s) => s.innerHTML)")
    assert len(set(drawings)) == len(drawings) == len((*STATES, *TOLD_STATES, *DEVICE_STATES, *LIVE_SHAPES))
    seen = page.evaluate("() => [...document.querySelectorAll('#dampers .shape')].map((s) => s.getBBox().height)")
    assert min(seen) > 10


def test_unknown_is_never_zero(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """No GPS, no thermocouple, no travel, no trip."""
    bare = damper_now("front_left", body_c=None, heat_w=None, trip_strokes_count=None, serial=None)
    pages.core.push(snapshot(1, dampers=(bare,), speed_mps=None, ambient_c=None, trip=None))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#dampers .row")).to_have_count(1)
    row = rows_of(page)[0]
    assert (row["body"], row["heat"], row["strokes"], row["bar"]) == ("–", "–", "–", "0.0%")
    assert page.locator(".facts").inner_text().split("\n") == ["Trip", "none", "Speed", "unknown", "Air", "–"]


def test_waiting_ended_and_changed_vehicles_are_shown(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """The page stays open over starts and stops of the logger."""
    page, watch = open_page("/", PHONE)
    expect(page.locator("#link-word")).to_have_text("waiting")
    expect(page.locator("#empty")).to_be_visible()
    pages.core.push(snapshot(1, dampers=tuple(damper_now(p) for p in ("a", "b", "c"))))
    expect(page.locator("#dampers .row")).to_have_count(3)
    expect(page.locator("#empty")).to_be_hidden()
    ended = SourceNow("recording", "run.parquet", "ended", "the recording is at its end")
    pages.core.push(snapshot(1, boot_id="b", source=ended, dampers=tuple(damper_now(p) for p in ("c", "d"))))
    expect(page.locator("#notice")).to_have_text("the recording is at its end")
    assert [row["position"] for row in rows_of(page)] == ["c", "d"]
    assert watch.complaints == []


def test_hostile_names_stay_text(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """Names come from files and labels; none may run or draw anything."""
    hostile = damper_now(HOSTILE[:90], serial=HOSTILE, state_text=HOSTILE, state="hot", faults=(HOSTILE[:60],))
    pages.core.push(snapshot(1, vehicle=VehicleName("v", HOSTILE), dampers=(hostile,)))
    page, watch = open_page("/", DESK)
    expect(page.locator("#vehicle")).to_have_text(HOSTILE)
    expect(page.locator("#dampers .serial")).to_have_text(HOSTILE)
    assert page.locator("main img, main script").count() == 0
    assert watch.complaints == []


def test_units_are_chosen_once_for_all_pages(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """The choice is kept in the browser; one function converts everywhere."""
    pages.core.push(snapshot(1))
    page, watch = open_page("/", PHONE)
    expect(page.locator("#dampers .row")).to_have_count(4)
    page.get_by_role("button", name="Units").tap()
    expect(page.locator("#units-now")).to_have_text("°F, mi")
    assert [row["body"] for row in rows_of(page)] == [f"{round(b * 9 / 5 + 32)}°F" for b in BODIES_C]
    assert page.locator("#speed").inner_text() == "41\u00a0mph"
    page.goto(pages.address + "trips/1")
    expect(page.locator("#units-now")).to_have_text("°F, mi")
    assert "51.2\u00a0mi" in page.locator(".facts").inner_text()
    assert "236\u00a0°F" in page.locator("table").inner_text()
    page.get_by_role("button", name="Units").tap()
    assert "82.4\u00a0km" in page.locator(".facts").inner_text()
    assert watch.complaints == []


def test_script_and_server_write_the_same_metric_texts(pages: ThreadedPages, open_page: Callable[..., Any]) -> None:
    """Else a page would change its figures when the units are switched there and back."""
    page, _ = open_page("/health", DESK)
    values = [0.0, 0.04, 0.5, 0.94319, 0.9999, 1.0, 9.95, 12.5, 59.9, 88.5, 99.95, 999.4, 999.5, 1000.0, 41_250.0]
    values += [123_456.0, 999_949.0, 1.2345e6, 9.999e8, 2.5e9, -0.4, -12.5, -40.0]
    kinds = ("temperature_c", "pressure_pa", "pressure_fine_pa", "distance_m", "far_m", "per_m")
    kinds += ("energy_j", "duration_s", "ratio", "count")
    cases = [
        (kind, value) for kind in kinds for value in [*values, None] if value is None or value >= 0 or "_c" in kind
    ]
    ours = [quantity_text(kind, value) for kind, value in cases]
    source = (Path(__file__).parents[2] / "src/dutylog/web/static/quantity.js").read_text(encoding="utf-8")
    page.evaluate(source.replace("export ", "") + "\nglobalThis.formatQuantity = formatQuantity;")
    theirs = page.evaluate("(cases) => cases.map(([kind, value]) => formatQuantity(kind, value, 'metric'))", cases)
    assert dict(zip(cases, theirs, strict=True)) == dict(zip(cases, ours, strict=True))


@SIZES
@pytest.mark.parametrize("path", PATHS)
def test_headings_landmarks_and_keyboard(
    pages: ThreadedPages, open_page: Callable[..., Any], size: dict[str, Any], path: str
) -> None:
    """Everything that can be touched can be reached with the Tab key, in order, and shows that it is."""
    pages.core.push(snapshot(1))
    page, _ = open_page(path, size)
    assert page.locator("h1").count() == 1
    assert page.locator("main").count() == 1
    assert page.locator("nav").count() == 1
    assert page.title().strip()
    wanted = page.evaluate(
        """() => [...document.querySelectorAll("a[href], button, select, textarea, input, [tabindex='0']")]
            .filter((e) => e.checkVisibility()).length"""
    )
    reached = []
    for _ in range(wanted):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                """() => { const e = document.activeElement; const style = getComputedStyle(e);
                const seen = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
                return [[...document.querySelectorAll("*")].indexOf(e), seen]; }"""
            )
        )
    assert [place for place, _ in reached] == sorted({place for place, _ in reached})
    assert len(reached) == wanted
    assert all(outlined for _, outlined in reached)
    levels = page.evaluate("() => [...document.querySelectorAll('h1, h2, h3')].map((h) => Number(h.tagName[1]))")
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.slow)])
@pytest.mark.parametrize("path", PATHS)
def test_accessibility_checker_finds_nothing(
    steady: SteadyCore, open_page: Callable[..., Any], path: str, scheme: str
) -> None:
    """WCAG 2.1 A and AA rules of axe-core, contrast included, in both schemes of the device."""
    dampers = tuple(damper_now(f"at_{state}", state=state, state_text=f"do {state}") for state in STATES)
    steady.show(snapshot(1, dampers=dampers))
    page, _ = open_page(path, PHONE, color_scheme=scheme, reduced_motion="reduce")
    if path == "/":
        expect(page.locator("#dampers .row")).to_have_count(len(STATES))
    for link in ("live", "stale") if path == "/" else ("any",):
        if link == "stale":
            steady.show(None)
            expect(page.locator("#link-word")).to_have_text("stale")
        assert axe_problems(page) == []


def test_page_comes_back_by_itself_after_the_pages_restarted(fake_core: FakeCore, browser: Browser) -> None:
    """Nobody reloads a page with gloves on; after a restart the row of figures simply goes on."""
    expect.set_options(timeout=WAIT_MS)
    with SteadyCore(fake_core) as steady:
        steady.show(snapshot(1))
        with page_process(fake_core.data_dir) as (_, address):
            port = int(address.rsplit(":", 1)[1])
            page = browser.new_page()
            page.goto(address)
            expect(page.locator("#link-word")).to_have_text("live")
        expect(page.locator("#link-word")).to_have_text("stale")
        with page_process(fake_core.data_dir, port=port):
            steady.show(snapshot(2, dampers=(damper_now("front_left", body_c=64.0),)))
            expect(page.locator("#link-word")).to_have_text("live")
            expect(page.locator("#dampers .number")).to_have_text(["64"])
        page.close()


def test_nothing_on_the_page_moves_by_itself(steady: SteadyCore, open_page: Callable[..., Any]) -> None:
    """prefers-reduced-motion for everyone: a moving bar is hard to read at speed and costs a phone its battery."""
    steady.show(snapshot(1))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#dampers .row")).to_have_count(4)
    steady.show(snapshot(2, dampers=tuple(replace(damper, heat_w=90.0) for damper in snapshot().dampers)))
    expect(page.locator("#dampers .heat-text").first).to_have_text("90\u00a0W")
    moving = page.evaluate(
        """() => [...document.querySelectorAll("*")].map((e) => getComputedStyle(e)).filter((s) =>
            s.transitionDuration.split(", ").some((t) => t !== "0s") || s.animationName !== "none").length"""
    )
    assert moving == 0
    assert page.evaluate("document.getAnimations().length") == 0
