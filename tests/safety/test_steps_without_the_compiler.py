"""Steps called one by one: compiled, each would cost seconds for itself, so they run as plain Python in one process."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent


@pytest.mark.skipif(os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="they run in this process")
def test_every_step_alone_passes_in_a_process_without_the_compiler() -> None:
    files = sorted(str(file) for file in HERE.glob("test_steps_alone*.py"))
    plain = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *files],
        capture_output=True, text=True, check=False, cwd=HERE.parents[1], env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
    )  # fmt: skip
    assert plain.returncode == 0, plain.stdout
    closing = plain.stdout.splitlines()[-1]
    passed = re.fullmatch(r"(\d+) passed in .*", closing)
    assert passed, closing
    assert int(passed[1]) > 400
