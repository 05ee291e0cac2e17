"""The closer look: ten minutes as a plot and as a table, big type, and the line for radio on the page."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from dutylog.clock import ManualClock
from web.browser_pages import DESK, PHONE, WAIT_MS, SteadyCore, ThreadedPages, rows_of
from web.core_socket import FakeCore
from web.live_samples import OVER, heated, hot_vehicle, six_wheels
from web.samples import POSITIONS, damper_now, fake_ledger, snapshot

pytestmark = pytest.mark.browser
# The phone always; the desk with the long forms.
SIZES = pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.slow)], ids=["phone", "desk"])
OpenPage = Callable[..., Any]
STATIC = Path(__file__).parents[2] / "src" / "dutylog" / "web" / "static"


def load(page: Page, module: str, *names: str) -> None:
    """Make functions of a module known to a page that has none of our scripts."""
    source = re.sub(r"^import .*$", "", STATIC.joinpath(module).read_text("utf-8"), flags=re.MULTILINE)
    page.evaluate(source.replace("export ", "") + "".join(f"\nglobalThis.{name} = {name};" for name in names) + "\n0")


TWELVE_MINUTES = """async () => {
  const { History, minutesOf } = await import("/static/history.js");
  const history = new History();
  // Page time 0 is 55 s before a full minute; two samples a minute, of which the first is the hotter.
  for (let step = 0; step < 24; step++) {
    const bodyC = 50 + 3 * Math.floor(step / 2) + (step % 2 ? 0 : 5);
    history.add(60 + 30 * step, bodyC, bodyC + 20);
  }
  const young = new History();
  young.add(5, 50, null);
  const points = history.points, newestS = points[points.length - 1][0];
  return {
    rows: minutesOf(points, 1_764_000_005_000), oldestS: points[0][0], newestS,
    lengthS: history.lengthS(newestS + 30), young: young.lengthS(35),
  };
}"""


@SIZES
def test_plot_and_table_grow_since_the_page_was_opened(
    fake_core: FakeCore, browser: Browser, size: dict[str, Any]
) -> None:
    """What a screen shows after the first second of a drive, and what its own module keeps of twelve minutes: the
    highest of each minute, ten at most."""
    expect.set_options(timeout=WAIT_MS)
    with ThreadedPages(fake_core, fake_ledger(), fake_core.data_dir, ManualClock(mono_ns=10**12)) as pages:
        page = browser.new_context(**size, timezone_id="UTC").new_page()
        fake_core.push(snapshot(1, dampers=(heated("front_left", "front_left", 0, body_c=50.0),)))
        page.goto(pages.address)
        expect(page.locator("#dampers .number")).to_have_text("50")
        page.locator("#closer").scroll_into_view_if_needed()
        expect(page.locator("#plot-since")).to_contain_text("Only since this page was opened: 0:00:0")
        rows = page.locator("#minutes-rows tr").all_inner_texts()
        assert [re.split(r"[\t\n]+", row.replace("\u00a0", " "))[1] for row in rows] == ["50 °C"]
        assert page.locator("path.plot-body").first.get_attribute("d").count("M") == 1  # type: ignore[union-attr]
        kept = page.evaluate(TWELVE_MINUTES)
        page.context.close()
    assert [(row["bodyC"], row["oilC"]) for row in kept["rows"]] == [(55 + 3 * m, 75 + 3 * m) for m in range(11, 1, -1)]
    assert [row["startMs"] for row in kept["rows"]] == [1_764_000_060_000 + 60_000 * m for m in range(11, 1, -1)]
    assert kept["oldestS"] >= kept["newestS"] - 600
    assert (kept["lengthS"], kept["young"]) == (600, 30)


def test_table_of_minutes_keeps_gaps_and_drops_nothing(steady: SteadyCore, open_page: OpenPage) -> None:
    """A minute without readings is a dash, not a minute less."""
    steady.show(snapshot(1))
    page, _ = open_page("/health", DESK)
    load(page, "history.js", "History", "minutesOf", "pathOf")
    rows = page.evaluate(
        "() => minutesOf([[0, 80, null], [30, 90, 100], [70, null, 101], [200, 85, 99]], 1_764_000_000_000)"
    )
    zero = 1_764_000_000_000
    assert rows == [
        {"startMs": zero + 180_000, "bodyC": 85, "oilC": 99},
        {"startMs": zero + 120_000, "bodyC": None, "oilC": None},
        {"startMs": zero + 60_000, "bodyC": None, "oilC": 101},
        {"startMs": zero, "bodyC": 90, "oilC": 100},
    ]
    assert page.evaluate("() => minutesOf([], 0)") == []
    path = "() => pathOf([[0, 1], [1, 2], [2, null], [3, 4], [4, 5], [20, 6]], 1, (x) => x, (y) => y)"
    assert page.evaluate(path) == "M0.0 1.0L1.0 2.0M3.0 4.0L4.0 5.0M20.0 6.0"
    kept = """() => { const h = new History(); for (let s = 0; s <= 2000; s += 0.25) h.add(s, s, undefined);
        return [h.points.length, h.points[0][0], h.points.at(-1)[0], h.lengthS(2000), h.points[0][2]]; }"""
    count, first, last, length, oil = page.evaluate(kept)
    assert (count, last, length, oil) == (601, 2000, 600, None)
    assert first == 1400


def test_plot_has_its_limits_a_legend_and_round_ticks(steady: SteadyCore, open_page: OpenPage) -> None:
    """Four lines that differ in dashes, each with a word and its value."""
    steady.show(hot_vehicle())
    page, _ = open_page("/", DESK)
    page.locator("#closer").scroll_into_view_if_needed()
    expect(page.locator("#plot-legend li").first).to_be_visible()
    legend = [text.replace("\u00a0", " ") for text in page.locator("#plot-legend li").all_inner_texts()]
    assert legend == ["body 88 °C", "oil, estimate 101 °C", "body limit 120 °C", "oil limit 140 °C"]
    dashes = page.evaluate(
        "() => [...document.querySelectorAll('#plot-legend path')].map((p) => getComputedStyle(p).strokeDasharray)"
    )
    assert len(set(dashes)) == 4
    expect(page.locator("path.plot-body-limit").first).to_have_attribute("d", re.compile(r"M\d"))
    ticks = [text for text in page.locator(".plot-grid text").all_text_contents() if text]
    steps = {int(b) - int(a) for a, b in itertools.pairwise(ticks)}
    assert len(steps) == 1
    page.click("#units")
    assert page.locator("#plot-legend li").first.inner_text().replace("\u00a0", " ") == "body 191 °F"
    page.select_option("#closer-damper", "rear_left")
    assert page.locator("#plot").get_attribute("aria-label") == (
        "rear left, last 10 minutes: body and estimated oil against their limits; the same numbers stand in the table"
    )


def test_sentences_of_the_logger_stand_beside_the_plot(steady: SteadyCore, open_page: OpenPage) -> None:
    """What a stop buys, what pace holds, what damping does: one line each, none where there is nothing to say."""
    damper = heated("front_left", "front_left", 1, damping_state="steady", damping_text="as before")
    damper = replace(damper, stop_text="body rises to 96 °C (92 to 99) about 4 min after the stop")
    extra = {"gas_pa": 1.38e6, "gas_20c_pa": 1.2e6, "cavitation_s": 12.4}
    known = {name: value for name, value in extra.items() if name in damper.__dataclass_fields__}
    steady.show(snapshot(1, dampers=(replace(damper, **known), damper_now("front_right"))))
    page, _ = open_page("/", DESK)
    expect(page.locator("#fact-stop")).to_be_visible()
    facts = page.evaluate(
        """() => Object.fromEntries([...document.querySelectorAll(".closer-facts div")].filter((e) => !e.hidden)
            .map((e) => [e.id.slice(5), e.querySelector("dd").textContent.replaceAll("\\u00a0", " ")]))"""
    )
    assert facts["forecast"] == "about 12 min to the limit at this pace (9 to 17)"
    assert facts["pace"] == "at this surface, holds at 45 km/h (38 to 52)"
    assert facts["damping"] == "as before"
    assert facts["heat"] == "700 W"
    if "gas_pa" in known:
        assert facts["gas"] == "13.8 bar gauge; 12.0 bar at 20 °C and full extension"
        assert facts["cavitation"] == "12 s beyond the margin in this trip"
    page.select_option("#closer-damper", "front_right")
    expect(page.locator("#fact-stop")).to_be_hidden()
    expect(page.locator("#fact-pace")).to_be_hidden()


@SIZES
def test_big_type_shows_the_most_urgent_damper_and_the_others_small(
    steady: SteadyCore, open_page: OpenPage, size: dict[str, Any]
) -> None:
    """For a co-driver at arm's length: one damper fills the screen; which one doesn't flicker."""
    steady.show(hot_vehicle())
    page, watch = open_page("/", size)
    expect(page.locator("#dampers .row")).to_have_count(4)
    page.click("#big-switch")
    huge = page.locator("#big .row")
    expect(huge.locator(".position")).to_have_text("rear left")
    assert huge.locator(".number").inner_text() == "113"
    assert huge.locator(".ahead-number").inner_text() == "2"
    height = float(huge.locator(".number").evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)"))
    small = float(page.locator("#dampers .number").first.evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)"))
    assert height >= 100.0
    assert small <= 30.0
    visible = page.evaluate(
        "() => [...document.querySelectorAll('#dampers .row')].filter((r) => r.checkVisibility()).length"
    )
    assert visible == 3
    box = huge.locator(".ahead").bounding_box()
    assert box
    assert box["y"] + box["height"] <= size["viewport"]["height"]
    dampers = hot_vehicle().dampers
    over = replace(dampers[0], body_c=125.0, state="over_limit", state_text="ease off", **OVER)
    steady.show(snapshot(1, dampers=(over, *dampers[1:])))
    expect(huge.locator(".position")).to_have_text("front left")
    page.reload()
    expect(page.locator("#big .position")).to_have_text("front left")
    page.click("#big-switch")
    expect(page.locator("#big")).to_be_hidden()
    assert [row["position"] for row in rows_of(page)] == [p.replace("_", " ") for p in POSITIONS]
    assert watch.complaints == []


def test_line_on_the_page_is_the_one_of_the_pages_and_can_be_copied(steady: SteadyCore, open_page: OpenPage) -> None:
    """One wording, whoever asks: the page fetches it, in the reader's units and zone, and copies it."""
    steady.show(six_wheels())
    granted = ["clipboard-read", "clipboard-write"]
    page, watch = open_page("/", PHONE, timezone_id="America/Phoenix", permissions=granted)
    expect(page.locator("#dampers .row")).to_have_count(8)
    page.get_by_role("button", name="Copy line").tap()
    expect(page.locator("#line-said")).to_have_text("Copied.")
    line = page.locator("#line-text").input_value()
    assert line == page.request.get(page.url + "line?utc_offset_min=-420").text().strip()
    assert page.evaluate("navigator.clipboard.readText()") == line
    assert line.startswith("rear left bypass 121 C body")
    page.click("#units")
    page.get_by_role("button", name="Copy line").tap()
    expect(page.locator("#line-text")).to_have_value(re.compile("rear left bypass 251 F body"))
    assert watch.complaints == []


def test_line_can_be_selected_where_the_browser_refuses_to_copy(steady: SteadyCore, open_page: OpenPage) -> None:
    """Plain http to another machine has no clipboard: the line stands there, selected."""
    steady.show(snapshot(1))
    page, _ = open_page("/", PHONE)
    page.evaluate(
        """() => { Object.defineProperty(navigator, "clipboard", { value: undefined });
        document.execCommand = () => false; }"""
    )
    page.get_by_role("button", name="Copy line").tap()
    expect(page.locator("#line-said")).to_have_text(
        "Select the line and copy it: this browser doesn't let the page do it."
    )
    chosen = page.evaluate("(() => { const b = document.activeElement; return b.selectionEnd - b.selectionStart; })()")
    assert chosen == len(page.locator("#line-text").input_value()) > 10
    page.route("**/line*", lambda route: route.abort())
    page.get_by_role("button", name="Copy line").tap()
    expect(page.locator("#line-said")).to_have_text("No line: the pages can't be reached; try again.")
