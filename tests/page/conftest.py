"""The browser of the page tests: Debian's Chromium, or a skip that says so (a failure where one is demanded).

And a live page that runs, for the files of tests that drive one.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.page.live_driven import Running, long_scenario, opened, running


def chromium_file() -> str:
    """Where Chromium is. Skips without one, fails when THENAR_NEEDS_BROWSER=1."""
    found = os.environ.get("THENAR_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        why = "no chromium here (Debian: apt-get install chromium; or name one by THENAR_CHROMIUM)"
        if os.environ.get("THENAR_NEEDS_BROWSER") == "1":
            pytest.fail(why)
        pytest.skip(why)
    return found


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A browser for one file of tests: while it is open, no event loop of another test may run in this thread."""
    with sync_playwright() as playwright:
        # Tests run as any user, in containers too, where the browser's own sandbox can't be set up.
        browser = playwright.chromium.launch(executable_path=chromium_file(), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """`thenar bench` on the held graver, for one file of tests."""
    folder = tmp_path_factory.mktemp("live")
    with running(long_scenario(folder), folder / "saved") as found:
        yield found


@pytest.fixture(scope="module")
def page(bench: Running, chromium: Browser) -> Iterator[Page]:
    """Its page, drawn. A file about another page has a fixture of this name of its own."""
    with opened(chromium, bench.url) as found:
        yield found
