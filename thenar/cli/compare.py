"""`thenar compare DIR...`: conditions of finished runs compared within each wearer, in sentences and tables."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from thenar.caution import SHORT
from thenar.cli.show import Table, number, progress, show_json, show_table
from thenar.report.compare_picture import Bar, Group, Panel, forest_picture, paired_picture
from thenar.report.folder import plain, refuse_if_taken, whole_folder
from thenar.report.ink import Loosened
from thenar.safety.deviation import Deviation
from thenar.scenarios.study import Study
from thenar.shared.errors import InputError, Problem, nearest
from thenar.study.compare import Comparison, Question, Result, compared, mixed_models, ordered, pairs_in
from thenar.study.compare_data import Prediction, prediction_of, read_data
from thenar.study.compare_folders import Run, common_study, pooled, read_run
from thenar.study.compare_mixed import Mixed
from thenar.study.compare_paired import LEAST_WEARERS
from thenar.study.compare_record import comparison_csv, record_of, wearers_csv
from thenar.study.compare_rows import ERROR, Excluded, Row, excluded_by, targets_of
from thenar.study.compare_words import (
    BETTER,
    counts_words,
    digits_for,
    doubts,
    effect_words,
    name_of,
    over_line,
    p_words,
    phrase_of,
    sentence,
    unit_of,
)

TEXT_WIDTH: Final = 112
LIMITS: Final = (
    "These are simulated wearers. What is shown of them holds for people only as far as the models do; no simulation "
    "can say how a person learns, tires, feels or trusts. The t test decides; "
    "the mixed model stands beside it."
)
OF_DATA: Final = (
    "These numbers are the lab's own: thenar reckons with them and can't say how they were measured. The t test "
    "decides; the mixed model stands beside it. A rehearsal that is equivalent within the margin is so for these "
    "people only."
)
FILES: Final = ("comparison.csv", "wearers.csv", "comparison.json")


class Told(NamedTuple):
    """Everything that goes to the screen, the record and the folder."""

    title: str
    comparison: Comparison
    mixed: list[Mixed]
    excluded: list[Excluded]
    notes: list[str]
    loosened: Loosened


def command(chosen: argparse.Namespace) -> int:
    """Compare. Returns 0 whatever was found."""
    out = Path(chosen.out) if chosen.out else None
    if out is not None:
        refuse_if_taken(out)
    _check_asked(chosen)
    runs = [read_run(Path(folder)) for folder in chosen.folders]
    data = read_data(Path(chosen.data)) if chosen.data else None
    rehearsed = _compared(chosen, runs) if runs else None
    told = _compared_data(chosen, data, runs) if data is not None else rehearsed
    assert told is not None  # noqa: S101 - `_check_asked` refused a comparison of nothing
    made_of = [{"scenario_sha256": run.scenario_sha256, "seed": run.seed} for run in runs]
    record = {"title": told.title, "folders": chosen.folders, "data": chosen.data, "runs": made_of} | record_of(
        told.comparison, told.mixed, told.excluded, told.notes
    )
    prediction = None
    if data is not None and rehearsed is not None:
        rows = (data, pooled(runs).rows)
        prediction = prediction_of(told.comparison, rehearsed.comparison, rows, chosen.margin)
        record["prediction"] = _plain_prediction(prediction)
    record |= {"what_this_cannot_say": LIMITS if data is None else OF_DATA, "caution": SHORT}
    if out is not None:
        _leave(out, told, record)
    if chosen.json:
        show_json(record)
    else:
        _tell(told, out, prediction, LIMITS if data is None else OF_DATA)
    return 0


def _check_asked(chosen: argparse.Namespace) -> None:
    """Raise InputError for nothing to compare, and for a prediction without its margin or a margin without one."""
    if not chosen.folders and not chosen.data:
        raise InputError([Problem("thenar compare", "", "nothing to compare", "folders of runs, or --data FILE.csv")])
    both = bool(chosen.folders and chosen.data)
    if both and chosen.margin is None:
        allowed = "what a rehearsed difference may be off, in the measure's unit, decided before looking"
        raise InputError([Problem("thenar compare", "--margin", "none, with folders and --data", allowed)])
    if chosen.margin is not None and not both:
        found = f"{chosen.margin:g}, without folders and --data together"
        raise InputError([Problem("thenar compare", "--margin", found, "folders and --data, or no margin")])


def _plain_prediction(prediction: Prediction) -> dict[str, Any]:
    return prediction._asdict() | {
        "differences": [one._asdict() for one in prediction.differences],
        "spreads": [one._asdict() for one in prediction.spreads],
        "trials": None if prediction.trials is None else prediction.trials._asdict(),
    }


def _compared(chosen: argparse.Namespace, runs: Sequence[Run]) -> Told:
    pool, study = pooled(runs), common_study(runs)
    question, notes = _question(chosen, runs, study)
    excluded = [] if study is None else excluded_by(study.exclude, pool.rows, pool.refused)
    out = {one.person for one in excluded}
    rows = [row for row in pool.rows if row.person not in out]
    comparison, mixed = _reckoned(chosen, rows, question, chosen.folders[0], len(excluded))
    for run in runs:
        notes += [f"{run.folder}: limits deviate from {run.limits.based_on}: {found}" for found in _deviations(run)]
    title = runs[0].title if len(runs) == 1 else f"{runs[0].title} (and {len(runs) - 1} more)"
    return Told(title, comparison, mixed, excluded, [*pool.words, *notes], _loosened(runs))


def _compared_data(chosen: argparse.Namespace, rows: Sequence[Row], runs: Sequence[Run]) -> Told:
    """A lab's own results. The question is that of the rehearsals, where there are any."""
    there = tuple(rows[0].values)
    study = common_study(runs) if runs else None
    wanted = (ERROR,) if study is None else study.all_measures
    measures = tuple(dict.fromkeys(chosen.measure or [name for name in wanted if name in there] or there[:1]))
    problems = [
        Problem(
            chosen.data, "--measure", repr(name), f"a measure of the file: {', '.join(there)}", nearest(name, there)
        )
        for name in measures
        if name not in there
    ]
    if problems:
        raise InputError(problems)
    alpha = chosen.alpha or (0.05 if study is None else study.alpha)
    question = Question(measures, chosen.baseline or "", alpha, chosen.seed)
    comparison, mixed = _reckoned(chosen, rows, question, chosen.data, 0)
    return Told(f"measured results: {Path(chosen.data).name}", comparison, mixed, [], [], Loosened("", ()))


def _reckoned(
    chosen: argparse.Namespace, rows: Sequence[Row], question: Question, file: str, excluded: int
) -> tuple[Comparison, list[Mixed]]:
    """All comparisons and the mixed models, with progress."""
    _check(rows, question, file, excluded)
    conditions = ordered(list(dict.fromkeys(row.condition for row in rows)), question.baseline)
    targets = len(targets_of(rows))
    count = len(pairs_in(conditions, question.baseline)) * (targets + (targets > 1)) * len(question.measures)
    with progress(count, "comparing", quiet=chosen.json) as advance:
        comparison = compared(rows, question, on_pair=advance)
        return comparison, mixed_models(rows, comparison)


def _deviations(run: Run) -> list[Deviation]:
    return [Deviation(**found.model_dump()) for found in run.limits.deviations]


def _loosened(runs: Sequence[Run]) -> Loosened:
    """What the pictures own up to: every bound looser than in a shipped profile, in any of the folders."""
    found = {str(deviation): deviation for run in runs for deviation in _deviations(run)}
    based_on = next((run.limits.based_on for run in runs if run.limits.deviations), None)
    return Loosened(based_on or "", tuple(found.values()))


def _question(chosen: argparse.Namespace, runs: Sequence[Run], study: Study | None) -> tuple[Question, list[str]]:
    decided = (ERROR,) if study is None else study.all_measures
    measures = tuple(dict.fromkeys(chosen.measure or decided))
    alpha = chosen.alpha or (0.05 if study is None else study.alpha)
    problems = [
        Problem(str(run.folder), "--measure" if chosen.measure else "study.measures", repr(name),
                f"a measure of the run: {', '.join(run.measures)}", nearest(name, run.measures))
        for run in runs for name in measures if name not in run.measures
    ]  # fmt: skip
    if problems:
        raise InputError(problems)
    notes = []
    if study is not None and chosen.measure and measures[0] != study.primary:
        notes.append(
            f"the study was to be decided by {study.primary}, this comparison was asked for {measures[0]} instead"
        )
    if study is not None and alpha != study.alpha:
        notes.append(f"the study was to be decided at alpha {study.alpha:g}, this comparison was asked for {alpha:g}")
    return Question(measures, chosen.baseline or "", alpha, chosen.seed), notes


def _check(rows: Sequence[Row], question: Question, folder: str, excluded: int) -> None:
    """Raises InputError when there is nothing to compare, or too few wearers."""
    wearers, conditions = len({row.person for row in rows}), list(dict.fromkeys(row.condition for row in rows))
    if wearers < LEAST_WEARERS:
        gone = f" ({excluded} more are excluded by the study's rules)" if excluded else ""
        found, why = f"{wearers} wearer{'' if wearers == 1 else 's'}{gone}", "fewer tell neither spread nor shape"
        raise InputError([Problem(folder, "", found, f"at least {LEAST_WEARERS} wearers: {why}")])
    if len(conditions) < 2:
        raise InputError([Problem(folder, "conditions", ", ".join(conditions), "two conditions or more")])
    if question.baseline and question.baseline not in conditions:
        close = nearest(question.baseline, conditions)
        raise InputError([Problem(folder, "--baseline", repr(question.baseline), ", ".join(conditions), close)])


def _tell(told: Told, out: Path | None, prediction: Prediction | None, limits: str) -> None:
    comparison, asked = told.comparison, told.comparison.question
    print(told.title)
    _wrapped(
        f"{len(comparison.persons)} wearers, {len(comparison.conditions)} conditions; decided by the "
        f"{name_of(asked.measures[0])}, alpha {asked.alpha:g}, intervals at {100 * asked.level:g} %"
    )
    for note in told.notes:
        _wrapped(f"note: {note}")
    for one in told.excluded:
        _wrapped(f"EXCLUDED by the study's rules: {one.person}: {one.why}")
    print("\nThe decision")
    for result in comparison.decisions:
        _told(result, asked.alpha)
        _wrapped(f"  effect size over {result.found.n} wearers: {effect_words(result)}")
    rest = [result for result in comparison.results if result not in comparison.decisions]
    if rest:
        print(f"\nIn detail (corrected together, {rest[0].tests} tests)")
        for result in rest:
            _told(result, asked.alpha)
    for measure in asked.measures:
        show_table(_table(comparison, measure))
    print()
    for place in range(len(comparison.over)):
        _wrapped(over_line(comparison, place))
    for mixed in told.mixed:
        for line in mixed_lines(mixed):
            _wrapped(line)
    if prediction is not None:
        _tell_prediction(prediction)
    _wrapped(limits)
    if out is not None:
        print(f"folder: {out}")
    print(SHORT)


def _tell_prediction(prediction: Prediction) -> None:
    """How well the rehearsal predicted what was measured: differences, spread, trial by trial."""
    unit = unit_of(prediction.measure)
    print(f"\nHow well the rehearsal predicted the {name_of(prediction.measure)} (margin {prediction.margin:g}{unit})")
    if not prediction.differences:
        _wrapped("nothing to hold against each other: no condition and target in common with enough wearers")
    for one in prediction.differences:
        who = f"{one.same} wearers of one name, paired" if one.same else "two groups of wearers"
        verdict = "equivalent" if one.equivalent else "NOT shown to be equivalent"
        _wrapped(
            f"{one.target}: {phrase_of(one.condition)} - {phrase_of(one.against)} measured {one.measured:+.3g}{unit}, "
            f"rehearsed {one.rehearsed:+.3g}{unit}; rehearsed - measured {one.low:+.3g} to {one.high:+.3g}{unit}: "
            f"{verdict} ({p_words(one.p)}; {who})"
        )
    for spread in prediction.spreads:
        _wrapped(
            f"{spread.target}, {phrase_of(spread.condition)}: SD between wearers measured {spread.measured_sd:.3g}"
            f"{unit}, rehearsed {spread.rehearsed_sd:.3g}{unit}; same distribution: {p_words(spread.p_ks)} "
            "(Kolmogorov-Smirnov)"
        )
    if prediction.trials is not None:
        told = prediction.trials
        _wrapped(
            f"trial by trial ({told.pairs} in common): concordance {told.concordance:.2f}; rehearsed - measured "
            f"{told.bias:+.3g}{unit}, limits of agreement {told.low:+.3g} to {told.high:+.3g}{unit}"
        )


def _told(result: Result, alpha: float) -> None:
    said = doubts(result, alpha)
    _wrapped(sentence(result, alpha) + (f" But: {'; '.join(said)}." if said else ""))


def _wrapped(text: str) -> None:
    print(textwrap.fill(text, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))


def _table(comparison: Comparison, measure: str) -> Table:
    rows = []
    for result in comparison.results:
        if result.measure != measure:
            continue
        found = result.found
        digits = digits_for(found.interval, found.difference)
        ends = [number(end, digits) for pair in (found.interval, found.bootstrap) for end in pair]
        rows.append((
            f"{result.one} - {result.other}", result.target, str(found.n), number(found.difference, digits),
            f"{ends[0]} to {ends[1]}", f"{ends[2]} to {ends[3]}", number(found.d_z), number(found.g_av),
            number(found.t), _p(found.p_t), _p(result.p_holm), _p(found.p_wilcoxon),
            _p(found.p_shapiro),
        ))  # fmt: skip
    headers = (
        "difference", "target", "n", "mean", "t\ninterval", "bootstrap\ninterval", "d_z", "g_av", "t", "p", "p\nHolm",
        "p\nWilcoxon", "p\nShapiro",
    )  # fmt: skip
    title = f"{name_of(measure)},{unit_of(measure) or ' no unit'}: mean difference within wearers"
    return Table(title, headers, rows, frozenset(range(2, len(headers))), droppable=8, whole_in="--json")


def _p(p: float) -> str:
    return "<0.0001" if p < 1e-4 else number(p, 4)


def mixed_lines(mixed: Mixed) -> list[str]:
    """What the mixed model says, a line per condition and one for what must be told of its fit."""
    head = f"mixed model, {name_of(mixed.measure)}, {mixed.rows} trials and targets of {mixed.wearers} wearers"
    if not mixed.effects:
        return [f"{head}: {mixed.trouble}"]
    lines = [
        f"{head}: {phrase_of(effect.condition)} against {phrase_of(mixed.baseline)} {effect.estimate:+.3g}"
        f"{unit_of(mixed.measure)} ({effect.low:.3g} to {effect.high:.3g}), {p_words(effect.p)}"
        for effect in mixed.effects
    ]
    tail = (
        f"SD between wearers {mixed.sd_wearers:.3g}, of their own answers to a condition {mixed.sd_answers:.3g}, of "
        f"the rest {mixed.sd_rest:.3g}"
    )
    if mixed.p_interaction == mixed.p_interaction:
        tail += f"; test that conditions differ alike at all targets: {p_words(mixed.p_interaction)}"
    if mixed.p_period == mixed.p_period:
        tail += f"; period {p_words(mixed.p_period)}"
    if mixed.p_carry_over == mixed.p_carry_over:
        tail += f"; carry-over {p_words(mixed.p_carry_over)}"
    return [*lines, f"  {tail}{'; ' if mixed.trouble else ''}{mixed.trouble}"]


def _leave(out: Path, told: Told, record: dict[str, Any]) -> None:
    """The folder, whole or not at all."""
    with whole_folder(out, "compare") as working:
        text = json.dumps(plain(record), indent=2, allow_nan=False) + "\n"
        for name, body in zip(
            FILES, (comparison_csv(told.comparison), wearers_csv(told.comparison), text), strict=True
        ):
            (working / name).write_text(body, encoding="utf-8", newline="\n")
        for measure in told.comparison.question.measures:
            _draw(working, told, measure)


def _draw(folder: Path, told: Told, measure: str) -> None:
    comparison = told.comparison
    means, alpha = comparison.means[measure], comparison.question.alpha
    line = f"{_first(name_of(measure))}, {len(means.persons)} wearers"
    axis = f"{name_of(measure)},{unit_of(measure) or ' no unit'}"
    panels = [Panel(target, means.numbers[:, :, place]) for place, target in enumerate(means.targets)]
    paired_picture(folder / f"paired-{measure}.png", told.title, line, axis, means.conditions, panels, told.loosened)
    groups: dict[str, list[Bar]] = {}
    for result in comparison.results:
        if result.measure == measure:
            groups.setdefault(f"{result.one} minus {result.other}", []).append(_bar(result, alpha))
    level = f"{line}, {100 * comparison.question.level:g} % intervals"
    drawn = [Group(name, bars) for name, bars in groups.items()]
    forest_picture(folder / f"difference-{measure}.png", told.title, level, axis, drawn, _sides(measure), told.loosened)


def _bar(result: Result, alpha: float) -> Bar:
    found = result.found
    digits = digits_for(found.interval, found.difference)
    words = f"{found.difference:+.{digits}f} ({found.interval.low:+.{digits}f} to {found.interval.high:+.{digits}f}), "
    words += f"n {found.n}: {counts_words(result)}; {p_words(result.p_holm)}{' (Holm)' if result.tests > 1 else ''}"
    if not found.enough:
        words = f"not compared: {found.n} wearers"
    ends = (*found.interval, *found.bootstrap)
    return Bar(result.target, found.difference if found.enough else float("nan"), *ends, result.shown(alpha), words)


def _sides(measure: str) -> str:
    side = BETTER.get(measure, 0)
    return "" if side == 0 else "left of zero is better" if side < 0 else "right of zero is better"


def _first(words: str) -> str:
    return words[0].upper() + words[1:]
