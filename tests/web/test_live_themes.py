"""Themes of the live page: readable in sunlight and at night, in every state, without resting on colour."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from web.browser_pages import DESK, PHONE, SteadyCore, axe_problems
from web.live_samples import every_state
from web.samples import snapshot

pytestmark = pytest.mark.browser
OpenPage = Callable[..., Any]
LOOKS = pytest.mark.parametrize(
    ("theme", "scheme"),
    [
        ("auto", "light"),
        ("night", "light"),
        *(pytest.param(theme, "dark", marks=pytest.mark.slow) for theme in ("auto", "sun")),
    ],
)
# Stale has its own looks and takes as long again: with the long forms.
LINKS = pytest.mark.parametrize("link", ["live", pytest.param("stale", marks=pytest.mark.slow)])
LEAST_TEXT, LEAST_SHAPE = 4.5, 3.0
"""Contrast: WCAG 2.1, 1.4.3 (4.5 to 1; we don't take its 3 to 1 for large text) and 1.4.11 (3 to 1 for shapes)."""
CONTRASTS = """() => {
    const parse = (text) => (text.match(/[\\d.]+/g) ?? []).map(Number);
    const canvas = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
    const rgb = (text) => { // any way a browser writes a colour, color(srgb ...) too, becomes its bytes
        canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = text; canvas.fillRect(0, 0, 1, 1);
        return [...canvas.getImageData(0, 0, 1, 1).data]; };
    const light = ([r, g, b]) => { const part = (v) => { v /= 255;
        return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
        return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b); };
    const ratio = (a, b) => { const [high, low] = [light(a), light(b)].sort((x, y) => y - x);
        return (high + 0.05) / (low + 0.05); };
    const ground = (element) => { for (let e = element; e; e = e.parentElement) {
        const colour = rgb(getComputedStyle(e).backgroundColor); if (colour[3] === 255) return colour;
        if (colour[3] > 0) throw new Error("a see-through ground can't be judged: " + e.className); }
        return [255, 255, 255, 255]; };
    const place = (e) => [e.tagName, e.getAttribute("class"), e.id, e.textContent.slice(0, 20)].join(" ");
    const drawn = ".plot, .spark, .legend-line, .bar";
    const found = { texts: [], shapes: [], grounds: [] };
    for (const e of document.querySelectorAll("body *")) {
        if (!e.checkVisibility({ visibilityProperty: true }) || e.closest(".hidden, .skip")) continue;
        const style = getComputedStyle(e);
        if (style.opacity !== "1") found.texts.push([place(e), 0]);
        const isSvg = e instanceof SVGElement;
        const words = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
        const ink = rgb(isSvg ? style.fill : style.color);
        if (words && e.tagName !== "OPTION") found.texts.push([place(e), ratio(ink, ground(e))]);
        const isDrawn = ["path", "rect"].includes(e.tagName) && e.closest(drawn) && !e.closest(".plot-grid");
        if (isDrawn && !e.classList.contains("bar-bed")) {
            const paint = style.stroke !== "none" ? style.stroke : style.fill;
            const under = e.classList.contains("bar-fill") ? e.previousElementSibling : null;
            const bed = under ? rgb(getComputedStyle(under).fill) : ground(e);
            found.shapes.push([place(e), ratio(rgb(paint), bed)]); }
        found.grounds.push(light(ground(e)));
        if (words) found.grounds.push(light(ink));
    }
    return found; }"""


def in_theme(page: Page, theme: str) -> None:
    for _ in range(3):
        if page.locator("#theme-now").inner_text() == theme:
            return
        page.click("#theme")
    raise AssertionError(f"no theme {theme}")


def open_in(steady: SteadyCore, open_page: OpenPage, theme: str, scheme: str, link: str, size: Any = PHONE) -> Page:
    """Open the page with every state and alert on it, in a theme, live or stale."""
    steady.show(every_state())
    page, _ = open_page("/", size, color_scheme=scheme, reduced_motion="reduce")
    expect(page.locator("#dampers .row")).to_have_count(8)
    in_theme(page, theme)
    page.get_by_role("button", name="All alerts").click()
    page.click("#copy-line")
    expect(page.locator("#line-place")).to_be_visible()
    page.locator("#closer").scroll_into_view_if_needed()
    if link == "stale":
        steady.show(None)
    expect(page.locator("#link-word")).to_have_text(link)
    return page


@LOOKS
@LINKS
@pytest.mark.parametrize("big", ["off", pytest.param("on", marks=pytest.mark.slow)])
def test_contrast_is_enough_in_every_theme_and_state(
    steady: SteadyCore, open_page: OpenPage, theme: str, scheme: str, link: str, big: str
) -> None:
    """Computed here from what the browser draws: every word 4.5 to 1 on its ground, every line and bar 3 to 1."""
    page = open_in(steady, open_page, theme, scheme, link)
    if big == "on":
        page.click("#big-switch")
    found = page.evaluate(CONTRASTS)
    assert len(found["texts"]) > (100 if big == "off" else 80)
    assert len(found["shapes"]) > 8
    assert [(place, round(ratio, 2)) for place, ratio in found["texts"] if ratio < LEAST_TEXT] == []
    assert [(place, round(ratio, 2)) for place, ratio in found["shapes"] if ratio < LEAST_SHAPE] == []


@LOOKS
@LINKS
def test_accessibility_checker_finds_nothing_in_any_theme(
    steady: SteadyCore, open_page: OpenPage, theme: str, scheme: str, link: str
) -> None:
    """axe-core over every state, forecast and alert, the open line for radio and the table of minutes."""
    page = open_in(steady, open_page, theme, scheme, link)
    assert axe_problems(page) == []
    page.click("#big-switch")
    assert axe_problems(page) == []


def test_sun_is_the_highest_contrast_and_night_gives_little_light(steady: SteadyCore, open_page: OpenPage) -> None:
    """Sun: black on white. Night: no ground that lights up the cab, no word as bright as paper, no saturated red."""
    steady.show(every_state())
    page, _ = open_page("/", PHONE, color_scheme="light")
    expect(page.locator("#dampers .row")).to_have_count(8)
    in_theme(page, "sun")
    look = "() => { const s = getComputedStyle(document.body); return [s.color, s.backgroundColor]; }"
    assert page.evaluate(look) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    in_theme(page, "night")
    found = page.evaluate(CONTRASTS)
    assert max(found["grounds"]) < 0.5
    colours = page.evaluate(
        """() => [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility()).flatMap((e) => {
            const s = getComputedStyle(e); return [s.color, s.backgroundColor, s.borderLeftColor]; })"""
    )
    for colour in set(colours):
        red, green, blue, *_ = [float(part) for part in colour[colour.index("(") + 1 : -1].split(",")]
        assert red <= 1.6 * max(green, blue, 24.0), f"{colour} is a glaring red"


@pytest.mark.parametrize("path", ["/", "/trips"])
def test_theme_is_remembered_on_every_page_and_before_the_first_paint(
    steady: SteadyCore, open_page: OpenPage, path: str
) -> None:
    """A screen set to night never flashes white."""
    steady.show(snapshot(1))
    page, watch = open_page(path, PHONE, color_scheme="light")
    assert page.locator("html").get_attribute("data-theme") is None
    in_theme(page, "night")
    page.context.add_init_script(
        """window.first = null; new MutationObserver(() => { if (document.body && window.first === null)
            window.first = document.documentElement.dataset.theme ?? "auto"; })
            .observe(document, { childList: true, subtree: true });"""
    )
    page.reload()
    assert page.evaluate("window.first") == "night"
    assert page.locator("#theme-now").inner_text() == "night"
    in_theme(page, "auto")
    page.reload()
    assert page.locator("html").get_attribute("data-theme") is None
    assert watch.complaints == []


def test_choices_work_for_this_page_where_storage_is_off(steady: SteadyCore, open_page: OpenPage) -> None:
    """A browser that keeps nothing still obeys."""
    steady.show(snapshot(1))
    page, _ = open_page("/", DESK)
    page.context.add_init_script(
        """Object.defineProperty(window, "localStorage",
            { get() { throw new DOMException("off", "SecurityError"); } });"""
    )
    watch: list[str] = []
    page.on("pageerror", lambda error: watch.append(str(error)))
    page.reload()
    expect(page.locator("#dampers .row")).to_have_count(4)
    in_theme(page, "sun")
    page.click("#big-switch")
    expect(page.locator("#big")).to_be_visible()
    assert watch == []
