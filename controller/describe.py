"""What `thenar laws` tells of each law: one line, and every setting with unit, default, allowed values and meaning."""

from __future__ import annotations

from collections.abc import Iterator
from types import UnionType
from typing import Any, Final, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from thenar.controller.law import LawClass
from thenar.controller.law_process import LawAt, away_description
from thenar.controller.registry import claimed, is_built_in, law_class, law_names, summary_of
from thenar.shared.errors import InputError

# Longest ending first: the unit of a setting is the ending of its name.
_UNITS: Final = {
    "_mA_per_N": "mA/N",
    "_fraction_per_N": "1/N",
    "_per_N": "1/N",
    "_mA_per_s": "mA/s",
    "_N_per_s": "N/s",
    "_mA": "mA",
    "_uC": "uC",
    "_us": "us",
    "_ms": "ms",
    "_Hz": "Hz",
    "_s": "s",
    "_N": "N",
}
_BOUNDS: Final = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}


class SettingDescription(NamedTuple):
    """One setting. `name` is dotted inside nested tables; `default` is None when none is set or it is optional."""

    name: str
    unit: str
    default: Any
    required: bool
    allowed: str
    meaning: str


class LawDescription(NamedTuple):
    """One law. `problem` is "" unless an installed law could not be loaded."""

    name: str
    built_in: bool
    summary: str
    settings: tuple[SettingDescription, ...]
    problem: str = ""


def describe_laws() -> tuple[LawDescription, ...]:
    """Every known law, sorted by name. Loads installed laws, apart from this process; failures are told, not raised."""
    return tuple(_describe(name) for name in law_names())


def _describe(name: str) -> LawDescription:
    if is_built_in(name):
        return described(law_class(name), name, built_in=True)
    try:
        found = away_description(LawAt("", "", claimed(name)), name)
        settings = tuple(SettingDescription(**one) for one in found["settings"])
        return LawDescription(name, False, found["summary"], settings)
    except InputError as error:
        return LawDescription(name, False, "", (), str(error))
    except (KeyError, TypeError):  # what a hostile package made of the answer
        return LawDescription(name, False, "", (), f"{name}: says nothing of itself that can be read")


def described(found: LawClass, name: str, built_in: bool) -> LawDescription:
    """What a law's class says of itself."""
    model = getattr(found, "Settings", None)
    settings = tuple(_settings(model, "")) if isinstance(model, type) and issubclass(model, BaseModel) else ()
    return LawDescription(name, built_in, summary_of(found), settings)


def _settings(model: type[BaseModel], prefix: str, default: Any = None) -> Iterator[SettingDescription]:
    for name, field in model.model_fields.items():
        value = getattr(default, name) if isinstance(default, BaseModel) else field.get_default()
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield from _settings(field.annotation, f"{prefix}{name}.", value)
            continue
        yield SettingDescription(
            name=prefix + name,
            unit=unit_of(name, field.annotation),
            default=None if field.is_required() else value,
            required=field.is_required(),
            allowed=_allowed(field),
            meaning=field.description or "",
        )


def unit_of(name: str, annotation: Any) -> str:
    """The unit a name ends in; "1" for other numbers, "" for texts and choices (`annotation`: the type it holds)."""
    for ending, unit in _UNITS.items():
        if name.endswith(ending):
            return unit
    return "1" if {int, float} & {annotation, *get_args(annotation)} else ""


def _allowed(field: FieldInfo) -> str:
    literals = [part for part in _alternatives(field.annotation) if get_origin(part) is Literal]
    choices = [choice for part in literals for choice in get_args(part)]
    if choices:
        return " or ".join(str(choice) for choice in choices)
    bounds = [(words, getattr(part, key, None)) for part in field.metadata for key, words in _BOUNDS.items()]
    return ", ".join(f"{words} {bound:g}" for words, bound in bounds if bound is not None)


def _alternatives(annotation: Any) -> tuple[Any, ...]:
    """The parts of `A | B`, or the annotation alone."""
    return get_args(annotation) if get_origin(annotation) in {Union, UnionType} else (annotation,)
