"""Bad input, told so that a person can mend it: where, what was found, what is allowed, what was meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any, NamedTuple, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError

Model = TypeVar("Model", bound=BaseModel)

SHOWN_AT_MOST = 12
_VALUE_WIDTH = 80


class Problem(NamedTuple):
    """One thing wrong with an input file. `nearest` is "" when no known name comes close."""

    file: str
    key: str
    found: str
    allowed: str
    nearest: str = ""

    def __str__(self) -> str:
        where = f"{self.file}: {self.key}" if self.key else self.file
        meant = f"\n    nearest known name: {self.nearest}" if self.nearest else ""
        return f"{where}\n    found: {self.found}\n    allowed: {self.allowed}{meant}"


class InputError(Exception):
    """Input that can't be used. The command line prints it on one screen and leaves with code 2."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        shown = [str(problem) for problem in self.problems[:SHOWN_AT_MOST]]
        left = len(self.problems) - len(shown)
        if left:
            shown.append(f"... and {left} more")
        super().__init__("\n".join(shown))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        """A worker process hands over the problems, not the text made of them."""
        return InputError, (self.problems,)


class Strict(BaseModel):
    """Base of every settings model: unknown keys and silent conversions are errors, values are frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def shown(value: object) -> str:
    """`value` on one short line."""
    try:
        text = repr(value)
    except ValueError:  # an integer with more digits than Python converts
        return "a number with too many digits"
    except Exception:  # noqa: BLE001 - a value of a user's own class may not even tell what it is
        return "a value that can't be shown"
    return text if len(text) <= _VALUE_WIDTH else text[: _VALUE_WIDTH - 3] + "..."


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name closest to `name`, or "" when none comes close."""
    return next(iter(difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)), "")


def validated(model: type[Model], data: object, file: str, context: Any = None) -> Model:
    """`data` as a `model`. Raises InputError naming `file`, every key path at fault and what is allowed."""
    try:
        return model.model_validate(data, context=context)
    except ValidationError as error:
        raise InputError(_problem(model, file, detail) for detail in error.errors(include_url=False)) from None


def _problem(model: type[BaseModel], file: str, detail: Any) -> Problem:
    key = key_path(detail["loc"])
    if detail["type"] == "extra_forbidden":
        known = _fields_at(model, detail["loc"][:-1])
        last = str(detail["loc"][-1])
        allowed = "one of " + ", ".join(known) if known else "no such key"
        return Problem(file, key, f"unknown key with value {shown(detail['input'])}", allowed, nearest(last, known))
    if detail["type"] == "missing":
        return Problem(file, key, "nothing", "this key is needed")
    if detail["type"] == "literal_error":
        choices = detail["ctx"]["expected"].replace("'", "").replace(" or ", ", ").split(", ")
        close = nearest(str(detail["input"]), choices)
        return Problem(file, key, shown(detail["input"]), f"one of {', '.join(choices)}", close)
    message = detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    return Problem(file, key, shown(detail["input"]), message)


def _is_short(name: str) -> bool:
    return name.isprintable() and len(name) <= _VALUE_WIDTH


def key_path(location: Iterable[str | int]) -> str:
    """A dotted path with [n] for the n-th entry of a list (counted from 0). Names beyond all bearing are cut."""
    path = ""
    for part in location:
        name = part if isinstance(part, int) or _is_short(part) else shown(part)
        path += f"[{name}]" if isinstance(part, int) else (f".{name}" if path else str(name))
    return path


def _fields_at(model: type[BaseModel], location: Iterable[str | int]) -> list[str]:
    """Known keys of the table at `location`, looking through lists, options and tagged unions."""
    candidates = [model]
    for part in location:
        inner = [
            found
            for candidate in candidates
            if part in candidate.model_fields
            for found in _models_in(candidate.model_fields[str(part)].annotation)
        ]
        candidates = inner or candidates
    return sorted({field.alias or name for model in candidates for name, field in model.model_fields.items()})


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in _models_in(part)]
