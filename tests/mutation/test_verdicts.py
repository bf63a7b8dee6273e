"""The mutation gate's own reading: what counts as a kill, how a mutant is named, what stops a run from passing."""

from __future__ import annotations

import ast
import json
import shutil
import tomllib
from pathlib import Path

import pytest

from tests.mutation.gate import ACCEPTED, MUST_DIE, controls, draw, summary_rows
from tests.mutation.tree import CONTROL, HERE, ROOT, UNDER_TEST, prepare
from tests.mutation.verdicts import (
    CRASH,
    KILLED,
    NO_TESTS,
    NOT_RUN,
    SURVIVED,
    SUSPICIOUS,
    TIMEOUT,
    Mutant,
    objections,
    read_equivalents,
    read_mutants,
    smallest_change,
    verdict_of,
)

PROOF = "They differ only where nothing can ever be."


def mutant(verdict: str, was: str = "a < b", becomes: str = "a <= b", nth: int = 1) -> Mutant:
    """A mutant of the gate."""
    return Mutant("thenar.safety.gate.x_f__mutmut_1", "safety/gate.py", "f", was, becomes, nth, verdict)


@pytest.mark.parametrize(
    ("exit_code", "verdict"),
    [
        (0, SURVIVED), (1, KILLED), (2, SUSPICIOUS), (3, CRASH), (4, SUSPICIOUS), (5, NO_TESTS), (33, NO_TESTS),
        (-24, TIMEOUT), (152, TIMEOUT), (-11, CRASH), (-9, CRASH), (-6, CRASH), (255, SUSPICIOUS), (None, NOT_RUN),
    ],
)  # fmt: skip
def test_only_a_failed_test_is_a_kill(exit_code: int | None, verdict: str) -> None:
    assert verdict_of(exit_code) == verdict


@pytest.mark.parametrize("verdict", [SURVIVED, SUSPICIOUS, NO_TESTS, NOT_RUN])
def test_a_mutant_without_a_kill_stops_the_run_unless_it_has_a_proof(verdict: str) -> None:
    assert len(objections([mutant(verdict)], {})) == 1
    proven = objections([mutant(verdict)], {mutant(verdict).key: PROOF})
    assert len(proven) == (0 if verdict == SURVIVED else 1)


@pytest.mark.parametrize("verdict", [KILLED, TIMEOUT, CRASH])
def test_a_proof_whose_mutant_does_not_survive_stops_the_run(verdict: str) -> None:
    assert objections([mutant(verdict)], {}) == []
    assert "did not survive" in objections([mutant(verdict)], {mutant(verdict).key: PROOF})[0]
    assert objections([mutant(verdict)], {mutant(verdict, nth=2).key: PROOF}) == []


@pytest.mark.parametrize(
    ("before", "after", "change"),
    [
        ("x = f(a < b, c)", "x = f(a <= b, c)", ("a < b", "a <= b")),
        ("x = f(a, 3)", "x = f(a, 4)", ("f(a, 3)", "f(a, 4)")),
        ("x = a | b | c", "x = a | b & c", ("a | b | c", "a | b & c")),
        ("x |= a", "x = a", ("x |= a", "x = a")),
        ("if a and b:\n    c = 1", "if a or b:\n    c = 1", ("a and b", "a or b")),
        ("if a:\n    c = d + 1", "if a:\n    c = d - 1", ("d + 1", "d - 1")),
    ],
)
def test_a_mutant_is_named_by_the_smallest_expression_that_changed(
    before: str, after: str, change: tuple[str, str]
) -> None:
    assert smallest_change(ast.parse(before), ast.parse(after)) == change


@pytest.mark.parametrize(
    ("was", "becomes", "argument"),
    [
        ("f(a, b)", "f(a, None)", True),
        ("f(a, b)", "f(a)", True),
        ("x = a", "x = None", True),
        ("a < b", "a <= b", False),
        ("f(a, 3)", "f(a, 4)", False),
        ("1:4", "1:5", False),
    ],
)
def test_what_the_type_checker_refuses_is_told_apart(was: str, becomes: str, argument: bool) -> None:
    assert mutant(KILLED, was, becomes).is_argument is argument


def test_the_list_of_accepted_survivors_can_be_read_and_each_names_an_expression_of_its_function() -> None:
    accepted = read_equivalents(ACCEPTED)
    assert accepted
    for file, function, was, _, nth in accepted:
        assert Path(file).stem in UNDER_TEST
        found = next(
            node
            for node in ast.parse((ROOT / file).read_text("utf-8")).body
            if isinstance(node, ast.FunctionDef) and node.name == function
        )
        parts = [ast.unparse(node) for node in ast.walk(found) if isinstance(node, ast.expr | ast.stmt | ast.slice)]
        assert parts.count(was) >= nth, (file, function, was)


def test_an_entry_without_a_proof_or_listed_twice_is_refused(tmp_path: Path) -> None:
    entry = "[[mutant]]\nfile='a'\nfunction='f'\nwas='x'\nbecomes='y'\n"
    file = tmp_path / "equivalent.toml"
    file.write_text(f"{entry}proof='obvious'\n", "utf-8")
    with pytest.raises(ValueError, match="no proof"):
        read_equivalents(file)
    file.write_text(f"{entry}proof='{PROOF}'\n{entry}proof='{PROOF}'\n", "utf-8")
    with pytest.raises(ValueError, match="listed twice"):
        read_equivalents(file)


def test_a_sample_is_drawn_by_its_seed_and_leaves_the_controls_out() -> None:
    made = [mutant(NOT_RUN, nth=nth) for nth in range(1, 200)]
    made.append(Mutant("gross", *MUST_DIE, NOT_RUN))
    made.append(Mutant("planted", f"safety/{CONTROL}.py", "settled", "value + 0", "value - 0", 1, NOT_RUN))
    assert len(draw(made, ["gate"], 0, 1, everything=False)) == 199
    first = draw(made, ["gate"], 20, 1, everything=False)
    assert first == draw(made, ["gate"], 20, 1, everything=False)
    assert first != draw(made, ["gate"], 20, 2, everything=False)
    assert len(first) == 20
    assert draw(made, ["budget"], 20, 1, everything=False) == []


@pytest.mark.parametrize(
    ("minus", "plus", "gross", "survives", "dies"),
    [
        (SURVIVED, KILLED, KILLED, True, True),
        (KILLED, KILLED, KILLED, False, True),
        (SURVIVED, SURVIVED, KILLED, True, False),
        (SURVIVED, KILLED, SURVIVED, True, False),
        (SURVIVED, CRASH, KILLED, True, False),
        (NOT_RUN, NOT_RUN, NOT_RUN, False, False),
    ],
)
def test_the_controls_hold_only_when_each_ends_as_it_must(
    minus: str, plus: str, gross: str, survives: bool, dies: bool
) -> None:
    planted = f"safety/{CONTROL}.py"
    made = [
        Mutant("a", planted, "settled", "value + 0", "value - 0", 1, minus),
        Mutant("b", planted, "settled", "value + 0", "value + 1", 1, plus),
        Mutant("c", *MUST_DIE, gross),
    ]
    assert controls(made) == {"must_survive": survives, "must_die": dies}


def test_totals_count_a_proven_survivor_as_equivalent_and_nothing_else_as_a_kill() -> None:
    made = [mutant(KILLED), mutant(SURVIVED), mutant(SURVIVED, nth=2), mutant(TIMEOUT), mutant(CRASH)]
    row = summary_rows(made, {mutant(SURVIVED).key: PROOF})["safety/gate.py"]
    assert (row["killed"], row["equivalent"], row["survived"], row["timeout"], row["crash"]) == (1, 1, 1, 1, 1)


def test_the_copy_is_laid_out_as_users_get_it_with_plain_functions_in_the_files_under_test(tmp_path: Path) -> None:
    prepare(tmp_path / "tree")
    safety = tmp_path / "tree" / "thenar" / "safety"
    for name in UNDER_TEST:
        was, now = (ROOT / "safety" / f"{name}.py").read_text("utf-8"), (safety / f"{name}.py").read_text("utf-8")
        assert now == was.replace("@step\n", "")
        assert "\n@" not in now
    settings = tomllib.loads((HERE / "runner.toml").read_text("utf-8"))["tool"]["mutmut"]
    assert settings["only_mutate"] == [f"thenar/safety/{name}.py" for name in (*UNDER_TEST, CONTROL)]
    for word in settings["pytest_add_cli_args_test_selection"]:
        place = word.partition("=")[2].partition("::")[0] or word
        assert any(ROOT.glob(place)), word


def test_mutants_are_read_from_what_the_runner_leaves(tmp_path: Path) -> None:
    folder = tmp_path / "mutants" / "thenar" / "safety"
    folder.mkdir(parents=True)
    (folder / "gate.py").write_text(
        "def x_f__mutmut_orig(a, b):\n    return a < b < 2\n"
        "def x_f__mutmut_1(a, b):\n    return a <= b < 2\n"
        "def x_f__mutmut_2(a, b):\n    return a < b < 3\n",
        "utf-8",
    )
    names = {f"thenar.safety.gate.x_f__mutmut_{number}": exit_code for number, exit_code in ((1, 0), (2, 1))}
    (folder / "gate.py.meta").write_text(json.dumps({"exit_code_by_key": names}), "utf-8")
    assert [(one.file, one.function, one.becomes, one.verdict) for one in read_mutants(tmp_path)] == [
        ("safety/gate.py", "f", "a <= b < 2", SURVIVED),
        ("safety/gate.py", "f", "a < b < 3", KILLED),
    ]
    shutil.rmtree(tmp_path / "mutants")
    assert read_mutants(tmp_path) == []
