"""An audit of a run folder or of log files: what is read, by which limits it is judged, and what is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.report.closest_words import offence_in_words
from thenar.report.folder import MANIFEST, FinishedFolder, made_sense_of
from thenar.report.log_files import pulse_batches, read_decisions
from thenar.report.manifest import Manifest, TrialRecord, law_note, manifest_of
from thenar.report.tables import column_hashes, read_trial, trials_in
from thenar.safety.audit.bounds import Bounds, bounds_of
from thenar.safety.audit.judge import Audit, Auditor, DecisionLog, PulseLog, merged
from thenar.safety.profile import LimitProfile
from thenar.shared.errors import InputError, Problem, validated
from thenar.shared.text_input import table_in

NEED_CALIBRATION: Final = ("R07", "R25", "R30", "R31")
"""What can't be judged without a person's calibration: ceilings, shares of them, motor threshold, force bounds."""
OUT_OF_REACH: Final = 1_000_000_000
LOGS: Final = ("pulses", "decisions")


class Terms(NamedTuple):
    """What the caller gives: a profile (None: the folder's own), ceilings in mA and a control period in us."""

    profile: LimitProfile | None = None
    ceilings_mA: tuple[float, float] | None = None
    control_period_us: int | None = None


class Audited(NamedTuple):
    """An audit, the limits it was made by, and what a reader must know of it, one line each."""

    audit: Audit
    limits: str
    fingerprint: str
    notes: tuple[str, ...]


def audit_folder(folder: FinishedFolder, terms: Terms, on_trial: Callable[[object], None]) -> Audited:
    """Every trial of a finished run folder. Raises InputError when it is damaged or was changed after the run."""
    manifest = manifest_of(folder)
    profile, notes = _profile_of(folder, manifest, terms.profile)
    notes += [note for note in (law_note(manifest),) if note]
    known = {record.trial for record in manifest.trials}
    for name in LOGS:
        unknown = folder.understood(f"{name}.parquet", trials_in) - known
        if unknown:
            found = f"rows of trial {min(unknown)}, which the manifest doesn't know"
            raise InputError([Problem(folder.file(f"{name}.parquet"), "trial", found, "the table as it was written")])
    audits = []
    for record in manifest.trials:
        bounds, cannot = _bounds_of(profile, record, terms, notes)
        auditor = Auditor(bounds, cannot=cannot, enforced=record.limits, reconciled=True)
        with made_sense_of(folder.file("pulses.parquet"), folder.allowed):
            pulses = _pulses(_trial_of(folder, "pulses", record), record.trial)
        with made_sense_of(folder.file("decisions.parquet"), folder.allowed):
            decisions = _decisions(_trial_of(folder, "decisions", record), record.trial)
        auditor.feed(pulses, decisions)
        auditor.end(record.duration_us)
        audits.append(auditor.result())
        on_trial(record)
    if not audits:
        raise InputError([Problem(str(folder.path), "trials", "no trial", "a run with at least one trial")])
    audit = merged(audits)._replace(trials=len(audits))
    return Audited(audit, profile.name, profile.fingerprint(), tuple(dict.fromkeys(notes)))


def audit_file(pulses: Path, decisions: Path | None, terms: Terms, on_rows: Callable[[object], None]) -> Audited:
    """Log files, pulses in batches. `terms` must name a profile. Raises InputError as the readers do."""
    if terms.profile is None:
        raise InputError([Problem("thenar audit", "--limits", "no limits", "a limit profile, for files of their own")])
    notes: list[str] = []
    bounds, cannot = _bounds_of(terms.profile, None, terms, notes)
    log = None if decisions is None else read_decisions(decisions)
    auditor = Auditor(bounds, decisions=log is not None, cannot=cannot, reconciled=True)
    done = 0
    for batch in pulse_batches(pulses):
        end = 0 if log is None else _decided_by(log, batch, pulses)
        auditor.feed(batch, None if log is None else _rows(log, done, end))
        done = max(done, end)
        on_rows(batch)
    if log is not None:
        auditor.feed(_no_pulses(), _rows(log, done, len(log.t_us)))
    return Audited(auditor.result(), terms.profile.name, terms.profile.fingerprint(), tuple(notes))


def _profile_of(
    folder: FinishedFolder, manifest: Manifest, given: LimitProfile | None
) -> tuple[LimitProfile, list[str]]:
    file = folder.file(MANIFEST)
    text = manifest.limits_text
    own = validated(LimitProfile, table_in(text, f"{file}: limits_text"), f"{file}: limits_text", {"text": text})
    if own.fingerprint() != manifest.limits.fingerprint:
        allowed = f"values with fingerprint {manifest.limits.fingerprint}"
        raise InputError([Problem(file, "limits_text", "values that were changed after the run", allowed)])
    if given is None:
        return own, []
    if given.fingerprint() == own.fingerprint():
        return given, []
    return given, [f"the run was made under {manifest.limits.profile}: judged by {given.name}, whose values differ"]


def _bounds_of(
    profile: LimitProfile, record: TrialRecord | None, terms: Terms, notes: list[str]
) -> tuple[Bounds, set[str]]:
    """The auditor's own bounds of one trial, from the profile's text, and the rules whose bounds aren't on record."""
    period_us = terms.control_period_us or getattr(record, "control_period_us", None)
    if period_us is None:
        period_us = 20_000
        notes.append("no control period on record: 20 ms is taken")
    on_file: Any = getattr(record, "calibration", None)
    calibration = None if on_file is None else on_file.calibration()
    cannot = set() if calibration is not None else set(NEED_CALIBRATION)
    screened = record is not None and hasattr(record, "screening")
    screening: Any = getattr(record, "screening", None)
    answers = None if screening is None else screening.model_dump()
    bounds = bounds_of(profile.text, calibration, period_us, answers, profile.name)
    if not screened:
        cannot.add("R27")
    if terms.ceilings_mA is not None:
        cannot -= {"R07", "R25"}
        bounds = _with_ceilings(bounds, *(round(1_000 * ceiling) for ceiling in terms.ceilings_mA))
    elif calibration is None:
        bounds = _with_ceilings(bounds, bounds.agonist.peak_uA, bounds.antagonist.peak_uA)
    if calibration is None:
        notes.append(f"no calibration on record: can't judge {', '.join(sorted(cannot - {'R27'}))}")
        bounds = _without_force(bounds)
    return bounds, cannot


def _without_force(bounds: Bounds) -> Bounds:
    """The bounds with those that nobody measured out of reach."""
    return Bounds(
        bounds.agonist._replace(motor_uA=OUT_OF_REACH),
        bounds.antagonist._replace(motor_uA=OUT_OF_REACH),
        bounds.loop._replace(force_soft_mN=OUT_OF_REACH, force_hard_mN=OUT_OF_REACH),
    )


def _with_ceilings(bounds: Bounds, agonist_uA: int, antagonist_uA: int) -> Bounds:
    return Bounds(
        bounds.agonist._replace(ceiling_uA=agonist_uA),
        bounds.antagonist._replace(ceiling_uA=antagonist_uA),
        bounds.loop,
    )


def _trial_of(folder: FinishedFolder, name: str, record: TrialRecord) -> Mapping[str, NDArray[Any]]:
    """One trial's rows of a table. Raises InputError unless every column has the hash that the run wrote down."""
    file = f"{name}.parquet"
    columns = folder.understood(file, lambda table: read_trial(table, record.trial))
    written = record.columns.get(name, {})
    hashes = column_hashes(columns)
    wrong = [column for column in dict.fromkeys([*written, *hashes]) if written.get(column) != hashes.get(column)]
    if wrong:
        found = f"a column that was changed, cut or put in another order after the run ({len(columns['t_us'])} rows)"
        raise InputError(
            [
                Problem(f"{folder.file(file)}: trial {record.trial}", c, found, "the column as it was written")
                for c in wrong
            ]
        )
    return columns


def _pulses(columns: Mapping[str, NDArray[Any]], trial: int) -> PulseLog:
    values = {name: column for name, column in columns.items() if not name.endswith("current_mA")}
    for name in ("current_mA", "second_current_mA"):
        if name in columns:
            values[name.replace("_mA", "_uA")] = np.rint(1_000.0 * columns[name])
    named = {name: column.astype(np.int64) for name, column in values.items() if name in PulseLog._fields}
    return PulseLog(trial=np.full(len(columns["t_us"]), trial, dtype=np.int64), **named)


def _decisions(columns: Mapping[str, NDArray[Any]], trial: int) -> DecisionLog:
    trials = np.full(len(columns["t_us"]), trial, dtype=np.int64)
    return DecisionLog(trials, *(columns[name].astype(np.int64) for name in DecisionLog._fields[1:]))


def _decided_by(log: DecisionLog, batch: PulseLog, file: Path) -> int:
    """How many rows of the decision log come before the last pulse of a batch."""
    trial = batch.trial[-1]
    first, end = (int(place) for place in np.searchsorted(log.trial, [trial, trial + 1]))
    if batch.decisions_before is not None:
        return min(first + int(batch.decisions_before[-1]), end)
    times = log.t_us[first:end]
    if np.any(np.diff(times) < 0):
        allowed = "a column that says where each pulse belongs, since the decisions' clock steps back"
        raise InputError([Problem(str(file), "decisions_before", "no such column", allowed)])
    return first + int(np.searchsorted(times, batch.t_us[-1], side="right"))


def _rows(log: DecisionLog, begin: int, end: int) -> DecisionLog:
    return DecisionLog(*(column[begin:end] for column in log))


def _no_pulses() -> PulseLog:
    empty: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
    return PulseLog(empty, empty, empty, empty, empty, empty)


def chosen_offences(audit: Audit) -> Iterator[str]:
    """The first offence of every failed requirement in words."""
    for row in audit.rows:
        for offence in row.offences[:1]:
            side = {0: ", agonist", 1: ", antagonist"}.get(offence.channel, "")
            yield (
                f"{row.rule}: trial {offence.trial}, {offence.t_us} us{side}: {offence.what}: "
                f"{offence_in_words(offence.found, offence.allowed, offence.unit)}"
            )
