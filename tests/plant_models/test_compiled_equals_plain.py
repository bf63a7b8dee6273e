"""Compiled models and plain Python agree to the last bit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from tests.plant_models.recorded_models import lines

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.skipif(
    bool(numba.config.DISABLE_JIT), reason="this process runs plain Python: nothing compiled to compare"
)
def test_compiled_muscle_body_wearer_and_estimator_equal_plain_python_bit_for_bit() -> None:
    plain = subprocess.run(
        [sys.executable, "-m", "tests.plant_models.recorded_models"],
        cwd=ROOT,
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    compiled = lines()
    assert (compiled[0], plain[0]) == ("compiled", "plain")
    assert len(compiled) == len(plain) > 13_500
    different = [place for place, (ours, theirs) in enumerate(zip(compiled, plain, strict=True)) if ours != theirs]
    assert different == [0]
    # Almost every line is new, or equality would say little.
    assert len(set(compiled)) > 0.8 * len(compiled)
