"""Running a finished run again from its folder alone, and comparing every column, event and result bit for bit."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path, PurePosixPath
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.result import TrialLabel
from thenar.engine.trial import Trial, plan_trials
from thenar.report.folder import MANIFEST, FinishedFolder, open_finished, plain, read_events
from thenar.report.manifest import Manifest, TrialRecord, changes_since, limits_used, made_here, manifest_of
from thenar.report.tables import TABLES, column_hashes, read_trial, trials_in
from thenar.run import Kept, moves, result_texts
from thenar.scenarios.files import LaidOut
from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError, Problem, shown
from thenar.workers import Finished, finished_in_order

EVENTS: Final = "events"
LAW_KEY: Final = "law.file"


class Difference(NamedTuple):
    """The first thing that differs. `where`: a table's column, a key of a record, "events", "inputs" or "trials".

    `trial`: -1 when it is of no single one; `row`: from 0, -1 when none; `t_us`: time in the trial, -1 when unknown.
    `stored`, `again`: both values as text. `hint`: who moved.
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
        trial = f"trial {self.trial}, " if self.trial >= 0 else ""
        return f"{trial}{self.where}{row}{time}: stored {self.stored}, again {self.again}\n{self.hint}"


class Replayed(NamedTuple):
    """What a replay found. `changes`: versions that differ since the run, one line each."""

    folder: Path
    trials: int
    difference: Difference | None
    changes: list[str]

    @property
    def identical(self) -> bool:
        """True when every column, event and result is the same bit for bit (a NaN equals a NaN)."""
        return self.difference is None


def replay_run(
    folder: FinishedFolder | Path | str,
    *,
    jobs: int = 1,
    run_law: bool = False,
    trust_law: bool = False,
    on_finished: Callable[[TrialLabel], None] | None = None,
) -> Replayed:
    """Run the trials of a finished run folder again and stop at the first difference.

    Nothing outside the folder is read but thenar itself, and a law that an installed package brings; nothing is written
    but in a temporary folder. `run_law`: a law that lies in the folder as a Python file may be RUN, in a process of its
    own unless `trust_law`. Raises InputError when the folder is damaged, when it names files that it doesn't hold, and
    when it brings a law that may not run.
    """
    folder = folder if isinstance(folder, FinishedFolder) else open_finished(folder, "run")
    manifest = manifest_of(folder)
    changes = changes_since(manifest.made_by, made_here())
    with _scenario_again(folder, manifest, trust_law=trust_law) as loaded:
        _law_may_run(folder, manifest, loaded, run_law=run_law)
        if loaded.profile.fingerprint() != manifest.limits.fingerprint:
            changes.append(f"limit profile {manifest.limits.profile}: its values differ from those of the run")
        limits = limits_used(manifest.limits.profile, loaded.profile)
        if (limits.based_on, limits.deviations) != (manifest.limits.based_on, manifest.limits.deviations):
            changes.append(f"limit profile {manifest.limits.profile}: what it loosens differs from what the run says")
        trials = plan_trials(loaded, manifest.seed)
        difference = _planned_difference(folder, manifest, loaded, [trial.label for trial in trials])
        if difference is None:
            difference = _difference(folder, manifest, loaded, trials, jobs, on_finished)
    return Replayed(folder.path, len(manifest.trials), difference, changes)


def _difference(
    folder: FinishedFolder, manifest: Manifest, loaded: LoadedScenario, trials: Sequence[Trial], jobs: int,
    on_finished: Callable[[TrialLabel], None] | None,
) -> Difference | None:  # fmt: skip
    """The first difference among what the trials leave: tables and events, trial by trial, then the results."""
    events = folder.understood("events.jsonl", lambda log: read_events(log, {r.trial for r in manifest.trials}))
    kept = Kept()
    with closing(finished_in_order(trials, moving=moves(loaded), jobs=jobs)) as running:
        for record, trial, again in zip(manifest.trials, trials, running, strict=True):
            difference = _trial_difference(folder, record, events[record.trial], again)
            if difference is not None:
                return difference
            kept.take(trial, again)
            difference = _record_difference(record, kept.records[-1])
            if difference is not None:
                return difference
            if on_finished is not None:
                on_finished(again.result.label)
    for name, text in result_texts(loaded, trials, manifest.seed, kept).items():
        difference = _text_difference(folder, name, text)
        if difference is not None:
            return difference
    return None


@contextmanager
def _scenario_again(folder: FinishedFolder, manifest: Manifest, *, trust_law: bool) -> Iterator[LoadedScenario]:
    """The scenario of a manifest, with the files that it names laid out under names of our own in a temporary folder.

    A name that the manifest doesn't bring a file for leads nowhere, whatever lies there on this machine.
    """
    with tempfile.TemporaryDirectory(prefix="thenar-replay-", ignore_cleanup_errors=True) as temporary:
        top = Path(temporary)
        places: dict[str, str] = {}
        for number, entry in enumerate(manifest.inputs):
            # The last part stays: errors of a law name its file, and so do events.
            place = f"{number:03d}/{PurePosixPath(entry.name).name}"
            if places.setdefault(entry.name, place) == place:
                (top / place).parent.mkdir()
                (top / place).write_bytes(folder.content(entry.stored))
        shown_as = f"{folder.file(MANIFEST)}: scenario.text"
        yield parse_scenario(
            manifest.scenario.text, "scenario.toml", LaidOut(top, places), shown_as=shown_as, trust_law=trust_law
        )


def _law_may_run(folder: FinishedFolder, manifest: Manifest, loaded: LoadedScenario, *, run_law: bool) -> None:
    """Raise InputError where the folder brings a law of its own that nobody has allowed to run."""
    law = loaded.scenario.law
    if law.file is None or run_law:
        return
    stored = next((entry.stored for entry in manifest.inputs if entry.key == LAW_KEY), MANIFEST)
    found = f"a law (class {law.class_name}) that a replay would RUN as a program on this machine"
    allowed = f"with --run-law, once you have read it: thenar replay {folder.path} --run-law"
    raise InputError([Problem(folder.file(stored), LAW_KEY, found, allowed)])


def _planned_difference(
    folder: FinishedFolder, manifest: Manifest, loaded: LoadedScenario, planned: list[TrialLabel]
) -> Difference | None:
    """A difference between what the manifest says of files and trials, the trials in the logs, and what would run."""
    named = [(entry.key, entry.name, entry.sha256) for entry in manifest.inputs]
    again = [(file.key, file.name, file.sha256) for file in loaded.files]
    stored = [TrialLabel(r.trial, r.wearer, r.wearer_name, r.condition, r.repeat) for r in manifest.trials]
    lists: tuple[tuple[str, Sequence[object], Sequence[object]], ...] = (
        ("inputs", named, again),
        ("trials", stored, planned),
    )
    for what, then, now in lists:
        for position in range(max(len(then), len(now))):
            was, is_now = (str(one[position]) if position < len(one) else "nothing" for one in (then, now))
            if was != is_now:
                return Difference(position, what, -1, -1, was, is_now, f"The {what} of the manifest differ.")
    known = {record.trial for record in manifest.trials}
    for name in TABLES:
        unknown = folder.understood(f"{name}.parquet", trials_in) - known
        if unknown:
            hint = f"The manifest knows no trial {min(unknown)}: the table was changed after the run."
            return Difference(min(unknown), name, -1, -1, "rows of this trial", "no such trial", hint)
    lines = folder.understood("events.jsonl", lambda log: sum(1 for _ in log))
    told = folder.understood("events.jsonl", lambda log: sum(map(len, read_events(log, known).values())))
    if lines != told:
        hint = "The manifest knows no such trials: the log was changed after the run."
        return Difference(-1, EVENTS, -1, -1, f"{lines - told} events of other trials", "none", hint)
    return None


def _trial_difference(
    folder: FinishedFolder, record: TrialRecord, events: list[dict[str, Any]], again: Finished
) -> Difference | None:
    tables = {"trace": again.result.trace, "pulses": again.result.pulses, "decisions": again.result.decisions}
    for name in TABLES:
        stored = folder.understood(f"{name}.parquet", lambda file: read_trial(file, record.trial))
        found = first_difference(stored, tables[name])
        if found is not None:
            column, row, was, now = found
            t_us = int(stored["t_us"][row]) if 0 <= row < len(stored["t_us"]) else -1
            hashes = record.columns.get(name, {})
            edited = column in stored and column_hashes({column: stored[column]})[column] != hashes.get(column)
            return Difference(record.trial, f"{name}.{column}", row, t_us, was, now, _hint(edited))
    return _event_difference(record.trial, events, [plain(event) for event in again.result.events])


def _hint(edited: bool) -> str:
    if edited:
        return "The stored column no longer matches its hash in the manifest: the table was changed after the run."
    return "The stored column is as the run wrote it: the simulation itself gives something else here."


def _record_difference(stored: TrialRecord, again: TrialRecord) -> Difference | None:
    """What the manifest says of a trial beside its label (calibration, screening, hashes) against what it is."""
    found = first_unlike(stored.model_dump(mode="json"), again.model_dump(mode="json"))
    if found is None:
        return None
    path, was, now = found
    return Difference(stored.trial, f"manifest.json: {path}", -1, -1, was, now, "The record of the trial differs.")


def _text_difference(folder: FinishedFolder, name: str, again: str) -> Difference | None:
    """A file of results against what the trials of this replay give: a record key by key, a table line by line."""
    if name not in folder:
        return Difference(-1, name, -1, -1, "no such file", "a file", "The run left no such file.")
    hint = "The trials are the same to the last bit: the file was changed after the run, or this thenar words it anew."
    if name.endswith(".json"):
        found = first_unlike(folder.json(name), json.loads(again))
        return None if found is None else Difference(-1, f"{name}: {found[0]}", -1, -1, found[1], found[2], hint)
    then, now = folder.text(name).split("\n"), again.split("\n")
    for row in range(max(len(then), len(now))):
        was, is_now = (one[row] if row < len(one) else "no such line" for one in (then, now))
        if was != is_now:
            cells, cells_now = was.split(","), is_now.split(",")
            place = next((at for at, pair in enumerate(zip(cells, cells_now, strict=False)) if pair[0] != pair[1]), -1)
            if len(cells) == len(cells_now) and row and place < len(then[0].split(",")):
                column = then[0].split(",")[place]
                return Difference(-1, f"{name}: {column}", row - 1, -1, cells[place], cells_now[place], hint)
            return Difference(-1, name, row - 1, -1, shown(was), shown(is_now), hint)
    return None


def first_unlike(stored: object, again: object, path: str = "") -> tuple[str, str, str] | None:
    """The first place at which two JSON values differ, with both values as text; None when they are the same."""
    if isinstance(stored, dict) and isinstance(again, dict):
        for key in dict.fromkeys([*stored, *again]):
            below = f"{path}.{key}" if path else key
            if key not in stored or key not in again:
                return below, *("a value" if key in one else "no such key" for one in (stored, again))  # type: ignore[return-value]
            found = first_unlike(stored[key], again[key], below)
            if found is not None:
                return found
        return None
    if isinstance(stored, list) and isinstance(again, list) and len(stored) == len(again):
        pairs = enumerate(zip(stored, again, strict=True))
        each = (first_unlike(was, now, f"{path}[{number}]") for number, (was, now) in pairs)
        return next((found for found in each if found is not None), None)
    # 1 and 1.0 and True are not the same text.
    same = type(stored) is type(again) and stored == again
    return None if same else (path, shown(stored), shown(again))


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
