"""Every table that a scenario may hold has its keys on a page of docs/."""

from __future__ import annotations

import re
import typing
from collections.abc import Iterable, Iterator
from typing import Any

from pydantic import BaseModel

from tests.thenar.doc_blocks import pages
from thenar.controller.registry import is_built_in, law_class, law_names
from thenar.scenarios import faults
from thenar.scenarios.schema import Scenario


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in typing.get_args(annotation):
        yield from _models_in(inner)


def _met_from(roots: Iterable[type[BaseModel]]) -> set[type[BaseModel]]:
    """The settings models that can be reached from `roots` through their fields, at any depth."""
    waiting = list(roots)
    met: set[type[BaseModel]] = set()
    while waiting:
        model = waiting.pop()
        if model not in met:
            met.add(model)
            waiting += [inner for field in model.model_fields.values() for inner in _models_in(field.annotation)]
    return met


def test_every_table_of_a_scenario_stands_on_a_page() -> None:
    text = "\n".join(page.read_text("utf-8") for page in pages())
    named = set(re.findall(r"^```\{settings\} (\w+)$", text, re.MULTILINE))
    laws = [law_class(name).Settings for name in law_names() if is_built_in(name)]
    assert len(laws) >= 4
    met = _met_from([Scenario, *laws])
    assert len(met) > 30
    # The faults have one table together, `{facts} faults`; a wearer by hand has the keys of a wearer and of a scenario.
    missing = {
        model.__name__
        for model in met
        if model.__name__ not in named
        and model.__module__ != faults.__name__
        and not issubclass(model, tuple(met - {model}))
    }
    assert not missing
    assert "```{facts} faults" in text
