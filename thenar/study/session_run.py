"""A recorded session from a folder that `thenar run` made: one trial's trace, decisions, pulses and events."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.report.folder import FinishedFolder, made_sense_of, open_finished, read_events
from thenar.report.manifest import TrialRecord, manifest_of
from thenar.report.tables import column_hashes, read_trial
from thenar.shared.errors import InputError, Problem
from thenar.study.session import Readings, RunRecord, Session, changes_of

Columns = dict[str, NDArray[Any]]
UNASSISTED: Final = "unassisted"
EXACT_MA: Final = 0.0005
"""Currents of a run are whole microamperes."""


class RunTrial(NamedTuple):
    """One trial of a run folder: its record, the run's seed, and how many trials the folder has."""

    folder: FinishedFolder
    record: TrialRecord
    seed: int
    trials: int


def trial_in(folder: Path, number: int | None) -> RunTrial:
    """Trial `number` of a run folder; when None, the first one with stimulation, else the first. Raises InputError."""
    finished = open_finished(folder, "run")
    manifest = manifest_of(finished)
    records = {record.trial: record for record in manifest.trials}
    if not records:
        raise InputError([Problem(str(folder), "trials", "no trial", "a run with at least one trial")])
    if number is None:
        stimulated = [trial for trial, record in records.items() if record.condition != UNASSISTED]
        number = min(stimulated or records)
    if number not in records:
        allowed = f"a trial of this run: {min(records)} to {max(records)}"
        raise InputError([Problem(str(folder), "--trial", str(number), allowed)])
    return RunTrial(finished, records[number], manifest.seed, len(records))


def session_of_run(chosen: RunTrial) -> Session:
    """What a trial recorded. Raises InputError when the folder is damaged or was changed after the run."""
    record = chosen.record
    with made_sense_of(str(chosen.folder.path), chosen.folder.allowed):
        return _session(chosen, record)


def _session(chosen: RunTrial, record: TrialRecord) -> Session:
    trace, pulses, decisions = (_table(chosen, name) for name in ("trace", "pulses", "decisions"))
    events = chosen.folder.understood("events.jsonl", lambda log: read_events(log, {record.trial}))[record.trial]
    notes: list[str] = []
    ticks = {name: column[decisions["kind"] == 0] for name, column in decisions.items()}
    if not trace["t_us"].size:
        raise InputError([Problem(chosen.folder.file("trace.parquet"), "t_us", "no row", "at least one row")])
    target_us, target_N = _targets(trace, events)
    run = None
    if record.condition == UNASSISTED:
        notes.append("the recorded trial had no stimulation: nothing was demanded or delivered in it")
    else:
        trips = tuple((int(event["t_us"]), str(event["cause"])) for event in events if event["kind"] == "trip")
        run = RunRecord(ticks, pulses, trips, record.control_period_us)
    return Session(
        source=_words(chosen),
        begins_s=0.0,
        duration_us=record.duration_us,
        target_us=target_us,
        target_N=target_N,
        readings=_readings(trace, ticks, notes),
        force_us=trace["t_us"],
        force_N=trace["force_N"],
        levels=(None, None),
        same_mA=EXACT_MA,
        notes=tuple(notes),
        run=run,
    )


def _words(chosen: RunTrial) -> str:
    record = chosen.record
    return (
        f"{chosen.folder.path}, trial {record.trial} of {chosen.trials} ({record.wearer_name}, {record.condition}, "
        f"repeat {record.repeat})"
    )


def _table(chosen: RunTrial, name: str) -> Columns:
    """One table of the trial. Raises InputError when it can't be read or was changed after the run."""
    file, record = f"{name}.parquet", chosen.record
    columns = chosen.folder.understood(file, lambda log: read_trial(log, record.trial))
    if columns and len(next(iter(columns.values()))) and column_hashes(columns) != record.columns.get(name):
        raise InputError(
            [Problem(chosen.folder.file(file), name, "columns that were changed after the run", "the table as it was")]
        )
    return columns


def _targets(trace: Columns, events: list[dict[str, Any]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Change points of the target: as noted among the events, which are exact, else as the trace's rows show them."""
    noted = [(int(event["t_us"]), float(event["target_N"])) for event in events if event["kind"] == "target"]
    if noted:
        return np.array([t_us for t_us, _ in noted], dtype=np.int64), np.array([level for _, level in noted])
    return changes_of(trace["t_us"], trace["target_N"])


def _readings(trace: Columns, ticks: Columns, notes: list[str]) -> Readings:
    """Estimates as trace and decisions saw them; exact values from the trace, whole mN where it never saw one.

    A controller looks at its ticks only: an estimate counts as arrived at the first tick or row that saw it.
    """
    known, heard = trace["estimate_age_us"] >= 0, ticks["estimate_known"] == 1
    # Rows of the trace come last, so that of two sights of one sample the exact one is kept.
    t_us = np.concatenate([ticks["t_us"][heard], trace["t_us"][known]])
    age_us = np.concatenate([ticks["estimate_age_us"][heard], trace["estimate_age_us"][known]])
    value_N = np.concatenate([ticks["estimate_mN"][heard] / 1e3, trace["estimate_N"][known]])
    exact = np.concatenate([np.zeros(int(heard.sum()), dtype=bool), np.ones(int(known.sum()), dtype=bool)])
    samples_us, place = np.unique(t_us - age_us, return_inverse=True)
    arrives_us = np.full(samples_us.size, np.iinfo(np.int64).max)
    np.minimum.at(arrives_us, place, t_us)
    estimate_N, is_exact = np.empty(samples_us.size), np.zeros(samples_us.size, dtype=bool)
    estimate_N[place], is_exact[place] = value_N, exact
    rounded = int((~is_exact).sum())
    if rounded:
        notes.append(
            f"{rounded} of {samples_us.size} estimates are in no row of the trace: their value is that of the "
            "decisions, in whole mN"
        )
    return Readings(
        arrives_us, samples_us, estimate_N, np.full(samples_us.size, np.nan), _counts(ticks, heard, samples_us)
    )


def _counts(ticks: Columns, heard: NDArray[np.bool_], samples_us: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many estimates had arrived with each sample: as the decisions counted them, those between one by one."""
    place = np.arange(samples_us.size, dtype=np.int64)
    seen_us, first = np.unique(ticks["t_us"][heard] - ticks["estimate_age_us"][heard], return_index=True)
    counted = np.zeros(samples_us.size, dtype=np.int64)
    at = np.searchsorted(samples_us, seen_us)
    counted[at] = ticks["estimate_count"][heard][first]
    last = np.full(samples_us.size, -1, dtype=np.int64)
    last[at] = at
    last = np.maximum.accumulate(last) if last.size else last
    return np.where(last >= 0, counted[last] + place - last, place + 1)
