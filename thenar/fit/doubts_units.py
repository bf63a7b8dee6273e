"""Numbers that don't look like their unit: out of range, or in a range that another unit would explain better.

The bounds are this project's own judgement of what a pinch and a surface stimulator do, wide on purpose; whoever
knows better says so with `--repair trust-units:COLUMN`, which is put on record.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from thenar.fit.doubts_shape import held_over_time, why_current_is_width
from thenar.fit.kinds import Column
from thenar.fit.raw import Block, Floats, Raw, counted, mend_with
from thenar.fit.recording import TIME_COLUMN
from thenar.fit.repairs import OUTSIDE, SWAPS, ZERO, columns_asked, outside
from thenar.fit.unit_words import STANDARD_GRAVITY, TRUST_UNITS, UNIT_REPAIRS

_PINCHES: Final = ("force_N", "target_N", "estimate_N")
LEAST_PINCH_N: Final = 1.0  # a recording whose forces all stay below is more likely in kg or lb
LONGEST_STEP_S: Final = 0.5  # half of all time steps longer than this: more likely ms
FEWEST_TO_JUDGE: Final = 4  # fewer values tell nothing of their unit
_MOMENTS: Final = 2000  # points at which two forces are compared
_TOGETHER: Final = (
    0.85  # squared cosine between them; below, one rests while the other goes on, and a ratio tells nothing
)
_RATIO_SLACK: Final = 1.25  # a column may be off by this factor and its unit still be told by the ratio
_FAR_SCALE: Final = 4.0  # an estimate on a scale this many times that of the force is no estimate in N
_RATIOS: Final = (
    (STANDARD_GRAVITY, "kg-to-N", True),
    (UNIT_REPAIRS["lb-to-N"].factor, "lb-to-N", True),
    (1.0 / UNIT_REPAIRS["g-to-N"].factor, "g-to-N", False),
    (1000.0, "mN-to-N", False),
)


def doubt_units(raw: Raw) -> None:
    """Add to `raw` each column whose numbers are outside their range or look like another unit."""
    swapped = _in_swap(raw)
    trusted = columns_asked(raw, TRUST_UNITS) if raw.asks(TRUST_UNITS) else ()
    suspects = {}
    for one in raw.kind.columns:
        values = raw.judged(one.name)
        suspects[one.name] = _other_units(one, values) if values.size >= FEWEST_TO_JUDGE else ()
    for name, repair in _by_ratio(raw).items():
        suspects[name] = suspects[name] or (repair,)
    for one in raw.kind.columns:
        if suspects[one.name] and one.name in trusted:
            raw.mended.append(f"{TRUST_UNITS}: {one.name} taken in {one.unit} as it is, asked for")
        elif suspects[one.name] and one.name not in swapped:
            _suspect(raw, one, suspects[one.name])
            continue
        if one.name not in swapped:
            _range(raw, one)
    if not any(suspects.get(name) for name in ("force_N", "estimate_N")) and "estimate_N" not in trusted:
        _no_force(raw)


def _in_swap(raw: Raw) -> tuple[str, ...]:
    """Columns told as exchanged: their units are no other doubt."""
    pairs = [pair for pair in SWAPS.values() if set(pair) <= set(raw.kind.names) and pair[0].endswith("_mA")]
    return tuple(name for pair in pairs if why_current_is_width(*map(raw.judged, pair)) for name in pair)


def _suspect(raw: Raw, one: Column, repairs: tuple[str, ...]) -> None:
    values = raw.judged(one.name)
    if one.name == TIME_COLUMN:
        found = f"time goes on by {_middle_step(values):.6g} from row to row (median)"
    else:
        found = (
            f"{counted(values.size, 'value')}, half of them {np.median(values):.4g} or less, largest {values.max():.4g}"
        )
    units = " or ".join(dict.fromkeys(repair.partition("-to-")[0] for repair in repairs))
    row = _first_number(raw, one.name)
    asked = mend_with(*(f"{repair}:{one.name}" for repair in repairs))
    if one.name == TIME_COLUMN and not one.low <= values.min() * UNIT_REPAIRS[repairs[0]].factor <= one.high:
        asked += f" --repair {ZERO}"
    allowed = f"{one.unit}; {asked}; if it is in {one.unit}: --repair {TRUST_UNITS}:{one.name}"
    raw.say(row, f"{found}: in {units}?", allowed)


def _first_number(raw: Raw, column: str) -> str:
    block = next(one for one in raw.blocks if column in one.columns and np.isfinite(one.columns[column]).any())
    return block.key(column, block.first(np.isfinite(block.columns[column])))


def _range(raw: Raw, one: Column) -> None:
    for block in raw.blocks:
        if one.name in block.columns:
            _range_of(raw, block, one)


def _range_of(raw: Raw, block: Block, one: Column) -> None:
    values = block.columns[one.name]
    rows = outside(values, one.low, one.high)
    if one.unit == "0 or 1":
        rows = np.isfinite(values) & (values != 0.0) & (values != 1.0)
    if not rows.any():
        return
    first, many = block.first(rows), counted(int(rows.sum()), "value")
    repair = ZERO if one.name == TIME_COLUMN else f"{OUTSIDE}:{one.name}"
    allowed = f"{one.unit}" if one.unit == "0 or 1" else f"{one.low:g} to {one.high:g} {one.unit}; {mend_with(repair)}"
    raw.say(block.key(one.name, first), f"{values[first]:g}: {many} outside", allowed)


def _middle_step(times: Floats) -> float:
    """The median step between different times."""
    steps = np.diff(times)
    steps = steps[steps > 0.0]
    return float(np.median(steps)) if steps.size else 0.0


def _other_units(one: Column, values: Floats) -> tuple[str, ...]:
    """The conversions that would make `values` of `one` look right, () when they look right as they are."""
    if one.name == TIME_COLUMN:
        step = _middle_step(values) if values.size else 0.0
        return ("us-to-s",) if step > 1000.0 * LONGEST_STEP_S else ("ms-to-s",) if step > LONGEST_STEP_S else ()
    given = np.abs(values[values != 0.0])
    if not given.size:
        return ()
    top = float(np.percentile(given, 99.0))
    by_unit = {"N": _for_force, "mA": _for_current, "us": _for_width, "ms": _for_age}
    return by_unit[one.unit](one, top, float(np.median(given))) if one.unit in by_unit else ()


def _for_force(one: Column, top: float, _middle: float) -> tuple[str, ...]:
    if top > one.high:
        return tuple(name for name in ("g-to-N", "mN-to-N") if 1.0 <= top * UNIT_REPAIRS[name].factor <= one.high)
    if one.name not in _PINCHES or top >= LEAST_PINCH_N:
        return ()
    return tuple(name for name in ("kg-to-N", "lb-to-N") if top * UNIT_REPAIRS[name].factor >= LEAST_PINCH_N)


def _for_current(_one: Column, top: float, middle: float) -> tuple[str, ...]:
    return ("A-to-mA",) if top < 0.2 else ("uA-to-mA",) if middle > 200.0 else ()


def _for_width(_one: Column, top: float, middle: float) -> tuple[str, ...]:
    if top < 0.01:
        return ("s-to-us",)
    return ("ms-to-us",) if top < 10.0 else ("ns-to-us",) if middle > 10_000.0 else ()


def _for_age(_one: Column, top: float, _middle: float) -> tuple[str, ...]:
    return ("s-to-ms",) if top < 1.0 else ()


def _no_force(raw: Raw) -> None:
    """Doubt an estimate that follows the force on a scale of no unit of force: volts, counts, per cent."""
    pair = ("estimate_N", "force_N")
    if raw.kind.name != "estimator" or not all(raw.judged(name).size for name in pair):
        return
    spans = [float(np.ptp(np.percentile(raw.judged(name), [5.0, 95.0]))) for name in pair]
    if min(spans) <= 0.0 or 1.0 / _FAR_SCALE < spans[0] / spans[1] < _FAR_SCALE:
        return
    found = f"it spans {spans[0]:.3g}, the force {spans[1]:.3g} N: in V, counts or per cent, or not of this force?"
    allowed = f"N, by your own calibration; if it is in N: --repair {TRUST_UNITS}:estimate_N"
    raw.say(_first_number(raw, "estimate_N"), found, allowed)


def _by_ratio(raw: Raw) -> dict[str, str]:
    """Of two forces that go together, the one that is off by the factor between two units."""
    names = [name for name in _PINCHES if name in raw.kind.names and raw.judged(name).size >= FEWEST_TO_JUDGE]
    found: dict[str, str] = {}
    for one, other in ((one, other) for one in names for other in names if one != other):
        times = _times_larger(raw, one, other)
        for ratio, repair, small_is_wrong in _RATIOS:
            if 1.0 / _RATIO_SLACK < times / ratio < _RATIO_SLACK:
                found[other if small_is_wrong else one] = repair
    return found


def _times_larger(raw: Raw, one: str, other: str) -> float:
    """How many times `one` is as large as `other` where both go together over time, 0 where they don't."""
    pair = [held_over_time(raw, name) for name in (one, other)]
    if pair[0] is None or pair[1] is None:
        return 0.0
    (times, values), (other_times, other_values) = pair[0], pair[1]
    begin, end = max(times[0], other_times[0]), min(times[-1], other_times[-1])
    if begin >= end:
        return 0.0
    moments = np.linspace(begin, end, _MOMENTS)
    larger, smaller = np.interp(moments, times, values), np.interp(moments, other_times, other_values)
    both, power, other_power = (
        float(np.sum(a * b)) for a, b in ((larger, smaller), (larger, larger), (smaller, smaller))
    )
    if not (both > 0.0 and both * both >= _TOGETHER * power * other_power):
        return 0.0
    return float(np.sqrt(power / other_power))
