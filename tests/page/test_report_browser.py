"""The report in a real browser: zoom with linked axes, reasons on hover and focus, keys, print, no harm by names."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.folders import run_in
from tests.thenar.report_folders import MISCHIEF, mischievous_run
from thenar.report.page_folders import report_page

PROVOKED = "Executing inline script violates the following Content Security Policy"
"""What a browser says where a test itself puts a script into the page."""
SERIOUS = {"serious", "critical"}


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a run with mischief in its names."""
    folder = tmp_path_factory.mktemp("report")
    out = folder / "page.html"
    out.write_text(report_page([run_in(mischievous_run(folder))], lambda _: None), encoding="utf-8")
    return out


@pytest.fixture
def page(chromium: Browser, file: Path) -> Iterator[Page]:
    """The report, opened from disk and drawn; whatever it complains of, or asks the network for, fails the test."""
    context = chromium.new_context(viewport={"width": 1200, "height": 900}, offline=True)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text))
    page.on("request", lambda request: wrong.append(request.url) if request.url != file.as_uri() else None)
    page.goto(file.as_uri())
    page.wait_for_selector(".person:not([hidden]) .traces[data-drawn]")
    yield page
    assert [one for one in wrong if not one.startswith(("data:image/png", PROVOKED))] == []
    context.close()


def left_edge_s(page: Page, number: int) -> float:
    """The time at the left edge of the chart `number`, as the chart itself tells it to one who points there."""
    area = page.locator(".person:not([hidden]) .u-over").nth(number)
    area.hover(position={"x": 2, "y": 10})
    told = page.locator(".person:not([hidden]) .tc-line").nth(number).text_content() or ""
    found = re.match(r"at ([\d.]+) s", told)
    assert found, told
    return float(found.group(1))


def test_keys_zoom_and_move_every_chart_together(page: Page) -> None:
    assert left_edge_s(page, 0) < 0.1
    page.locator(".person:not([hidden]) .tc-plot").first.focus()
    page.keyboard.press("+")
    page.keyboard.press("+")
    zoomed = left_edge_s(page, 0)
    assert zoomed == pytest.approx(6 - 6 * 0.36, abs=0.1)
    assert [left_edge_s(page, number) for number in (1, 2, 3)] == pytest.approx([zoomed] * 3, abs=0.05)
    page.locator(".person:not([hidden]) .tc-plot").nth(2).focus()
    page.keyboard.press("ArrowRight")
    assert left_edge_s(page, 0) == pytest.approx(zoomed + 0.2 * 12 * 0.36, abs=0.1)
    page.keyboard.press("0")
    assert left_edge_s(page, 3) < 0.1


def test_a_drag_zooms_and_a_drag_with_shift_moves(page: Page) -> None:
    area = page.locator(".person:not([hidden]) .u-over").nth(1)
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    assert box
    at = [box["x"] + share * box["width"] for share in (0.25, 0.5)]
    page.mouse.move(at[0], box["y"] + 20)
    page.mouse.down()
    page.mouse.move(at[1], box["y"] + 20, steps=3)
    page.mouse.up()
    assert left_edge_s(page, 0) == pytest.approx(3.0, abs=0.1)
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    assert box
    page.keyboard.down("Shift")
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 5 / 6, box["y"] + 20, steps=3)
    page.mouse.up()
    page.keyboard.up("Shift")
    assert left_edge_s(page, 0) == pytest.approx(2.0, abs=0.1)


def test_the_wheel_zooms_only_a_chart_in_focus(page: Page) -> None:
    area = page.locator(".person:not([hidden]) .u-over").first
    area.hover()
    page.mouse.wheel(0, -100)
    page.wait_for_timeout(100)
    assert left_edge_s(page, 1) < 0.1
    page.locator(".person:not([hidden]) .tc-plot").first.focus()
    area.hover()
    page.mouse.wheel(0, -100)
    page.wait_for_timeout(100)
    assert left_edge_s(page, 1) > 0.5


def test_a_mark_tells_its_reason_on_hover_and_on_focus(page: Page) -> None:
    trip = page.locator(".person:not([hidden]) .tc-mark", has_text="\u25a0")
    line = page.locator(".person:not([hidden]) .tc-line").first
    page.locator(".person:not([hidden]) .tc-plot").first.focus()
    assert "R30" not in (line.text_content() or "")
    trip.hover()
    assert "trip R30: R30 The estimate is believable" in (line.text_content() or "")
    page.mouse.move(0, 0)
    page.locator(".person:not([hidden]) .tc-key").first.focus()
    for _ in range(8):  # with the Tab key to the marks, then from mark to mark
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "tc-mark":
            break
    assert "armed" in (line.text_content() or "")
    for _ in range(4):
        if "trip R30" in (line.text_content() or ""):
            break
        page.keyboard.press("ArrowRight")
    assert "to clear it: the operator names R30" in (line.text_content() or "")


def test_values_can_be_read_with_the_keyboard_alone(page: Page) -> None:
    page.locator(".person:not([hidden]) .tc-plot").first.focus()
    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
    told = page.locator(".person:not([hidden]) .tc-line").first.text_content() or ""
    assert re.match(r"at [\d.]+ s: target, band shaded 4 N, estimate .*, true force [\d.]+ N", told), told


def test_wearers_and_trials_are_chosen_with_the_keyboard(page: Page) -> None:
    assert page.locator(".person:not([hidden])").count() == 1
    page.locator(".people a").nth(1).focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#wearer-1:not([hidden]) .traces[data-drawn]")
    assert page.locator("#wearer-0").is_hidden()
    assert page.locator(".people a").nth(1).get_attribute("aria-current") == "true"
    page.locator("#wearer-1 select").focus()
    page.keyboard.press("ArrowUp")
    page.wait_for_selector('#wearer-1 .traces[data-drawn="trial-2"]')
    assert page.locator("#wearer-1 .tc-mark").count() == 2  # without help only the sensor's dropout is left


def test_a_line_can_be_hidden_and_shown_again(page: Page) -> None:
    key = page.locator(".person:not([hidden]) .tc-key").nth(1)
    key.focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.getAttribute('aria-pressed')") == "false"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.getAttribute('aria-pressed')") == "true"


def test_words_of_a_scenario_are_shown_as_words(page: Page) -> None:
    assert page.evaluate("window.harmed") is None
    assert page.locator("h1").text_content() == MISCHIEF
    assert page.locator(".tc-title").first.text_content() == f"Force of {MISCHIEF}, N"
    added = "const s = document.createElement('script'); s.textContent = 'window.harmed=2'; document.body.append(s)"
    assert page.locator("script").count() == 5 + 4
    # The page's own rule: what is put in later doesn't run either.
    blocked = page.evaluate(
        "() => new Promise(done => { document.addEventListener('securitypolicyviolation',"
        f" event => done(event.violatedDirective)); {added}; }})"
    )
    assert blocked.startswith("script-src")
    assert page.evaluate("window.harmed") is None


def test_there_is_nothing_serious_for_those_who_use_other_senses(page: Page) -> None:
    found = Axe().run(page).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in SERIOUS] == []


def test_thinning_in_the_page_keeps_peaks_at_every_zoom(page: Page) -> None:
    wrong = page.evaluate("""() => {
      const n = 300000, x = new Float64Array(n), y = new Float64Array(n), wrong = [];
      for (let i = 0; i < n; i++) { x[i] = i / 1000; y[i] = Math.sin(i / 9000) + Math.random(); }
      for (let k = 0; k < 40; k++) y[Math.floor(Math.random() * n)] = (k % 2 ? 50 : -50) + k;
      for (let i = 1000; i < 9000; i++) y[i] = NaN;
      const levels = new Map();
      for (const [from, to] of [[0, 300], [3, 250], [10.0005, 60], [100, 103], [100, 100.2]]) {
        const [times, kept] = thenarThin.shown(x, [y], from, to, 800, levels);
        const inside = y.filter((v, i) => x[i] >= from && x[i] <= to && v === v);
        const known = kept.filter(v => v !== null);
        const low = Math.min(...known), high = Math.max(...known);
        if (inside.reduce((a, b) => Math.min(a, b)) < low || inside.reduce((a, b) => Math.max(a, b)) > high)
          wrong.push([from, to]);
        if (times.length !== kept.length || times.length > 4000) wrong.push(["points", times.length, kept.length]);
      }
      return wrong;
    }""")
    assert wrong == []


def test_on_paper_every_wearer_is_there_and_nothing_to_press(page: Page) -> None:
    page.emulate_media(media="print")
    assert page.locator("#wearer-1 table").first.is_visible()
    for gone in ("nav[aria-label='Wearers'] ul", ".tc-line", "select", ".tc-marks"):
        assert not page.locator(gone).first.is_visible()
    assert page.locator("#wearer-0 canvas").first.is_visible()
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide == 0
    assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF")


def test_on_paper_a_short_table_stays_in_one_piece_and_a_long_one_runs_on_over_pages(page: Page) -> None:
    """A long one that must stay whole would leave the rest of the page before it empty."""
    page.emulate_media(media="print")
    broken = page.eval_on_selector_all(
        ".wide > table",
        "tables => tables.map(table => {"
        "  while (table.rows.length < 20) table.tBodies[0].append(table.rows[1].cloneNode(true));"
        "  const long = getComputedStyle(table).breakInside;"
        "  while (table.rows.length > 5) table.deleteRow(-1);"
        "  return [long, getComputedStyle(table).breakInside];"
        "})",
    )
    assert broken
    assert {tuple(pair) for pair in broken} == {("auto", "avoid")}


def test_without_code_the_tables_and_pictures_are_there(chromium: Browser, file: Path) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.locator("#wearer-0 table").first.is_visible()
    assert page.locator("#wearer-1 table").first.is_visible()
    assert page.locator("#results img").first.is_visible()
    assert page.get_by_text("Traces need JavaScript").is_visible()
    assert not page.locator("select").first.is_visible()
    context.close()
