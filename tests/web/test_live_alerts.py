"""Alerts on the live page: order, words and shapes, who acknowledged, and sound only for those who asked for it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from dutylog.web.access import Access
from dutylog.web.access_code import hash_code, write_code
from web.browser_pages import DESK, PHONE, WAIT_MS, SteadyCore, ThreadedPages
from web.core_socket import FakeCore
from web.live_samples import alert, every_alert, hot_vehicle
from web.samples import fake_ledger

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Any]
WaitUntil = Callable[..., None]
CODE = "dusty-lake-4711"
LATER = """() => { window.said = []; const now = performance.now.bind(performance);
    performance.now = () => now() + 16000; }"""
RECORDER = """
window.said = [];
class FakeNode { connect(next) { return next; } start() { window.said.push(this.frequency.value); } stop() {}
  constructor() { this.frequency = {}; this.gain = {}; } }
window.AudioContext = class { constructor() { this.state = "suspended"; this.currentTime = 0; this.destination = {}; }
  async resume() { this.state = "running"; }
  createOscillator() { return new FakeNode(); }
  createGain() { return new FakeNode(); } };
navigator.vibrate = (pattern) => { window.said.push("vibrate"); return true; };
"""


def shown_alerts(page: Page) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = page.evaluate(
        """() => [...document.querySelectorAll("#alert-list > li")].map((item) => ({
            word: item.querySelector("strong").textContent, text: item.querySelector(".alert-text").textContent,
            shape: item.querySelector("use").getAttribute("href"), open: item.dataset.open,
            by: item.querySelector(".alert-by")?.textContent ?? null, remedy: !!item.querySelector(".alert-remedy"),
            action: item.querySelector("a, button")?.textContent ?? null }))"""
    )
    return found


def test_raised_and_unacknowledged_come_first_act_now_before_advice(steady: SteadyCore, open_page: OpenPage) -> None:
    """What someone must do now is the first thing on the page; what has passed is one touch away."""
    steady.show(hot_vehicle(alerts=every_alert()))
    page, watch = open_page("/", PHONE)
    expect(page.locator("#alert-list > li")).to_have_count(3)
    assert [(a["word"], a["shape"], a["text"], a["by"], a["remedy"]) for a in shown_alerts(page)] == [
        ("Act now", "#shape-act_now", "rear left: body over its limit of 120 °C", None, True),
        ("Advice", "#shape-advice", "front left: 14 bottom-outs in 5 minutes", None, True),
        ("Advice", "#shape-advice", "front right: damping lost", "acknowledged by A. Miller", False),
    ]
    more = page.get_by_role("button", name="All alerts (4)")
    assert more.get_attribute("aria-expanded") == "false"
    more.tap()
    expect(page.locator("#alert-list > li")).to_have_count(4)
    assert (shown_alerts(page)[3]["word"], shown_alerts(page)[3]["shape"]) == ("Passed", "#shape-passed")
    page.get_by_role("button", name="Show fewer alerts").tap()
    expect(page.locator("#alert-list > li")).to_have_count(3)
    page.click("#units")
    assert shown_alerts(page)[0]["text"] == "rear left: body over its limit of 248 °F"
    steady.show(hot_vehicle())
    expect(page.locator("#alerts")).to_be_hidden()
    assert watch.complaints == []


def test_many_alerts_leave_the_temperatures_in_sight(steady: SteadyCore, open_page: OpenPage) -> None:
    """Twenty alerts must not push every figure off the phone; none of them is lost either."""
    steady.show(hot_vehicle(alerts=tuple(alert(number) for number in range(20))))
    page, _ = open_page("/", PHONE)
    expect(page.locator("#alert-list > li")).to_have_count(2)
    first = page.locator("#dampers .number").first.bounding_box()
    assert first
    assert first["y"] + first["height"] < PHONE["viewport"]["height"]  # type: ignore[index, operator]
    page.get_by_role("button", name="All alerts (20)").tap()
    expect(page.locator("#alert-list > li")).to_have_count(20)


def test_without_sign_in_the_button_leads_there(steady: SteadyCore, open_page: OpenPage) -> None:
    """Whoever acknowledges has a name."""
    steady.show(hot_vehicle(alerts=(alert(6),)))
    page, _ = open_page("/", PHONE)
    link = page.get_by_role("link", name="Sign in to acknowledge")
    expect(link).to_be_visible()
    assert link.get_attribute("href") == "/sign-in?next=/"
    assert page.locator("#alert-list button").count() == 0


@pytest.fixture
def signed_in(browser: Browser, fake_core: FakeCore) -> Iterator[tuple[Page, SteadyCore]]:
    """Give the live page of someone who signed in as J. Ortiz."""
    expect.set_options(timeout=WAIT_MS)
    write_code(fake_core.data_dir, hash_code(CODE, 0, False))
    access = Access(fake_core.data_dir)
    running = ThreadedPages(fake_core, fake_ledger(), fake_core.data_dir, access=access)
    with running as pages, SteadyCore(fake_core) as steady:
        steady.show(hot_vehicle(alerts=(alert(6), alert(7))))
        context = browser.new_context(**DESK)
        page = context.new_page()
        page.goto(f"{pages.address}sign-in?next=/")
        page.fill("#name", "J. Ortiz")
        page.fill("#code", CODE)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#alert-list > li")).to_have_count(2)
        yield page, steady
        context.close()


def test_acknowledge_sends_the_sessions_token_and_shows_who_did(signed_in: tuple[Page, SteadyCore]) -> None:
    """The name on the page is what the logger says, not what this page hopes for."""
    page, steady = signed_in
    sent: list[dict[str, Any]] = []

    def take(route: Route) -> None:
        sent.append({"path": route.request.url.split("/", 3)[3], **route.request.headers})
        assert route.request.method == "POST"
        route.fulfill(status=200, content_type="application/json", body=json.dumps({"ok": True, "text": "done"}))

    page.route("**/alerts/*/acknowledge", take)
    token = page.locator('meta[name="csrf"]').get_attribute("content")
    button = page.get_by_role("button", name="Acknowledge: rear left: body over its limit of 120 °C").first
    button.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".alert-said").first).to_have_text("sent")
    assert [(one["path"], one["x-csrf"]) for one in sent] == [("alerts/6/acknowledge", token)]
    assert page.locator(".alert-by").count() == 0
    steady.show(hot_vehicle(alerts=(alert(6, acknowledged_by="J. Ortiz"), alert(7))))
    expect(page.locator(".alert-by")).to_have_text("acknowledged by J. Ortiz")


def test_a_failed_acknowledgement_says_why_and_can_be_repeated(signed_in: tuple[Page, SteadyCore]) -> None:
    """Without a logger behind the pages nothing was acknowledged, and nobody may think so."""
    page, _ = signed_in
    page.get_by_role("button", name="Acknowledge").first.click()
    expect(page.locator(".alert-said").first).to_contain_text("not acknowledged: ")
    expect(page.get_by_role("button", name="Acknowledge").first).to_be_enabled()
    page.route("**/alerts/*/acknowledge", lambda route: route.abort())
    page.get_by_role("button", name="Acknowledge").first.click()
    expect(page.locator(".alert-said").first).to_have_text("not acknowledged: the pages can't be reached; try again")
    page.unroute("**/alerts/*/acknowledge")
    page.route("**/alerts/*/acknowledge", lambda route: route.fulfill(status=401, body="{}"))
    page.get_by_role("button", name="Acknowledge").first.click()
    expect(page.get_by_role("link", name="Sign in to acknowledge").first).to_be_visible()


def sounding_page(browser: Browser, pages: ThreadedPages, **stored: str) -> Page:
    expect.set_options(timeout=WAIT_MS)
    context = browser.new_context(**PHONE)
    context.add_init_script(RECORDER)
    for key, value in stored.items():
        context.add_init_script(f"localStorage.setItem('dutylog.{key}', '{value}')")
    page = context.new_page()
    page.goto(pages.address)
    return page


def said(page: Page) -> list[Any]:
    found: list[Any] = page.evaluate("window.said")
    return found


def test_sound_and_vibration_are_off_until_someone_wants_them(
    pages: ThreadedPages, steady: SteadyCore, browser: Browser, wait_until: WaitUntil
) -> None:
    """A phone in a pocket that shouts is switched off for good."""
    steady.show(hot_vehicle())
    page = sounding_page(browser, pages)
    for name in ("Sound off", "Vibration off"):
        button = page.get_by_role("button", name=name)
        expect(button).to_have_attribute("aria-pressed", "false")
    steady.show(hot_vehicle(alerts=(alert(6),)))
    expect(page.locator("#alert-list > li")).to_have_count(1)
    assert said(page) == []
    page.get_by_role("button", name="Sound").tap()
    expect(page.get_by_role("button", name="Sound on")).to_have_attribute("aria-pressed", "true")
    wait_until(lambda: said(page), 30, "the tone that shows how it will sound")
    page.get_by_role("button", name="Vibration").tap()
    wait_until(lambda: "vibrate" in said(page), 30, "the pulse that shows how it will feel")
    page.evaluate("window.said = []")
    steady.show(hot_vehicle(alerts=(alert(7), alert(6))))
    expect(page.locator("#alert-list > li")).to_have_count(2)
    wait_until(lambda: len(said(page)) >= 5, 30, "four tones and a pulse")
    assert sorted(map(str, said(page)[:5])) == ["1175", "1175", "1760", "1760", "vibrate"]
    page.context.close()


def test_choice_of_sound_is_remembered_and_waits_for_the_first_touch(
    pages: ThreadedPages, steady: SteadyCore, browser: Browser, wait_until: WaitUntil
) -> None:
    """Browsers keep a page silent until it was touched: the page says so instead of pretending."""
    steady.show(hot_vehicle())
    page = sounding_page(browser, pages, sound="on")
    expect(page.get_by_role("button", name="Sound on, touch the page once")).to_be_visible()
    page.locator("h1").tap()
    expect(page.get_by_role("button", name="Sound on", exact=True)).to_be_visible()
    steady.show(hot_vehicle(alerts=(alert(9, level="advice"),)))
    wait_until(lambda: said(page) == [1175], 30, "one tone for advice")
    steady.show(hot_vehicle(alerts=(alert(9, level="advice", acknowledged_by="x"), alert(8, state="cleared"))))
    expect(page.locator(".alert-by")).to_have_count(1)
    assert said(page) == [1175]
    page.context.close()


def test_act_now_is_said_again_until_somebody_acknowledges(
    pages: ThreadedPages, browser: Browser, wait_until: WaitUntil
) -> None:
    """Once is easily missed at speed."""
    page = sounding_page(browser, pages, sound="on")
    pages.core.push(replace(hot_vehicle(alerts=(alert(6),)), seq=1))
    page.locator("h1").tap()
    expect(page.locator("#alert-list > li")).to_have_count(1)
    page.evaluate(LATER)
    pages.core.push(replace(hot_vehicle(alerts=(alert(6),)), seq=2))
    wait_until(lambda: len(said(page)) == 4, 30, "said again after 15 s")
    acknowledged = hot_vehicle(alerts=(alert(6, acknowledged_by="x"),))
    pages.core.push(replace(acknowledged, seq=3))
    expect(page.locator(".alert-by")).to_have_count(1)
    page.evaluate(LATER)
    pages.core.push(replace(acknowledged, seq=4, speed_mps=10.0))
    expect(page.locator("#speed")).to_have_text("36\u00a0km/h")
    assert said(page) == []
    page.context.close()
