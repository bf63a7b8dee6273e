"""Running a finished run again from its folder alone, and comparing every column and event bit for bit."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from thenar.engine.result import TrialLabel
from thenar.engine.trial import plan_trials
from thenar.report.folder import plain, read_events
from thenar.report.manifest import FILE, Manifest, TrialRecord, changes_since, limits_used, made_here, read_manifest
from thenar.report.tables import TABLES, column_hashes, read_trial, trials_in
from thenar.run import moves
from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError, Problem
from thenar.workers import Finished, finished_in_order

EVENTS: Final = "events"
Content = TypeVar("Content")


class Difference(NamedTuple):
    """The first thing that differs. `where`: a table's column, "events" or "trials"; `row`: from 0, -1 when none.

    `t_us`: time in the trial, -1 when unknown. `stored`, `again`: both values as text. `hint`: who moved.
    """

    trial: int
    where: str
    row: int
    t_us: int
    stored: str
    again: str
    hint: str

    def __str__(self) -> str:
        row = f", row {self.row}" if self.row >= 0 else ""
        time = f", at {self.t_us} us" if self.t_us >= 0 else ""
        return f"trial {self.trial}, {self.where}{row}{time}: stored {self.stored}, again {self.again}\n{self.hint}"


class Replayed(NamedTuple):
    """What a replay found. `changes`: versions that differ since the run, one line each."""

    folder: Path
    trials: int
    difference: Difference | None
    changes: list[str]

    @property
    def identical(self) -> bool:
        """True when every column and event is the same bit for bit (a NaN equals a NaN)."""
        return self.difference is None


def replay_run(
    folder: Path | str,
    *,
    jobs: int = 1,
    trust_law: bool = False,
    on_finished: Callable[[TrialLabel], None] | None = None,
) -> Replayed:
    """Run the trials of a finished run folder again and stop at the first difference.

    Nothing outside the folder is read but thenar itself, and a law that an installed package brings. The user's law in
    the folder, if any, is RUN, in a process of its own unless `trust_law`. Raises InputError when the folder is damaged
    or its inputs were changed.
    """
    folder = Path(folder)
    manifest = read_manifest(folder)
    changes = changes_since(manifest.made_by, made_here())
    with _scenario_again(folder, manifest, trust_law) as loaded:
        if loaded.profile.fingerprint() != manifest.limits.fingerprint:
            changes.append(f"limit profile {manifest.limits.profile}: its values differ from those of the run")
        limits = limits_used(manifest.limits.profile, loaded.profile)
        if (limits.based_on, limits.deviations) != (manifest.limits.based_on, manifest.limits.deviations):
            changes.append(f"limit profile {manifest.limits.profile}: what it loosens differs from what the run says")
        trials = plan_trials(loaded, manifest.seed)
        difference = _planned_difference(folder, manifest, [trial.label for trial in trials])
        if difference is None:
            events = _stored_events(folder, manifest)
            with closing(finished_in_order(trials, moving=moves(loaded), jobs=jobs)) as finished:
                for record, again in zip(manifest.trials, finished, strict=True):
                    difference = _trial_difference(folder, record, events[record.trial], again)
                    if difference is not None:
                        break
                    if on_finished is not None:
                        on_finished(again.result.label)
    return Replayed(folder, len(manifest.trials), difference, changes)


@contextmanager
def _scenario_again(folder: Path, manifest: Manifest, trust_law: bool) -> Iterator[LoadedScenario]:
    """The scenario of a manifest, with the files it names laid out as it names them, in a folder of their own."""
    file = str(folder / FILE)
    if hashlib.sha256(manifest.scenario.text.encode()).hexdigest() != manifest.scenario.sha256:
        allowed = f"text with SHA-256 {manifest.scenario.sha256}"
        raise InputError([Problem(file, "scenario.text", "text that was changed after the run", allowed)])
    top = Path(tempfile.mkdtemp(prefix="thenar-replay-"))
    try:
        # A name may climb out of the scenario's folder by "..", so that folder lies as deep as names climb.
        base = top.joinpath(*["below"] * sum(entry.name.split("/").count("..") for entry in manifest.inputs))
        base.mkdir(parents=True, exist_ok=True)
        for number, entry in enumerate(manifest.inputs):
            content = _stored_bytes(folder, entry.stored, f"inputs[{number}]", entry.sha256)
            (base / entry.name).parent.mkdir(parents=True, exist_ok=True)
            (base / entry.name).write_bytes(content)
        yield parse_scenario(
            manifest.scenario.text, manifest.scenario.name, base, shown_as=f"{file}: scenario.text", trust_law=trust_law
        )
    finally:
        shutil.rmtree(top, ignore_errors=True)


def _stored_bytes(folder: Path, stored: str, key: str, sha256: str) -> bytes:
    file = folder / stored
    try:
        content = file.read_bytes()
    except OSError as error:
        raise InputError(
            [Problem(str(file), key, error.strerror or str(error), "the copy that the run made")]
        ) from None
    if hashlib.sha256(content).hexdigest() != sha256:
        raise InputError([Problem(str(file), key, "a file that was changed after the run", f"SHA-256 {sha256}")])
    return content


def _planned_difference(folder: Path, manifest: Manifest, planned: list[TrialLabel]) -> Difference | None:
    """A difference between the trials in the manifest, those in the tables and those that would run now."""
    stored = [TrialLabel(r.trial, r.wearer, r.wearer_name, r.condition, r.repeat) for r in manifest.trials]
    for position in range(max(len(stored), len(planned))):
        was = str(stored[position]) if position < len(stored) else "nothing"
        now = str(planned[position]) if position < len(planned) else "nothing"
        if was != now:
            return Difference(position, "trials", -1, -1, was, now, "The plan of trials differs.")
    for name in TABLES:
        unknown = _readable(folder / f"{name}.parquet", trials_in) - {record.trial for record in manifest.trials}
        if unknown:
            hint = f"The manifest knows no trial {min(unknown)}: the table was changed after the run."
            return Difference(min(unknown), name, -1, -1, "rows of this trial", "no such trial", hint)
    return None


def _stored_events(folder: Path, manifest: Manifest) -> dict[int, list[dict[str, Any]]]:
    return _readable(
        folder / "events.jsonl", lambda file: read_events(file, {record.trial for record in manifest.trials})
    )


def _readable(file: Path, read: Callable[[Path], Content]) -> Content:
    """What `read` makes of a file of the run folder. Raises InputError when it is missing or damaged."""
    try:
        return read(file)
    except (OSError, ValueError, KeyError, pa.ArrowException) as error:
        found = error.strerror if isinstance(error, OSError) and error.strerror else str(error).partition("\n")[0]
        raise InputError([Problem(str(file), "", found, "the file as `thenar run` wrote it")]) from None


def _trial_difference(
    folder: Path, record: TrialRecord, events: list[dict[str, Any]], again: Finished
) -> Difference | None:
    tables = {"trace": again.result.trace, "pulses": again.result.pulses, "decisions": again.result.decisions}
    for name in TABLES:
        stored = _readable(folder / f"{name}.parquet", lambda file: read_trial(file, record.trial))
        found = first_difference(stored, tables[name])
        if found is not None:
            column, row, was, now = found
            t_us = int(stored["t_us"][row]) if 0 <= row < len(stored["t_us"]) else -1
            edited = column in stored and column_hashes({column: stored[column]})[column] != record.columns[name].get(
                column
            )
            return Difference(record.trial, f"{name}.{column}", row, t_us, was, now, _hint(edited))
    return _event_difference(record.trial, events, [plain(event) for event in again.result.events])


def _hint(edited: bool) -> str:
    if edited:
        return "The stored column no longer matches its hash in the manifest: the table was changed after the run."
    return "The stored column is as the run wrote it: the simulation itself gives something else here."


def first_difference(
    stored: Mapping[str, NDArray[Any]], again: Mapping[str, NDArray[Any]]
) -> tuple[str, int, str, str] | None:
    """The earliest row (then the first column) at which two tables differ, bit for bit, NaN equal to NaN.

    Both: column name to array of shape (rows,). Returns column, row and both values as text, or None.
    """
    for column in dict.fromkeys([*stored, *again]):
        if column not in stored or column not in again:
            return column, -1, _present(column in stored), _present(column in again)
    best: tuple[str, int, str, str] | None = None
    for column, was in stored.items():
        now = again[column]
        if was.dtype != now.dtype:
            return column, -1, str(was.dtype), str(now.dtype)
        shared = min(len(was), len(now))
        unlike = np.flatnonzero(_bits(was[:shared]) != _bits(now[:shared]))
        row = int(unlike[0]) if len(unlike) else shared
        if row < max(len(was), len(now)) and (best is None or row < best[1]):
            best = column, row, _at(was, row), _at(now, row)
    return best


def _present(there: bool) -> str:
    return "a column" if there else "no such column"


def _at(array: NDArray[Any], row: int) -> str:
    return repr(array[row].item()) if row < len(array) else f"nothing after {len(array)} rows"


def _bits(array: NDArray[Any]) -> NDArray[np.int64]:
    if array.dtype.kind == "f":
        array = np.where(np.isnan(array), np.nan, array)
    return np.ascontiguousarray(array).view(np.int64)


def _event_difference(trial: int, stored: list[dict[str, Any]], again: list[dict[str, Any]]) -> Difference | None:
    for row in range(max(len(stored), len(again))):
        was = stored[row] if row < len(stored) else None
        now = again[row] if row < len(again) else None
        if _event_text(was) != _event_text(now):
            moment = (was or now or {}).get("t_us")
            t_us = moment if isinstance(moment, int) else -1
            return Difference(trial, EVENTS, row, t_us, _event_text(was), _event_text(now), "An event differs.")
    return None


def _event_text(event: dict[str, Any] | None) -> str:
    return "no event" if event is None else json.dumps(event, sort_keys=True, ensure_ascii=False)
