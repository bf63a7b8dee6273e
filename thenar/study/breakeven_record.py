"""Break-even errors in words and plain values. Every sentence carries its interval and the number of wearers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from thenar.study.breakeven import Found, TrustEffect
from thenar.study.breakeven_map import Cell, OwnCurve
from thenar.study.crossing import Crossing
from thenar.study.resampled import Interval

KIND_WORDS: Final = {
    "noise": "noise",
    "bias-under": "reads too low",
    "bias-over": "reads too high",
    "lag": "lag",
    "together": "all together",
}
_SIZE: Final = {
    "noise": "noise with an SD of {} N",
    "bias-under": "readings {} N too low",
    "bias-over": "readings {} N too high",
    "lag": "a lag of {} ms",
    "together": "{} times the scenario's own errors",
}
ASSUMED: Final = (
    "noise, bias and lag are tried alone, the sensor being perfect otherwise (no noise, true curve, no latency)",
    "together is every error of the scenario's sensor times one factor, latency too",
    "each force is held for up to 20 s, armed from the beginning, without faults on a timetable",
    "both conditions and every sensor meet the same noise",
    "help is, over wearers, the mean of unassisted less assisted mean absolute error, with a 95 % t interval",
    "the interval of a break-even error is every error at which the interval of that mean holds zero",
    "the break-even error is the first one from zero up at which help ends; what comes beyond it is not looked at",
    "an estimator's mean absolute error is simulated at a held force and leaves its lag out",
    "a map scales a sensor's noise and bias by one factor and keeps its latency",
    "these are simulated wearers: how people learn or take to it is not in it, nor how a sensor errs in use",
)


def size_text(value: float, kind: str) -> str:
    """A size of an error without its unit: whole ms, hundredths of N or of a factor."""
    return f"{value:.0f}" if kind == "lag" else f"{value:.2f}"


def interval_text(found: Crossing, kind: str) -> str:
    """The two ends of a break-even interval, open ends in words."""
    low = "0 (no help shown even there)" if found.low == -math.inf else size_text(found.low, kind)
    high = f"beyond {size_text(found.last, kind)}" if found.high == math.inf else size_text(found.high, kind)
    return f"{low} to {high}"


def change_text(found: Interval, wearers: int) -> str:
    """By how much the wearers' error falls or rises, with interval and number of wearers."""
    if found.value >= 0:
        return (
            f"the error falls by {found.value:.2f} N (95 % interval {found.low:.2f} to {found.high:.2f} N, "
            f"{wearers} wearers)"
        )
    return (
        f"the error rises by {-found.value:.2f} N (95 % interval {-found.high:.2f} to {-found.low:.2f} N, "
        f"{wearers} wearers)"
    )


def trust_text(trust: float) -> str:
    """A trust in a table's or sentence's words."""
    return "own trust" if math.isnan(trust) else f"trust {trust:g}"


def sentence(found: Found) -> str:
    """One break-even error in a sentence."""
    crossed, kind = found.crossing, found.kind
    where = f"At {found.level_N:g} N" + ("" if math.isnan(found.trust) else f" and a trust of {found.trust:g}")
    if crossed.value == -math.inf:
        told = change_text(found.without_error, crossed.wearers)
        return f"{where} assistance doesn't help even without any error: {told}."
    if crossed.value == math.inf:
        largest = _SIZE[kind].format(size_text(crossed.last, kind))
        return (
            f"{where} assistance helps up to the largest tried, {largest}: "
            f"{change_text(found.at_last, crossed.wearers)}."
        )
    size = _SIZE[kind].format(size_text(crossed.value, kind))
    text = f"{where} assistance helps up to {size} (95 % interval {interval_text(crossed, kind)}, "
    text += f"{crossed.wearers} wearers)"
    if math.isfinite(found.errors_N[0]):
        share = 100.0 * found.errors_N[0] / found.level_N
        text += f", a mean absolute error of the estimate of {found.errors_N[0]:.2f} N, {share:.0f} % of the force"
    if found.withheld:
        text += "; there the interlock ends stimulation, and help with it, before harm is shown"
    return text + "."


def curve_sentences(curve: OwnCurve) -> list[str]:
    """What a sensor does along force."""
    crossed, forces = curve.harms_from, curve.forces_N
    wearers = crossed.wearers
    if crossed.value == -math.inf:
        told = change_text(curve.differences_N[0], wearers)
        first = f"{curve.name} doesn't help at the lowest force tried, {forces[0]:.2f} N: {told}."
    elif crossed.value == math.inf:
        place = min(range(len(forces)), key=lambda place: curve.differences_N[place].value)
        told = change_text(curve.differences_N[place], wearers)
        first = f"{curve.name} helps at every force tried, {forces[0]:.2f} to {forces[-1]:.2f} N; least at "
        first += f"{forces[place]:.2f} N: {told}."
    else:
        low = f"below {forces[0]:.2f}" if crossed.low == -math.inf else f"{crossed.low:.2f}"
        high = f"beyond {forces[-1]:.2f}" if crossed.high == math.inf else f"{crossed.high:.2f}"
        first = f"{curve.name} starts to do harm at {crossed.value:.2f} N (95 % interval {low} to {high} N, "
        first += f"{wearers} wearers)."
    name = curve.name[0].lower() + curve.name[1:]
    last = f"At {forces[-1]:.2f} N {name} errs by {curve.errors_N[-1]:.2f} N in the mean, and with it "
    return [first, last + change_text(curve.differences_N[-1], wearers) + "."]


def trust_sentence(effect: TrustEffect) -> str:
    """By how much trust matters with the scenario's own sensor, in a sentence."""
    told = change_text(effect.saved_N, effect.wearers)
    where = f"At {effect.level_N:g} N with this scenario's sensor, a trust of {effect.high:g} instead of {effect.low:g}"
    return f"{where}: {told}."


def trust_row(effect: TrustEffect) -> dict[str, Any]:
    """The same as plain values."""
    saved = effect.saved_N
    return {
        "level_N": effect.level_N, "trust": effect.high, "instead_of": effect.low, "wearers": effect.wearers,
        "error_reduction_N": saved.value, "low_N": saved.low, "high_N": saved.high, "sentence": trust_sentence(effect),
    }  # fmt: skip


def found_row(found: Found) -> dict[str, Any]:
    """One break-even error as plain values. Infinite ends become None, with the words for it in `ends`."""
    crossed = found.crossing
    ends = "crosses"
    if crossed.value == -math.inf:
        ends = "no help without error"
    elif crossed.value == math.inf:
        ends = "helps up to the largest tried"
    elif found.withheld:
        ends = "interlock withholds"
    row: dict[str, Any] = {
        "level_N": found.level_N, "kind": found.kind, "unit": found.unit,
        "trust": None if math.isnan(found.trust) else found.trust, "wearers": crossed.wearers,
        "break_even": _finite(crossed.value), "low": _finite(crossed.low), "high": _finite(crossed.high),
        "largest_tried": crossed.last, "ends": ends,
    }  # fmt: skip
    for name, error in zip(("break_even", "low", "high"), found.errors_N, strict=True):
        row[f"estimator_mean_abs_error_at_{name}_N"] = _finite(error)
    for name, change in (("without_error", found.without_error), ("at_largest_tried", found.at_last)):
        row |= {f"error_reduction_{name}_N": change.value}
        row |= {f"error_reduction_{name}_low_N": change.low, f"error_reduction_{name}_high_N": change.high}
    return row


def cell_row(cell: Cell, sensor: str, wearers: int) -> dict[str, Any]:
    """One place of a sensor's map as plain values; None where no factor gives such an error."""
    found = cell.difference_N
    return {
        "sensor": sensor,
        "force_N": cell.force_N,
        "estimator_mean_abs_error_N": cell.error_N,
        "wearers": wearers,
        "error_reduction_N": None if found is None else found.value,
        "low_N": None if found is None else found.low,
        "high_N": None if found is None else found.high,
    }


def curve_rows(curve: OwnCurve) -> list[dict[str, Any]]:
    """A sensor along forces as plain values."""
    return [
        {
            "sensor": curve.name,
            "force_N": force,
            "estimator_mean_abs_error_N": error,
            "wearers": curve.harms_from.wearers,
            "error_reduction_N": found.value,
            "low_N": found.low,
            "high_N": found.high,
        }
        for force, error, found in zip(
            curve.forces_N.tolist(), curve.errors_N.tolist(), curve.differences_N, strict=True
        )
    ]


def curve_record(curve: OwnCurve) -> dict[str, Any]:
    """Where a sensor starts to do harm, and its rows."""
    crossed = curve.harms_from
    harms = {
        "value_N": _finite(crossed.value),
        "low_N": _finite(crossed.low),
        "high_N": _finite(crossed.high),
        "no_help_at_lowest_force": crossed.value == -math.inf,
        "helps_at_every_force": crossed.value == math.inf,
        "wearers": crossed.wearers,
    }
    return {"sensor": curve.name, "harms_from": harms, "along_force": curve_rows(curve)}


def table_of(rows: Sequence[dict[str, Any]]) -> tuple[list[str], list[list[Any]]]:
    """Headers and cells of rows of one shape."""
    return list(rows[0]), [list(row.values()) for row in rows]


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
