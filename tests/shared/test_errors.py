"""Bad input is told so that a person can mend it: where, what was found, what is allowed, what was meant."""

from __future__ import annotations

import pickle
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field

from thenar.shared.errors import (
    SHOWN_AT_MOST,
    InputError,
    Problem,
    Strict,
    key_path,
    nearest,
    shown,
    validated,
)


class Pad(Strict):
    """A pad."""

    kind: Literal["gel", "dry"] = "gel"
    area_cm2: float = Field(25.0, gt=0)


class Bench(Strict):
    """A bench with two pads, or more."""

    title: str
    count: int = 1
    pad: Pad = Field(default_factory=Pad)
    more: Annotated[tuple[Pad, ...], Field(strict=False)] = ()
    spare: Pad | None = None
    shape: str = Field("flat", alias="form")


def problems_of(data: object) -> tuple[Problem, ...]:
    """What is wrong with a bench."""
    with pytest.raises(InputError) as caught:
        validated(Bench, data, "bench.toml")
    return caught.value.problems


def the_problem_of(data: object) -> Problem:
    """The only thing that is wrong with it."""
    (problem,) = problems_of(data)
    return problem


def test_good_data_becomes_a_frozen_model() -> None:
    bench = validated(Bench, {"title": "x", "pad": {"area_cm2": 8.0}, "form": "round"}, "bench.toml")
    assert (bench.pad.area_cm2, bench.shape) == (8.0, "round")
    with pytest.raises(ValueError, match="frozen"):
        bench.title = "y"


def test_an_unknown_key_is_named_with_the_nearest_known_one() -> None:
    problem = the_problem_of({"title": "x", "pad": {"aera_cm2": 8.0}})
    assert (problem.file, problem.key, problem.nearest) == ("bench.toml", "pad.aera_cm2", "area_cm2")
    assert problem.allowed == "one of area_cm2, kind"
    assert problem.found == "unknown key with value 8.0"


@pytest.mark.parametrize("place", ["more", "spare"])
def test_unknown_keys_are_found_inside_lists_and_options(place: str) -> None:
    inner = {"knd": "gel"}
    problem = the_problem_of({"title": "x", place: [inner] if place == "more" else inner})
    assert problem.key == ("more[0].knd" if place == "more" else "spare.knd")
    assert problem.nearest == "kind"


def test_known_names_are_those_of_the_file_not_of_the_code() -> None:
    problem = the_problem_of({"title": "x", "shpe": "round"})
    assert "form" in problem.allowed
    assert "shape" not in problem.allowed


def test_a_missing_key_a_wrong_choice_and_a_wrong_type_are_told_together() -> None:
    problems = problems_of({"count": "3", "pad": {"kind": "gle", "area_cm2": -1.0}})
    told = {problem.key: (problem.found, problem.allowed, problem.nearest) for problem in problems}
    assert told == {
        "title": ("nothing", "this key is needed", ""),
        "count": ("'3'", "a valid integer", ""),
        "pad.kind": ("'gle'", "one of gel, dry", "gel"),
        "pad.area_cm2": ("-1.0", "greater than 0", ""),
    }


@pytest.mark.parametrize("value", [float("nan"), float("inf"), True, "8", None])
def test_what_is_no_finite_number_is_never_taken_for_one(value: object) -> None:
    assert the_problem_of({"title": "x", "pad": {"area_cm2": value}}).key == "pad.area_cm2"


def test_a_problem_is_printed_on_lines_a_person_can_act_on() -> None:
    problem = Problem("bench.toml", "pad.kind", "'gle'", "one of gel, dry", "gel")
    assert str(problem) == (
        "bench.toml: pad.kind\n    found: 'gle'\n    allowed: one of gel, dry\n    nearest known name: gel"
    )
    assert (
        str(Problem("bench.toml", "", "a folder", "a file")) == "bench.toml\n    found: a folder\n    allowed: a file"
    )


def test_many_problems_still_fit_one_screen_and_none_is_lost() -> None:
    error = InputError(Problem("f", f"k{index}", "x", "y") for index in range(100))
    assert len(error.problems) == 100
    text = str(error)
    assert text.splitlines()[-1] == f"... and {100 - SHOWN_AT_MOST} more"
    assert len(text.splitlines()) == 3 * SHOWN_AT_MOST + 1
    assert "..." not in str(InputError([Problem("f", "k", "x", "y")] * SHOWN_AT_MOST))


def test_an_error_told_by_another_process_is_the_same() -> None:
    """A worker hands its errors over pickled."""
    error = InputError([Problem("bench.toml", "pad.kind", "'gle'", "one of gel, dry", "gel")])
    back = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
    assert (type(back), str(back), back.problems) == (InputError, str(error), error.problems)


@given(st.lists(st.sampled_from(["a", "b_us"]) | st.integers(0, 9), min_size=1))
def test_a_key_path_can_be_read_back(parts: list[str | int]) -> None:
    pieces = [piece for piece in key_path(parts).replace("[", ".[").split(".") if piece]
    assert [int(piece[1:-1]) if piece.startswith("[") else piece for piece in pieces] == parts


class Unspeakable:
    """Something that won't be shown."""

    def __repr__(self) -> str:
        raise KeyError


@given(st.recursive(st.none() | st.integers() | st.floats() | st.text(), st.lists, max_leaves=30))
def test_any_value_is_shown_on_one_short_line(value: Any) -> None:
    text = shown(value)
    assert len(text) <= 80
    assert text.splitlines() in ([text], [])
    if len(repr(value)) <= 80:
        assert text == repr(value)


def test_values_that_can_not_be_shown_are_told_in_words() -> None:
    assert shown(10**5_000) == "a number with too many digits"
    assert shown(Unspeakable()) == "a value that can't be shown"
    assert shown([Unspeakable()]) == "a value that can't be shown"


@pytest.mark.parametrize(
    ("typed", "meant"), [("latency", "latency_ms"), ("lattency_ms", "latency_ms"), ("zzz", ""), ("", "")]
)
def test_the_nearest_name_is_a_near_one_or_none(typed: str, meant: str) -> None:
    assert nearest(typed, ["rate_Hz", "latency_ms", "jitter_ms"]) == meant
