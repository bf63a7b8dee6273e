"""Which laws there are, and how one is built: built-in, from an installed package, or from a user's file.

Loading a user's file or an installed package runs its code. Nothing here does so at import, nor when a
scenario is validated (`LawSettings`, `check_law`): only `law_class`, `load_law_file`, `build_law` and
`describe_laws` load, and only the command line calls those.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import inspect
from pathlib import Path
from typing import Any, Final, Self

from pydantic import BaseModel, Field, model_validator

from thenar.controller.law import Law, LawClass
from thenar.controller.law_file import check_is_law, load_law_file
from thenar.shared.errors import InputError, Problem, Strict, nearest, shown, validated
from thenar.shared.foreign import ForeignError, attempted
from thenar.shared.signals import Calibration

ENTRY_POINT_GROUP: Final = "thenar.laws"

_BUILT_IN: Final = {
    "bang-bang": "thenar.controller.bang_bang:BangBang",
    "confident": "thenar.controller.confident:Confident",
    "proportional": "thenar.controller.proportional:Proportional",
    "yielding": "thenar.controller.yielding:Yielding",
}


class LawSettings(Strict):
    """The law table of a scenario file: a known law by name, or a user's class in a Python file."""

    name: str | None = Field(None, description="name of a built-in or installed law (see `thenar laws`)")
    file: str | None = Field(None, description="Python file with a law of your own, relative to the scenario file")
    class_name: str | None = Field(None, alias="class", description="name of the law's class in that file")
    settings: dict[str, Any] = Field({}, description="the law's own settings")

    @model_validator(mode="after")
    def _one_law(self) -> Self:
        by_name, by_file = self.name is not None, self.file is not None and self.class_name is not None
        partly_by_file = self.file is not None or self.class_name is not None
        if by_name == by_file or (by_name and partly_by_file):
            raise ValueError("give either name, or file and class")
        return self


def law_names() -> tuple[str, ...]:
    """Names of all laws that a scenario can name, sorted. Loads none of them."""
    return tuple(sorted({*_BUILT_IN, *(point.name for point in _installed())}))


def is_built_in(name: str) -> bool:
    """True when `name` is a law of thenar itself."""
    return name in _BUILT_IN


def law_class(name: str, file: str = "law", key: str = "law.name") -> LawClass:
    """The class of a built-in or installed law. `file` and `key` say where the name stands, for the error.

    A built-in law can't be replaced by an installed one of the same name. Raises InputError on an unknown name, on a
    name that two packages claim, and when an installed law can't be loaded.
    """
    if name in _BUILT_IN:
        module, _, attribute = _BUILT_IN[name].partition(":")
        built_in: LawClass = getattr(importlib.import_module(module), attribute)
        return built_in
    _check_name(name, file, key)
    claims = [point for point in _installed() if point.name == name]
    if len({point.value for point in claims}) > 1:
        places = ", ".join(sorted(point.value for point in claims))
        raise InputError([Problem(file, key, f"{shown(name)}, claimed by {places}", "a name that one package claims")])
    try:
        found = attempted(claims[0].load)
    except ForeignError as error:
        raise InputError([Problem(file, key, str(error), f"{claims[0].value} to import without an error")]) from error
    check_is_law(found, file, key)
    installed: LawClass = found
    return installed


def check_law(spec: LawSettings, file: str, key: str = "law") -> None:
    """What can be said of a law without running foreign code: its name, and the settings of a built-in law.

    `file`: the scenario file, `key`: where its law table stands. Raises InputError.
    """
    if spec.name is None:
        return
    _check_name(spec.name, file, f"{key}.name")
    if is_built_in(spec.name):
        law_settings(law_class(spec.name), spec.settings, file, f"{key}.settings")


def law_settings(found: LawClass, table: dict[str, Any], file: str, key: str = "law.settings") -> Any:
    """`table` as the class's `Settings`, or the table itself (copied) when the class has none. Raises InputError."""
    model = getattr(found, "Settings", None)
    if model is None:
        return dict(table)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        raise InputError([Problem(file, key, shown(model), "Settings of a law to be a pydantic model, or left out")])
    try:
        return validated(model, table, file)
    except InputError as error:
        raise InputError(
            problem._replace(key=f"{key}.{problem.key}" if problem.key else key) for problem in error.problems
        ) from None


def build_law(spec: LawSettings, calibration: Calibration, base_dir: Path, file: str = "law", key: str = "law") -> Law:
    """A fresh law for one wearer and one trial; a user's file is run again each time, so trials share nothing.

    `base_dir`: folder that `spec.file` is relative to. `file`, `key`: where the law table stands, for errors.
    Raises InputError when the law can't be found, loaded or built from its settings.
    """
    if spec.name is not None:
        found = law_class(spec.name, file, f"{key}.name")
    else:
        found = load_law_file(base_dir / str(spec.file), str(spec.class_name))
    settings = law_settings(found, spec.settings, file, f"{key}.settings")
    try:
        return attempted(lambda: found(settings, calibration))
    except ForeignError as error:
        allowed = f"{spec.name or spec.class_name}(settings, calibration) to build a law from {shown(spec.settings)}"
        raise InputError([Problem(file, key, str(error), allowed)]) from error


def summary_of(found: LawClass) -> str:
    """One line on what a law does: its `summary`, or the first line of its docstring, or ""."""
    text = getattr(found, "summary", None) or inspect.getdoc(found) or ""
    return str(text).strip().partition("\n")[0]


def _check_name(name: str, file: str, key: str) -> None:
    if is_built_in(name):  # looking for installed laws reads every installed package
        return
    known = law_names()
    if name not in known:
        raise InputError([Problem(file, key, shown(name), f"one of {', '.join(known)}", nearest(name, known))])


def _installed() -> list[importlib.metadata.EntryPoint]:
    return list(importlib.metadata.entry_points(group=ENTRY_POINT_GROUP))
