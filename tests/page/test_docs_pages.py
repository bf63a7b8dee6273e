"""The built pages of docs/ in a real browser, on a desk and on a phone: nobody kept out, the caution whole."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from thenar import caution

ROOT = Path(__file__).parents[2]
SOURCES = sorted(path.relative_to(ROOT / "docs").with_suffix("") for path in (ROOT / "docs").rglob("*.md"))
WIDTHS = {"desk": 1280, "phone": 390}
HEIGHT = 844
SERIOUS = {"serious", "critical"}
QUICKLY = {"preload": False, "resultTypes": ["violations"]}
"""Nothing is judged less: files are not fetched twice, and elements in order are not described."""
WITHOUT_COLOURS = {**QUICKLY, "rules": {"color-contrast": {"enabled": False}}}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of pages, as `make docs` builds them."""
    out = tmp_path_factory.mktemp("docs")
    words = ["--fail-on-warning", "--quiet", "-d", str(out / "cache"), str(ROOT / "docs"), str(out / "html")]
    subprocess.run([sys.executable, "-m", "sphinx", *words], check=True, cwd=ROOT)
    return out / "html"


@pytest.fixture(scope="module", params=WIDTHS)
def page(chromium: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A page on a screen of one width; what it asks of the network fails the test."""
    context = chromium.new_context(viewport={"width": WIDTHS[request.param], "height": HEIGHT}, offline=True)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url) if request.url.startswith("http") else None)
    yield page
    context.close()
    assert asked == []


@pytest.mark.parametrize("name", [*SOURCES, Path("search")], ids=str)
def test_a_page_keeps_nobody_out(page: Page, built: Path, name: Path) -> None:
    page.goto(built.joinpath(name).with_suffix(".html").as_uri())
    # Colours are the same at each width, and to judge them takes two thirds of the time: on a phone one page is enough.
    all_rules = page.viewport_size == {"width": WIDTHS["desk"], "height": HEIGHT} or name == Path("index")
    found = Axe().run(page, options=QUICKLY if all_rules else WITHOUT_COLOURS).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in SERIOUS] == []


def test_a_word_is_found_without_a_network(page: Page, built: Path) -> None:
    page.goto(built.joinpath("search.html").as_uri() + "?q=rheobase")
    found = page.locator("#search-results a", has_text="The body")
    found.first.wait_for(timeout=20_000)
    assert "models.html" in (found.first.get_attribute("href") or "")


@pytest.mark.parametrize("name", SOURCES, ids=str)
def test_the_caution_is_read_whole_and_a_page_does_not_scroll_sideways(page: Page, built: Path, name: Path) -> None:
    page.goto(built.joinpath(name).with_suffix(".html").as_uri())
    told = page.locator(".announcement")
    assert caution.SHORT.split(".")[0].casefold() in told.inner_text().casefold()
    inner, outer = page.locator(".announcement-content").bounding_box(), told.bounding_box()
    assert inner
    assert outer
    assert inner["x"] >= outer["x"] >= 0
    assert inner["x"] + inner["width"] <= outer["x"] + outer["width"] <= page.viewport_size["width"]
    assert inner["height"] <= outer["height"]
    assert told.evaluate("box => box.scrollWidth <= box.clientWidth && box.scrollHeight <= box.clientHeight")
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
