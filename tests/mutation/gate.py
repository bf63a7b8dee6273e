"""Do the tests of the interlock notice when it is changed? `python -m tests.mutation.gate` runs mutants of it.

A copy is made (tree.py), mutants are drawn with a seed, and each meets first the quick tests, then, if it lives
and has no proof, all of them. The run passes when every survivor has its proof in equivalent.toml, no proof has lost
its survivor, the planted mutants end as they must, and the unmutated code passes before and after.

A mutant that only puts None in place of an argument, or leaves an argument out, is not drawn unless `--all` is
given: the type checker refuses it before any test could.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import time
import tomllib
from collections import Counter
from fnmatch import fnmatch
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from tests.mutation.tree import CONTROL, HERE, ROOT, UNDER_TEST, prepare
from tests.mutation.verdicts import (
    CRASH,
    KILLED,
    NO_TESTS,
    NOT_RUN,
    SURVIVED,
    SUSPICIOUS,
    TIMEOUT,
    Mutant,
    objections,
    read_equivalents,
    read_mutants,
)

TREE: Final = ROOT / ".cache" / "mutation" / "tree"
ACCEPTED: Final = HERE / "equivalent.toml"
RUNNER: Final = Path(sys.executable).with_name("mutmut")
MUST_DIE: Final = ("safety/gate.py", "gate", "command.current_uA == 0", "command.current_uA != 0", 1)
"""A gross mutant of the real gate: it fires on an empty command and refuses every other."""


def environment(tests: str = "all") -> dict[str, str]:
    """Plain Python, one order of hashing, no store of examples; `tests` is quick or all."""
    fixed = {"NUMBA_DISABLE_JIT": "1", "PYTHONHASHSEED": "0", "HYPOTHESIS_PROFILE": "ci", "THENAR_MUTATION": tests}
    return {**os.environ, **fixed}


def run_mutants(names: list[str], tests: str, children: int) -> None:
    """Let the runner try these mutants. Raises RuntimeError when it breaks off."""
    done = subprocess.run(
        [RUNNER, "run", "--max-children", str(children), *names],
        cwd=TREE, env=environment(tests), capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode != 0:
        raise RuntimeError(f"the runner broke off:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")


def unmutated_passes(folder: Path) -> bool:
    """Whether the tests pass on code in which no mutant is switched on, and whether any ran at all."""
    selection = ["tests/mutation/control_of_runner.py", *sorted(str(file) for file in _quick_files(folder))]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "--hypothesis-seed=1", *selection],
        cwd=folder, env={**environment(), "MUTANT_UNDER_TEST": ""}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode == 0 and " passed" in done.stdout


def _quick_files(folder: Path) -> list[Path]:
    """Test files that take seconds, not minutes, and need no file of the live tree."""
    settings = tomllib.loads((HERE / "runner.toml").read_text("utf-8"))["tool"]["mutmut"]
    words = [word.partition("=")[2] for word in settings["pytest_add_cli_args_test_selection"] if "=" in word]
    left_out = {Path(word.partition("::")[0]).name for word in words}
    tests = (folder / "tests" / "safety").glob("test_*.py")
    return [file.relative_to(folder) for file in tests if not any(fnmatch(file.name, name) for name in left_out)]


def draw(mutants: list[Mutant], files: list[str], count: int, seed: int, everything: bool) -> list[Mutant]:
    """The mutants to run: those of `files`, at most `count` of them (0: all), drawn with `seed`."""
    chosen = [
        mutant
        for mutant in mutants
        if Path(mutant.file).stem in files and (everything or not mutant.is_argument) and mutant.key != MUST_DIE
    ]
    if 0 < count < len(chosen):
        chosen = sorted(random.Random(seed).sample(chosen, count))
    return chosen


def of(mutants: list[Mutant], names: set[str]) -> list[Mutant]:
    """The mutants with these names."""
    return [mutant for mutant in mutants if mutant.name in names]


def runner_agrees(mutants: list[Mutant]) -> bool:
    """Whether the runner's own exported totals say the same of kills and survivors as we read mutant by mutant."""
    subprocess.run([RUNNER, "export-cicd-stats"], cwd=TREE, env=environment(), capture_output=True, check=True)
    totals = json.loads((TREE / "mutants" / "mutmut-cicd-stats.json").read_text("utf-8"))
    ours = Counter(mutant.verdict for mutant in mutants)
    # It books a test run that broke inside as a kill; we don't.
    return bool(
        totals["total"] == len(mutants)
        and totals["survived"] == ours[SURVIVED]
        and ours[KILLED] <= totals["killed"] <= ours[KILLED] + ours[CRASH]
    )


def summary_rows(ran: list[Mutant], accepted: dict[Any, str]) -> dict[str, dict[str, int]]:
    """Totals by file. `survived` leaves out the survivors with a proof, `equivalent` counts those."""
    rows: dict[str, dict[str, int]] = {}
    kinds = [KILLED, SURVIVED, "equivalent", TIMEOUT, CRASH, NO_TESTS, SUSPICIOUS, NOT_RUN]
    for mutant in ran:
        row = rows.setdefault(mutant.file, dict.fromkeys(kinds, 0))
        proven = mutant.verdict == SURVIVED and mutant.key in accepted
        row["equivalent" if proven else mutant.verdict] += 1
    return rows


def controls(mutants: list[Mutant]) -> dict[str, bool]:
    """Whether the planted mutants ended as they must: the one that changes nothing lives, the gross ones die."""
    planted = {mutant.becomes: mutant.verdict for mutant in mutants if mutant.file == f"safety/{CONTROL}.py"}
    gross = [mutant.verdict for mutant in mutants if mutant.key == MUST_DIE]
    return {
        "must_survive": planted.get("value - 0") == SURVIVED,
        "must_die": planted.get("value + 1") == KILLED and gross == [KILLED],
    }


def measure(words: argparse.Namespace) -> tuple[list[Mutant], dict[str, Any], list[str]]:
    """Make the copy, run what was drawn. Returns the mutants that were to run, the flags and all objections."""
    prepare(TREE)
    before = unmutated_passes(TREE)
    run_mutants([f"thenar.safety.{CONTROL}.*"], "all", words.children)
    mutants = read_mutants(TREE)
    drawn = draw(mutants, words.files, words.sample, words.seed, words.all)
    names = {mutant.name for mutant in drawn}
    gross = next(mutant.name for mutant in mutants if mutant.key == MUST_DIE)
    print(f"{len(mutants)} mutants made, {len(drawn)} drawn with --seed {words.seed}", flush=True)
    run_mutants([*sorted(names), gross], "quick", words.children)
    accepted = read_equivalents(ACCEPTED)
    lived = [mutant for mutant in of(read_mutants(TREE), names) if mutant.verdict not in {KILLED, CRASH}]
    alive = [mutant.name for mutant in lived if mutant.verdict != SURVIVED or mutant.key not in accepted]
    print(f"{len(lived)} lived through the quick tests; {len(alive)} without a proof meet all of them", flush=True)
    if alive:
        run_mutants(sorted(alive), "all", words.children)
    mutants = read_mutants(TREE)
    after = unmutated_passes(TREE / "mutants")
    flags: dict[str, Any] = {
        "seed": words.seed,
        "baseline_before": before,
        "baseline_after": after,
        "runner_agrees": runner_agrees(mutants),
        "controls": controls(mutants),
    }
    ran = of(mutants, names)
    found = objections(ran, accepted)
    found += [f"not as it must be: {name}" for name in ("baseline_before", "baseline_after") if not flags[name]]
    found += [] if flags["runner_agrees"] else ["the runner's totals differ from what its mutants say"]
    found += [f"control failed: {name}" for name, held in flags["controls"].items() if not held]
    return ran, flags, found


def main() -> int:
    """Run, print one line per file and every objection; 1 when there is one."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=0, help="run at most this many mutants; 0 for all (the default)")
    parser.add_argument("--seed", type=int, default=1, help="draws the sample")
    parser.add_argument("--files", nargs="+", default=list(UNDER_TEST), choices=UNDER_TEST, metavar="NAME")
    parser.add_argument("--all", action="store_true", help="also mutants that the type checker refuses")
    parser.add_argument("--children", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--json", type=Path, help="write the totals here")
    words = parser.parse_args()
    started = time.monotonic()
    ran, flags, found = measure(words)
    rows = summary_rows(ran, read_equivalents(ACCEPTED))
    totals = {"tool": "mutmut", "version": version("mutmut"), "files": rows, **flags}
    for file, row in sorted(rows.items()):
        print(f"{file}: " + ", ".join(f"{count} {name}" for name, count in row.items() if count))
    print(f"baseline before {flags['baseline_before']}, after {flags['baseline_after']}; controls {flags['controls']}")
    for objection in found:
        print(objection)
    if words.json is not None:
        words.json.parent.mkdir(parents=True, exist_ok=True)
        words.json.write_text(json.dumps(totals, indent=2) + "\n", "utf-8")
    print(f"{'FAILED' if found else 'passed'}: {len(ran)} mutants in {time.monotonic() - started:.0f} s")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
