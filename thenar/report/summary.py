"""From rows of trials to the table of a run: each condition and target over wearers.

A wearer counts once: the repeats of a wearer are averaged first (each with equal weight, NaN left out),
then mean, sample SD (n - 1) and n are taken over wearers. `n` is the number of wearers with a number.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.report.metrics import METRICS, TargetRow
from thenar.safety.deviation import Deviation

LABELS: Final = ("trial", "wearer", "wearer_name", "condition", "repeat", "target", "target_N", "time_s", "holds")

MOST_BEYOND_PERCENT: Final = 5.0
"""A trial with more of its time beyond the known forces is marked."""


class Spread(NamedTuple):
    """Mean, sample SD and number of wearers, in the unit of the measure (NaN where there is none)."""

    mean: float
    sd: float
    n: int


class ConditionTarget(NamedTuple):
    """One line of the run's table: `spreads` has one entry per METRICS; `interventions` sums trace rows."""

    condition: str
    target: str
    target_N: float
    wearers: int
    trials: int
    spreads: tuple[Spread, ...]
    interventions: dict[str, int]

    def spread(self, name: str) -> Spread:
        """The spread of the measure called `name`. Raises KeyError on any other name."""
        for metric, found in zip(METRICS, self.spreads, strict=True):
            if metric.name == name:
                return found
        raise KeyError(name)


class Refusal(NamedTuple):
    """Trials in which the interlock refused to arm to the end, and why: words by requirement identifier.

    `trials`: their numbers; `wearers`: their wearers' names, each once.
    """

    why: dict[str, str]
    trials: list[int]
    wearers: list[str]

    def __str__(self) -> str:
        return ", ".join(f"{identifier} {words}" for identifier, words in self.why.items())


def refused_for_good(
    events: Iterable[Mapping[str, object]], on_file: Mapping[str, str], titles: Mapping[str, str]
) -> dict[str, str]:
    """Why a trial with these events never armed; empty when it did, or wasn't asked to.

    `on_file`: objections by requirement, which stand for the whole trial; where there are none, the last
    refusal counts, in the words of `titles`.
    """
    kinds = {event["kind"]: event for event in events}
    if "armed" in kinds or "arming-refused" not in kinds:
        return {}
    last = kinds["arming-refused"]["reasons"]
    return dict(on_file) or {name: titles[name] for name in (last if isinstance(last, list) else ())}


class OutputOff(NamedTuple):
    """For how long the output was off after trips of one cause, until re-armed or to the end of the trial.

    `trials`: their numbers; `off_s`, `of_s`: summed over these trials, the time off and their whole time, s.
    """

    cause: str
    title: str
    trials: list[int]
    off_s: float
    of_s: float

    def __str__(self) -> str:
        share = f"{100.0 * self.off_s / self.of_s:.0f} % of their {self.of_s:g} s"
        return f"{self.off_s:g} s, {share}, after {self.cause} ({self.title})"


def output_off_us(events: Iterable[Mapping[str, Any]], duration_us: int) -> dict[str, int]:
    """How long a trial's output was off after trips, us, by the cause of the trip."""
    off: dict[str, int] = {}
    since, cause = 0, ""
    for event in [*events, {"kind": "armed", "t_us": duration_us}]:
        if event["kind"] == "trip" and not cause:
            since, cause = event["t_us"], event["cause"]
        elif event["kind"] == "armed" and cause:
            off[cause] = off.get(cause, 0) + max(0, event["t_us"] - since)
            cause = ""
    return off


def steady_words(steady_s: float) -> str:
    """What steadiness was measured over."""
    return f"steady: the last {steady_s:g} s of a hold, at most its half"


class BeyondKnown(NamedTuple):
    """Trials that spend more than MOST_BEYOND_PERCENT of a target's time beyond what sensor or wearer are known for.

    `trials`: their numbers; `percent`: of their time with more than a little force, the mean over them.
    """

    condition: str
    target: str
    trials: list[int]
    percent: float

    def __str__(self) -> str:
        what = "force outside what the recordings behind sensor or wearer support"
        return f"{self.percent:.0f} % of the time at {self.target}, {self.condition}: {what}"


def beyond_known(rows: Iterable[TargetRow]) -> list[BeyondKnown]:
    """Conditions and targets with such trials, in the order of the run's table."""
    far = [row for row in rows if row.value("beyond_known_percent") > MOST_BEYOND_PERCENT]
    lines = [(line.condition, line.target) for line in by_condition_and_target(far)]
    members = {key: [row for row in far if (row.label.condition, row.target) == key] for key in lines}
    return [
        BeyondKnown(
            *key, [row.label.index for row in of_key],
            float(np.mean([row.value("beyond_known_percent") for row in of_key])),
        )
        for key, of_key in members.items()
    ]  # fmt: skip


def by_condition_and_target(rows: Iterable[TargetRow]) -> list[ConditionTarget]:
    """Lines in the order in which conditions first appear, targets rising inside each."""
    groups: dict[tuple[str, str], list[TargetRow]] = {}
    for row in rows:
        groups.setdefault((row.label.condition, row.target), []).append(row)
    conditions = list(dict.fromkeys(condition for condition, _ in groups))
    ordered = sorted(groups.items(), key=lambda item: (conditions.index(item[0][0]), item[1][0].target_N))
    return [_line(condition, target, members) for (condition, target), members in ordered]


def _line(condition: str, target: str, members: list[TargetRow]) -> ConditionTarget:
    wearers = sorted({row.label.wearer for row in members})
    spreads = tuple(spread_over(wearer_means(members, metric.name).values()) for metric in METRICS)
    return ConditionTarget(
        condition, target, members[0].target_N, len(wearers), len(members), spreads, summed_counts(members)
    )


def wearer_means(rows: Iterable[TargetRow], name: str) -> dict[int, float]:
    """Wearer number to the mean of one measure over that wearer's rows (NaN left out; NaN when nothing is left)."""
    found: dict[int, list[float]] = {}
    for row in rows:
        numbers = found.setdefault(row.label.wearer, [])
        if not math.isnan(row.value(name)):
            numbers.append(row.value(name))
    return {wearer: float(np.mean(numbers)) if numbers else math.nan for wearer, numbers in found.items()}


def spread_over(numbers: Iterable[float]) -> Spread:
    """Mean, sample SD and n of the numbers that are not NaN."""
    finite = [number for number in numbers if not math.isnan(number)]
    mean = float(np.mean(finite)) if finite else math.nan
    sd = float(np.std(finite, ddof=1)) if len(finite) > 1 else math.nan
    return Spread(mean, sd, len(finite))


def summed_counts(rows: Iterable[TargetRow]) -> dict[str, int]:
    """Trace rows by requirement identifier, over all rows given."""
    total: dict[str, int] = {}
    for row in rows:
        for identifier, count in row.interventions.items():
            total[identifier] = total.get(identifier, 0) + count
    return dict(sorted(total.items()))


def trials_csv(
    rows: list[TargetRow],
    deviations: Sequence[Deviation] = (),
    places: Mapping[int, Mapping[str, int]] | None = None,
) -> str:
    """The tidy table as CSV text: labels, measures, and one `<identifier>_trace_rows` column per requirement.

    Only requirements that acted somewhere in the run have a column. NaN is an empty cell. `limit_deviations`: the
    bounds looser than the default, "agonist.peak_mA=45;loop.session_min=40", the same in every row; empty when none is.
    `places`: of a study, by trial: whole numbers by column (sequence, period, ...), the same columns for every trial.
    """
    identifiers = sorted({identifier for row in rows for identifier in row.interventions})
    loosened = ";".join(f"{found.key}={found.value:.12g}" for found in deviations)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    measures = [metric.name for metric in METRICS]
    acted = [f"{name}_trace_rows" for name in identifiers]
    placed = list(next(iter(places.values()), {})) if places else []
    writer.writerow([*LABELS, "settled_holds", "limit_deviations", *placed, *measures, *acted])
    for row in rows:
        counts = [row.interventions.get(name, 0) for name in identifiers]
        labels = [*row.label, row.target, _cell(row.target_N), _cell(row.time_s), row.holds, row.settled_holds]
        measured = [_cell(number, metric.unit == "1") for metric, number in zip(METRICS, row.values, strict=True)]
        own = [places[row.label.index][name] for name in placed] if places else []
        writer.writerow([*labels, loosened, *own, *measured, *counts])
    return text.getvalue()


def _cell(number: float, whole: bool = False) -> str:
    return "" if math.isnan(number) else repr(int(number) if whole else number)


def row_record(row: TargetRow) -> dict[str, object]:
    """One row of a trial as a JSON-ready mapping (NaN is still NaN; the writer makes it null)."""
    record: dict[str, object] = {
        "trial" if name == "index" else name: value for name, value in row.label._asdict().items()
    }
    record |= {"target": row.target, "target_N": row.target_N, "time_s": row.time_s}
    record |= {"holds": row.holds, "settled_holds": row.settled_holds}
    record |= {metric.name: number for metric, number in zip(METRICS, row.values, strict=True)}
    record["interventions_trace_rows"] = dict(row.interventions)
    return record


def line_record(line: ConditionTarget) -> dict[str, object]:
    """One line of the run's table as a JSON-ready mapping of mean, sd and n per measure."""
    record: dict[str, object] = {
        "condition": line.condition,
        "target": line.target,
        "target_N": line.target_N,
        "wearers": line.wearers,
        "trials": line.trials,
    }
    record |= {metric.name: found._asdict() for metric, found in zip(METRICS, line.spreads, strict=True)}
    record["interventions_trace_rows"] = dict(line.interventions)
    return record
