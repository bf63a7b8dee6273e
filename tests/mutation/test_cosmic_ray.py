"""The survivors of a second runner on the interlock: each line still stands, each proof is tried on numbers."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from functools import cache
from typing import Any, Final

import numpy as np
import pytest

from tests.mutation.tree import HERE, ROOT
from tests.safety.attacks import LIMIT_SETS, attack
from tests.safety.interlock_bench import Bench, changed
from thenar.safety import doors, interlock
from thenar.safety.ceilings import Bounded
from thenar.safety.inputs import ChannelAsked, Senses
from thenar.safety.reasons import R14, R37

LISTED: Final = tomllib.loads((HERE / "cosmic_ray_interlock.toml").read_text("utf-8"))
RUN, EQUIVALENT, GAPS = LISTED["run"], LISTED["equivalent"], LISTED["gap"]
FILE: Final = "safety/interlock.py"
SOURCE: Final = (ROOT / FILE).read_text("utf-8")
TICKS: Final = 1_000
EVERY: Final = 3
"""One in so many ticks is asked again: enough, and a third of the time."""
ODD: Final = (-(2**63), -(10**9), -2, -1, 0, 1, 2, 3, 4, 255, 256, 257, 10**6, 2**62, 2**63 - 1)
PLAIN: Final = os.environ.get("NUMBA_DISABLE_JIT") == "1"
TRIED: Final = None if PLAIN else 1
"""Compiled, one of each kind is reported as skipped, not all of them."""


def mutated(entry: dict[str, str]) -> dict[str, Any]:
    """The names of the file with one line changed, as plain Python."""
    assert SOURCE.count(entry["before"]) == 1
    names: dict[str, Any] = {"__name__": "interlock_with_a_mutant"}
    exec(compile(SOURCE.replace(entry["before"], entry["after"], 1), FILE, "exec"), names)  # noqa: S102 - our own source
    return names


@cache
def ticks() -> list[tuple[Any, ...]]:
    """What `admit` was called with in random schedules, then the same once more with one odd number in the senses."""
    asked: list[tuple[Any, ...]] = []
    original = interlock.admit

    def listening(*words: Any) -> tuple[Any, Any, int]:
        asked.append(words)
        return original(*words)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(doors, "admit", listening)
        for seed, limits in enumerate(LIMIT_SETS.values()):
            attack(Bench(limits), np.random.default_rng(seed), TICKS, calm=0.98)
    assert len(asked) == TICKS * len(LIMIT_SETS)
    asked = asked[::EVERY]
    rng = np.random.default_rng(1)
    odd = []
    for limits, memory, demand, senses, t_us in asked:
        name = Senses._fields[int(rng.integers(len(Senses._fields)))]
        odd.append((limits, memory, demand, senses._replace(**{name: ODD[int(rng.integers(len(ODD)))]}), t_us))
    return asked + odd


@cache
def answers() -> list[tuple[Any, Any, int]]:
    """What the original answers."""
    return [interlock.admit(*words) for words in ticks()]


def told_apart(entry: dict[str, str]) -> int:
    """On how many of the ticks the mutant answers otherwise."""
    admit = mutated(entry)["admit"]
    return sum(admit(*words) != answer for words, answer in zip(ticks(), answers(), strict=True))


@pytest.mark.skipif(PLAIN, reason="they run in this process")
def test_the_proofs_hold_in_a_process_without_the_compiler() -> None:
    plain = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", __file__],
        capture_output=True, text=True, check=False, cwd=ROOT, env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
    )  # fmt: skip
    assert plain.returncode == 0, plain.stdout
    counted = re.fullmatch(r"(\d+) passed, 1 skipped in .*", plain.stdout.splitlines()[-1])
    assert counted, plain.stdout
    assert int(counted[1]) > len(EQUIVALENT) + len(GAPS)


def function_of(line: str) -> set[str]:
    """The functions of the interlock in which this line stands."""
    found, name = set(), ""
    for text in SOURCE.splitlines():
        name = text.split("(")[0].removeprefix("def ") if text.startswith("def ") else name
        if text.strip() == line:
            found.add(name)
    return found


@pytest.mark.parametrize("entry", [*EQUIVALENT, *GAPS], ids=lambda entry: f"{entry['operator']}-{entry['after'][:50]}")
def test_every_line_that_a_survivor_changed_still_stands(entry: dict[str, str]) -> None:
    assert function_of(entry["before"]) == {entry["function"]}
    assert entry["after"] != entry["before"]
    assert len(entry.get("proof", entry.get("behaviour", "")).split()) >= 5


def test_the_list_is_the_runs_own_count() -> None:
    keys = [(entry["operator"], entry["before"], entry["after"]) for entry in [*EQUIVALENT, *GAPS]]
    assert len(set(keys)) == len(keys)
    assert RUN["survived"] == len(keys)
    ends = ("killed", "survived", "timeout", "broke", "incompetent", "no_tests")
    assert RUN["mutants"] == sum(RUN[end] for end in ends)


@pytest.mark.parametrize("entry", GAPS, ids=lambda entry: f"{entry['operator']}-{entry['after'][:50]}")
def test_every_gap_names_a_test_that_exists(entry: dict[str, str]) -> None:
    file, _, name = entry["killed_by"].partition("::")
    assert f"def {name}(" in (ROOT / file).read_text("utf-8")


@pytest.mark.skipif(not PLAIN, reason="run without the compiler")
@pytest.mark.parametrize("entry", EQUIVALENT[:TRIED], ids=lambda entry: f"{entry['operator']}-{entry['after'][:50]}")
def test_original_and_mutant_answer_alike_in_random_schedules(entry: dict[str, str]) -> None:
    assert told_apart(entry) == 0


@pytest.mark.skipif(not PLAIN, reason="run without the compiler")
@pytest.mark.parametrize(
    "entry",
    [gap for gap in GAPS if gap["reached"]][:TRIED],
    ids=lambda entry: f"{entry['operator']}-{entry['after'][:50]}",
)
def test_the_same_schedules_tell_a_real_gap_apart(entry: dict[str, str]) -> None:
    assert told_apart(entry) > 0


@pytest.mark.skipif(not PLAIN, reason="run without the compiler")
@pytest.mark.parametrize("entry", [entry for entry in EQUIVALENT if entry["function"] == "_last_check"][:TRIED])
def test_the_last_check_is_the_same_where_both_its_rules_fire(entry: dict[str, str]) -> None:
    # No schedule gets so far: what breaks a bound at the very end is what the lines before it never let through.
    limits = changed(LIMIT_SETS["open"], energy_aJ=4 * 10**12)
    check, found = mutated(entry)["_last_check"], set()
    for asked in (ChannelAsked(0, 0, 0), ChannelAsked(500, 200, 25_000), ChannelAsked(90_000, 500, 10_000)):
        for given in (Bounded(0, 0, 0, 0), Bounded(500, 200, 25_000, 0), Bounded(60_000, 400, 25_000, 0)):
            for other in (Bounded(0, 0, 0, 0), Bounded(-1, 200, 25_000, 0)):
                found.add(interlock._last_check(limits, asked, asked, given, other))
                assert check(limits, asked, asked, given, other) == interlock._last_check(
                    limits, asked, asked, given, other
                )
    assert found == {0, R14, R37, R14 | R37}
