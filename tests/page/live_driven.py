"""`thenar bench` as a person starts it, and the page as a person sees it, for tests that drive both."""

from __future__ import annotations

import asyncio
import json
import queue
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from playwright.sync_api import Browser, Page
from tornado.httpclient import HTTPRequest
from tornado.websocket import websocket_connect

from tests import waiting
from thenar.scenarios.gallery import gallery_file

LONG_S = 240


class Witness:
    """A client that only listens, in a thread of its own: to stops, and to the rows of the round that runs.

    It draws nothing, so it is prompt.
    """

    def __init__(self, url: str) -> None:
        self._url = url
        self._heard: queue.Queue[float] = queue.Queue()
        self.rows: dict[str, list[float | None]] = {}
        self.compared: dict[str, list[float]] = {}
        self._thread = threading.Thread(target=lambda: asyncio.run(self._listen()), daemon=True)
        self._thread.start()

    def forget(self) -> None:
        """Forget the stops that were heard."""
        while not self._heard.empty():
            self._heard.get()

    def stopped_ms(self) -> float:
        """When the loop's word that it has stopped came, ms of the wall clock. Waits for it."""
        return self._heard.get(timeout=waiting.LONG_S)

    async def _listen(self) -> None:
        origin, path = self._url.split("/", 3)[2], self._url.split("/", 3)[3]
        request = HTTPRequest(f"ws://{origin}/{path}live", headers={"Origin": f"http://{origin}"})
        socket = await websocket_connect(request)
        while (raw := await socket.read_message()) is not None:
            message = json.loads(raw)
            if message["is"] == "round":
                self.rows = {}
            elif message["is"] == "rows":
                # In one assignment: who reads it meanwhile finds columns of one length.
                self.rows = {name: self.rows.get(name, []) + values for name, values in message["columns"].items()}
            elif message["is"] == "compared":
                self.compared = message
            elif message["is"] == "event" and message["kind"] == "stopped":
                self._heard.put(time.time() * 1e3)


class Running(NamedTuple):
    """A bench that runs. `folder`: where it saves."""

    process: subprocess.Popen[str]
    url: str
    folder: Path


def long_scenario(folder: Path) -> Path:
    """The gallery's held graver, in rounds so long that none ends within a test."""
    text = gallery_file("graver-hold").read_text("utf-8")
    file = folder / "long-hold.toml"
    file.write_text(re.sub(r"duration_s = [0-9.]+", f"duration_s = {LONG_S}.0", text), "utf-8")
    assert f"duration_s = {LONG_S}.0" in file.read_text("utf-8")
    return file


@contextmanager
def running(scenario: Path, folder: Path, *more: str) -> Iterator[Running]:
    """Start `thenar bench` and give its address; end it."""
    line = [sys.executable, "-m", "thenar", "--json", "bench", str(scenario), "--no-browser", "--out", str(folder)]
    process = subprocess.Popen([*line, *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield Running(process, _address(process), folder)
    finally:
        process.terminate()
        try:
            process.wait(60)
        finally:
            process.kill()
            process.communicate()


def _address(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    told = ""
    for line in process.stdout:
        told += line
        if line.rstrip() == "}":
            return str(json.loads(told)["url"])
    raise AssertionError(f"ended with {process.wait()}: {process.stderr.read() if process.stderr else ''}")


@contextmanager
def opened(browser: Browser, url: str, **more: object) -> Iterator[Page]:
    """A page in a context of its own; whatever the page's console complains of fails the test."""
    context = browser.new_context(viewport={"width": 1400, "height": 1000}, **more)  # type: ignore[arg-type]
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda line: complaints.append(line.text) if line.type in {"error", "warning"} else None)
    page.set_default_timeout(1e3 * waiting.LONG_S)
    page.goto(url)
    waited(page, "Number(document.body.dataset.drawn) > 0")
    yield page
    context.close()
    assert not complaints, "\n".join(complaints)


def pace(page: Page, factor: float) -> None:
    """Set the pace by the number beside its slider."""
    page.fill("#pace-number", str(factor))
    page.keyboard.press("Tab")


def again(page: Page) -> None:
    """The round from its beginning, armed; the pictures follow."""
    before = page.inner_text("#figures")
    page.evaluate("document.getElementById('log').replaceChildren()")
    page.click("text=Restart the round")
    waited(page, "[...document.querySelectorAll('#log li')].some((line) => line.dataset.kind === 'armed')")
    waited(page, "before => document.getElementById('figures').innerText !== before", before)


def stands(page: Page, words: str) -> None:
    """Wait until the interlock's box says so."""
    waited(page, "words => document.getElementById('stands').textContent.includes(words)", words)


def waited(page: Page, true: str, given: object = None) -> None:
    """Wait until an expression, or a function of `given`, is true on the page.

    The page's own policy forbids its being evaluated there again and again, so it is asked from here.
    """
    waiting.until(lambda: page.evaluate(true, given), f"{true} {given}")
