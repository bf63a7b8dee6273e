"""What stimulation changes within each wearer: mean paired difference against no stimulation, with its 95 % interval.

Each wearer counts once: the mean over the wearer's trials (those with a number) in either condition, then the
difference. The interval is Student's for paired differences, mean +- t(0.975, n - 1) SD / sqrt n (textbook, from
memory; tested against scipy.stats.ttest_rel). Help and harm are said only of what survives Holm's correction
[@holm-1979] for the comparisons made together: those of one measure, or of all further measures.
`thenar compare` does more; this stands in where its folder isn't given.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.study.compare_many import holm
from thenar.study.compare_words import BETTER, NAMES

BASELINE: Final = "unassisted"
LEVEL: Final = 0.95
AGENCY: Final = {
    "own_impulse_percent": "Share of the force impulse that is the wearer's own",
    "against_own_percent": "Time in which stimulation pushes against the wearer's intended change",
    "evoked_lead_ms": "Lead of evoked over voluntary onset",
    "over_window_percent": "Steps at which evoked force led by more than 100 ms",
    "refusals_per_min": "How often the wearer would have had to refuse a wrong nudge",
}
"""Agency measures that a run's tables may have, in plain words. Never one score."""
POSSIBLE: Final = {
    "own_impulse_percent": (0.0, 100.0),
    "against_own_percent": (0.0, 100.0),
    "over_window_percent": (0.0, 100.0),
    "refusals_per_min": (0.0, math.inf),
}
"""What a mean can be. Student's interval knows nothing of it and is cut there."""


class Mean(NamedTuple):
    """A mean over `wearers` with the ends of its 95 % interval, NaN ends below two wearers."""

    value: float
    low: float
    high: float
    wearers: int


def mean_of(numbers: Iterable[float]) -> Mean:
    """The mean of one number per wearer, those without one left out; NaN where nothing is left."""
    from scipy import stats

    kept = np.array([number for number in numbers if math.isfinite(number)])
    if not len(kept):
        return Mean(math.nan, math.nan, math.nan, 0)
    value = float(kept.mean())
    if len(kept) < 2:
        return Mean(value, math.nan, math.nan, 1)
    half = float(stats.t.ppf((1 + LEVEL) / 2, len(kept) - 1) * kept.std(ddof=1) / math.sqrt(len(kept)))
    return Mean(value, value - half, value + half, len(kept))


def wearer_means(rows: Iterable[Mapping[str, Any]], condition: str, target: str, measure: str) -> dict[str, float]:
    """By wearer's name, the mean of `measure` over trials in one condition at one target (rows of summary.json)."""
    found: dict[str, list[float]] = {}
    for row in rows:
        if row["condition"] == condition and row["target"] == target and row.get(measure) is not None:
            found.setdefault(str(row["wearer_name"]), []).append(float(row[measure]))
    return {name: float(np.mean(numbers)) for name, numbers in found.items()}


def targets_in(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """The targets by name, levels rising."""
    levels = {str(row["target"]): row["target_N"] for row in rows}
    return sorted(levels, key=lambda name: -math.inf if levels[name] is None else float(levels[name]))


def paired_lines(
    rows: list[dict[str, Any]], conditions: Iterable[str], measure: str, unit: str
) -> list[dict[str, Any]]:
    """A mapping per condition (but the baseline) and target: difference, interval, people, how many worse, sentence."""
    lines = []
    for condition in conditions:
        for target in targets_in(rows) if condition != BASELINE else ():
            one, other = (wearer_means(rows, name, target, measure) for name in (condition, BASELINE))
            both = [name for name in one if name in other]
            gaps = [one[name] - other[name] for name in both]
            found, side = mean_of(gaps), BETTER.get(measure, 0)
            line: dict[str, Any] = {
                "condition": condition, "against": BASELINE, "target": target, "measure": measure, "unit": unit,
                "mean_condition": float(np.mean([one[name] for name in both])) if both else None,
                "mean_against": float(np.mean([other[name] for name in both])) if both else None,
                "difference": found.value, "low": found.low, "high": found.high, "wearers": found.wearers,
                "worse": sum(side * gap < 0 for gap in gaps) if side and gaps else None,
            }  # fmt: skip
            lines.append(line | {"p": p_of(found)})
    return with_words(lines)


def p_of(found: Mean) -> float:
    """Two-sided p of the t test whose interval that is; NaN without an interval or a spread."""
    from scipy import stats

    half = (found.high - found.low) / 2
    if not half > 0:
        return math.nan
    freedom = found.wearers - 1
    return float(2 * stats.t.sf(abs(found.value) / half * stats.t.ppf((1 + LEVEL) / 2, freedom), freedom))


def with_words(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The lines as comparisons made together: p corrected for their number, and each one's sentence."""
    corrected = holm([line["p"] for line in lines])
    told = [line | {"p_holm": p, "tests": len(lines)} for line, p in zip(lines, corrected, strict=True)]
    return [line | {"sentence": sentence(line)} for line in told]


def name_of(measure: str) -> str:
    """The measure as a noun."""
    return NAMES.get(measure, measure.replace("_", " "))


def sentence(line: Mapping[str, Any]) -> str:
    """What a person would write of one line of `paired_lines`, never more than its interval shows."""
    where = "over the moving target" if line["target"] == "moving" else f"at {line['target']}"
    what = f"the {name_of(line['measure'])} {where}, {line['condition']} against {line['against']}"
    count = line["wearers"]
    people = f"{count} simulated wearer{'' if count == 1 else 's'}"
    if count < 2:
        return f"Nothing can be said of {what}: {people} with a number in both, and an interval needs two."
    value, low, high, unit = line["difference"], line["low"], line["high"], f" {line['unit']}".rstrip()
    if low == high:
        if value == 0:
            return f"No difference in {what}: the same for each of {people}."
        size = f"{abs(value):.3g}{unit} {'lower' if value < 0 else 'higher'}"
        return f"Nothing can be said with an interval of {what}: {size} for each of {people}, without any spread."
    digits = _digits((high - low) / 2)
    within = f"95 % interval {_interval_words(low, high, digits, unit)}, {people}"
    if line["worse"] is not None:
        within += f", {line['worse']} of them worse"
    size = f"{abs(value):.{digits}f}{unit} {'lower' if value < 0 else 'higher'} on average ({within})."
    if low <= 0 <= high:
        return f"No difference shown in {what}: {size}"
    if not line["p_holm"] <= 1 - LEVEL:
        why = f"not after correction for {line['tests']} tests (p = {line['p_holm']:.2g})."
        return f"No difference shown in {what}: {size} The interval leaves zero out, but {why}"
    better = {1: "Help", -1: "HARM"}.get(int(math.copysign(1, value)) * BETTER.get(line["measure"], 0), "A difference")
    return f"{better} shown in {what}: {size}"


def _digits(half_width: float) -> int:
    """Decimals that show two figures of an interval's half width."""
    return min(6, max(0, 1 - math.floor(math.log10(half_width))))


def _interval_words(low: float, high: float, digits: int, unit: str) -> str:
    if high < 0:
        return f"{-high:.{digits}f} to {-low:.{digits}f}{unit} lower"
    if low > 0:
        return f"{low:.{digits}f} to {high:.{digits}f}{unit} higher"
    return f"{-low:.{digits}f}{unit} lower to {high:.{digits}f}{unit} higher"


def agency_lines(
    rows: list[dict[str, Any]], conditions: Iterable[str], known: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """A mapping per agency measure of the tables, condition and target: mean over wearers with its interval.

    `known`: unit and meaning by measure, as summary.json has them. Empty where the tables have no such measure.
    """
    lines = []
    for measure, words in AGENCY.items():
        for condition in conditions if measure in known else ():
            for target in targets_in(rows):
                found = mean_of(wearer_means(rows, condition, target, measure).values())
                line = {"measure": measure, "words": words, "condition": condition, "target": target}
                line |= {key: known[measure][key] for key in ("unit", "meaning")}
                if found.wearers:
                    low, high = np.clip((found.low, found.high), *POSSIBLE.get(measure, (-math.inf, math.inf)))
                    lines.append(line | found._asdict() | {"low": float(low), "high": float(high)})
    return lines
