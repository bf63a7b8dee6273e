"""Compiled steps: a cache that sees every edit, a start without any cache, and flat memory that loses nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from thenar.shared.compiled import (
    STEP_FOLDERS,
    entry,
    fixed,
    flat,
    flat_floats,
    flat_integers,
    source_fingerprint,
    step,
    store,
)

ROOT = Path(__file__).resolve().parents[2]
PLAIN = os.environ.get("NUMBA_DISABLE_JIT") == "1"
WHOLE = st.integers(-(2**63), 2**63 - 1)

PROBE = '''\
"""An entry whose callee stands in another file."""

from thenar.plant_models.electrode import ElectrodeParams, load_ohm
from thenar.shared.compiled import entry


@entry
def probe(width_us, contact_share):
    return load_ohm(ElectrodeParams(500.0, 1500.0, 300.0, 120.0), width_us, contact_share)
'''
ASK = (
    "from thenar.shared import compiled; from thenar.plant_models.probe import probe; "
    "print(compiled.CACHED, probe(1e9, 0.5), sum(getattr(probe, 'stats', probe).cache_hits.values()))"
)
"""Prints whether there is a cache, the load at the end of an endless phase on half a pad, and hits in the cache."""


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of the real step sources of two rooms, with the probe beside them, as an installed package."""
    package = tmp_path / "site" / "thenar"
    for room in ("shared", "plant_models"):
        shutil.copytree(ROOT / room, package / room, ignore=shutil.ignore_patterns("__pycache__"))
    (package / "__init__.py").touch()
    (package / "plant_models" / "probe.py").write_text(PROBE, encoding="utf-8")
    return package


def importing(tree: Path) -> dict[str, str]:
    """What has Python import the copy, and leave nothing of its own in it."""
    return {"PYTHONPATH": str(tree.parent), "PYTHONDONTWRITEBYTECODE": "1"}


def asked(tree: Path, cache: Path) -> tuple[bool, float, int]:
    """Run the probe in a process of its own: (is there a cache, its answer, hits in the cache)."""
    kept = {name: value for name, value in os.environ.items() if name not in ("NUMBA_CACHE_DIR", "NUMBA_DISABLE_JIT")}
    done = subprocess.run(
        [sys.executable, "-c", ASK], capture_output=True, text=True, check=True, cwd=tree.parent,
        env={**kept, **importing(tree), "THENAR_CACHE_DIR": str(cache)},
    )  # fmt: skip
    cached, ohm, hits = done.stdout.split()
    return cached == "True", float(ohm), int(hits)


def edit(file: Path, before: str, after: str) -> None:
    """Replace one piece of text in a file."""
    text = file.read_text("utf-8")
    assert text.count(before) == 1
    file.write_text(text.replace(before, after), encoding="utf-8")


def halve_the_load(tree: Path) -> None:
    """Edit the step that the probe calls, not the probe's own file."""
    edit(tree / "plant_models" / "electrode.py", "* charging) / contact_share", "* charging) / contact_share / 2.0")


def test_an_edited_callee_gives_the_new_result_and_an_unedited_one_comes_from_the_cache(
    tree: Path, tmp_path: Path
) -> None:
    cache = tmp_path / "cache"
    assert asked(tree, cache) == (True, 4000.0, 0)
    assert asked(tree, cache) == (True, 4000.0, 1)
    halve_the_load(tree)
    assert asked(tree, cache) == (True, 2000.0, 0)
    assert asked(tree, cache) == (True, 2000.0, 1)


def test_without_the_fingerprint_the_old_result_would_come_out(tree: Path, tmp_path: Path) -> None:
    """Why the folder's name holds a hash. Should numba's own cache see this one day, the hash may go."""
    edit(tree / "shared" / "compiled.py", "return digest.hexdigest()[:16]", 'return "always-the-same"')
    cache = tmp_path / "cache"
    assert asked(tree, cache) == (True, 4000.0, 0)
    halve_the_load(tree)
    assert asked(tree, cache) == (True, 4000.0, 1)


def test_steps_run_where_no_cache_folder_can_be_written(tree: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "a-file"
    blocked.touch()
    assert asked(tree, blocked) == (False, 4000.0, 0)
    assert blocked.read_bytes() == b""


NOBODY = """
import pwd

def nameless(_uid):
    raise KeyError("no such user")

pwd.getpwuid = nameless
"""


@pytest.mark.skipif(sys.platform == "win32", reason="homes are found in another way there")
def test_steps_run_for_a_user_without_a_name_and_a_home(tree: Path) -> None:
    """As in a container that runs under a bare number: no HOME, and no line in the table of users."""
    kept = {name: value for name, value in os.environ.items() if name in ("PATH", "LANG")}
    done = subprocess.run(
        [sys.executable, "-c", NOBODY + ASK], capture_output=True, text=True, check=False, cwd=tree.parent,
        env={**kept, **importing(tree)},
    )  # fmt: skip
    assert done.stdout.split() == ["False", "4000.0", "0"], done.stderr


def test_the_fingerprint_sees_every_edit_of_a_step_source_and_nothing_else(tree: Path) -> None:
    seen = {source_fingerprint(tree)}

    def changed() -> bool:
        before = len(seen)
        seen.add(source_fingerprint(tree))
        return len(seen) > before

    assert not changed(), "the same sources, the same fingerprint"
    probe = tree / "plant_models" / "probe.py"
    probe.write_text(probe.read_text("utf-8") + "\n", encoding="utf-8")
    assert changed(), "one more empty line"
    probe.rename(probe.with_name("probe2.py"))
    assert changed(), "another name"
    probe.with_name("probe2.py").unlink()
    assert changed(), "a file less"
    (tree / "plant_models" / "notes.txt").write_text("no step", encoding="utf-8")
    (tree / "elsewhere").mkdir()
    (tree / "elsewhere" / "tool.py").write_text("x = 1", encoding="utf-8")
    assert not changed(), "what is no step source"


def test_text_that_moves_from_one_file_to_the_next_changes_the_fingerprint(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    found = []
    for first, second in (("ab", "c"), ("a", "bc")):
        (tmp_path / "shared" / "one.py").write_text(first, encoding="utf-8")
        (tmp_path / "shared" / "two.py").write_text(second, encoding="utf-8")
        found.append(source_fingerprint(tmp_path))
    assert found[0] != found[1]


def test_every_folder_that_holds_steps_is_in_the_fingerprint() -> None:
    """In the source tree and in an installed package, where the rooms lie inside the one package."""
    own = ("from thenar.shared.compiled import", "@step", "@entry")
    rooms = {
        file.parent.relative_to(ROOT).as_posix()
        for room in ("shared", "plant_models", "controller", "safety", "scenarios", "thenar")
        for file in (ROOT / room).rglob("*.py")
        if own[0] in file.read_text("utf-8") and any(mark in file.read_text("utf-8") for mark in own[1:])
    }
    assert {"plant_models", "controller", "safety", "thenar/engine"} <= rooms
    assert rooms <= set(STEP_FOLDERS)
    assert {room.removeprefix("thenar/") for room in rooms} <= set(STEP_FOLDERS)


class Inner(NamedTuple):
    """Two numbers."""

    low: int
    high: int


class Outer(NamedTuple):
    """A number between two pairs."""

    first: Inner
    middle: int
    second: Inner


@step
def summed(values: Inner) -> int:
    """A step that reads a NamedTuple."""
    return values.low + 2 * values.high


@entry
def turned(memory: NDArray[np.int64], out: NDArray[np.int64]) -> int:
    """Flat memory to a NamedTuple, the other way round back into flat memory."""
    read = Inner(*fixed(memory, 2))
    store(out, Inner(read.high, read.low))
    return summed(read)


@given(st.tuples(WHOLE, WHOLE, WHOLE, WHOLE, WHOLE))
def test_nested_integers_survive_the_way_through_flat_memory(numbers: tuple[int, int, int, int, int]) -> None:
    value = Outer(Inner(*numbers[:2]), numbers[2], Inner(*numbers[3:]))
    memory = flat_integers(value)
    assert (memory.dtype, memory.tolist()) == (np.int64, list(numbers))
    assert fixed(memory, 5) == numbers
    copy = np.zeros(7, dtype=np.int64)
    store(copy, fixed(memory, 5))
    assert copy.tolist() == [*numbers, 0, 0]


@given(st.integers(-(2**40), 2**40), st.integers(-(2**40), 2**40))
def test_compiled_code_reads_and_writes_flat_memory_as_python_does(low: int, high: int) -> None:
    out = np.zeros(2, dtype=np.int64)
    assert turned(flat_integers(Inner(low, high)), out) == low + 2 * high
    assert out.tolist() == [high, low]


@given(st.lists(st.floats(allow_nan=False) | st.tuples(st.floats(allow_nan=False), st.floats(allow_nan=False))))
def test_nested_floats_are_laid_out_in_field_order(values: list[float | tuple[float, float]]) -> None:
    expected = [number for value in values for number in (value if isinstance(value, tuple) else (value,))]
    assert flat(values) == expected
    assert flat_floats(values).tolist() == expected
    assert flat_floats(values).dtype == np.float64


@pytest.mark.parametrize("value", [1.0, True, None, "1", np.int64(1), np.float64(1.0), float("nan")])
def test_only_integers_enter_integer_memory(value: object) -> None:
    with pytest.raises(TypeError, match="only integers may enter integer memory"):
        flat_integers((1, (2, value)))


def test_an_integer_too_large_for_memory_is_an_error_not_another_number() -> None:
    with pytest.raises(OverflowError):
        flat_integers((2**63,))


def test_storing_leaves_the_rest_of_an_array_alone_and_never_writes_past_its_end() -> None:
    memory = np.arange(4, dtype=np.int64)
    store(memory[1:3], Inner(-1, -2))
    assert memory.tolist() == [0, -1, -2, 3]


@pytest.mark.skipif(PLAIN, reason="nothing is compiled")
def test_steps_are_compiled_unless_switched_off() -> None:
    assert hasattr(summed, "py_func")
    assert hasattr(turned, "py_func")
