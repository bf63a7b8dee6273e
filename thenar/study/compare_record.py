"""A comparison as tidy tables and as one record."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from thenar.study.compare import Comparison, Result
from thenar.study.compare_mixed import Mixed
from thenar.study.compare_paired import Ends
from thenar.study.compare_rows import Excluded
from thenar.study.compare_words import UNITS, doubts, sentence


def comparison_csv(comparison: Comparison) -> str:
    """One line per measure, pair and target; an empty cell where there is no number."""
    return _csv([result_record(result, comparison.question.alpha) for result in comparison.results])


def wearers_csv(comparison: Comparison) -> str:
    """One line per measure, wearer, condition and target: the mean over the wearer's trials."""
    lines: list[dict[str, Any]] = []
    for measure, means in comparison.means.items():
        for number, person in enumerate(means.persons):
            lines += [
                {
                    "measure": measure, "unit": UNITS.get(measure, ""), "wearer": person, "condition": condition,
                    "target": target, "mean": float(means.numbers[number, column, place]),
                }
                for column, condition in enumerate(means.conditions)
                for place, target in enumerate(means.targets)
            ]  # fmt: skip
    return _csv(lines)


def result_record(result: Result, alpha: float) -> dict[str, Any]:
    """One comparison as plain values; the difference is `condition` minus `against`."""
    found = result.found
    record: dict[str, Any] = {
        "measure": result.measure, "unit": UNITS.get(result.measure, ""), "target": result.target,
        "condition": result.one, "against": result.other, "family": result.family, "tests_in_family": result.tests,
        "wearers": found.n, "mean_condition": found.mean_one, "mean_against": found.mean_other,
        "difference": found.difference, "sd_difference": found.sd_difference, "interval_level": found.level,
    }  # fmt: skip
    for name, ends in (
        ("t_interval", found.interval), ("bootstrap_interval", found.bootstrap),
        ("d_z_interval", found.d_z_interval), ("g_av_interval", found.g_av_interval),
    ):  # fmt: skip
        record |= _ends(name, ends)
    record |= {
        "t": found.t, "df": found.df, "p_t": found.p_t, "p_t_holm": result.p_holm, "d_z": found.d_z, "g_av": found.g_av,
        "wilcoxon_v": found.v, "p_wilcoxon": found.p_wilcoxon, "wilcoxon_exact": found.wilcoxon_exact,
        "p_wilcoxon_holm": result.p_wilcoxon_holm, "smaller": found.smaller, "larger": found.larger,
        "same": found.same, "p_shapiro": found.p_shapiro, "outliers": "; ".join(result.outliers),
        "difference_shown": result.shown(alpha), "doubts": "; ".join(doubts(result, alpha)),
        "sentence": sentence(result, alpha),
    }  # fmt: skip
    return record


def _ends(name: str, ends: Ends) -> dict[str, float]:
    return {f"{name}_low": ends.low, f"{name}_high": ends.high}


def record_of(
    comparison: Comparison, mixed: Sequence[Mixed], excluded: Iterable[Excluded], notes: Iterable[str]
) -> dict[str, Any]:
    """Everything as one mapping that JSON can hold (NaN is still NaN; the writer makes it null)."""
    asked = comparison.question
    return {
        "question": asked._asdict(),
        "conditions": comparison.conditions,
        "wearers": comparison.persons,
        "excluded": [one._asdict() for one in excluded],
        "notes": list(notes),
        "comparisons": [result_record(result, asked.alpha) for result in comparison.results],
        "over_all_conditions": [
            {
                "measure": one.measure,
                "target": one.target,
                "friedman": one.ranks._asdict(),
                "anova": one.variance._asdict(),
            }
            for one in comparison.over
        ],
        "mixed_models": [one._asdict() | {"effects": [effect._asdict() for effect in one.effects]} for one in mixed],
    }


def _csv(lines: Sequence[Mapping[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(lines[0])
    for line in lines:
        writer.writerow(["" if isinstance(v, float) and math.isnan(v) else v for v in line.values()])
    return text.getvalue()
