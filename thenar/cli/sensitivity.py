"""`thenar sensitivity FILE`: which wearer and estimator parameters the result hangs on."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Final

from thenar.caution import SHORT, full_text
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import (
    Table,
    deviation_lines,
    note_compiling,
    note_slow_laws,
    progress,
    show_json,
    show_table,
)
from thenar.engine.trial import plan_trials
from thenar.report.folder import free_folder, name_held, plain, whole_folder
from thenar.report.ink import Loosened
from thenar.report.manifest import limits_used, made_here
from thenar.report.sensitivity_picture import Bar, sensitivity_picture
from thenar.report.tune_folder import csv_text
from thenar.run import moves
from thenar.shared.errors import InputError, Problem
from thenar.study.hangs_on import described, ranges_to_move
from thenar.study.indices import LEVEL, RESAMPLES, KeyIndices, sample_count, values_at
from thenar.study.ranges import read_ranges
from thenar.study.sensitivity import Answer, Question, answered, check_measure, trial_count, unit_of
from thenar.workers import cores

RUNS: Final = Path("runs")
DEFAULT_SAMPLES: Final = {"sobol": 64, "morris": 20}
WIDE: Final = 0.25
"""Half an interval, as a share of the variance, from which on a Sobol study is told to be too small."""
NAMES: Final = {
    "sobol": ("total index: alone and with others", "first-order index: alone"),
    "morris": ("mu*: mean size of a step", "sigma: curvature or others' part"),
}


def command(chosen: argparse.Namespace) -> int:
    """Run a sensitivity study. Returns 0."""
    question = _question(chosen)
    out = Path(chosen.out) if chosen.out else free_folder(RUNS, f"{question.loaded.path.stem}-sensitivity")
    with name_held(out):
        note_compiling(quiet=chosen.json)
        note_slow_laws(plan_trials(question.loaded))
        total = trial_count(question, sample_count(question.method, len(question.ranges), question.samples))
        with progress(total, "running", quiet=chosen.json) as advance:
            answer = answered(question, chosen.jobs or cores(), advance)
        record = _record(question, answer)
        _leave(out, question, answer, record)
    if chosen.json:
        show_json({"folder": str(out), **record})
    else:
        _tell(out, question, answer, total)
    return 0


def _question(chosen: argparse.Namespace) -> Question:
    loaded = load_typed(chosen.file, chosen.trust_law)
    samples = chosen.samples or DEFAULT_SAMPLES[chosen.method]
    if chosen.method == "sobol" and samples & (samples - 1):
        raise InputError([Problem("--samples", "", str(samples), "a power of two, as 32, 64 or 128")])
    if chosen.method == "morris" and samples < 2:
        raise InputError([Problem("--samples", "", str(samples), "at least 2 paths")])
    seed = loaded.scenario.seed if chosen.seed is None else chosen.seed
    ranges = ranges_to_move(loaded, read_ranges(chosen.over or ()))
    measure = check_measure(chosen.measure)
    return Question(loaded, moves(loaded), ranges, chosen.method, samples, measure, chosen.repeats, seed)


def _leave(out: Path, question: Question, answer: Answer, record: dict[str, object]) -> None:
    """The folder, whole or not at all."""
    with whole_folder(out, "sensitivity") as working:
        text = json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n"
        (working / "sensitivity.json").write_text(text, encoding="utf-8")
        (working / "sensitivity.csv").write_text(_indices_csv(question, answer), encoding="utf-8")
        (working / "samples.csv").write_text(_samples_csv(question, answer), encoding="utf-8")
        _draw(working / "sensitivity.png", question, answer)


def _draw(file: Path, question: Question, answer: Answer) -> None:
    sobol = question.method == "sobol"
    bars = [
        Bar(one.key, one.total.value, one.total.half, *(one.first if sobol else (one.sigma, float("nan"))))
        for one in answer.ranked()
    ]
    unit = unit_of(question.measure)
    axis = (
        f"share of the variance of {question.measure}"
        if sobol
        else f"change of {question.measure} over a range, {unit}"
    )
    line = f"What {question.measure} hangs on, assisted, base wearer: {len(answer.outputs)} points, {question.method}"
    title, profile = question.loaded.scenario.title, question.loaded.profile
    loosened = Loosened(profile.based_on or "", profile.deviations())
    sensitivity_picture(file, bars, NAMES[question.method], axis, title, line, loosened)


def _indices_csv(question: Question, answer: Answer) -> str:
    ends = {one.key: one for one in question.ranges}
    rows = [
        (one.key, ends[one.key].low, ends[one.key].high, *_numbers(question, one).values()) for one in answer.ranked()
    ]
    headers = ("key", "low", "high", *_numbers(question, answer.indices[0]))
    return csv_text(headers, rows, question.loaded.profile.deviations())


def _numbers(question: Question, one: KeyIndices) -> dict[str, float]:
    """The numbers of one key by the names that the method's literature gives them."""
    if question.method == "sobol":
        return {
            "first_order": one.first.value,
            "first_order_half_interval": one.first.half,
            "total": one.total.value,
            "total_half_interval": one.total.half,
        }
    unit = unit_of(question.measure).replace("/", "_per_").replace("%", "percent")
    return {
        f"mu_star_{unit}": one.total.value,
        f"mu_star_half_interval_{unit}": one.total.half,
        f"mu_{unit}": one.first.value,
        f"sigma_{unit}": one.sigma,
    }


def _samples_csv(question: Question, answer: Answer) -> str:
    rows = [
        (*values_at(question.ranges, point).values(), float(output))
        for point, output in zip(answer.points, answer.outputs, strict=True)
    ]
    headers = (*(one.key for one in question.ranges), question.measure)
    return csv_text(headers, rows, question.loaded.profile.deviations())


def _record(question: Question, answer: Answer) -> dict[str, object]:
    return {
        "title": question.loaded.scenario.title,
        "scenario": question.loaded.path.name,
        "scenario_sha256": question.loaded.sha256,
        "limits": limits_used(question.loaded.scenario.limits.profile, question.loaded.profile).model_dump(
            mode="json", exclude={"values"}
        ),
        "law_ran": question.loaded.law_ran,
        "method": question.method,
        "samples": question.samples,
        "points": len(answer.outputs),
        "repeats": question.repeats,
        "seed": question.seed,
        "wearer": "the base wearer, one; the same noise at every point",
        "measure": {"name": question.measure, "unit": unit_of(question.measure)},
        "interval": f"{100 * LEVEL:g} %, bootstrap over samples, {RESAMPLES} resamples",
        "over": [one._asdict() | {"meaning": described(one.key)} for one in question.ranges],
        "mean": float(answer.outputs.mean()),
        "sd": float(answer.outputs.std(ddof=1)),
        "indices": [{"key": one.key, **_numbers(question, one)} for one in answer.ranked()],
        "made_by": made_here().model_dump(mode="json"),
        "caution": full_text(),
    }


def _tell(out: Path, question: Question, answer: Answer, trials: int) -> None:
    unit = unit_of(question.measure)
    print(f"{question.loaded.scenario.title}: what {question.measure} hangs on (assisted, base wearer)")
    print(
        f"{question.method}, {question.samples} samples, {len(answer.outputs)} points x {question.repeats} repeats = "
        f"{trials} trials, seed {question.seed}; mean {answer.outputs.mean():.3f} {unit}, "
        f"SD {answer.outputs.std(ddof=1):.3f} {unit}"
    )
    for found in deviation_lines(question.loaded):
        print(found)
    show_table(_ranges_table(question))
    show_table(_indices_table(question, answer))
    print(f"\n{_reading(question, answer)}")
    print(f"\nfolder: {out}\npicture: {out / 'sensitivity.png'}")
    print(SHORT)


def _reading(question: Question, answer: Answer) -> str:
    """How far the numbers can be trusted, in one line."""
    if question.method == "morris":
        return "mu* is never below zero: keys at the foot of the table may only stir the noise. More --repeats calm it."
    widest = max(max(one.total.half, one.first.half) for one in answer.indices)
    if widest > WIDE:
        return f"TOO FEW SAMPLES to tell shares apart: an interval is {widest:.2f} wide either way. More --samples."
    shown = [one.key for one in answer.ranked() if one.total.value - one.total.half > 0]
    return f"told from zero: {', '.join(shown) or 'none of them: take more --samples or --repeats'}"


def _ranges_table(question: Question) -> Table:
    rows = [
        (one.key, f"{one.low:.4g}", f"{one.high:.4g}", "log" if one.log else "even", described(one.key))
        for one in question.ranges
    ]
    return Table("Ranges", ("key", "low", "high", "spread", "meaning"), rows, frozenset({1, 2}), droppable=2)


def _indices_table(question: Question, answer: Answer) -> Table:
    headers: tuple[str, ...]
    if question.method == "sobol":
        headers = ("key", "total", "± 95 %", "first order", "± 95 %")
        rows = [
            (one.key, *(f"{n:.3f}" for n in (one.total.value, one.total.half, one.first.value, one.first.half)))
            for one in answer.ranked()
        ]
        title = f"Shares of the variance of {question.measure}"
    else:
        headers = ("key", "mu*", "± 95 %", "mu", "sigma")
        rows = [
            (one.key, *(f"{n:.4f}" for n in (one.total.value, one.total.half, one.first.value, one.sigma)))
            for one in answer.ranked()
        ]
        title = f"Change of {question.measure} over a key's whole range, {unit_of(question.measure)}"
    return Table(title, headers, rows, frozenset({1, 2, 3, 4}))
