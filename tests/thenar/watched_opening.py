"""A child process of tests: calls thenar for folder after folder and notes every touch of a tree of others."""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
from pathlib import Path


def watched(calls: list[list[str]], canary: str) -> list[dict[str, object]]:
    """Exit code, words and touches of the tree `canary` for each list of arguments."""
    from thenar.cli import main
    from thenar.report.manifest import made_here

    touched: list[str] = []

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        if event.startswith(("subprocess.", "os.fork", "os.posix_spawn", "os.exec", "os.spawn", "os.system")):
            touched.append(event)  # a law would run in a process of its own
        if not event.startswith(("open", "os.", "shutil.", "exec", "import")):
            return
        for one in arguments:
            named = getattr(one, "co_filename", one)
            if isinstance(named, bytes):
                named = os.fsdecode(named)
            if isinstance(named, str | os.PathLike) and canary in os.path.realpath(named):
                touched.append(f"{event} {os.fspath(named)}")

    main(["limits", "forearm-25cm2"])  # whatever is opened once is opened before anybody watches
    made_here()  # asks the system once for its name, in a process
    sys.addaudithook(hook)
    found = []
    for call in calls:
        touched.clear()
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = main(call)
            except SystemExit as stopped:
                code = stopped.code if isinstance(stopped.code, int) else 99
        found.append({"code": code, "out": out.getvalue(), "err": err.getvalue(), "touched": list(touched)})
    return found


if __name__ == "__main__":
    asked = json.loads(Path(sys.argv[1]).read_text("utf-8"))
    Path(sys.argv[2]).write_text(json.dumps(watched(asked["calls"], asked["canary"])), "utf-8")
