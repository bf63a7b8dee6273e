"""`thenar bench [FILE]`: the loop in a process of its own, and the page that drives it, served to this machine only."""

from __future__ import annotations

import argparse
import errno
import sys
import webbrowser
from pathlib import Path

from thenar.caution import SHORT
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import note_compiling, show_json
from thenar.live.server import Address, serve
from thenar.live.session import Options, start
from thenar.shared.errors import InputError, Problem


def command(chosen: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C, SIGTERM or the loop's end. Returns 0."""
    loaded = load_typed(chosen.file, chosen.trust_law)
    folder = Path(chosen.out)
    if folder.exists() and not folder.is_dir():
        raise InputError([Problem("command line", "--out", str(folder), "a folder, or a name that is free")])
    note_compiling(quiet=chosen.json)
    session = start(loaded, Options(seed=chosen.seed, folder=folder))
    try:
        serve(session, chosen.port, lambda address: _tell(address, chosen, loaded.scenario.title, folder))
    except OSError as error:
        if error.errno != errno.EADDRINUSE:
            raise
        raise InputError([Problem("command line", "--port", str(chosen.port), "a port that is free, or 0")]) from None
    except KeyboardInterrupt:
        # The way to end it, not an accident.
        pass
    if not chosen.json:
        print("closed: the loop has ended")
    return 0


def _tell(address: Address, chosen: argparse.Namespace, title: str, folder: Path) -> None:
    if chosen.json:
        show_json({"url": address.url, "port": address.port, "folder": str(folder), "caution": SHORT})
    else:
        print(f"{title}\n\nlive page: {address.url}\nsaved scenarios go to: {folder}")
        print("The address holds a token that lets in whoever has it. Ctrl-C ends the loop and the page.")
        print(SHORT)
    sys.stdout.flush()
    if not chosen.no_browser:
        webbrowser.open(address.url)
