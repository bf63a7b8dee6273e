"""Copies of the interlock without a check: they play by their own edited sources, and the live package stays whole."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.safety.interlock_bench import limits_for
from thenar.safety import gate
from thenar.safety.attack.directed import directed
from thenar.safety.attack.player import play
from thenar.safety.attack.removals import REMOVALS, Edit
from thenar.safety.attack.variant import EditError, load_variant
from thenar.study.judged import judged, logs_of

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

NAMES = ("whole_copy", "copy_without_r06")
(ATTACK,) = (attack for attack in directed(limits_for()) if attack.rule == "R06")
(REMOVAL,) = (removal for removal in REMOVALS if removal.rule == "R06")


@pytest.fixture
def unloaded(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Copies are forgotten after the test."""
    monkeypatch.setattr(sys, "path", [*sys.path])
    yield
    for name in [name for name in sys.modules if name.split(".")[0] in NAMES]:
        del sys.modules[name]


def test_a_copy_without_a_check_breaks_it_while_a_whole_copy_and_the_live_package_keep_it(
    tmp_path: Path, unloaded: None
) -> None:
    live = play(ATTACK.ops, ATTACK.limits)
    whole = load_variant(tmp_path, NAMES[0], ())
    without = load_variant(tmp_path, NAMES[1], (*REMOVAL.planted, *REMOVAL.edits))
    assert [module.__name__ for module in (whole, without)] == [f"{name}.attack.player" for name in NAMES]
    assert sys.path.count(str(tmp_path)) == 1

    copied = whole.play(ATTACK.ops, ATTACK.limits)
    assert np.array_equal(copied.pulses, live.pulses)
    assert np.array_equal(copied.decisions, live.decisions)
    assert judged(ATTACK.limits, *logs_of(copied)).audit.broken == ()

    spoilt = without.play(ATTACK.ops, ATTACK.limits)
    assert "R06" in judged(ATTACK.limits, *logs_of(spoilt)).audit.broken
    again = play(ATTACK.ops, ATTACK.limits)
    assert np.array_equal(again.pulses, live.pulses)
    assert sys.modules["thenar.safety.gate"] is gate
    assert Path(str(gate.__file__)).is_relative_to(Path(__file__).resolve().parents[2] / "safety")


def test_no_copy_reaches_back_into_the_live_interlock(tmp_path: Path, unloaded: None) -> None:
    load_variant(tmp_path, NAMES[0], ())
    files = sorted((tmp_path / NAMES[0]).rglob("*.py"))
    assert {"gate.py", "interlock.py", "player.py"} <= {file.name for file in files}
    assert [file.name for file in files if "thenar.safety." in file.read_text("utf-8")] == []


def test_an_edit_that_does_not_fit_leaves_no_copy(tmp_path: Path, unloaded: None) -> None:
    with pytest.raises(EditError):
        load_variant(tmp_path, NAMES[0], [Edit("gate", "this text is nowhere", "")])
    assert list(tmp_path.iterdir()) == []
