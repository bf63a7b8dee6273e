"""The JSON Schema of one line of a vector file: a header, a line of limits, or a vector."""

from __future__ import annotations

from typing import Any, Final

from thenar.safety.inputs import ASKED_SIZE, SENSES_SIZE
from thenar.safety.interlock import ADMITTED_SIZE
from thenar.safety.limits import LIMITS_SIZE
from thenar.safety.memory import MEMORY_SIZE
from thenar.safety.vectors.layout import FLAGS, PULSE, SCHEMA, VERSION, fields

_LEAST: Final = -(2**63)
_MOST: Final = 2**63 - 1
_WHOLE: Final = {"type": "integer", "minimum": _LEAST, "maximum": _MOST}
_TEXT: Final = {"type": "string"}
_COUNT: Final = {"type": "integer", "minimum": 0, "maximum": _MOST}
_CHANNEL: Final = {"enum": [0, 1]}


def _many(size: int) -> dict[str, Any]:
    return {"type": "array", "items": _WHOLE, "minItems": size, "maxItems": size}


def _object(**properties: Any) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _call() -> dict[str, Any]:
    tick = _object(
        tick_us=_WHOLE,
        asked=_many(ASKED_SIZE),
        senses=_many(SENSES_SIZE),
        admitted=_many(ADMITTED_SIZE),
        reasons=_COUNT,
    )
    gate = _object(gate_us=_WHOLE, channel=_CHANNEL, pulse=_many(len(PULSE)), reasons=_COUNT)
    return {
        "oneOf": [tick, gate, _object(next_us=_WHOLE, channel=_CHANNEL, due_us=_WHOLE), _object(halt_us=_WHOLE)],
    }


def _pairs() -> dict[str, Any]:
    place = {"type": "integer", "minimum": 0, "maximum": MEMORY_SIZE - 1}
    pair = {"type": "array", "prefixItems": [place, _WHOLE], "items": False, "minItems": 2}
    return {"type": "array", "items": pair, "maxItems": MEMORY_SIZE}


def vector_schema() -> dict[str, Any]:
    """The schema (draft 2020-12) that every line of a file fits."""
    header = _object(
        schema={"const": SCHEMA},
        version={"const": VERSION},
        purpose=_TEXT,
        profile=_TEXT,
        fingerprint={"type": "string", "pattern": "^[0-9a-f]+$"},
        count=_COUNT,
        seed=_COUNT,
        control=_CHANNEL,
        control_period_us=_COUNT,
        units=_TEXT,
        overflow={"type": "array", "items": _TEXT},
        flags=_object(**{name: {"const": meaning} for name, meaning in FLAGS.items()}),
        fields=_object(**{name: {"const": names} for name, names in fields().items()}),
        memory_default=_many(MEMORY_SIZE),
    )
    limits = _object(limits=_COUNT, values=_many(LIMITS_SIZE))
    vector = _object(
        id=_COUNT,
        comment=_TEXT,
        flags={"type": "array", "items": {"enum": list(FLAGS)}, "uniqueItems": True},
        limits=_COUNT,
        memory=_pairs(),
        admitted=_many(ADMITTED_SIZE),
        calls={"type": "array", "items": _call(), "minItems": 1},
        memory_after=_pairs(),
        admitted_after=_many(ADMITTED_SIZE),
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"One line of a file of interlock vectors, version {VERSION}",
        "description": "Line 1 is a header; a line of limits stands before the first vector that names it; the rest "
        "are vectors, as many as the header says, numbered from 0.",
        "oneOf": [header, limits, vector],
    }
