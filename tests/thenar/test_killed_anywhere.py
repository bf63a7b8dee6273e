"""Commands that are killed at drawn instants: nothing half-written, nothing finished lost, the same in the end.

`python -m tests.thenar.killed_anywhere 200` kills so many times over all commands and prints what came of it.
"""

from __future__ import annotations

import argparse
import os
import secrets
from pathlib import Path

import pytest

from tests.thenar.killed_anywhere import COMMANDS, LEAVES_NOTHING, UNTIL_STOPPED, Bench, killed
from thenar.cli import parser

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kill -9 as POSIX systems have it")


def test_every_command_that_writes_is_among_those_that_are_killed() -> None:
    (commands,) = [action.choices for action in parser()._actions if isinstance(action, argparse._SubParsersAction)]
    assert {line.split()[0] for line in COMMANDS.values()} == set(commands) - LEAVES_NOTHING - UNTIL_STOPPED


@pytest.mark.slow
def test_a_command_that_is_killed_leaves_nothing_half_written_and_ends_the_same(tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert killed(Bench(tmp_path), ["run", "report"], 2, seed) == []


@pytest.mark.campaign
def test_two_hundred_kills_over_all_commands(tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert killed(Bench(tmp_path), list(COMMANDS), 200, seed) == []


@pytest.mark.campaign
def test_as_many_kills_of_commands_that_compile_first(tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert killed(Bench(tmp_path), list(COMMANDS), 100, seed, cold=True) == []


@pytest.mark.campaign
def test_a_first_run_killed_while_it_compiles_leaves_a_cache_that_later_runs_can_use(tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert killed(Bench(tmp_path), ["run", "sweep"], 10, seed, cold=True) == []
