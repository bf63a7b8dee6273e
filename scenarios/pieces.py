"""Checking one piece of a scenario file at a time, so that every problem is told with its own key path."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final, TypeVar

from pydantic import BaseModel

from thenar.safety.requirements import REQUIREMENTS, RULE_PATTERN
from thenar.scenarios.targets import COLUMN_PATTERN
from thenar.shared.errors import InputError, Problem, nearest, shown, validated

Model = TypeVar("Model", bound=BaseModel)

DEEPEST: Final = 12
LONGEST_KEY: Final = 60
LONGEST_LINE: Final = 300
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")
_SMALLEST_INTEGER: Final = -(2**63)
_LARGEST_INTEGER: Final = 2**63 - 1

# The checker speaks of Python's types; a person who writes TOML knows lists and tables.
_PLAIN_WORDS: Final = (
    ("a valid tuple", "a list"),
    ("Tuple should", "a list should"),
    (" after validation", ""),
    ("a valid dictionary or instance of ", "a table, as "),
    ("a valid dictionary", "a table"),
    ("a valid string", "text in quotes"),
    ("a valid boolean", "true or false"),
    ("a valid number", "a number"),
    ("a valid integer", "a whole number"),
    (f"String should match pattern '{RULE_PATTERN}'", f"a requirement, R01 to {REQUIREMENTS[-1].name}"),
    (f"String should match pattern '{COLUMN_PATTERN}'", "a column in newtons, its name ending in _N"),
    ("String should", "text should"),
    ("greater than or equal to", "at least"),
    ("less than or equal to", "at most"),
    ("greater than", "above"),
    ("less than", "below"),
)


def plainness(data: Mapping[str, Any], file: str) -> list[Problem]:
    """What no scenario may hold anywhere: odd keys, integers beyond 64 bits (as TOML asks), endless nesting."""
    problems: list[Problem] = []
    waiting: list[tuple[str, int, Any]] = [("", 0, data)]
    while waiting:
        path, depth, value = waiting.pop()
        if depth > DEEPEST:
            problems.append(Problem(file, path[:LONGEST_KEY], "deeper nesting", f"at most {DEEPEST} levels"))
        elif isinstance(value, dict):
            for key, below in value.items():
                if len(key) > LONGEST_KEY or not _BARE_KEY.fullmatch(key):
                    allowed = f"at most {LONGEST_KEY} letters, digits, _ and -"
                    problems.append(Problem(file, path, f"a key called {shown(key)}", allowed))
                else:
                    waiting.append((f"{path}.{key}" if path else key, depth + 1, below))
        elif isinstance(value, list):
            waiting.extend((f"{path}[{index}]", depth + 1, below) for index, below in enumerate(value))
        elif isinstance(value, int) and not _SMALLEST_INTEGER <= value <= _LARGEST_INTEGER:
            problems.append(Problem(file, path, "a whole number of more than 64 bits", "at most 2^63 - 1"))
    return problems


def checked(model: type[Model], table: object, file: str, at: str, problems: list[Problem]) -> Model | None:
    """`table` as a `model`; None, and entries with keys below `at` added to `problems`, when it isn't one."""
    if not isinstance(table, dict):
        problems.append(Problem(file, at, shown(table), f"a table, headed [{at}]" if at.isidentifier() else "a table"))
        return None
    try:
        return validated(model, table, file)
    except InputError as error:
        problems.extend(placed(error, at))
        return None


def placed(error: InputError, at: str) -> list[Problem]:
    """The problems of `error` with their keys below `at`, each on short lines and in a TOML writer's words."""
    told = [problem.key for problem in error.problems]
    return [
        problem._replace(
            key=".".join(part for part in (at, problem.key) if part),
            found=_short_line(problem.found),
            allowed=_short_line(_in_plain_words(problem.allowed)),
        )
        for problem in error.problems
        # A list whose entries are faulty is also told to be too short: that is no news.
        if not any(key.startswith(f"{problem.key}[") for key in told)
    ]


def one_of(
    models: Mapping[str, type[Model]], tag: str, table: object, file: str, at: str, problems: list[Problem]
) -> Model | None:
    """`table` as the one of `models` that its key `tag` names; None and entries in `problems` otherwise."""
    if not isinstance(table, dict):
        problems.append(Problem(file, at, shown(table), f"a table with {tag} = one of {', '.join(models)}"))
        return None
    if tag not in table:
        close = nearest(tag, table)
        found = f"nothing, but a key {close}" if close else "nothing"
        problems.append(Problem(file, f"{at}.{tag}", found, f"one of {', '.join(models)}"))
        return None
    name = table[tag]
    if not isinstance(name, str) or name not in models:
        problems.append(
            Problem(file, f"{at}.{tag}", shown(name), f"one of {', '.join(models)}", nearest(str(name), models))
        )
        return None
    return checked(models[name], table, file, at, problems)


def _short_line(text: str) -> str:
    """`text` on one line that a terminal can show, cut where it is endless (a user's law may say anything)."""
    line = " ".join(text.split())
    line = line if line.isprintable() else ascii(line)
    return line if len(line) <= LONGEST_LINE else line[: LONGEST_LINE - 3] + "..."


def _in_plain_words(allowed: str) -> str:
    for technical, plain in _PLAIN_WORDS:
        allowed = allowed.replace(technical, plain)
    return allowed
