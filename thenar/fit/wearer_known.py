"""What is known of a wearer before any recording: which numbers can be fitted, and how far people span.

A number is searched on a scale on which people spread evenly (`way`), around the default of the settings and with an SD
of `span` on that scale: assumptions, made wide. A recording that doesn't narrow this SD to `TOLD` of it can't tell the
number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.settings import Wearer

TOLD: Final = 0.6
"""A number is called identifiable when the recording narrows its SD to this share of what it was before, or less."""


class Known(NamedTuple):
    """One number: its key, unit, `way` ("log", "plain" or "logit"), SD before on that scale, range, and group.

    `low`, `high`: as the settings allow (a little inside where the bound itself is excluded), in `unit`.
    """

    key: str
    unit: str
    way: str
    span: float
    low: float
    high: float
    group: str

    def scaled(self, value: float) -> float:
        """`value` in its unit on the searched scale."""
        inside = min(max(value, self.low), self.high)
        if self.way == "log":
            return math.log(inside)
        if self.way == "logit":
            return math.log(inside / (1.0 - inside))
        return inside

    def value(self, scaled: float) -> float:
        """The other way, kept within the range."""
        if self.way == "log":
            found = math.exp(min(scaled, 50.0))
        elif self.way == "logit":
            found = 1.0 / (1.0 + math.exp(-max(scaled, -50.0)))
        else:
            found = scaled
        return min(max(found, self.low), self.high)

    def default(self) -> float:
        """The default of the settings, in its unit."""
        found: Any = Wearer()
        for part in self.key.split("."):
            found = getattr(found, part)
        return float(found)


ALL: Final = (
    Known("production.gain", "", "log", 0.4, 0.05, 4.0, "production"),
    Known("production.offset_N", "N", "plain", 3.0, -20.0, 20.0, "production"),
    Known("production.scatter_share", "", "log", 0.8, 1e-3, 1.0, "scatter"),
    Known("visual_gain_per_s", "1/s", "log", 0.7, 0.01, 10.0, "sight"),
    Known("visual_delay_ms", "ms", "log", 0.4, 100.0, 1000.0, "sight"),
    Known("production.drift_depth", "", "plain", 0.2, 0.0, 0.6, "drift"),
    Known("production.drift_tau_s", "s", "log", 0.7, 0.6, 200.0, "drift"),
    Known("production.drift_neutral_share", "", "plain", 0.08, 0.0, 1.0, "drift"),
    Known("production.wander_share", "", "log", 0.8, 1e-3, 0.5, "wander"),
    Known("production.wander_tau_s", "s", "log", 0.8, 0.5, 200.0, "wander"),
    Known("noise.floor", "", "log", 0.8, 1e-5, 0.1, "noise"),
    Known("noise.linear", "", "log", 1.0, 1e-4, 0.5, "noise"),
    Known("noise.quadratic", "", "log", 0.8, 1e-4, 0.5, "noise"),
    Known("noise.slow_Hz", "Hz", "log", 0.9, 0.02, 10.0, "noise"),
    Known("noise.fast_Hz", "Hz", "log", 0.8, 0.2, 40.0, "noise"),
    Known("noise.fast_share", "", "logit", 1.5, 1e-3, 0.999, "noise"),
)
BY_KEY: Final = {known.key: known for known in ALL}
ONLY_HIDDEN: Final = ("drift", "wander")
"""Groups that show only where the own force is hidden."""
ONLY_SHOWN: Final = ("sight",)
CONDITIONAL: Final = ("drift", "wander", "noise")
"""Groups whose told numbers are fitted again with the untold ones at their defaults, as a scenario will have them."""


def nested(values: Mapping[str, float]) -> dict[str, Any]:
    """Values by key path as the nested table of a scenario's wearer."""
    table: dict[str, Any] = {}
    for key, value in values.items():
        *parts, last = key.split(".")
        place = table
        for part in parts:
            place = place.setdefault(part, {})
        place[last] = value
    return table


def wearer_with(values: Mapping[str, float], max_pinch_N: float) -> Wearer:
    """A wearer with these values by key path, the defaults elsewhere."""
    return Wearer.model_validate(nested(values) | {"max_pinch_N": max_pinch_N})


def spans(chosen: tuple[Known, ...]) -> NDArray[np.float64]:
    """SDs before the recording, on the searched scales, shape (chosen,)."""
    return np.array([known.span for known in chosen])


def centres(chosen: tuple[Known, ...]) -> NDArray[np.float64]:
    """Defaults on the searched scales, shape (chosen,)."""
    return np.array([known.scaled(known.default()) for known in chosen])
