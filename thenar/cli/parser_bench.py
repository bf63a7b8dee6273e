"""What `thenar bench` accepts."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from thenar.cli.arguments import whole


def for_bench(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """The command that opens the live page."""
    bench = add("bench", "drive a scenario's loop live from a page in the browser, on this machine only")
    bench.add_argument(
        "file", metavar="FILE", nargs="?", default="graver-hold",
        help="a scenario file, or the name of a shipped one (default: graver-hold)",
    )  # fmt: skip
    bench.add_argument("--port", type=port, default=0, metavar="N", help="port of 127.0.0.1 (default: a free one)")
    bench.add_argument(
        "--out",
        default="runs/bench",
        metavar="DIR",
        help="folder for scenarios saved from the page (default: runs/bench)",
    )
    bench.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    bench.add_argument(
        "--no-browser", action="store_true", dest="no_browser", help="print the address and open no browser"
    )


def port(text: str) -> int:
    """A port that a user may take. Raises ArgumentTypeError for anything else."""
    if not text.isascii() or not text.isdigit() or not (text == "0" or 1024 <= int(text[:6]) <= 65_535):
        raise argparse.ArgumentTypeError(f"{text!r} isn't a port from 1024 to 65535, or 0 for a free one")
    return int(text)
