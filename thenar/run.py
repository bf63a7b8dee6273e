"""Running a whole scenario into a run folder: plan, run, measure, write, draw."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final, NamedTuple

from thenar.caution import full_text
from thenar.engine.result import TrialLabel, TrialResult
from thenar.engine.trial import Trial, plan_trials
from thenar.report.error_picture import error_picture
from thenar.report.folder import FORMAT, RunFolder, json_text, read_events
from thenar.report.ink import Loosened
from thenar.report.manifest import (
    CalibrationRecord,
    LawUsed,
    LimitsUsed,
    Manifest,
    ScenarioText,
    StoredInput,
    TrialRecord,
    limits_used,
    made_here,
    now_utc,
)
from thenar.report.metrics import METRICS, TargetRow
from thenar.report.picture import Panel, force_picture
from thenar.report.signature import SIGNATURE, SigningKey
from thenar.report.summary import (
    BeyondKnown,
    ConditionTarget,
    OutputOff,
    Refusal,
    beyond_known,
    by_condition_and_target,
    line_record,
    output_off_us,
    refused_for_good,
    row_record,
    trials_csv,
    wearer_means,
)
from thenar.report.tables import read_trial
from thenar.safety.requirements import REQUIREMENTS
from thenar.safety.screening import objections_to
from thenar.scenarios.files import NamedFile
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.targets import moves as target_moves
from thenar.shared.errors import InputError, Problem
from thenar.shared.ticks import US_PER_S
from thenar.study.sheet import places_by_trial, running_sheet, sheet_csv
from thenar.workers import Finished, finished_in_order

FORCE_PICTURE: Final = "force.png"
ERROR_PICTURE: Final = "errors.png"
INPUTS: Final = "inputs"
SHEET: Final = "sheet.csv"
TRIALS: Final = "trials.csv"
SUMMARY: Final = "summary.json"
TITLES: Final = {row.name: row.title for row in REQUIREMENTS}


class RunReport(NamedTuple):
    """What a run left behind.

    `folder`: the finished run folder; `table`: a line per condition and target over wearers; `rows`: a row per
    trial and target; `reason_ticks`: by condition, control ticks and pulses at which each requirement acted;
    `law_faults`: what the law did wrong, in words, and how often that is among the events; `limits`: the limits used;
    `refusals`: trials that never armed, by reason; `output_off`: for how long trips kept the output off, by cause;
    `beyond`: trials with much force beyond what is known of sensor or wearer; `steady_s`: as measured, s.
    """

    folder: Path
    seed: int
    table: list[ConditionTarget]
    rows: list[TargetRow]
    reason_ticks: dict[str, dict[str, int]]
    law_faults: dict[str, int]
    limits: LimitsUsed
    refusals: list[Refusal]
    output_off: list[OutputOff]
    beyond: list[BeyondKnown]
    steady_s: float

    @property
    def picture(self) -> Path:
        """The picture of force against target."""
        return self.folder / FORCE_PICTURE

    @property
    def error_picture(self) -> Path:
        """The picture of errors by condition and target, a dot per wearer."""
        return self.folder / ERROR_PICTURE


def run_scenario(
    loaded: LoadedScenario,
    out: Path | str,
    *,
    seed: int | None = None,
    jobs: int = 1,
    command: Sequence[str] | None = None,
    sign: SigningKey | None = None,
    on_finished: Callable[[TrialLabel], None] | None = None,
) -> RunReport:
    """Run every trial of `loaded` and leave the run folder `out` behind, whole or not at all.

    `seed`: in place of the scenario's own. `jobs`: processes (see thenar.workers on scripts that use more than one).
    `command`: goes into the manifest, that of this process when None. `sign`: a key to sign the manifest with, its
    signature in manifest.sig. `on_finished`: told of each trial in order.
    Raises InputError when `out` is taken or an input file changes while the run goes on, LostWorkerError when a
    worker dies.
    """
    trials = plan_trials(loaded, seed)
    used_seed = loaded.scenario.seed if seed is None else seed
    kept = Kept()
    limits = limits_used(loaded.scenario.limits.profile, loaded.profile)
    with RunFolder(Path(out), loaded.sha256, loaded.profile.deviations()) as folder:
        inputs = _store_inputs(folder, loaded)
        with closing(finished_in_order(trials, moving=moves(loaded), jobs=jobs)) as running:
            for trial, finished in zip(trials, running, strict=True):
                folder.add(finished.result)
                kept.take(trial, finished)
                if on_finished is not None:
                    on_finished(finished.result.label)
        folder.close_tables()
        for file in loaded.files:
            _unchanged_bytes(loaded, file)
        report = RunReport(
            Path(out), used_seed, by_condition_and_target(kept.rows), kept.rows, kept.reason_ticks, kept.law_faults,
            limits, kept.refusals, kept.output_off(), beyond_known(kept.rows), loaded.scenario.steady_s,
        )  # fmt: skip
        for name, text in result_texts(loaded, trials, used_seed, kept).items():
            folder.write_text(name, text)
        _draw(folder, loaded, kept, report.table)
        manifest = _manifest(loaded, report, inputs, kept, sys.argv if command is None else command)
        signed_by = {} if sign is None else {"signed_by": sign.fingerprint}
        content = folder.write_manifest(manifest.model_dump(mode="json") | signed_by)
        if sign is not None:
            signature = sign.sign(content)
            folder.write(SIGNATURE, lambda part: part.write_bytes(signature))
    return report


def result_texts(loaded: LoadedScenario, trials: Sequence[Trial], seed: int, kept: Kept) -> dict[str, str]:
    """The results of a run whose `trials` have all been kept, by file name: a study's sheet, the table, the summary."""
    texts = {}
    places = None
    if loaded.scenario.study is not None:
        names = {trial.label.wearer: trial.label.wearer_name for trial in trials}
        visits = running_sheet(loaded.scenario, list(names.values()), seed)
        texts[SHEET], places = sheet_csv(visits), places_by_trial(visits)
    texts[TRIALS] = trials_csv(kept.rows, loaded.profile.deviations(), places)
    texts[SUMMARY] = json_text(_summary(loaded, seed, kept))
    return texts


def moves(loaded: LoadedScenario) -> bool:
    """True when the target program holds no level (ramp, sine, recording): its trials are measured as one whole."""
    return target_moves(loaded.scenario.target)


class Kept:
    """What stays in memory of every trial: rows of measures and hashes, never its tables and events."""

    def __init__(self) -> None:
        self.rows: list[TargetRow] = []
        self.records: list[TrialRecord] = []
        self.ticks_by_trial: list[dict[str, int]] = []
        self.reason_ticks: dict[str, dict[str, int]] = {}
        self.law_faults: dict[str, int] = {}
        self.refusals: list[Refusal] = []
        self._off: dict[str, list[tuple[int, int, int]]] = {}

    def take(self, trial: Trial, finished: Finished) -> None:
        """Keep one finished trial. Call in trial order."""
        result, label = finished.result, finished.result.label
        self.rows.extend(finished.rows)
        self.ticks_by_trial.append(dict(sorted(result.reason_ticks.items())))
        for event in result.events:
            if event["kind"] == "law-fault":
                what = str(event["what"])
                self.law_faults[what] = self.law_faults.get(what, 0) + 1
        self._note_refusal(trial, result)
        for cause, off_us in output_off_us(result.events, result.duration_us).items():
            self._off.setdefault(cause, []).append((label.index, off_us, result.duration_us))
        total = self.reason_ticks.setdefault(label.condition, {})
        for identifier, ticks in sorted(result.reason_ticks.items()):
            total[identifier] = total.get(identifier, 0) + ticks
        self.records.append(
            TrialRecord(
                trial=label.index,
                wearer=label.wearer,
                wearer_name=label.wearer_name,
                condition=label.condition,
                repeat=label.repeat,
                duration_us=result.duration_us,
                max_pinch_N=result.max_pinch_N,
                calibration=CalibrationRecord.of(trial.calibration),
                screening=trial.screening,
                objections=objections_to(trial.screening),
                limits={name: part._asdict() for name, part in trial.limits()._asdict().items()},
                control_period_us=trial.clock.control_us,
                columns=finished.hashes,
            )
        )

    def output_off(self) -> list[OutputOff]:
        """For how long trips kept the output off, by cause, the longest first."""
        found = [
            OutputOff(cause, TITLES[cause], [one[0] for one in trials],
                sum(one[1] for one in trials) / US_PER_S, sum(one[2] for one in trials) / US_PER_S)
            for cause, trials in self._off.items()
        ]  # fmt: skip
        return sorted(found, key=lambda one: -one.off_s)

    def _note_refusal(self, trial: Trial, result: TrialResult) -> None:
        why = refused_for_good(result.events, trial.arming_objections(), TITLES)
        if not why:
            return
        same = next((refusal for refusal in self.refusals if refusal.why == why), None)
        if same is None:
            same = Refusal(why, [], [])
            self.refusals.append(same)
        same.trials.append(result.label.index)
        if result.label.wearer_name not in same.wearers:
            same.wearers.append(result.label.wearer_name)


def _store_inputs(folder: RunFolder, loaded: LoadedScenario) -> list[StoredInput]:
    """Copy every file that the scenario names into the run folder, so that it can be replayed elsewhere."""
    stored: dict[str, str] = {}
    for file in loaded.files:
        if file.name in stored:
            continue
        stored[file.name] = f"{INPUTS}/{len(stored):02d}-{file.path.name}"
        folder.copy_in(stored[file.name], _unchanged_bytes(loaded, file))
    return [StoredInput(key=f.key, name=f.name, sha256=f.sha256, stored=stored[f.name]) for f in loaded.files]


def _unchanged_bytes(loaded: LoadedScenario, file: NamedFile) -> bytes:
    """The bytes of a named file. Raises InputError when they are no longer those that the scenario was read with."""
    try:
        content = file.path.read_bytes()
        if hashlib.sha256(content).hexdigest() == file.sha256:
            return content
        found = "changed since the scenario was read"
    except OSError as error:
        found = error.strerror or str(error)
    raise InputError(
        [Problem(str(loaded.path), file.key, f"{file.name}: {found}", "a file that stays as it is while it is used")]
    )


def _summary(loaded: LoadedScenario, seed: int, kept: Kept) -> dict[str, object]:
    trials = [
        record.model_dump(exclude={"columns", "calibration", "screening", "limits"}) | {"reason_ticks": ticks}
        for record, ticks in zip(kept.records, kept.ticks_by_trial, strict=True)
    ]
    limits = limits_used(loaded.scenario.limits.profile, loaded.profile)
    return {
        "title": loaded.scenario.title,
        "refused_to_arm": [refusal._asdict() for refusal in kept.refusals],
        "output_off": [off._asdict() for off in kept.output_off()],
        "beyond_known": [one._asdict() for one in beyond_known(kept.rows)],
        "scenario_sha256": loaded.sha256,
        "seed": seed,
        "limits": limits.model_dump(mode="json", exclude={"values"}),
        "steady_s": loaded.scenario.steady_s,
        "measures": {metric.name: {"unit": metric.unit, "meaning": metric.meaning} for metric in METRICS},
        "by_condition_and_target": [line_record(line) for line in by_condition_and_target(kept.rows)],
        "reason_ticks_by_condition": kept.reason_ticks,
        "trials": trials,
        "by_trial_and_target": [row_record(row) for row in kept.rows],
        "caution": full_text(),
    }


def _draw(folder: RunFolder, loaded: LoadedScenario, kept: Kept, table: list[ConditionTarget]) -> None:
    chosen, why = chosen_wearer(kept.rows)
    shown = [record.trial for record in kept.records if record.wearer == chosen and record.repeat == 0]
    with (folder.working / "events.jsonl").open("rb") as log:
        events = read_events(log, set(shown))
    panels = []
    for record in kept.records:
        if record.trial not in shown:
            continue
        rows = [row for row in kept.rows if row.label.index == record.trial]
        trace = read_trial(folder.working / "trace.parquet", record.trial)
        pulses = read_trial(folder.working / "pulses.parquet", record.trial)
        panels.append(Panel(rows[0].label, record.duration_us, trace, pulses, events[record.trial], rows))
    line = f"Wearer shown: {panels[0].label.wearer_name}, {why}; first repeat"
    title = loaded.scenario.title
    loosened = Loosened(loaded.profile.based_on or "", loaded.profile.deviations())
    folder.write(FORCE_PICTURE, lambda part: force_picture(part, panels, title, line, TITLES, loosened))
    folder.write(ERROR_PICTURE, lambda part: error_picture(part, table, kept.rows, title, loosened))


def chosen_wearer(rows: Sequence[TargetRow]) -> tuple[int, str]:
    """The wearer to draw, and why in words: the middle one by mean absolute error, assisted where there is such.

    With an even number of wearers the better of the two in the middle. Returns the wearer's number.
    """
    conditions = list(dict.fromkeys(row.label.condition for row in rows))
    condition = "assisted" if "assisted" in conditions else conditions[0]
    means = wearer_means([row for row in rows if row.label.condition == condition], "mean_abs_error_N")
    ranked = sorted(means, key=lambda wearer: (means[wearer], wearer))
    if len(ranked) == 1:
        return ranked[0], "the only wearer"
    return ranked[(len(ranked) - 1) // 2], f"the middle one of {len(ranked)} by mean absolute error, {condition}"


def _manifest(
    loaded: LoadedScenario, report: RunReport, inputs: list[StoredInput], kept: Kept, command: Sequence[str]
) -> Manifest:
    return Manifest(
        format=FORMAT,
        scenario=ScenarioText(name=loaded.path.name, sha256=loaded.sha256, text=loaded.text),
        seed=report.seed,
        limits=report.limits,
        law=LawUsed(where=loaded.law_ran),
        limits_text=loaded.profile.text,
        inputs=tuple(inputs),
        trials=tuple(kept.records),
        command=tuple(command),
        made_by=made_here(),
        written_utc=now_utc(),
        caution=full_text(),
    )
