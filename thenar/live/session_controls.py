"""What a person may move while a session runs: numbers of the scenario, with bounds that its schema sets.

Nothing here names a limit: the interlock's bounds are no controls. Two controls stand for the sensor's bias curve, as a
curve is no number: `estimator.gain` times every reading and `estimator.offset_N` more, written as `reads_N`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any, Final, NamedTuple

from pydantic.fields import FieldInfo

from thenar.controller.registry import stated, stated_bounds
from thenar.live.session_messages import RefusedError
from thenar.plant_models.estimator import bias_knots, curve_from_zero
from thenar.plant_models.settings import Cue, Estimator
from thenar.scenarios.changes import Value, text_with, value_at
from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError

LAW: Final = "law.settings"
OFFSET: Final = "estimator.offset_N"
GAIN: Final = "estimator.gain"
_STEPS: Final = 200
_UNITS: Final = ("N", "mA", "us", "ms", "s", "Hz", "cm2", "uC")
_BENCH: Final[dict[str, tuple[float, float]]] = {
    "noise_floor_N": (0.0, 3.0),
    "noise_share": (0.0, 0.5),
    "stated_over_true_sd": (0.0, 5.0),
    "latency_ms": (0.0, 500.0),
}
"""The estimator's numbers that are controls, and how far a bench needs to go (own choice, within the schema's)."""


class Control(NamedTuple):
    """One number that may be moved between `low` and `high`, in `unit` ("1": none)."""

    key: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    value: float
    group: str


class Setting(NamedTuple):
    """A scenario as it is set now: `values` by control are what was moved, `loaded` the scenario that they make."""

    loaded: LoadedScenario
    values: dict[str, float]


def controls_of(loaded: LoadedScenario, wearer: int) -> tuple[Control, ...]:
    """The controls of a scenario. RUNS a user's law. `wearer`: number of the one at the bench, from 0."""
    found = stated(loaded.scenario.law, loaded.base, str(loaded.path), trusted=loaded.trust_law)
    controls = [
        control for control in _law_controls(found.values, found.fields, LAW)
        if control.key == LAW or _settable(loaded, control)
    ]  # fmt: skip
    estimator = loaded.scenario.estimator
    for name, bench in _BENCH.items():
        low, high = _within(Estimator.model_fields[name], bench, float(getattr(estimator, name)))
        controls.append(_control(f"estimator.{name}", Estimator.model_fields[name].description, low, high,
                                 float(getattr(estimator, name)), "estimator"))  # fmt: skip
    controls.append(Control(OFFSET, "added to every reading, N (bias)", "N", -10.0, 10.0, 0.1, 0.0, "estimator"))
    controls.append(Control(GAIN, "times every reading, no unit (bias)", "1", 0.0, 3.0, 0.02, 1.0, "estimator"))
    key = f"wearers[{wearer}].cue.trust" if loaded.scenario.wearers else "wearer.cue.trust"
    label = str(Cue.model_fields["trust"].description)
    if loaded.scenario.population is not None:
        label += " (of the person whom the population is drawn around)"
    controls.append(Control(key, label, "1", -1.0, 1.0, 0.02, _number(value_at(loaded, key)), "wearer"))
    return tuple(controls)


def moved(original: LoadedScenario, controls: tuple[Control, ...], values: Mapping[str, float]) -> Setting:
    """`original` with its controls at `values`. Raises RefusedError on a key or a value that can't be."""
    known = {control.key: control for control in controls}
    for key, value in values.items():
        if key not in known:
            raise RefusedError(f"key: {key!r} is no control; allowed: {', '.join(known)}")
        control = known[key]
        if not control.low <= value <= control.high:
            raise RefusedError(f"{key}: {value:g} is outside {control.low:g} to {control.high:g} {control.unit}")
    try:
        text = text_with(original.text, written(original, values), str(original.path))
        name, shown_as, trusted = original.path.name, str(original.path), original.trust_law
        loaded = parse_scenario(text, name, original.base, shown_as=shown_as, trust_law=trusted)
        stated(loaded.scenario.law, original.base, shown_as, trusted=trusted)
    except InputError as error:
        raise RefusedError(" ".join(str(error).split())) from None
    return Setting(loaded, dict(values))


def written(original: LoadedScenario, values: Mapping[str, float]) -> dict[str, Value | list[float]]:
    """The keys of a scenario file that say what `values` by control say."""
    keys: dict[str, Value | list[float]] = {
        key: _like(original, key, value) for key, value in values.items() if key not in (OFFSET, GAIN)
    }
    if OFFSET in values or GAIN in values:
        true_N, reads_N = biased(original.scenario.estimator, values.get(OFFSET, 0.0), values.get(GAIN, 1.0))
        keys |= {"estimator.true_N": true_N, "estimator.reads_N": reads_N}
    return keys


def biased(estimator: Estimator, offset_N: float, gain: float) -> tuple[list[float], list[float]]:
    """A sensor's bias curve with every reading times `gain` and `offset_N` more: true forces and readings, N.

    No reading is below zero: a curve that would be begins where it crosses zero, and is flat before that.
    """
    true_N, before_N = curve_from_zero(estimator)
    if gain * before_N[-1] + offset_N < 0.0:  # it rises from zero, if at all, beyond its last knot
        last = bias_knots(estimator)[:, -1]
        true_N, before_N = [*true_N[:-1], float(last[0])], [*before_N[:-1], float(last[1])]
    reads_N = [gain * reading + offset_N for reading in before_N]
    first = next((place for place, reading in enumerate(reads_N) if reading >= 0.0), None)
    if first is None:
        return [true_N[0], true_N[-1]], [0.0, 0.0]
    if first > 0:
        share = -reads_N[first - 1] / (reads_N[first] - reads_N[first - 1])
        crossing_N = true_N[first - 1] + share * (true_N[first] - true_N[first - 1])
        if crossing_N < true_N[first]:
            true_N, reads_N = [crossing_N, *true_N[first:]], [0.0, *reads_N[first:]]
        else:
            true_N, reads_N = [true_N[first - 1], *true_N[first:]], [0.0, *reads_N[first:]]
    return true_N, reads_N


def unit_of(name: str) -> str:
    """The unit at the end of a name ("deadband_N": "N", "gain_mA_per_N": "mA/N"), "1" where there is none."""
    parts = name.split("_")
    if len(parts) > 2 and parts[-2] == "per" and parts[-1] in _UNITS:
        above = parts[-3] if parts[-3] in _UNITS else "1"
        return f"{above}/{parts[-1]}"
    return parts[-1] if parts[-1] in _UNITS else "1"


def _law_controls(values: Mapping[str, Any], fields: Mapping[str, Any] | None, at: str) -> Iterator[Control]:
    """A control per number in a law's settings; a plain table knows no bounds but its own numbers."""
    for name, value in values.items():
        key, field = f"{at}.{name}", (fields or {}).get(name, {})
        if isinstance(value, dict):
            yield from _law_controls(value, field.get("fields"), key)
        elif isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
            low, high = field.get("low"), field.get("high")
            stands = (
                -math.inf if low is None else float(low), math.inf if high is None else float(high),
                field.get("above") is True, field.get("below") is True,
            )  # fmt: skip
            low, high = _reach(stands, float(value), field.get("default"))
            yield _control(key, field.get("description"), low, high, float(value), "law")


def _control(key: str, label: str | None, low: float, high: float, value: float, group: str) -> Control:
    name = key.rpartition(".")[2]
    return Control(key, label or name, unit_of(name), low, high, _step(low, high), value, group)


def _bounds(field: FieldInfo, value: float) -> tuple[float, float]:
    """A field's own bounds; where it has none, four times the value or the default."""
    return _reach(stated_bounds(field), value, field.default)


def _reach(stands: tuple[float, float, bool, bool], value: float, default: object) -> tuple[float, float]:
    low, high, above, below = stands
    usual = float(default) if isinstance(default, (int, float)) else 0.0
    reach = _round_up(4.0 * max(abs(value), abs(usual))) or 1.0
    high = max(low, 0.0) + reach if math.isinf(high) else high
    low = min(0.0, high, -reach if value < 0.0 else 0.0) if math.isinf(low) else low
    step = _step(low, high)
    return low + (step if above else 0.0), high - (step if below else 0.0)


def _within(field: FieldInfo, bench: tuple[float, float], value: float) -> tuple[float, float]:
    """The bench's range; the schema's where a scenario's own value lies outside that."""
    return bench if bench[0] <= value <= bench[1] else _bounds(field, value)


def _settable(loaded: LoadedScenario, control: Control) -> bool:
    """Whether the law takes that number at all: some exclude one another."""
    law = loaded.scenario.law
    trial: dict[str, Any] = dict(law.settings)
    at = trial
    *above, last = control.key.removeprefix(f"{LAW}.").split(".")
    for part in above:
        at[part] = dict(at.get(part, {}))
        at = at[part]
    at[last] = control.value
    try:
        stated(law.model_copy(update={"settings": trial}), loaded.base, "law", trusted=loaded.trust_law)
    except InputError:
        return False
    return True


def _like(original: LoadedScenario, key: str, value: float) -> Value:
    """A number as the scenario writes it: whole where it is a whole number there."""
    try:
        found = value_at(original, key)
    except InputError:  # a law's default, which the file doesn't state
        return float(value)
    return int(value) if isinstance(found, int) and value == int(value) else float(value)


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else 0.0


def _step(low: float, high: float) -> float:
    """A plain step (1, 2 or 5 times a power of ten) of which there are at least _STEPS between two bounds."""
    rough = (high - low) / _STEPS
    if rough <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(rough))
    return next(times * power for times in (5.0, 2.0, 1.0) if times * power <= rough * (1 + 1e-9))


def _round_up(value: float) -> float:
    """The next 1, 2 or 5 times a power of ten; 0 of 0."""
    if value <= 0.0:
        return 0.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(times * power for times in (1.0, 2.0, 5.0, 10.0) if times * power >= value * (1 - 1e-9))
