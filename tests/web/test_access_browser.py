"""Signing in on a phone in a real browser: with and without script, over plain HTTP and TLS."""

from __future__ import annotations

import os
import re
import socket
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from dutylog.publish.snapshot import AlertNow
from dutylog.web.access_code import write_code
from web.access_parts import CODE, AnsweringCore, quick_code
from web.browser_pages import PHONE, WAIT_MS, SteadyCore, axe_problems
from web.conftest import PAGES, page_process
from web.core_socket import FakeCore
from web.samples import snapshot

pytestmark = pytest.mark.browser
ALERT = AlertNow(
    id="a-1f2e",
    kind="over_limit",
    position="rear_left",
    subject=None,
    state="raised",
    level="act_now",
    text="rear left: body over its limit",
    remedy="ease off; stop where it is safe",
    raised_mono_s=990.0,
    acknowledged_by=None,
)
NAME = "Zoë Müller-Lüdenscheidt"


def sign_in(page: Page, name: str = NAME, code: str = CODE) -> None:
    page.get_by_label("Your name").fill(name)
    page.get_by_label("Access code").fill(code)
    page.get_by_role("button", name="Sign in").click()


def sideways_px(page: Page) -> int:
    """Return by how much the page is wider than the screen."""
    found: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return found


def test_sign_in_acknowledge_and_sign_out_on_a_phone(
    fake_core: FakeCore, start_pages: Callable[..., Any], browser: Browser
) -> None:
    """What a co-driver does with a glove, on the real page process."""
    folder = fake_core.data_dir
    write_code(folder, quick_code())
    _, address = start_pages(folder)
    reply = {"ok": True, "text": "seen"}
    with browser.new_context(**PHONE) as context, AnsweringCore(folder, reply) as core, SteadyCore(fake_core) as steady:
        context.set_default_timeout(WAIT_MS)
        expect.set_options(timeout=WAIT_MS)
        page = context.new_page()
        complaints: list[str] = []
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        steady.show(replace(snapshot(1), alerts=(ALERT,)))
        page.goto(address)
        page.get_by_role("link", name="Sign in to acknowledge").first.click()
        expect(page).to_have_url(re.compile("/sign-in"))
        picture(page, "access-sign-in")
        assert sideways_px(page) == 0
        assert axe_problems(page) == []
        sign_in(page, code="not the right one")
        expect(page.get_by_role("alert")).to_have_text("the access code is wrong; ask whoever set it")
        assert page.get_by_label("Your name").input_value() == NAME
        complaints.clear()  # the browser itself notes the answer 401
        sign_in(page)
        expect(page).to_have_url(address + "/")
        expect(page.get_by_role("button", name="Sign out")).to_be_visible()
        page.get_by_role("button", name=re.compile("^Acknowledge")).first.click()
        expect(page.locator(".alert-said").first).to_have_text("sent")
        assert core.asked == [{"schema": 1, "command": "acknowledge", "alert": "a-1f2e", "by": NAME}]
        picture(page, "access-signed-in")
        assert sideways_px(page) == 0
        assert context.cookies()[0]["httpOnly"]
        assert context.cookies()[0]["sameSite"] == "Strict"
        page.get_by_role("button", name="Sign out").click()
        expect(page.get_by_role("link", name="Sign in", exact=True)).to_be_visible()
        assert context.cookies() == []
        assert complaints == []


def picture(page: Page, name: str) -> None:
    """Keep a picture where DUTYLOG_SHOTS names a folder, to be looked at."""
    folder = os.environ.get("DUTYLOG_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png")


def test_the_forms_work_without_script(tmp_path: Path, start_pages: Callable[..., Any], browser: Browser) -> None:
    """The browser itself sends the origin; with another referrer policy it would be null."""
    write_code(tmp_path, quick_code())
    _, address = start_pages(tmp_path)
    with browser.new_context(**PHONE, java_script_enabled=False) as context:
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        page.goto(address + "/sign-in?next=/dampers")
        sign_in(page)
        expect(page).to_have_url(address + "/dampers")
        page.goto(address + "/sign-out")
        page.locator("main").get_by_role("button", name="Sign out").click()
        expect(page).to_have_url(address + "/")
        assert context.cookies() == []


def test_sign_in_over_tls(tmp_path: Path, browser: Browser) -> None:
    """A browser keeps the __Host- cookie only when all its conditions hold."""
    write_code(tmp_path, quick_code())
    with socket.create_server(("127.0.0.1", 0)) as listener:
        command = [*PAGES, "--data", str(tmp_path), "--tls", "--fd", str(listener.fileno())]
        process = subprocess.Popen(command, pass_fds=[listener.fileno()], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        address = process.stdout.readline().removeprefix("pages ready: ").strip()
        with browser.new_context(**PHONE, ignore_https_errors=True) as context:
            context.set_default_timeout(WAIT_MS)
            page = context.new_page()
            page.goto(address.replace("https:", "http:") + "sign-in")
            assert page.url == address + "sign-in"
            sign_in(page)
            expect(page.get_by_role("button", name="Sign out")).to_be_visible()
            (cookie,) = context.cookies()
            assert (cookie["name"], cookie["secure"]) == ("__Host-dutylog", True)
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


def test_a_page_of_another_origin_cannot_write(
    fake_core: FakeCore, start_pages: Callable[..., Any], browser: Browser
) -> None:
    """Another program's page on the same machine: same site to the browser, cookie sent, yet another origin."""
    folder = fake_core.data_dir
    write_code(folder, quick_code())
    _, address = start_pages(folder)
    with (
        page_process(folder) as (_, other),
        browser.new_context(**PHONE) as context,
        AnsweringCore(folder, {"ok": True}) as core,
    ):
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        page.goto(address + "/sign-in")
        sign_in(page)
        expect(page.get_by_role("button", name="Sign out")).to_be_visible()
        csrf = page.locator('meta[name="csrf"]').get_attribute("content")
        page.route(other + "/evil", lambda route: route.fulfill(content_type="text/html", body=evil(address, csrf)))
        page.goto(other + "/evil")
        page.get_by_role("button", name="win").click()
        expect(page.locator("body")).to_contain_text("another site sent this")
    assert core.asked == []


def evil(address: str, csrf: str | None) -> str:
    """Return somebody else's page with a form that aims at ours, and even knows the token."""
    return (
        f'<form method="post" action="{address}/alerts/a-1/acknowledge">'
        f'<input type="hidden" name="csrf" value="{csrf}"><button>win</button></form>'
    )
