"""Compiled laws and plain Python decide alike, to the last bit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def recorded(disable_jit: str) -> list[str]:
    """The lines of `recorded_decisions` from a process with or without the compiler."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.controller.recorded_decisions"],
        cwd=ROOT,
        env={**os.environ, "NUMBA_DISABLE_JIT": disable_jit},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.splitlines()


def test_compiled_laws_decide_as_plain_python_does_bit_for_bit() -> None:
    compiled, plain = recorded("0"), recorded("1")
    assert (compiled[0], plain[0]) == ("compiled", "plain")
    assert len(compiled) == 1 + 11 * 2000 + 20_000
    assert compiled[1:] == plain[1:]
    # Decisions of both kinds and both directions occur, or equality would say little.
    assert len(set(compiled[1:22_001])) > 8000
