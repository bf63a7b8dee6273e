"""`thenar replay DIR`: run a finished folder again and compare everything."""

from __future__ import annotations

import argparse
import sys

from thenar.cli.show import progress, show_json
from thenar.replay import Replayed, replay_run
from thenar.report.folder import open_finished
from thenar.report.manifest import manifest_of
from thenar.workers import cores

DIFFERENT = 1


def command(chosen: argparse.Namespace) -> int:
    """Replay a folder. Returns 0 when all is identical, 1 with the first difference."""
    folder = open_finished(chosen.folder, "run")
    total = len(manifest_of(folder).trials)
    with progress(total, "replaying", quiet=chosen.json) as advance:
        found = replay_run(
            folder,
            jobs=chosen.jobs or cores(),
            run_law=chosen.run_law,
            trust_law=chosen.trust_law,
            on_finished=advance,
        )
    if chosen.json:
        show_json(replay_record(found))
    else:
        tell_replay(found)
    return 0 if found.identical else DIFFERENT


def tell_replay(found: Replayed) -> None:
    """Print what a replay found."""
    if found.difference is None:
        print(f"identical: {found.trials} trials, every column, event and result")
    else:
        print(f"different: {found.difference}")
    for line in found.changes:
        print(f"note: {line}", file=sys.stderr)


def replay_record(found: Replayed) -> dict[str, object]:
    """What a replay found, for JSON."""
    difference = None if found.difference is None else found.difference._asdict()
    return {"identical": found.identical, "trials": found.trials, "difference": difference, "changes": found.changes}
