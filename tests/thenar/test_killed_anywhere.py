"""Commands that are killed at drawn instants: nothing half-written, nothing finished lost, the same in the end.

`python -m tests.thenar.killed_anywhere 200` kills so many times over all commands and prints what came of it.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path

import pytest

from tests.thenar.killed_anywhere import (
    COMMANDS,
    LEAVES_NOTHING,
    UNTIL_STOPPED,
    Bench,
    in_turn,
    killed,
    written_by,
)
from thenar.cli import parser

KILLS = 200

posix = pytest.mark.skipif(os.name != "posix", reason="kill -9 as POSIX systems have it")


def test_every_command_that_writes_is_killed_with_every_option_that_names_what_it_writes() -> None:
    for command, options in written_by(parser()).items():
        if command in LEAVES_NOTHING:
            assert not options
        elif command not in UNTIL_STOPPED:
            lines = [line.split() for line in COMMANDS.values() if f"{line} ".startswith(f"{command} ")]
            assert lines, command
            assert options <= {word for line in lines for word in line}, command


@posix
@pytest.mark.slow
def test_a_command_that_is_killed_leaves_nothing_half_written_and_ends_the_same(tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert killed(Bench(tmp_path), in_turn(["run", "report"], 2, "warm"), seed) == []


@posix
@pytest.mark.campaign
def test_kills_over_all_commands_half_of_them_with_an_empty_compile_cache(tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert killed(Bench(tmp_path), in_turn(list(COMMANDS), KILLS, "both"), seed) == []
