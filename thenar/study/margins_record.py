"""Margins as rows, as a summary over wearers, and as the words that say what was assumed."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

from thenar.shared.signals import CHANNELS
from thenar.study.loop_check import Check, Simulated
from thenar.study.loop_cycle import Cycle, PopulationCycles, WearerCycle
from thenar.study.margins import PopulationMargins, WearerMargins

PERCENTILES: Final = (10.0, 50.0, 90.0)

ASSUMED: Final = (
    "the force is the level; how hard the law pushes is where the loop's gain is greatest",
    "the wearer holds the own force (one who sees the own force goes on correcting it)",
    "above motor threshold a felt cue doesn't vary, so trust moves no margin; the slow loop through it isn't judged",
    "within the bounds on one pulse the interlock lets everything through; pads touch fully",
    "no fatigue, no faults, no dropouts or jumps",
    "a law that heeds the estimate's age and stated SD is told 100 ms and 0.1 N",
    "of a law with memory: its answer to small sines about a working point",
    "what sampling folds to other frequencies is left out; noise moves no margin",
)
CHECKED_WITH: Final = (
    "the nonlinear loop, interlock and all: limits at their hard ceilings, sensor noise 2 mN, bias curve straight at "
    "the level, no wearer noise, drift, trust or fatigue; the law is asked about the point with its gain multiplied"
)


class Line(NamedTuple):
    """One measure over wearers: key, words, unit, digits, and its value for a wearer."""

    key: str
    words: str
    unit: str
    digits: int
    value: Callable[[WearerMargins], float]


LINES: Final = (
    Line("gain_margin", "gain margin", "times", 2, lambda one: one.margins.gain),
    Line("gain_margin_dB", "gain margin", "dB", 1, lambda one: one.margins.gain_dB),
    Line("phase_margin_deg", "phase margin", "deg", 1, lambda one: one.margins.phase_deg),
    Line("delay_margin_ms", "delay margin", "ms", 1, lambda one: 1e3 * one.margins.delay_s),
    Line("crossover_Hz", "crossover, |L| = 1", "Hz", 2, lambda one: one.margins.crossover_Hz),
    Line("distance", "nearest to -1, |1 + L|", "", 2, lambda one: one.margins.distance),
    Line("ultimate_gain", "ultimate gain", "", 4, lambda one: one.ultimate_gain),
    Line("ultimate_period_s", "ultimate period", "s", 3, lambda one: one.margins.ultimate_period_s),
)


def summary_of(found: PopulationMargins) -> list[dict[str, Any]]:
    """A row for each measure: key, words, unit, the worst wearer's value and percentiles over wearers."""
    worst = found.ranked()[0]
    return [
        {"measure": line.key, "words": line.words, "unit": line.unit, "worst_wearer": line.value(worst)}
        | {f"p{percentile:g}": found.at(percentile, line.value) for percentile in PERCENTILES}
        for line in LINES
    ]


def row_of(one: WearerMargins) -> dict[str, Any]:
    """One wearer as a row: margins, then the operating point they hold at (no numbers where there is no loop)."""
    row: dict[str, Any] = {"wearer": one.wearer, "name": one.name}
    row |= {"channel": CHANNELS[one.loop.point.channel] if one.loop else None}
    row |= {line.key: line.value(one) for line in LINES} | {"stable": one.margins.stable}
    point = one.loop.point if one.loop else None
    for key in ("error_N", "own_N", "share", "slope_per_N", "room_N"):
        row[key] = getattr(point, key) if point else math.nan
    for key in ("current_mA", "width_us", "rate_Hz"):
        row[key] = getattr(point.stimulus, key) if point else math.nan
    return row | {"library_against_direct": one.disagreement}


def cycle_row_of(one: WearerCycle) -> dict[str, Any]:
    """One wearer's limit cycle as a row."""
    return {"wearer": one.wearer, "name": one.name, "own_N": one.own_N} | cycle_record(one.cycle)


def cycle_record(cycle: Cycle) -> dict[str, float]:
    """A limit cycle as plain values."""
    return {
        "amplitude_N": cycle.amplitude_N,
        "period_s": cycle.period_s,
        "low_N": cycle.low_N,
        "high_N": cycle.high_N,
    }


def csv_text(rows: Sequence[dict[str, Any]]) -> str:
    """Rows of one shape as CSV: numbers read back exactly, nothing for NaN, "inf" for no bound."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(rows[0])
    for row in rows:
        writer.writerow([_cell(value) for value in row.values()])
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return str(value).lower()
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return repr(float(value)) if isinstance(value, float) else value


def margins_record(found: PopulationMargins, check: Check | None) -> dict[str, Any]:
    """Everything about the margins of a population, for machines."""
    ranked = found.ranked()
    return {
        "level_N": found.level_N,
        "seed": found.seed,
        "gain_key": found.gain_key,
        "unstable_wearers": [one.name for one in ranked if not one.margins.stable],
        "summary": summary_of(found),
        "by_wearer": [row_of(one) for one in found.wearers],
        "check": None if check is None else check_record(check),
        "assumed": list(ASSUMED),
    }


def check_record(check: Check) -> dict[str, Any]:
    """The runs below and above the ultimate gain as plain values."""
    return {
        "wearer": check.wearer.wearer,
        "name": check.wearer.name,
        "agrees": check.agrees,
        "simulated_over_linear_ultimate_gain": check.simulated_factor,
        "linear_ultimate_period_s": check.wearer.margins.ultimate_period_s,
        "runs": [_run_record(run) for run in (check.below, check.above)],
        "with": CHECKED_WITH,
    }


def _run_record(run: Simulated) -> dict[str, Any]:
    return {
        "share_of_ultimate_gain": run.factor,
        "growth_per_period": run.growth,
        "period_s": run.period_s,
        "oscillates": run.oscillates,
        "interlock_acted": list(run.acted),
    }


def cycles_record(found: PopulationCycles, simulated: tuple[WearerCycle, Cycle] | None) -> dict[str, Any]:
    """Everything about the limit cycles of a population, for machines. `simulated`: whose cycle was run, and it."""
    return {
        "level_N": found.level_N,
        "seed": found.seed,
        "by_wearer": [cycle_row_of(one) for one in found.wearers],
        "simulated": None
        if simulated is None
        else {"name": simulated[0].name, "wearer": simulated[0].wearer} | cycle_record(simulated[1]),
    }
