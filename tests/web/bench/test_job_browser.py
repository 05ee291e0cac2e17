"""A job's pages in a real browser, on a phone and on a tablet: gloves, keyboard, no script, a photo of the day."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from dutylog.bench.photo import MOST_BYTES
from dutylog.domain.wear import FAILED, USABLE, WORN
from web.bench.jobs_made import JobBench, Person, made
from web.browser_pages import PHONE, WAIT_MS, Watch, axe_problems

__all__ = ["made"]
pytestmark = pytest.mark.browser
TABLET = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}
LONG = "W" * 150
TARGETS = """() => [...document.querySelectorAll(
    "main a, main button:not(.hidden), main summary, main select, main textarea, main input:not([type=hidden])")]
  .filter((e) => e.checkVisibility())
  .map((e) => ["radio", "checkbox"].includes(e.type) ? e.closest("label") : e)
  .map((e) => [Math.round(e.getBoundingClientRect().height), (e.textContent || e.name).trim().slice(0, 40)])"""


@pytest.fixture
def bench(tmp_path: Path, made: Path) -> Iterator[JobBench]:
    """Give a bench of a test's own, served."""
    with JobBench(shutil.copytree(made, tmp_path / "bench")) as running:
        yield running


@pytest.fixture
def open_as(browser: Browser, bench: JobBench) -> Iterator[Callable[..., tuple[Page, Watch]]]:
    """Give a function that opens a page of the job for somebody who is signed in."""
    contexts = []

    def open_one(person: Person, rest: str, size: dict[str, Any], **more: Any) -> tuple[Page, Watch]:
        context = browser.new_context(**size, **more)
        context.set_default_timeout(WAIT_MS)
        contexts.append(context)
        cookies = [{"name": one.name, "value": one.value, "url": bench.address} for one in person.client.cookies.jar]
        context.add_cookies(cookies)
        page, watch = context.new_page(), Watch()
        watch.listen_to(page)
        page.goto(bench.address + bench.path(rest))
        return page, watch

    expect.set_options(timeout=WAIT_MS)
    yield open_one
    for context in contexts:
        context.close()


def fill_with_long_words(bench: JobBench) -> None:
    """Put everything on the job that its pages can show, in words without a place to break them."""
    with Person(bench, "Mina") as mina:
        mina.answer("leak_seal_head", WORN, note=LONG)
        mina.answer("leak_seal_head", FAILED, note=LONG, m_wiped="1", m_wet_again="3")
        table = "speed [m/s],force [N]\n-1,-3000\n-0.5,-2000\n0,0\n0.5,1000\n1,2000\n"
        mina.post("/curve", {}, {"table": (LONG + ".csv", table, "text/csv")})
        mina.post("/triage", {"row": "watch", "why": LONG, "seen": mina.seen("/triage")})
        mina.post("/order/line", {"kind": "part", "text": LONG, "count": "999.5", "price": "99999.99", "do": "put"})
        mina.post("/build/oil_kind", {"value": LONG[:120]})
        mina.post("/build/replaced", {"part_shaft_seal": "yes", "part_oil": "yes"})
        mina.post("/build/torques", {"what_0": LONG[:120], "torque_nm_0": "60", "unit": "Nm"})


@pytest.mark.parametrize("size", [PHONE, pytest.param(TABLET, marks=pytest.mark.slow)], ids=["phone", "tablet"])
def test_pages_fit_are_large_enough_and_read_out(
    bench: JobBench, open_as: Callable[..., tuple[Page, Watch]], size: dict[str, Any]
) -> None:
    """390 px without sideways scroll, every target 48 px high, nothing for the checker or the console to tell."""
    fill_with_long_words(bench)
    with Person(bench, "Mina") as mina:
        page, watch = open_as(mina, "/inspection", size)
        for rest in ("", "/leak_seal_head", "/charge_before", "../curve", "../triage", "../order", "../build"):
            path = "/inspection" + rest if not rest.startswith("..") else rest[2:]
            page.goto(bench.address + bench.path(path))
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0, path
            small = [one for one in page.evaluate(TARGETS) if one[0] < 48]
            assert small == [], path
            if size is PHONE:  # what the checker looks at is the same on both
                assert axe_problems(page) == [], path
        page.goto(bench.address + "/rules")
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") == 0
        assert watch.complaints == []


def test_a_point_is_answered_by_keyboard_alone(bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]) -> None:
    """No mouse, no screen to touch: tab, space and enter do it, and the next point is there."""
    with Person(bench, "Tom") as tom:
        page, _ = open_as(tom, "/inspection/leak_seal_head", TABLET)
        page.get_by_role("radio", name="done", exact=True).focus()
        page.keyboard.press("Space")
        page.keyboard.press("Tab")  # to what is chosen there: not answered
        page.keyboard.press("ArrowRight")
        page.get_by_role("button", name="replace").focus()
        page.keyboard.press("Enter")
        expect(page.get_by_role("status")).to_contain_text("Seal head: replace, kept")
        found = bench.state().findings["leak_seal_head"].newest
        assert (found.grade, dict(found.measures)) == (WORN, {"wiped": 1.0, "wet_again": 0.0})


def test_without_script_everything_is_kept_too(bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]) -> None:
    """An old tablet, a browser that blocks scripts: the form is a form."""
    with Person(bench, "Tom") as tom:
        page, _ = open_as(tom, "/inspection/charge_before", PHONE, java_script_enabled=False)
        page.get_by_label("Gauge", exact=True).fill("13,8")
        for name, figure in (
            ("Body", "20"),
            ("Air", "20"),
            ("Shaft in, from full extension", "0"),
            ("Altitude", "250"),
        ):
            page.get_by_label(name, exact=True).fill(figure)
        page.get_by_text("Note, photo, or leave this point out").click()
        page.get_by_label("Note", exact=True).fill("cold")
        page.get_by_role("button", name="off, would go on").click()
        expect(page.get_by_role("status")).to_contain_text("kept")
        found = bench.state().findings["charge_before"].newest
        assert (found.grade, found.note) == (USABLE, "cold")
        assert found.measures["gauge_pa"] == pytest.approx(1.38e6)


def test_a_large_photo_is_made_smaller_before_it_is_sent(
    bench: JobBench, open_as: Callable[..., tuple[Page, Watch]], tmp_path: Path
) -> None:
    """A camera's photo is larger than the bench takes; the page shrinks it, and says so."""
    noise = np.random.default_rng(9).integers(0, 255, (1500, 2600, 3), dtype=np.uint8)
    file = tmp_path / "camera.jpg"
    Image.fromarray(noise).save(file, "JPEG", quality=97)
    assert file.stat().st_size > MOST_BYTES
    with Person(bench, "Tom") as tom:
        page, watch = open_as(tom, "/inspection/leak_seal_head", PHONE)
        page.get_by_text("Note, photo, or leave this point out").tap()
        page.locator("#photo").set_input_files(file)
        expect(page.locator("#photo-said")).to_contain_text("made smaller")
        page.get_by_role("button", name="replace").tap()
        expect(page.get_by_role("status")).to_contain_text("kept")
        (sha,) = bench.state().findings["leak_seal_head"].newest.photos
        kept = bench.store.read().photo(sha)
        assert kept is not None
        assert Image.open(io.BytesIO(kept.body)).size == (1600, 923)
        page.goto(bench.address + bench.path("/inspection/leak_seal_head"))
        shown = page.get_by_role("img", name="Photo 1 of Seal head")
        expect(shown).to_be_visible()
        page.wait_for_function("document.querySelector('.bj-photos img').naturalWidth === 1600")
        assert watch.complaints == []


def test_units_follow_the_readers_choice(bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]) -> None:
    """Whoever reads psi everywhere types psi here as well."""
    with Person(bench, "Tom") as tom:
        page, _ = open_as(tom, "/inspection/charge_before", PHONE)
        unit = page.get_by_label("Unit of gauge")
        expect(unit).to_have_value("bar")
        page.get_by_role("button", name="Units").tap()
        expect(unit).to_have_value("psi")
        page.get_by_label("Gauge", exact=True).fill("200")
        for name, figure in (
            ("Body", "68"),
            ("Air", "68"),
            ("Shaft in, from full extension", "0"),
            ("Altitude", "250"),
        ):
            page.get_by_label(name, exact=True).fill(figure)
        page.get_by_role("button", name="off, would go on").tap()
        expect(page.get_by_role("status")).to_contain_text("kept")
        found = bench.state().findings["charge_before"].newest.measures
        assert (found["gauge_pa"], found["body_c"]) == (pytest.approx(1_378_951.46), pytest.approx(20.0))


def test_a_typed_figure_keeps_its_unit_and_enter_keeps_nothing_yet(
    bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]
) -> None:
    """200 psi don't become 200 bar by a press in the footer; Enter in a field is no "not looked at"."""
    with Person(bench, "Tom") as tom:
        page, _ = open_as(tom, "/inspection/charge_before", PHONE)
        page.get_by_role("button", name="Units").tap()
        page.get_by_label("Gauge", exact=True).fill("200")
        page.get_by_role("button", name="Units").tap()
        expect(page.get_by_label("Unit of gauge")).to_have_value("psi")
        expect(page.get_by_label("Unit of body")).to_have_value("degC")
        page.get_by_text("Note, photo, or leave this point out").tap()
        page.get_by_label("Note", exact=True).fill("left for tomorrow")
        page.get_by_label("Gauge", exact=True).press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("press one of the grades")
        assert bench.state().findings == {}
        expect(page.get_by_label("Gauge", exact=True)).to_have_value("200")
        expect(page.get_by_label("Unit of gauge")).to_have_value("psi")
        expect(page.get_by_label("Note", exact=True)).to_have_value("left for tomorrow")


def test_the_next_point_stands_ready_on_a_phone(bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]) -> None:
    """After an answer the focus is at the next question, its grades on the same screen where it has no fields."""
    with Person(bench, "Tom") as tom:
        page, _ = open_as(tom, "/inspection/rod_end_noise", PHONE)
        page.get_by_role("button", name="no sign").tap()
        expect(page.locator("#point")).to_be_focused()
        page.goto(bench.address + bench.path("/inspection/bolts#point"))
        expect(page.locator("#point")).to_be_focused()
        grades = page.locator(".bj-grades")
        expect(grades).to_be_in_viewport(ratio=1)
        again = page.locator(".bj-caution.is-again")
        short = again.bounding_box()
        again.locator("summary").tap()
        tall = again.bounding_box()
        assert short is not None
        assert tall is not None
        assert short["height"] < 60 < tall["height"]


def test_what_was_typed_and_not_sent_stays_in_its_form(
    bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]
) -> None:
    """Two fields of the build sheet are filled in and one button pressed; a phone that is handed on shows nothing."""
    with Person(bench, "Mina") as mina, Person(bench, "Tom") as tom:
        mina.post("/build/replaced", {"part_shaft_seal": "yes", "part_oil": "yes"})
        page, watch = open_as(mina, "/build", PHONE)
        oil, note = page.locator("#f-oil_kind"), page.locator("#f-oil_kind-note")
        page.locator("#field-oil_kind summary").click()
        oil.fill("desert 5")
        note.fill("from the new can")
        page.locator("#field-replaced summary").click()
        page.locator("[name=part_wear_band]").check()
        page.locator("#field-replaced button").click()
        expect(page.get_by_role("status")).to_be_visible()
        expect(oil).to_have_value("desert 5")
        expect(note).to_have_value("from the new can")
        expect(page.locator("#field-oil_kind .notice")).to_have_text(
            "Typed here before and not kept: it stands here again."
        )
        expect(page.locator("#field-replaced .notice")).to_have_count(0)
        page.locator("#field-oil_kind button").click()
        expect(page.locator("#field-oil_kind .bj-told")).to_have_text("desert 5")
        page.reload()
        expect(page.locator("#field-oil_kind .notice")).to_have_count(0)
        note.evaluate("(one) => { one.closest('details').open = true; }")
        note.fill("of Mina alone")
        page.context.clear_cookies()
        page.context.add_cookies(
            [{"name": one.name, "value": one.value, "url": bench.address} for one in tom.client.cookies.jar]
        )
        page.reload()
        expect(note).not_to_have_value("of Mina alone")
        assert watch.complaints == []
        assert page.evaluate("Object.values(sessionStorage).join()").count("of Mina alone") == 1
        page.get_by_role("button", name="Sign out").click()
        expect(page.get_by_role("heading", name="Sign in at the bench")).to_be_visible()
        assert page.evaluate("sessionStorage.length") == 0


def test_an_answer_that_never_came_takes_nothing(bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]) -> None:
    """The Wi-Fi of the yard ends at the lift: whoever comes back finds the figure in its field."""
    with Person(bench, "Mina") as mina:
        page, _ = open_as(mina, "/inspection/shaft_marks", PHONE)
        page.get_by_role("textbox", name="Longest mark").fill("4.5")
        page.context.set_offline(True)
        page.get_by_role("button", name="replace").click()
        page.wait_for_url("chrome-error://**")
        page.context.set_offline(False)
        page.goto(bench.address + bench.path("/inspection/shaft_marks"))
        expect(page.get_by_role("textbox", name="Longest mark")).to_have_value("4.5")
        page.get_by_role("button", name="replace").click()
        expect(page.get_by_role("status")).to_be_visible()
        page.goto(bench.address + bench.path("/inspection/shaft_marks"))
        expect(page.locator("#main .notice", has_text="Typed here before")).to_have_count(0)
        assert bench.state().findings["shaft_marks"].newest.measures["mark_size_mm"] == 4.5


def test_ticks_of_proposed_lines_stand_apart(bench: JobBench, open_as: Callable[..., tuple[Page, Watch]]) -> None:
    """A glove presses one of them, not its neighbour."""
    with Person(bench, "Tom") as tom:
        tom.answer("leak_seal_head", FAILED)
        page, _ = open_as(tom, "/order", PHONE)
        boxes = [one.bounding_box() for one in page.locator("label.bj-tile:has([name^=take_])").all()]
        assert len(boxes) > 2
        gaps = [after["y"] - one["y"] - one["height"] for one, after in pairwise(boxes)]
        assert min(gap for gap in gaps if gap > -20) >= 8, gaps
