"""The shipped scenarios: they load, say what to look at, agree with the JSON Schema, and cover every feature."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.scenarios import recorded_hand
from tests.scenarios.texts import SMALLEST
from thenar.scenarios.faults import CONDITIONS, KINDS
from thenar.scenarios.gallery import gallery_file, gallery_files, gallery_names
from thenar.scenarios.loader import load_scenario
from thenar.scenarios.schema_json import json_schema
from thenar.scenarios.targets import PROGRAMS
from thenar.shared.errors import InputError

every_file = pytest.mark.parametrize("path", gallery_files(), ids=lambda path: path.stem)


@every_file
def test_a_shipped_scenario_loads_and_says_what_to_look_at(path: Path) -> None:
    study = load_scenario(path, check_law=True)
    assert study.scenario.watch
    opening = "".join(line for line in path.read_text("utf-8").splitlines(keepends=True)[:12] if line.startswith("#"))
    assert "What to look at:" in opening
    assert "Simulation only." in opening
    assert "nvented" in opening


@every_file
def test_a_shipped_scenario_is_short_enough_to_read(path: Path) -> None:
    lines = path.read_text("utf-8").splitlines()
    assert max(len(line) for line in lines) <= 120
    assert len(lines) <= 100


def test_the_gallery_shows_at_least_seven_scenarios_and_the_ladder_has_eight_wearers_or_more() -> None:
    assert len(gallery_files()) >= 7
    ladder = load_scenario(gallery_file("key-pinch-ladder")).scenario
    assert ladder.wearer_count >= 8
    assert set(ladder.conditions) == set(CONDITIONS)


def test_the_gallery_uses_every_program_fault_and_condition_but_a_recorded_target() -> None:
    scenarios = [load_scenario(path).scenario for path in gallery_files()]
    assert {scenario.target.program for scenario in scenarios} == set(PROGRAMS) - {"recording"}
    assert {fault.kind for scenario in scenarios for fault in scenario.faults} == set(KINDS)
    assert {condition for scenario in scenarios for condition in scenario.conditions} == set(CONDITIONS)


def test_a_shipped_scenario_is_found_by_name_with_or_without_its_ending() -> None:
    assert gallery_file("graver-hold") == gallery_file("graver-hold.toml")
    assert gallery_file("graver-hold").is_file()
    assert "graver-hold" in gallery_names()


def test_an_unknown_shipped_scenario_is_answered_with_the_nearest_name() -> None:
    with pytest.raises(InputError) as caught:
        gallery_file("graver-hol")
    assert caught.value.problems[0].nearest == "graver-hold"


def test_the_invented_recording_is_what_its_formula_gives_and_says_that_it_is_invented() -> None:
    text = recorded_hand.FILE.read_text("utf-8")
    assert text == recorded_hand.csv_text()
    assert text.startswith("# Invented data")


def checker() -> jsonschema.Draft202012Validator:
    """Our schema in the hands of an independent implementation."""
    return jsonschema.Draft202012Validator(json_schema())


def test_the_json_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema())
    assert json.loads(json.dumps(json_schema(), allow_nan=False)) == json_schema()


@every_file
def test_a_shipped_scenario_agrees_with_the_json_schema(path: Path) -> None:
    checker().validate(tomllib.loads(path.read_text("utf-8")))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("schema = 1", "schema = 2"),
        ("schema = 1\n", ""),
        ("level_N", "levl_N"),
        ("5.0", "-5.0"),
        ('"assisted"', '"asisted"'),
        ('"constant"', '"sine"'),
        ("[law]", '[[faults]]\nkind = "stuck"\nat_s = 1.0\n[law]'),
    ],
)
def test_what_the_loader_refuses_the_json_schema_refuses_too(old: str, new: str) -> None:
    checker().validate(tomllib.loads(SMALLEST))
    assert not checker().is_valid(tomllib.loads(SMALLEST.replace(old, new, 1)))


def described(schema: Any) -> list[str]:
    """Names of all properties without a description, anywhere in a schema."""
    if isinstance(schema, list):
        return [name for part in schema for name in described(part)]
    if not isinstance(schema, dict):
        return []
    bare = [
        name
        for name, part in schema.get("properties", {}).items()
        if isinstance(part, dict) and "description" not in part
    ]
    return bare + [name for part in schema.values() for name in described(part)]


def test_every_key_of_the_json_schema_has_a_description() -> None:
    assert described(json_schema()) == []
