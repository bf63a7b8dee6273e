"""Which laws there are, and how one is built: built-in, from an installed package, or from a user's file.

Loading a user's file or an installed package runs its code. Nothing here does so at import, nor when a
scenario is validated (`LawSettings`, `check_law`). `build_law`, `stated` and `describe_laws` have it run in a process
of its own (`thenar.controller.law_process`), unless the user trusts it; `law_class` and `load_law_file` run it here.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import inspect
import math
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, Self

from pydantic import BaseModel, Field, model_validator
from pydantic.fields import FieldInfo

from thenar.controller.law import Law, LawClass
from thenar.controller.law_file import check_is_law, load_law_file
from thenar.controller.law_process import LawAt, away_law, away_settings
from thenar.shared.errors import InputError, Problem, Strict, nearest, shown, validated
from thenar.shared.foreign import ForeignError, attempted
from thenar.shared.signals import Calibration

ENTRY_POINT_GROUP: Final = "thenar.laws"
Where = Literal["shipped", "own process", "in process (trusted)"]
SHIPPED: Final = "shipped"
TRUSTED: Final = "in process (trusted)"
OWN_PROCESS: Final = "own process"

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
    return loaded_entry(claimed(name, file, key), file, key)


def claimed(name: str, file: str = "law", key: str = "law.name") -> str:
    """The entry point ("module:class") of an installed law, which is not loaded. Errors as `law_class`."""
    _check_name(name, file, key)
    places = sorted({point.value for point in _installed() if point.name == name})
    if len(places) > 1:
        found = f"{shown(name)}, claimed by {', '.join(places)}"
        raise InputError([Problem(file, key, found, "a name that one package claims")])
    return places[0]


def loaded_entry(entry: str, file: str, key: str) -> LawClass:
    """The class at an entry point. Runs the package. Raises InputError."""
    try:
        found = attempted(importlib.metadata.EntryPoint("law", entry, ENTRY_POINT_GROUP).load)
    except ForeignError as error:
        raise InputError([Problem(file, key, str(error), f"{entry} to import without an error")]) from error
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


class Stated(NamedTuple):
    """What a law's class makes of its settings: plain `values` by name, defaults included; nested tables are dicts.

    `fields`: by name what the law states of a setting: "description", "default", "low", "high" (None: no bound),
    "above", "below" (True: the bound itself is left out), or "fields" of a nested table. None when it states nothing.
    """

    values: dict[str, Any]
    fields: dict[str, Any] | None


def where_runs(spec: LawSettings, trusted: bool) -> Where:
    """Where a law runs: SHIPPED and TRUSTED in the process that calls it, OWN_PROCESS in one of its own."""
    if is_built_in(spec.name or ""):
        return SHIPPED
    return TRUSTED if trusted else OWN_PROCESS


def stated(
    spec: LawSettings, base_dir: Path, file: str = "law", key: str = "law.settings", trusted: bool = False
) -> Stated:
    """What a law makes of its settings. A user's law is RUN. Raises InputError when they don't fit, as `build_law`.

    `base_dir`: folder that `spec.file` is relative to. `file`, `key`: where the settings stand. `trusted`: run a
    user's law in this process.
    """
    if where_runs(spec, trusted) == OWN_PROCESS:
        found = away_settings(_at(spec, base_dir, file), spec.settings, file, key)
        fields = found.get("fields")
        return Stated(dict(found.get("values") or {}), fields if isinstance(fields, dict) else None)
    return stated_by(_class_of(spec, base_dir, file), spec.settings, file, key)


def stated_by(found: LawClass, table: dict[str, Any], file: str, key: str = "law.settings") -> Stated:
    """As `stated`, of a class that is loaded here."""
    settings = law_settings(found, table, file, key)
    if isinstance(settings, BaseModel):
        return Stated(settings.model_dump(mode="json"), _fields_of(settings))
    return Stated(settings, None)


def _fields_of(settings: BaseModel) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, field in type(settings).model_fields.items():
        value = getattr(settings, name)
        if isinstance(value, BaseModel):
            found[name] = {"fields": _fields_of(value)}
            continue
        low, high, above, below = stated_bounds(field)
        default = field.default if isinstance(field.default, (int, float)) else None
        found[name] = {
            "description": field.description, "default": default, "above": above, "below": below,
            "low": low if math.isfinite(low) else None, "high": high if math.isfinite(high) else None,
        }  # fmt: skip
    return found


def stated_bounds(field: FieldInfo | None) -> tuple[float, float, bool, bool]:
    """A field's own bounds, infinite where it has none, and whether the lower and the upper are themselves left out."""
    low, high, above, below = -math.inf, math.inf, False, False
    for one in () if field is None else field.metadata:
        # Whatever kind of bound it is: pydantic keeps them as objects with one attribute of these names.
        for name in ("ge", "gt"):
            if (found := getattr(one, name, None)) is not None:
                low, above = float(found), name == "gt"
        for name in ("le", "lt"):
            if (found := getattr(one, name, None)) is not None:
                high, below = float(found), name == "lt"
    return low, high, above, below


def build_law(
    spec: LawSettings,
    calibration: Calibration,
    base_dir: Path,
    file: str = "law",
    key: str = "law",
    trusted: bool = False,
) -> Law:
    """A fresh law for one wearer and one trial; a user's file is run again each time, so trials share nothing.

    `base_dir`: folder that `spec.file` is relative to. `file`, `key`: where the law table stands, for errors.
    A user's law is an `AwayLaw`, to be closed after its trial; `trusted` builds it in this process instead.
    Raises InputError when the law can't be found, loaded or built from its settings.
    """
    if where_runs(spec, trusted) == OWN_PROCESS:
        return away_law(_at(spec, base_dir, file, f"{key}.name"), spec.settings, calibration, file, key)
    found = _class_of(spec, base_dir, file, f"{key}.name")
    return built_from(found, str(spec.name or spec.class_name), spec.settings, calibration, file, key)


def built_from(found: LawClass, name: str, table: dict[str, Any], calibration: Calibration, file: str, key: str) -> Law:
    """A law of a class that is loaded here, `name` by name. Raises InputError."""
    settings = law_settings(found, table, file, f"{key}.settings")
    try:
        return attempted(lambda: found(settings, calibration))
    except ForeignError as error:
        allowed = f"{name}(settings, calibration) to build a law from {shown(table)}"
        raise InputError([Problem(file, key, str(error), allowed)]) from error


def class_at(at: LawAt, file: str, key: str) -> LawClass:
    """The class of a user's law, run here: what a law's own process calls. Raises InputError."""
    return loaded_entry(at.entry, file, key) if at.entry else load_law_file(Path(at.path), at.class_name)


def _at(spec: LawSettings, base_dir: Path, file: str, key: str = "law.name") -> LawAt:
    if spec.name is not None:
        return LawAt("", "", claimed(spec.name, file, key))
    return LawAt(str(base_dir / str(spec.file)), str(spec.class_name))


def _class_of(spec: LawSettings, base_dir: Path, file: str, key: str = "law.name") -> LawClass:
    if spec.name is not None:
        return law_class(spec.name, file, key)
    return load_law_file(base_dir / str(spec.file), str(spec.class_name))


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
