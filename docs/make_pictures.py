"""The pictures of the README and the pages, made anew by the commands whose work they show: `make pictures`.

    python docs/make_pictures.py               all of them
    python docs/make_pictures.py sweep plan    those whose names are given, and the commands they need

Everything is made in runs/pictures, which is emptied first, and copied to docs/pictures when it is whole. A picture of
a page or a terminal is taken in Chromium: the path in THENAR_CHROMIUM, or the first `chromium` on the path.
"""

from __future__ import annotations

import io
import json
import os
import pty
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

from PIL import Image

ROOT: Final = Path(__file__).parents[1]
MADE: Final = ROOT / "runs" / "pictures"
KEPT: Final = ROOT / "docs" / "pictures"
LARGEST_BYTES: Final = 200_000
WIDEST_PX: Final = 1400
COLUMNS: Final = 124

DEMO: Final = ("run", "key-pinch-ladder", "--out", "demo")
STUDY: Final = ("run", "key-pinch-study", "--out", "study")
SWEEP: Final = (
    "sweep", "key-pinch-ladder", "--over", "law.settings.gain_fraction_per_N=0.005:0.3:5:log",
    "--over", "estimator.latency_ms=50,110,170,230", "--out", "sweep",
)  # fmt: skip
COMPARE: Final = ("compare", "study", "--out", "compared")
BREAKEVEN: Final = ("breakeven", "key-pinch-study", "--out", "breakeven", "--trust", "none", "--no-map")
PLAN: Final = (
    "plan", "key-pinch-study", "--effect", "-0.3", "--wearers", "200", "--simulations", "2000", "--out", "plan",
)  # fmt: skip
HOLD: Final = ("run", "graver-hold", "--out", "hold")
REPORT: Final = ("report", "hold", "--out", "hold.html")
CHALLENGE: Final = ("challenge", "forearm-25cm2", "--commands", "20000", "--out", "evidence")

Commands = tuple[tuple[str, ...], ...]


class Picture(NamedTuple):
    """One picture: its name, the thenar commands it needs in order, and what then gives its PNG (bytes)."""

    name: str
    needs: Commands
    png: Callable[[], bytes]


def file(name: str) -> Callable[[], bytes]:
    """The PNG that a command has left at `name` in MADE."""
    return (MADE / name).read_bytes


@contextmanager
def browser_page(width_px: int, height_px: int, *, offline: bool = True) -> Iterator[Any]:
    """An empty page of headless Chromium; `offline`: that can't reach a network. Exits where there is no Chromium."""
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("THENAR_CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        sys.exit("pictures: no Chromium found; name one in THENAR_CHROMIUM")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        try:
            context = browser.new_context(viewport={"width": width_px, "height": height_px}, offline=offline)
            yield context.new_page()
        finally:
            browser.close()


def page(name: str, height_px: int, heading: str = "") -> Callable[[], bytes]:
    """The HTML page that a command has left at `name` in MADE, from its top or from the heading of that identifier."""

    def taken() -> bytes:
        with browser_page(1200, height_px) as shown:
            shown.goto(f"{(MADE / name).as_uri()}#{heading}")
            shown.wait_for_timeout(1_500)
            found: bytes = shown.screenshot()
            return found

    return taken


def live(scenario: str, height_px: int, after_ms: int) -> Callable[[], bytes]:
    """The live page of `thenar bench SCENARIO` when it has run for `after_ms` ms."""

    def taken() -> bytes:
        words = [_thenar(), "--json", "bench", scenario, "--no-browser"]
        with subprocess.Popen(words, cwd=MADE, stdout=subprocess.PIPE, text=True) as bench:
            assert bench.stdout is not None  # noqa: S101 - it was asked for
            told = ""
            while not told.endswith("}\n"):
                told += bench.stdout.readline() or sys.exit("pictures: thenar bench ended before it told its address")
            try:
                with browser_page(1200, height_px, offline=False) as shown:
                    shown.goto(json.loads(told)["url"])
                    shown.wait_for_timeout(after_ms)
                    found: bytes = shown.screenshot()
                    return found
            finally:
                bench.terminate()

    return taken


def terminal(words: Sequence[str]) -> Callable[[], bytes]:
    """What `thenar WORDS` shows in a terminal, drawn by rich and taken in Chromium."""

    def taken() -> bytes:
        from rich.console import Console
        from rich.text import Text

        console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True)
        console.print(Text.from_ansi(f"$ thenar {' '.join(words)}\n{on_a_terminal(words)}"))
        svg = console.export_svg(title="thenar")
        # The buttons of somebody's window say nothing here.
        svg = re.sub(r'<g transform="translate\(26,22\)">.*?</g>', "", svg, count=1, flags=re.DOTALL)
        # rich's drawing names fonts on a server; a reader's own monospace font will do.
        svg = re.sub(r"@font-face\s*{.*?}", "", svg, flags=re.DOTALL).replace("Fira Code, monospace", "monospace")
        with browser_page(1500, 1000) as shown:
            shown.set_content(f"<body style='margin:0;width:1400px'>{svg}</body>")
            found: bytes = shown.locator("svg").first.screenshot()
            return found

    return taken


def on_a_terminal(words: Sequence[str]) -> str:
    """Standard output of `thenar WORDS` when it is a terminal of COLUMNS characters."""
    ours, theirs = pty.openpty()
    surroundings = {**os.environ, "COLUMNS": str(COLUMNS), "TERM": "xterm-256color"}
    with subprocess.Popen(
        [_thenar(), *words], cwd=MADE, stdout=theirs, stderr=subprocess.DEVNULL, env=surroundings
    ) as run:
        os.close(theirs)
        read = b""
        # The end of a terminal is an input error on Linux.
        try:
            while part := os.read(ours, 65_536):
                read += part
        except OSError:
            pass
    os.close(ours)
    if run.returncode:
        sys.exit(f"pictures: thenar {' '.join(words)} ended with {run.returncode}")
    return read.decode("utf-8").replace("\r\n", "\n")


PICTURES: Final = (
    Picture("force", (DEMO,), file("demo/force.png")),
    Picture("errors", (DEMO,), file("demo/errors.png")),
    Picture("terminal", (), terminal(("run", "warm-up-ramps", "--out", "ramps"))),
    Picture("sweep", (SWEEP,), file("sweep/sweep.png")),
    Picture("breakeven", (BREAKEVEN,), file("breakeven/breakeven.png")),
    Picture("compare", (STUDY, COMPARE), file("compared/paired-mean_abs_error_N.png")),
    Picture("plan", (PLAN,), file("plan/plan.png")),
    Picture("evidence", (CHALLENGE,), page("evidence/evidence.html", 900)),
    Picture("report", (HOLD, REPORT), page("hold.html", 1000, "wearers")),
    Picture("live", (), live("graver-hold", 1000, 15_000)),
)
"""A page of another command gets a line here: `page` with the file that the command leaves."""


def _thenar() -> str:
    return str(Path(sys.executable).parent / "thenar")


def run(words: Sequence[str]) -> None:
    """Run one thenar command in MADE. Exits with what it said when it fails."""
    done = subprocess.run([_thenar(), *words], cwd=MADE, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"pictures: thenar {' '.join(words)} ended with {done.returncode}\n{done.stderr}{done.stdout}")


def small(png: bytes) -> bytes:
    """The same picture as a PNG of at most LARGEST_BYTES: narrower where it is wide, then with fewer colours."""
    with Image.open(io.BytesIO(png)) as opened:
        picture = opened.convert("RGB")
    for width in (WIDEST_PX, 1200, 1000, 800):
        share = min(1.0, width / picture.width)
        drawn = picture.resize((round(picture.width * share), round(picture.height * share)), Image.Resampling.LANCZOS)
        for colours in (128, 64):
            kept = io.BytesIO()
            drawn.quantize(colours, dither=Image.Dither.NONE).save(kept, "PNG", optimize=True)
            if len(kept.getvalue()) <= LARGEST_BYTES:
                return kept.getvalue()
    sys.exit(f"pictures: {len(png)} bytes can't be brought below {LARGEST_BYTES}")


def main(names: Sequence[str]) -> None:
    """Make the pictures named, or all. Exits with a message for an unknown name."""
    known = [picture.name for picture in PICTURES]
    if unknown := sorted(set(names) - set(known)):
        sys.exit(f"pictures: {', '.join(unknown)} unknown; there are {', '.join(known)}")
    shutil.rmtree(MADE, ignore_errors=True)
    MADE.mkdir(parents=True)
    KEPT.mkdir(exist_ok=True)
    ran: list[tuple[str, ...]] = []
    for picture in PICTURES:
        if names and picture.name not in names:
            continue
        for words in picture.needs:
            if words not in ran:
                print("thenar", *words)
                run(words)
                ran.append(words)
        png = small(picture.png())
        aside = KEPT / f"{picture.name}.part"
        aside.write_bytes(png)
        aside.replace(KEPT / f"{picture.name}.png")
        print(f"docs/pictures/{picture.name}.png: {len(png) / 1000:.0f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
