"""`thenar vectors PROFILE --out FILE`: exact answers of the interlock, for firmware in any language to be held to."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from thenar.caution import SHORT
from thenar.cli.show import progress, show_json
from thenar.safety.profile import load_profile
from thenar.safety.requirements import REQUIREMENTS, reason_ids
from thenar.shared.compiled import compiled_before
from thenar.shared.errors import InputError, Problem

DIFFERS: Final = 1
SHOWN: Final = 10
STEPS: Final = 100


def command(chosen: argparse.Namespace) -> int:
    """Write a file of vectors, verify one, or print their schema. Returns 0, or 1 when a vector differs."""
    if chosen.schema:
        from thenar.safety.vectors.schema import vector_schema

        print(json.dumps(vector_schema(), indent=1))
        return 0
    if sys.stderr.isatty() and not chosen.json and not compiled_before():
        print("note: the interlock is compiled first, once (up to a minute)", file=sys.stderr)
    if chosen.verify:
        return _verify(Path(chosen.verify), as_json=chosen.json)
    if chosen.profile is None or chosen.out is None:
        allowed = "PROFILE --out FILE, or --verify FILE, or --schema"
        raise InputError([Problem("thenar vectors", "PROFILE", "no profile or no file to write", allowed)])
    return _write(chosen)


def _write(chosen: argparse.Namespace) -> int:
    from thenar.safety.vectors.file import write_vectors

    profile, out = load_profile(chosen.profile), Path(chosen.out)
    with progress(STEPS, "writing vectors", quiet=chosen.json) as advance:
        told = 0

        def written(number: int) -> None:
            nonlocal told
            while told < number * STEPS // chosen.count:
                advance(None)
                told += 1

        write_vectors(profile, out, chosen.count, chosen.seed, chosen.control, written)
    size = out.stat().st_size
    if chosen.json:
        show_json({"count": chosen.count, "by_rule": _by_rule(out)})
        return 0
    kind = "control vectors, each with one wrong output" if chosen.control else "vectors"
    print(f"{out}: {chosen.count} {kind} from {profile.name}, seed {chosen.seed}, {size / 1e6:.1f} MB")
    print(SHORT)
    return 0


def _by_rule(file: Path) -> dict[str, int]:
    """How many vectors have an answer in which each rule acted, by identifier: what the evidence page reads."""
    counts = dict.fromkeys((row.name for row in REQUIREMENTS), 0)
    with file.open(encoding="utf-8") as lines:
        next(lines)
        for line in lines:
            mask = 0
            for answer in _reasons_in(json.loads(line)):
                mask |= answer
            for name in reason_ids(mask):
                counts[name] += 1
    return {name: count for name, count in counts.items() if count}


def _reasons_in(value: object) -> Iterator[int]:
    """Every reasons mask anywhere in a vector."""
    if isinstance(value, dict):
        for key, below in value.items():
            if key == "reasons":
                yield int(below)
            else:
                yield from _reasons_in(below)
    elif isinstance(value, list):
        for below in value:
            yield from _reasons_in(below)


def _verify(path: Path, as_json: bool) -> int:
    from thenar.safety.vectors.verify import verify_file

    with progress(1, "verifying", quiet=as_json) as advance:
        found = verify_file(path, lambda _: None)
        advance(None)
    count, wrong = found.header["count"], found.differing
    if as_json:
        show_json({
            "file": str(path), "count": count, "control": bool(found.header["control"]), "differing": len(wrong),
            "first": [{"id": number, "what": what} for number, what in wrong[:SHOWN]],
        })  # fmt: skip
        return DIFFERS if wrong else 0
    for number, what in wrong[:SHOWN]:
        print(f"vector {number}: {what}")
    print(f"{path}: {count - len(wrong)} of {count} vectors agree, {len(wrong)} differ")
    if found.header["control"]:
        print(f"a control file: all must differ, and {'all do' if len(wrong) == count else 'SOME DO NOT'}")
    return DIFFERS if wrong else 0
