"""What a person would write about each comparison, and never more than its interval shows.

Every sentence about help or harm carries the interval and the number of wearers. Better and worse are said only of
measures where it is plain which is which; of charge and the like a sentence says smaller and larger.
"""

from __future__ import annotations

import math
import re
from typing import Final

from thenar.report.metrics import METRICS
from thenar.study.compare import Comparison, Result
from thenar.study.compare_paired import LEAST_WEARERS, Ends
from thenar.study.compare_rows import OVERALL

NAMES: Final = {
    "mean_abs_error_N": "mean absolute error",
    "rms_error_N": "root mean square error",
    "steady_error_N": "mean absolute error of the steady hold",
    "cv_percent": "coefficient of variation of the steady hold",
    "drift_N_per_s": "drift of the steady hold",
    "approach_error_N": "mean absolute error of the approach",
    "rise_s": "rise time",
    "in_band_percent": "time in the band",
    "overshoot_N": "overshoot",
    "settling_s": "settling time",
    "agonist_charge_both_phases_uC": "charge of the agonist channel",
    "antagonist_charge_both_phases_uC": "charge of the antagonist channel",
    "agonist_pulses": "number of pulses of the agonist channel",
    "antagonist_pulses": "number of pulses of the antagonist channel",
    "trips": "number of latched trips",
    "own_impulse_percent": "own share of the force impulse",
    "against_own_percent": "time pushed against the own change of force",
    "evoked_lead_ms": "lead of evoked over own onset",
    "over_window_percent": "share of onsets that led by more than the window",
    "refusals_per_min": "number of wrong nudges to refuse per minute",
}
BETTER: Final = {
    "mean_abs_error_N": -1, "rms_error_N": -1, "steady_error_N": -1, "cv_percent": -1,
    "approach_error_N": -1, "rise_s": -1, "in_band_percent": 1, "overshoot_N": -1,
    "settling_s": -1, "trips": -1, "own_impulse_percent": 1, "against_own_percent": -1, "over_window_percent": -1,
    "refusals_per_min": -1,
}  # fmt: skip
"""Which way is better; a measure that isn't here has no better side."""
CONDITIONS: Final = {
    "unassisted": "without assistance",
    "assisted": "with assistance",
    "stimulation-only": "with stimulation alone",
}
MOST_DIGITS: Final = 6
DOUBTED_BELOW: Final = 0.05
UNITS: Final = {metric.name: metric.unit for metric in METRICS}


def name_of(measure: str) -> str:
    """The measure as a noun: "mean absolute error"."""
    return NAMES.get(measure) or re.sub(r"_(N|s|ms|uC|uA|percent)$", "", measure).replace("_", " ")


def unit_of(measure: str) -> str:
    """The measure's unit as written behind a number, with a space before it; "" for a plain number."""
    unit = UNITS.get(measure, "")
    return "" if unit in {"", "1"} else " percentage points" if unit == "%" else f" {unit}"


def phrase_of(condition: str) -> str:
    """A condition inside a sentence: "with assistance"."""
    if condition in CONDITIONS:
        return CONDITIONS[condition]
    plain, _, where = condition.partition(" (")
    return f"{CONDITIONS[plain]} ({where}" if plain in CONDITIONS else f'in condition "{condition}"'


def place_of(target: str) -> str:
    """Where it was measured: "at 6 N"."""
    return {OVERALL: "over all targets", "moving": "over the moving target"}.get(target, f"at {target}")


def digits_for(interval: Ends, difference: float) -> int:
    """Decimals that show two figures of the interval's half width, and no end as zero that isn't."""
    half = (interval.high - interval.low) / 2
    scale = half if math.isfinite(half) and half > 0 else abs(difference)
    digits = min(MOST_DIGITS, max(0, 1 - math.floor(math.log10(scale)))) if scale > 0 else 0
    for end in (interval.low, interval.high):
        while math.isfinite(end) and end and round(end, digits) == 0 and digits < MOST_DIGITS:
            digits += 1
    return digits


def interval_words(interval: Ends, digits: int, unit: str) -> str:
    """Both ends in words: "0.1 to 0.7 N smaller", "0.3 N smaller to 0.2 N larger"."""
    low, high = interval
    if not math.isfinite(low):
        return "none"
    if low >= 0:
        return f"{low:.{digits}f} to {high:.{digits}f}{unit} larger"
    if high <= 0:
        return f"{-high:.{digits}f} to {-low:.{digits}f}{unit} smaller"
    return f"{-low:.{digits}f}{unit} smaller to {high:.{digits}f}{unit} larger"


def counts_words(result: Result) -> str:
    """How many wearers went which way: "10 better, 2 worse"."""
    found = result.found
    side = BETTER.get(result.measure, 0)
    words = ("smaller", "larger") if side == 0 else ("better", "worse") if side < 0 else ("worse", "better")
    told = [(found.smaller, words[0]), (found.larger, words[1])]
    told.sort(key=lambda entry: entry[1] != "better" and side != 0)
    same = f", {found.same} the same" if found.same else ""
    return ", ".join(f"{count} {word}" for count, word in told) + same


def p_words(p: float) -> str:
    """A p-value as one writes it."""
    return "p: none" if math.isnan(p) else "p < 0.0001" if p < 1e-4 else f"p = {p:.2g}" if p < 0.1 else f"p = {p:.2f}"


def sentence(result: Result, alpha: float) -> str:
    """The plain sentence on one comparison."""
    found, unit = result.found, unit_of(result.measure)
    one, other = phrase_of(result.one), phrase_of(result.other)
    what = f"{name_of(result.measure)} {place_of(result.target)}"
    people = f"{found.n} wearers; {counts_words(result)}"
    if not found.enough:
        few = f"{found.n} wearers have it in both, fewer than {LEAST_WEARERS}"
        return f"Not compared: the {what} {one} and {other}: {few}."
    if found.constant and found.difference == 0:
        return f"No difference shown: the {what} was the same {one} and {other} ({people})."
    digits = digits_for(found.interval, found.difference)
    size = f"{abs(found.difference):.{digits}f}{unit} {'smaller' if found.difference < 0 else 'larger'}"
    if found.constant:
        rank = f"no spread, so no interval and no t test; rank test {p_words(found.p_wilcoxon)}"
        return f"{_first(one)} the {what} was {size} than {other} in every wearer ({people}): {rank}."
    within = f"{100 * found.level:g} % interval {interval_words(found.interval, digits, unit)}, {people}"
    corrected = p_words(result.p_holm) if result.tests == 1 else f"Holm-corrected {p_words(result.p_holm)}"
    if result.shown(alpha):
        return f"{_first(one)} the {what} was {size} than {other} ({within}); {corrected}."
    apart = found.interval.low > 0 or found.interval.high < 0
    why = f" The interval leaves zero out, but not after correction for {result.tests} tests." if apart else ""
    return (
        f"No difference shown in the {what} between {one} and {other}: {size} on average ({within}); {corrected}.{why}"
    )


def _first(words: str) -> str:
    return words[0].upper() + words[1:]


def doubts(result: Result, alpha: float) -> list[str]:
    """What speaks against resting on the t test: shape, outliers, the rank test, the bootstrap."""
    found = result.found
    if not found.enough or found.constant:
        return []
    said = []
    if found.p_shapiro < DOUBTED_BELOW:
        said.append(f"the differences don't look normal (Shapiro-Wilk p = {found.p_shapiro:.2g})")
    if result.outliers:
        said.append(f"far from the others: {', '.join(result.outliers)}")
    shown = result.shown(alpha)
    # Corrected exact ranks may have no p small enough at all, so that their silence is held against it uncorrected.
    if shown and found.p_wilcoxon > alpha:
        said.append(f"the rank test shows none (p = {found.p_wilcoxon:.2g} uncorrected)")
    if not shown and result.p_wilcoxon_holm <= alpha:
        said.append(f"the rank test shows a difference (corrected p = {result.p_wilcoxon_holm:.2g})")
    boot = found.bootstrap
    if math.isfinite(boot.low) and (boot.low > 0 or boot.high < 0) != (
        found.interval.low > 0 or found.interval.high < 0
    ):
        digits = digits_for(boot, found.difference)
        said.append(f"the bootstrap interval says {interval_words(boot, digits, unit_of(result.measure))}")
    return said


def effect_words(result: Result) -> str:
    """Effect sizes with their intervals: "d_z -1.28 (-2.12 to -0.41), g_av -0.76 (-1.37 to -0.48)"."""
    found, told = result.found, []
    for name, size, ends in (("d_z", found.d_z, found.d_z_interval), ("g_av", found.g_av, found.g_av_interval)):
        within = f" ({ends.low:.2f} to {ends.high:.2f})" if math.isfinite(ends.low) else ""
        told.append(f"{name} {size:.2f}{within}" if math.isfinite(size) else f"{name} none")
    return ", ".join(told)


def over_line(comparison: Comparison, place: int) -> str:
    """The tests over all conditions at once, with what the sphericity check says, for one entry of `over`."""
    entry = comparison.over[place]
    ranks, variance = entry.ranks, entry.variance
    where = f"{name_of(entry.measure)} {place_of(entry.target)}"
    words = f"{where}, {len(comparison.conditions)} conditions, {ranks.n} wearers: Friedman "
    words += f"chi2({ranks.df}) = {ranks.chi2:.2f}, {p_words(ranks.p)}" if math.isfinite(ranks.chi2) else "none"
    if not math.isfinite(variance.f):
        return words + "; repeated-measures ANOVA: none"
    words += (
        f"; repeated-measures ANOVA F({variance.df}, {variance.df_error}) = {variance.f:.2f}, {p_words(variance.p)}"
    )
    if variance.p_sphericity < DOUBTED_BELOW:
        return (
            words
            + f"; not spherical (Mauchly {p_words(variance.p_sphericity)}), corrected {p_words(variance.p_corrected)}"
        )
    return words + f"; sphericity not refuted (Mauchly {p_words(variance.p_sphericity)})"
