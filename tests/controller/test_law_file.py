"""A user's own law file: what is loaded, and what is said when it can't be."""

from __future__ import annotations

from pathlib import Path

import pytest

from thenar.controller.law_file import load_law_file
from thenar.shared.errors import InputError, Problem

GOOD = """from __future__ import annotations

from dataclasses import dataclass

from thenar.shared.signals import REST, Demand


@dataclass
class Memory:
    ticks: int = 0


class Quiet:
    def __init__(self, settings, calibration):
        self.memory = Memory()

    def decide(self, observation):
        self.memory.ticks += 1
        return Demand(REST, REST)


class NoDecide:
    pass


class Deaf:
    def decide(self):
        return None


class Opaque:
    decide = dict.update


quiet = Quiet({}, None)
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A good law file."""
    path = tmp_path / "own.py"
    path.write_text(GOOD, encoding="utf-8")
    return path


def problem_of(path: Path, class_name: str) -> Problem:
    """The one problem that loading ends in."""
    with pytest.raises(InputError) as caught:
        load_law_file(path, class_name)
    (problem,) = caught.value.problems
    assert problem.file == str(path)
    return problem


def test_a_class_is_loaded_and_works(file: Path) -> None:
    law = load_law_file(file, "Quiet")({}, None)  # type: ignore[arg-type]
    assert law.decide(None).agonist.current_mA == 0.0  # type: ignore[arg-type]


def test_each_load_runs_the_file_afresh_so_that_trials_share_nothing(file: Path) -> None:
    assert load_law_file(file, "Quiet") is not load_law_file(file, "Quiet")


def test_an_edit_to_the_file_is_seen(file: Path) -> None:
    load_law_file(file, "Quiet")
    file.write_text(GOOD.replace("class Quiet", "class Loud").replace("Quiet(", "Loud("), encoding="utf-8")
    assert load_law_file(file, "Loud").__name__ == "Loud"  # type: ignore[attr-defined]


def test_loading_leaves_nothing_beside_the_file(file: Path) -> None:
    load_law_file(file, "Quiet")
    assert list(file.parent.iterdir()) == [file]


def test_a_missing_file_is_told_of(tmp_path: Path) -> None:
    problem = problem_of(tmp_path / "none.py", "Quiet")
    assert problem.found == "No such file or directory"
    assert problem.allowed == "a readable Python file"


def test_a_folder_is_told_of(tmp_path: Path) -> None:
    assert problem_of(tmp_path, "Quiet").allowed == "a readable Python file"


def test_a_path_that_no_file_system_takes_is_told_of() -> None:
    assert problem_of(Path("own\0.py"), "Quiet").allowed == "a readable Python file"


def test_a_syntax_error_is_told_of_with_its_line(file: Path) -> None:
    file.write_text(GOOD + "def broken(:\n", encoding="utf-8")
    problem = problem_of(file, "Quiet")
    assert problem.key == f"line {GOOD.count(chr(10)) + 1}"
    assert "def broken(:" in problem.found


@pytest.mark.parametrize(
    "source", [b"x = 1\0", b"\xff\xfe\x00x", b"(" * 10_000, b"x = " + b"-" * 100_000 + b"1", b"# coding: nonsense\n"]
)
def test_a_file_that_is_no_python_text_is_told_of(file: Path, source: bytes) -> None:
    file.write_bytes(source)
    assert problem_of(file, "Quiet").allowed == "Python code"


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        ("1 / 0", "ZeroDivisionError: division by zero"),
        ("import no_such_module_here", "ModuleNotFoundError: No module named 'no_such_module_here'"),
        ("raise SystemExit(0)", "SystemExit: 0"),
    ],
)
def test_an_error_while_the_file_runs_is_told_of_with_its_line(file: Path, statement: str, found: str) -> None:
    file.write_text(f"x = 1\n\n{statement}\n", encoding="utf-8")
    problem = problem_of(file, "Quiet")
    assert (problem.key, problem.found) == ("line 3", found)


def test_a_missing_class_is_answered_with_the_nearest_name_among_the_files_own(file: Path) -> None:
    problem = problem_of(file, "Quite")
    assert problem.nearest == "Quiet"
    assert problem.allowed == "one of the classes Memory, Quiet, NoDecide, Deaf, Opaque"


def test_a_file_without_classes_is_told_of(file: Path) -> None:
    file.write_text("x = 1\n", encoding="utf-8")
    assert problem_of(file, "Quiet").allowed == "a file that defines a class"


def test_a_class_without_decide_is_told_of(file: Path) -> None:
    assert problem_of(file, "NoDecide").found == "class NoDecide without a method decide"


def test_a_decide_that_takes_no_observation_is_told_of(file: Path) -> None:
    assert problem_of(file, "Deaf").found == "decide(self)"


def test_a_decide_whose_signature_can_not_be_read_is_let_through(file: Path) -> None:
    assert callable(load_law_file(file, "Opaque"))


def test_an_object_that_is_no_class_is_told_of(file: Path) -> None:
    assert problem_of(file, "quiet").allowed == "a class"
