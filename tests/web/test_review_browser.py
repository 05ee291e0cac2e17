"""The page of a trip in a real browser: looked at, touched, zoomed, and waited for."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dutylog.clock import SystemClock
from dutylog.domain.quantity import KINDS, SYSTEMS, quantity_text
from dutylog.review.trip_data import Fault
from dutylog.web.access import Access
from dutylog.web.access_code import write_code
from dutylog.web.review_desk import ReviewDesk
from review.made_trips import made_review, made_trip
from web.access_parts import CODE, quick_code
from web.browser_pages import DESK, PHONE, ThreadedPages, axe_problems
from web.core_socket import FakeCore
from web.review_samples import IDLE, program, write_review
from web.samples import HOSTILE, fake_ledger

pytestmark = pytest.mark.browser
SIZES = pytest.mark.parametrize(
    "size", [pytest.param(PHONE, id="phone"), pytest.param(DESK, id="desk", marks=pytest.mark.slow)]
)
SECONDS = 9000
FIGURES = ("body", "heat", "lanes", "speed", "strokes", "position", "track")


@pytest.fixture
def made() -> Any:
    """Give the trip that is shown: two and a half hours."""
    return made_trip(SECONDS, key="1")


@pytest.fixture
def program_of_desk() -> tuple[str, ...]:
    """Give what stands in for the command; a test may bring its own."""
    return IDLE


@pytest.fixture
def pages(fake_core: FakeCore, made: Any, program_of_desk: tuple[str, ...]) -> Iterator[ThreadedPages]:
    """Give pages whose data folder has a review of trip 1, and a code to sign in with."""
    data_dir = fake_core.data_dir
    if made is not None:
        write_review(data_dir, "1", made)
    write_code(data_dir, quick_code())
    access = Access(data_dir, SystemClock(), lambda _line: None)
    desk = ReviewDesk(data_dir, program=program_of_desk)
    with ThreadedPages(fake_core, fake_ledger(), data_dir, access=access, desk=desk) as running:
        yield running


def drawn(page: Page) -> Page:
    """Wait for the pictures."""
    expect(page.locator("html[data-pictures=drawn]")).to_have_count(1)
    return page


def shown_range(page: Page) -> tuple[float, float]:
    """Return the stretch of time that the pictures show [s]."""
    low, high = page.evaluate("document.querySelector('#fig-body .rv-plot').layout.xaxis.range")
    return low, high


class Finger:
    """Touches as a phone sends them, through the browser's own input."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._line = page.context.new_cdp_session(page)

    def send(self, kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        self._line.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def swipe(self, start: tuple[float, float], end: tuple[float, float], lift: bool = True) -> None:
        self.send("touchStart", start)
        for step in range(1, 11):
            self.send("touchMove", *[tuple(a + (b - a) * step / 10 for a, b in zip(start, end, strict=True))])  # type: ignore[list-item]
            self._page.wait_for_timeout(16)
        if lift:
            self.send("touchEnd")

    def pinch(self, x: float, y: float, before: float, after: float) -> None:
        self.send("touchStart", (x - before, y))
        self.send("touchStart", (x - before, y), (x + before, y))
        for step in range(1, 11):
            apart = before + (after - before) * step / 10
            self.send("touchMove", (x - apart, y), (x + apart, y))
            self._page.wait_for_timeout(16)
        self.send("touchEnd")

    def double_tap(self, x: float, y: float) -> None:
        for _ in range(2):
            self.send("touchStart", (x, y))
            self.send("touchEnd")


def middle_of(page: Page, figure: str) -> tuple[float, float]:
    stage = page.locator(f"#fig-{figure} .rv-touch")
    stage.scroll_into_view_if_needed()
    box = stage.bounding_box()
    assert box
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


# -- looked at


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        pytest.param(PHONE, "light", id="phone-light"),
        pytest.param(DESK, "dark", id="desk-dark", marks=pytest.mark.slow),
        pytest.param(PHONE, "dark", id="phone-dark", marks=pytest.mark.slow),
        pytest.param(DESK, "light", id="desk-light", marks=pytest.mark.slow),
    ],
)
def test_the_page_fits_and_the_checker_finds_nothing(
    open_page: Callable[..., Any], pages: ThreadedPages, size: dict[str, Any], scheme: str
) -> None:
    """No sideways scroll, nothing for axe-core, nothing from elsewhere, and the policy of the pages holds."""
    page, watch = open_page("/trips/1", size, color_scheme=scheme, reduced_motion="reduce")
    drawn(page)
    for name in FIGURES:
        assert page.locator(f"#fig-{name} .rv-plot svg.main-svg").count() > 0, name
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert axe_problems(page) == []
    assert {url.split("/", 3)[2] for url in watch.requests} == {pages.address.split("/")[2]}
    assert watch.complaints == []
    assert page.evaluate("document.getAnimations().length") == 0


@SIZES
def test_everything_to_touch_is_large_enough(open_page: Callable[..., Any], size: dict[str, Any]) -> None:
    """Gloves: 44 px or more each way."""
    page, _ = open_page("/trips/1", size)
    drawn(page)
    boxes = page.evaluate(
        """() => [...document.querySelectorAll("main button, main select, main summary, main input, main nav a")]
            .filter((e) => e.checkVisibility()).map((e) => [e.outerHTML.slice(0, 60), e.offsetHeight, e.offsetWidth])"""
    )
    assert len(boxes) > 15
    assert [box for box in boxes if box[1] < 44 or box[2] < 34] == []


def test_lines_and_levels_differ_without_colour(open_page: Callable[..., Any]) -> None:
    """Each damper has dashes of its own, in its button and in its line; each step of heat a width."""
    page, _ = open_page("/trips/1", PHONE)
    drawn(page)
    dashes = page.evaluate(
        "[...document.querySelectorAll('#lines path')].map((e) => e.getAttribute('stroke-dasharray'))"
    )
    assert len(set(dashes)) == len(dashes) == 4
    drawings = page.evaluate(
        "document.querySelector('#fig-body .rv-plot').data.slice(0, 4).map((one) => one.line.dash)"
    )
    assert len(set(drawings)) == 4
    widths = page.evaluate(
        "[...document.querySelectorAll('#track-steps path')].map((e) => Number(e.getAttribute('stroke-width')))"
    )
    assert widths == sorted(set(widths))
    assert len(widths) == 5
    assert len(set(page.locator("#track-steps b").all_inner_texts())) == 5


def test_pictures_show_the_numbers_of_the_trip(open_page: Callable[..., Any], made: Any) -> None:
    """What is drawn is what was measured, in the reader's units, and follows when they change."""
    page, watch = open_page("/trips/1", PHONE)
    drawn(page)
    highest = f"Math.max(...document.querySelector('#fig-body .rv-plot').data[3].y.filter((value) => value !== null))"  # noqa: F541
    hottest_c = float(made.dampers[3].body_c.max())
    assert page.evaluate(highest) == pytest.approx(hottest_c, abs=0.06)
    assert quantity_text("temperature_c", hottest_c) in page.locator("#lines li").nth(3).inner_text()
    page.get_by_role("button", name="Units").tap()
    assert page.evaluate(highest) == pytest.approx(hottest_c * 1.8 + 32, abs=0.11)
    assert quantity_text("temperature_c", hottest_c, "us") in page.locator("#lines li").nth(3).inner_text()
    assert "in/s" in page.locator("#fig-speed .rv-said").inner_text()
    assert watch.complaints == []


@pytest.mark.slow
def test_a_theme_that_changes_changes_the_pictures(open_page: Callable[..., Any]) -> None:
    """Sun and night reach the lines too."""
    page, _ = open_page("/trips/1", PHONE)
    drawn(page)
    seen = set()
    for _ in range(3):
        page.get_by_role("button", name="Theme").tap()
        page.wait_for_timeout(300)
        seen.add(page.evaluate("document.querySelector('#fig-body .rv-plot').data[0].line.color"))
    assert len(seen) == 3


def test_every_picture_has_its_table(open_page: Callable[..., Any]) -> None:
    """Who can't see a picture gets its figures; tables are made when they are opened."""
    page, _ = open_page("/trips/1", DESK)
    drawn(page)
    for name in FIGURES:
        assert page.locator(f"#fig-{name} table").count() == 0
        page.locator(f"#fig-{name} summary").click()
        expect(page.locator(f"#fig-{name} table")).to_have_count(1)
        assert page.locator(f"#fig-{name} tbody tr").count() >= 2, name
        assert (
            page.locator(f"#fig-{name} thead th").count()
            == page.locator(f"#fig-{name} tbody tr").first.locator("th, td").count()
        )
        assert page.locator(f"#fig-{name} .rv-plot").get_attribute("aria-hidden") == "true"
    assert "washboard" in page.locator("#fig-lanes table").inner_text()
    assert "bottomed" in page.locator("#fig-lanes table").inner_text()
    text = page.locator("#fig-strokes .rv-said").inner_text().replace("\u202f", " ").replace("\u00a0", " ")
    assert re.fullmatch(r"Most: 42 000 strokes of below 10 mm at 12 to 15 Hz, \d+ % of all", text), text


def test_a_damper_is_chosen_and_lines_are_switched(open_page: Callable[..., Any]) -> None:
    """By keyboard alone."""
    page, _ = open_page("/trips/1", DESK)
    drawn(page)
    before = page.evaluate("document.querySelector('#fig-position .rv-plot').layout.shapes.length")
    page.get_by_label("Damper", exact=True).select_option("0")
    assert before == page.evaluate("document.querySelector('#fig-position .rv-plot').layout.shapes.length") == 3
    button = page.get_by_role("button", name="front left")
    button.focus()
    page.keyboard.press("Enter")
    expect(button).to_have_attribute("aria-pressed", "false")
    assert page.evaluate("document.querySelector('#fig-heat .rv-plot').data[0].visible") is False


# -- waited for


@pytest.mark.parametrize("made", [None])
@pytest.mark.parametrize("program_of_desk", ["gate"])
def test_the_page_waits_for_its_review_and_shows_it(
    fake_core: FakeCore, browser: Any, tmp_path: Path, made: Any, program_of_desk: str
) -> None:
    """The first look at a trip: progress in words, then the verdict, nobody touches anything."""
    gate, data_dir = tmp_path / "gate", fake_core.data_dir
    made_folder = write_review(tmp_path / "made", "1")
    code = (
        "import os, shutil, sys, time\n"
        "sys.stderr.write('progress 0.42\\n'); sys.stderr.flush()\n"
        f"while not os.path.exists({str(gate)!r}): time.sleep(0.02)\n"
        f"shutil.copytree({str(made_folder)!r}, {str(data_dir / 'reviews' / 'trip-1')!r})\n"
    )
    desk = ReviewDesk(data_dir, program=program(code))
    with ThreadedPages(fake_core, fake_ledger(), data_dir, desk=desk) as pages:
        page = browser.new_context(**PHONE).new_page()
        page.goto(pages.address + "trips/1")
        bar = page.get_by_role("progressbar", name="Review of this trip")
        expect(bar).to_have_attribute("aria-valuenow", "42")
        expect(page.locator("#review-words")).to_have_text("Goes through the samples of this trip: 42\u00a0%")
        assert "1.21\u00a0MJ" in page.locator("main").inner_text()
        assert axe_problems(page) == []
        gate.touch()
        expect(page.locator(".rv-sentences li").first).to_contain_text("rear right bottomed")
        drawn(page)
        expect(bar).to_be_hidden()
        page.context.close()


@pytest.mark.parametrize("made", [None])
@pytest.mark.parametrize("program_of_desk", [program("import sys; sys.exit('dutylog: its log is gone')")])
def test_a_review_that_fails_says_why(open_page: Callable[..., Any]) -> None:
    """On the page itself, with a button to try again; the rest of the page is whole."""
    page, _ = open_page("/trips/1", PHONE)
    expect(page.locator("#review-problem")).to_have_text("The review of this trip could not be made: its log is gone")
    expect(page.get_by_role("button", name="Review it now")).to_be_visible()
    assert "1.21\u00a0MJ" in page.locator("main").inner_text()
    assert axe_problems(page) == []


def test_pictures_that_can_not_come_are_said(open_page: Callable[..., Any], fake_core: FakeCore) -> None:
    """The file is gone, or another program wrote it: verdict and tables stay."""
    path = fake_core.data_dir / "reviews" / "trip-1" / "plots.json.gz"
    path.unlink()
    page, _ = open_page("/trips/1", PHONE)
    expect(page.locator("#pictures-problem")).to_have_text(
        "No pictures: none are kept of trip '1'; the button on its page makes them"
    )
    expect(page.locator("#pictures")).to_be_hidden()
    expect(page.locator("#review .rv-sentences li")).to_have_count(3)


def test_without_a_script_all_but_pictures_is_there(open_page: Callable[..., Any]) -> None:
    """Verdict, duty, roads, hits, heights, care."""
    page, _ = open_page("/trips/1", PHONE, java_script_enabled=False)
    text = page.locator("main").inner_text()
    for said in ("bottomed 14 times", "washboard", "Hardest hits", "Standing height", "need a script"):
        assert said in text
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0


@pytest.mark.parametrize(
    "made",
    [
        pytest.param(
            made_trip(1200, key="1", with_gps=False, with_speed=False, with_body=False), marks=pytest.mark.slow
        ),
        made_trip(5, key="1"),
    ],
    ids=["bare", "seconds"],
)
@SIZES
def test_vehicles_that_measure_little_have_a_page(open_page: Callable[..., Any], size: dict[str, Any]) -> None:
    """No GPS, no speed, no thermocouples; and a trip of five seconds."""
    page, watch = open_page("/trips/1", size)
    drawn(page)
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert axe_problems(page) == []
    assert watch.complaints == []


def test_names_in_pictures_stay_text(open_page: Callable[..., Any], fake_core: FakeCore) -> None:
    """Positions are free names: the script that draws must not read them as its own marks."""
    data = made_trip(1200, key="1")
    dampers = tuple(replace(one, position=HOSTILE[:60]) for one in data.dampers)
    contacts = tuple(replace(one, position=HOSTILE[:60]) for one in data.contacts)
    still = dampers[0].measured_us.copy()
    still[:300] = 0
    data = replace(data, dampers=(replace(dampers[0], measured_us=still), *dampers[1:]), contacts=contacts)
    write_review(fake_core.data_dir, "1", data, made_review(data))
    page, watch = open_page("/trips/1", DESK)
    drawn(page)
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert page.locator("main img, main script").count() == 0
    assert page.locator("#fig-lanes .annotation-text a").count() == 0
    assert watch.complaints == []


@SIZES
def test_forms_fit_for_who_is_signed_in(
    open_page: Callable[..., Any], pages: ThreadedPages, size: dict[str, Any]
) -> None:
    """Gloves again; every field has a label; what core can't take is said."""
    page, _ = open_page("/", size)
    page.goto(pages.address + "sign-in")
    page.get_by_label("name").fill("Ana")
    page.locator("[name=code]").fill(CODE)
    page.get_by_role("main").get_by_role("button").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    page.goto(pages.address + "trips/1")
    drawn(page)
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
    assert axe_problems(page) == []
    heights = page.evaluate(
        "() => [...document.querySelectorAll('main form button, main form select, main form input:not([type=hidden], "
        "[type=radio])')].map((e) => e.offsetHeight)"
    )
    assert len(heights) > 10
    assert min(heights) >= 44
    page.get_by_role("button", name="Done").click()
    expect(page.locator("main")).to_contain_text("nothing was changed")


def test_script_and_server_write_the_same_texts_of_every_kind(open_page: Callable[..., Any]) -> None:
    """A figure must not change when the units are switched there and back, nor differ between page and report."""
    page, _ = open_page("/health", DESK)
    dice = random.Random(8)
    values = [0.0, 1e-4, 0.004, 0.005, 0.0449, 0.05, 0.0951, 0.38, 0.5, 0.55, 0.94319, 0.9999, 1.0, 1.5, 2.5, 9.5, 9.95]
    values += [10.0, 12.5, 59.9, 88.5, 99.5, 99.95, 994.9, 995.0, 999.4, 999.5, 1000.0, 1609.344, 41_250.0, 123_456.0]
    values += [999_949.0, 1.2345e6, 9.999e8, 2.5e9, *(10 ** dice.uniform(-4, 9) for _ in range(150))]
    signed = ("temperature_c", "temperature_k", "travel_m", "shaft_mps", "speed_mps", "change_ratio", "power_w")
    signed += ("pressure_pa", "pressure_fine_pa")
    cases = [
        (kind, value, system)
        for kind in KINDS
        for system in SYSTEMS
        for value in [None, *values, *(-value for value in values if kind in signed)]
    ]
    ours = [quantity_text(kind, value, system) for kind, value, system in cases]
    source = (Path(__file__).parents[2] / "src/dutylog/web/static/quantity.js").read_text(encoding="utf-8")
    page.evaluate(source.replace("export ", "") + "\nglobalThis.formatQuantity = formatQuantity;")
    theirs = page.evaluate(
        "(cases) => cases.map(([kind, value, system]) => formatQuantity(kind, value, system))", cases
    )
    differ = [(case, a, b) for case, a, b in zip(cases, ours, theirs, strict=True) if a != b]
    assert differ == []


@pytest.fixture
def with_faults(made: Any, fake_core: FakeCore) -> None:
    """Let sensors of trip 1 tell nothing true at times."""
    places = [one.position for one in made.dampers]
    faults = (
        Fault(places[0], "thermocouple_open", 10.0, 14.0),
        Fault(places[2], "thermocouple_open", 4000.0, 4600.0),
        Fault(places[3], "worn_spot", 6000.0, None),
        Fault("rear_right_reservoir_side", "travel_stuck", 100.0, 200.0),
    )
    write_review(fake_core.data_dir, "1", replace(made, faults=faults))


@SIZES
@pytest.mark.usefixtures("pages", "with_faults")
@pytest.mark.slow
def test_faults_are_drawn_in_lanes_of_their_words(open_page: Callable[..., Any], size: dict[str, Any]) -> None:
    """A lane for each kind, seen also where it lasted seconds; all of it in the table, and at its moment."""
    page, watch = open_page("/trips/1", size)
    drawn(page)
    lanes = "document.querySelector('#fig-lanes .rv-plot')"
    names = page.evaluate(f"{lanes}.layout.annotations.map((one) => one.text)")
    assert names[-3:] == [
        "thermocouple open: 2 dampers",
        "worn spot of the travel sensor: rear right",
        "travel sensor stuck: 1 damper",
    ]
    traces = page.evaluate(f"{lanes}.data.slice(-3, -1).map((one) => [one.x, one.mode])")
    assert traces[0] == [[10, 14, None, 4000, 4600, None], "lines+markers"]
    assert traces[1][0] == [6000, SECONDS, None]
    widths = page.evaluate(
        f"[...{lanes}.querySelectorAll('.annotation-text')].map((one) => one.getBoundingClientRect().right)"
    )
    assert max(widths) <= page.evaluate(f"{lanes}.getBoundingClientRect().right")
    page.locator("#fig-lanes summary").click()
    table = page.locator("#fig-lanes table").inner_text()
    for said in ("thermocouple open", "worn spot of the travel sensor", "rear right reservoir side"):
        assert said in table
    page.evaluate("(e => { e.value = 850; e.dispatchEvent(new Event('input')); })(document.querySelector('#moment'))")
    assert "rear right worn spot of the travel sensor" in page.locator("#moment-words").inner_text()
    assert watch.complaints == []


SLOW = program("import time; time.sleep(6)")
RESTLESS = program(
    "import json, pathlib, sys, time\n"
    "data = next(one[7:] for one in sys.argv if one.startswith('--data='))\n"
    "path = pathlib.Path(data) / 'reviews/trip-1/review.json'\n"
    "content = json.loads(path.read_text()); content['notes'] = [str(time.time_ns())]\n"
    "path.write_text(json.dumps(content))"
)


@pytest.mark.parametrize("program_of_desk", [SLOW])
@pytest.mark.parametrize("made", [None])
def test_nobody_looks_at_nothing_while_a_review_is_made(open_page: Callable[..., Any]) -> None:
    """Figures and how far it is stand there before it is made, and go on standing."""
    page, watch = open_page("/trips/1", PHONE)
    expect(page.locator("#review-words")).to_be_visible()
    assert page.locator("dl.facts").is_visible()
    for _ in range(15):
        page.wait_for_timeout(200)
        assert page.locator("#review-words").inner_text() == "Goes through the samples of this trip"
        assert page.locator("dl.facts").is_visible()
    assert watch.complaints == []


@pytest.mark.slow
@pytest.mark.parametrize("program_of_desk", [RESTLESS])
def test_a_review_that_is_another_one_each_time_loads_no_page_again_and_again(
    open_page: Callable[..., Any], pages: ThreadedPages, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once by itself; then a line and a link, for who wants it."""
    versions = iter(range(10_000))
    monkeypatch.setattr(pages.view, "life_version", lambda: next(versions))
    page, watch = open_page("/trips/1", PHONE)
    expect(page.locator("#review-new")).to_be_visible(timeout=20_000)
    page.wait_for_timeout(4000)
    loads = [url for url in watch.requests if url.endswith("/trips/1")]
    assert len(loads) == 2
    assert "There is something new of this trip." in page.locator("#review-new").inner_text()
    page.get_by_role("link", name="Show it").tap()
    page.wait_for_timeout(500)
    assert len([url for url in watch.requests if url.endswith("/trips/1")]) == 3
