"""The scenario file as JSON Schema (draft 2020-12), for editors that check and complete TOML."""

from __future__ import annotations

from typing import Any, Final

from thenar.scenarios.schema import SCHEMA_VERSION, Scenario

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """The schema as plain data for `json.dumps`. What spans several keys (`checks.py`) is beyond a JSON Schema.

    The wearers' tables may leave out whatever the base wearer says, so nothing in them is required.
    """
    body = Scenario.model_json_schema(by_alias=True, mode="validation")
    version = {"const": SCHEMA_VERSION, "description": "version of this file format", "title": "Schema"}
    return {
        "$schema": DIALECT,
        **body,
        "title": "thenar scenario",
        "properties": {"schema": version, **body["properties"]},
        "required": ["schema", *body["required"]],
    }
