"""The vectors hold an interlock written anew in C: it agrees with all of them, and every planted fault is noticed."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.safety.interlock_bench import PLAIN
from thenar.cli import main
from thenar.safety.profile import shipped_profiles

HERE = Path(__file__).resolve().parent
COUNT = 20_000
CONTROL_COUNT = 2_000
COMPILER = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-O1"]
CHECKED = [*STRICT, "-fsanitize=undefined", "-fno-sanitize-recover=undefined"]
ENOUGH = "without the compiler one file is enough: plain and compiled steps are compared elsewhere"
FAULTS = {
    1: "the ceiling itself counts as above it (>= for >)",
    2: "no bound on charge density (R10)",
    3: "currents rounded to the nearest step, not down (R36)",
    4: "the wrong channel asked for its last pulse (R26)",
    5: "no soft start (R21)",
    6: "a stale command is kept (R03)",
    7: "windows of one bucket too few (R12, R13, R16)",
    8: "a product kept in 32 bits",
    9: "a latched trip clears whatever cause is named (R34)",
    10: "the sum of both shares ignored (R25)",
    11: "the oldest bucket of a jump or a rise forgotten (R28, R31)",
    12: "the soft force bound holds the wrong channel too (R31)",
    13: "a narrow pulse counts by its charge alone (R40)",
    14: "no ramp at the end of the on-time, and no recovery (R23)",
    15: "the run before the window is forgotten a run too late (R23)",
}

pytestmark = [
    pytest.mark.skipif(COMPILER is None, reason="no C compiler (cc, gcc or clang) on this machine"),
    pytest.mark.slow,
]


@pytest.fixture(scope="module")
def vectors(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file that the command writes by default."""
    file = tmp_path_factory.mktemp("vectors") / "vectors.jsonl"
    assert main(["vectors", "forearm-25cm2", "--out", str(file), "--count", str(COUNT)]) == 0
    return file


def built(folder: Path, *options: str) -> Path:
    """The runner with the C interlock in it."""
    program = folder / "runner"
    command = [str(COMPILER), *options, str(HERE / "runner.c"), str(HERE / "interlock.c"), "-o", str(program)]
    finished = subprocess.run(command, check=False, capture_output=True, text=True)
    assert finished.returncode == 0, finished.stderr
    return program


@pytest.fixture(scope="module")
def runner(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The runner that stops at any undefined behaviour, where the compiler can watch for it."""
    folder = tmp_path_factory.mktemp("runner")
    try:
        return built(folder, *CHECKED)
    except AssertionError:
        return built(folder, *STRICT)


def judged(program: Path, file: Path) -> tuple[int, int, int, str]:
    """Exit code, vectors, how many differ, and what was said on stderr. Refused files count no vectors."""
    finished = subprocess.run([str(program), str(file)], check=False, capture_output=True, text=True)
    words = finished.stdout.split() or ["0", "", "0"]
    return finished.returncode, int(words[0]), int(words[2]), finished.stderr


def test_an_interlock_written_anew_in_c_agrees_with_every_vector(runner: Path, vectors: Path) -> None:
    assert judged(runner, vectors) == (0, COUNT, 0, "")


@pytest.mark.skipif(PLAIN, reason=ENOUGH)
@pytest.mark.parametrize("name", [name for name in shipped_profiles() if name != "forearm-25cm2"])
def test_the_other_shipped_profiles_and_another_seed_agree_as_well(name: str, runner: Path, tmp_path: Path) -> None:
    file = tmp_path / "other.jsonl"
    assert main(["vectors", name, "--out", str(file), "--count", "4000", "--seed", "7"]) == 0
    assert judged(runner, file) == (0, 4_000, 0, "")


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"{fault}: {FAULTS[fault]}")
def test_a_planted_fault_is_noticed(fault: int, vectors: Path, tmp_path: Path) -> None:
    code, count, differing, _ = judged(built(tmp_path, *STRICT, f"-DFAULT={fault}"), vectors)
    print(f"fault {fault}, {FAULTS[fault]}: noticed by {differing} of {count} vectors")
    assert code == 1
    assert count == COUNT
    assert differing >= 1


@pytest.mark.skipif(PLAIN, reason=ENOUGH)
def test_the_runner_refuses_every_vector_of_a_control_file(runner: Path, tmp_path: Path) -> None:
    file = tmp_path / "control.jsonl"
    arguments = ["vectors", "forearm-25cm2", "--control", "--out", str(file), "--count", str(CONTROL_COUNT)]
    assert main(arguments) == 0
    assert judged(runner, file)[:3] == (1, CONTROL_COUNT, CONTROL_COUNT)


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('{"id":0,', '{"id":0,"extra":1,', "unknown field"),
        ('{"id":0,', '{"id":0,"id":0,', "a field named twice"),
        ('{"id":1,', '{"id":5,', "out of order"),
        ('"count":20000', '"count":20001', "another number of vectors"),
        ('{"tick_us":0,', '{"tick_us":9223372036854775808,', "beyond 64 bits"),
    ],
)
def test_the_runner_refuses_a_file_of_another_shape(
    old: str, new: str, complaint: str, runner: Path, vectors: Path, tmp_path: Path
) -> None:
    file = tmp_path / "damaged.jsonl"
    text = vectors.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), "utf-8")
    code, _, _, said = judged(runner, file)
    assert code == 2
    assert complaint in said


def test_the_runner_is_short_enough_to_be_read() -> None:
    assert len((HERE / "runner.c").read_text("utf-8").splitlines()) < 200
