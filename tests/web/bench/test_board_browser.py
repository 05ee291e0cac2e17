"""Due board and parts in a real browser: sizes for gloves, both schemes, copying the text."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from bench.card_made import Yard
from web.access_parts import CODE
from web.bench.jobs_made import NOBODY, JobBench, make_bench
from web.browser_pages import axe_problems

pytestmark = pytest.mark.browser
_SMALL = """[...document.querySelectorAll('main a, main button, main summary, main select, main input')]
  .filter((one) => {
    const { height } = (one.closest('label') ?? one).getBoundingClientRect();
    return height && height < 47.5;
  })
  .map((one) => one.outerHTML.slice(0, 120))"""
_ALL_SELECTED = """() => {
  const { selectionStart, selectionEnd, value } = document.getElementById('text');
  return selectionStart === 0 && selectionEnd === value.length;
}"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a bench with dampers that are due and a catalogue."""
    card = Yard(tmp_path_factory.mktemp("vehicle") / "data").issue()
    made = tmp_path_factory.mktemp("bench") / "data"
    make_bench(made, card)
    today = datetime.now(UTC).date()
    with JobBench(made) as bench, bench.store.write(NOBODY) as tx:
        build = {
            "construction": "floating_piston",
            "reservoir": "hose",
            "joints": "rod_end",
            "profile_name": "long" * 12,
        }
        for number, basis in enumerate(("card", "stated", "radio")):
            tx.append(
                "damper_put", {"serial": f"SN-{'X' * 20}-{number}", "position": "rear_left", **build}, f"d{number}"
            )
            rows: list[dict[str, Any]] = []
            for part, days in (("shaft_seal", 0), ("oil", 20), ("joints", 40), ("hose", 60)):
                ends = ((today + timedelta(days * factor)).isoformat() for factor in (1, 2, 3))
                told = dict(zip(("early", "likely", "late"), ends, strict=True))
                rows.append({"part": part, **told, "order_by": told["early"], "used_ratio": 1.2 if days == 0 else 0.6})
            tx.append("due_put", {"day": today.isoformat(), "basis": basis, "rows": rows}, f"d{number}")
        part = {"part_no": "K-7", "name": "seal set", "need": "shaft_seal", "lead_days": 21, "least_count": 2}
        tx.append("part_put", {**part, "is_gone": False})
    return made


def sign_in(page: Page, bench: JobBench) -> None:
    page.goto(f"{bench.address}/sign-in?next=/board")
    page.fill("[name=name]", "Mina")
    page.fill("[name=password]", CODE)
    page.click("main button[type=submit]")


@pytest.mark.parametrize(("width", "scheme"), [pytest.param(390, "light", marks=pytest.mark.slow), (820, "dark")])
def test_pages_fit_can_be_touched_and_read(folder: Path, browser: Browser, width: int, scheme: Any) -> None:
    with JobBench(folder) as bench:
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        page = context.new_page()
        wrong: list[str] = []
        page.on("console", lambda message: wrong.append(message.text))
        sign_in(page, bench)
        for path in ("/board", "/board/owner/d0", "/parts?need=hose", "/parts/K-7"):
            answer = page.goto(bench.address + path)
            assert answer is not None
            assert answer.ok, path
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
            assert page.evaluate(_SMALL) == [], path
            assert axe_problems(page) == [], path
        assert wrong == []
        context.close()


def test_the_text_is_copied_or_selected(folder: Path, browser: Browser) -> None:
    """Where copying isn't allowed, one touch of the keyboard is left."""
    with JobBench(folder) as bench:
        context = browser.new_context(permissions=["clipboard-read", "clipboard-write"])
        page = context.new_page()
        sign_in(page, bench)
        page.click("text=Text for the owner")
        page.click("#copy")
        page.wait_for_function("document.getElementById('copied').textContent !== ''")
        assert page.inner_text("#copied") == "Copied."
        copied = page.evaluate("navigator.clipboard.readText()")
        assert copied.replace("\r\n", "\n") == page.input_value("#text")
        page.evaluate("() => { navigator.clipboard.writeText = () => Promise.reject(new Error('no')); }")
        page.click("#copy")
        page.wait_for_function("document.getElementById('copied').textContent.startsWith('It is selected')")
        assert page.evaluate(_ALL_SELECTED)
        context.close()
