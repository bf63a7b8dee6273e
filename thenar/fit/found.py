"""What a fit finds: parameters with intervals, how well they describe the recording, and the table to simulate with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

Number = float | int


class Parameter(NamedTuple):
    """One fitted number. `key`: its path in the written table, as `latency_ms` or `production.gain`.

    `low`, `high`: 95 % interval in `unit`, NaN when there is none. `identifiable` is False when the recording can't
    tell it; `note` then says why and which further recording would settle it, and the value is the model's default.
    """

    key: str
    value: float
    unit: str
    low: float
    high: float
    identifiable: bool = True
    note: str = ""


class Quality(NamedTuple):
    """One figure of how well a fit describes the recording. `low`, `high`: 95 % interval, NaN when there is none."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    words: str


@dataclass(frozen=True)
class Fit:
    """A finished fit.

    `kind`: what was fitted; `part_of`: "wearer" or "estimator", where `table` belongs in a scenario; `table`: values
    for that place, nested as in a scenario, as the settings models take them; `parameters`, `qualities`: in the order
    in which they are shown; `warnings`: plain sentences; `settings`: what the fit was asked, by option; `drawn`: arrays
    that the picture of this kind needs; `misfits`: why the fit doesn't describe the recording, in sentences.
    """

    kind: str
    part_of: str
    table: Mapping[str, Any]
    parameters: tuple[Parameter, ...]
    qualities: tuple[Quality, ...]
    warnings: tuple[str, ...] = ()
    settings: Mapping[str, Number | str | bool] = field(default_factory=dict)
    drawn: Mapping[str, Any] = field(default_factory=dict)
    misfits: tuple[str, ...] = ()
