"""A search over ranges of values, by asking and telling: batches of fixed size, told in order, kept in a journal.

What a batch tries must follow from the seed, the batch's number and the finished batches before it, and from nothing
else: then a search that was killed and started again ends like one that never was, whatever the number of workers.
- The sampler is made anew for every batch, seeded by (seed, batch), so that none of its memory outlives a batch.
- All tries of a batch are asked before the first is evaluated, and told in the order of their numbers.
- The journal is marked after each finished batch. What lies behind the last mark when a search starts (tries
  that were asked and not told, a torn line, a sampler's notes) is cut off, and that batch is asked again.
"""

from __future__ import annotations

import hashlib
import json
import os
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from thenar.report.folder import json_of, made_sense_of, seal_hash, sealed
from thenar.report.folder_lock import sole_user
from thenar.shared.errors import InputError, Problem
from thenar.study.ranges import Range

if TYPE_CHECKING:
    import optuna

JOURNAL: Final = "journal.log"
MARK: Final = "journal-mark.json"
STUDY: Final = "search"
SAMPLERS: Final = ("tpe", "nsga2", "quasi-random", "random")


class Outcome(NamedTuple):
    """What a try came to.

    `objectives`: one number each, in the order of the plan's; `excess`: how far each constraint is overstepped, by
    name (at most 0: met); `figures`: numbers to keep beside; `refused`: why there are none of these, "" when there are.
    """

    objectives: tuple[float, ...] = ()
    excess: Mapping[str, float] = {}
    figures: Mapping[str, float] = {}
    refused: str = ""

    @property
    def meets(self) -> bool:
        """Whether there is a result and every constraint is met."""
        return not self.refused and all(over <= 0 for over in self.excess.values())


class Tried(NamedTuple):
    """One finished try: its number (from 0), its batch (from 0), the value of each key, and what it came to."""

    number: int
    batch: int
    values: Mapping[str, float]
    outcome: Outcome


class Plan(NamedTuple):
    """What to search. `larger_better`: one per objective. `first`: values of the first try, empty for none of its own.

    `tries`: how many in all, `batch`: how many are asked together, `seed`: a whole number at least 0.
    """

    ranges: tuple[Range, ...]
    larger_better: tuple[bool, ...]
    sampler: str
    seed: int
    batch: int
    tries: int
    first: Mapping[str, float]


Evaluate = Callable[[Sequence[Mapping[str, float]]], Sequence[Outcome]]
"""Takes the values of the tries of one batch, gives what each came to, in the same order."""


def searched(plan: Plan, folder: Path, evaluate: Evaluate) -> Iterator[list[Tried]]:
    """Go through with a search in `folder` (which is there), batch by batch; finished batches come first, unevaluated.

    The tries are the same whether the search ran through or was killed and called again. Raises InputError when the
    journal isn't one of this search or another process is at work on it, ValueError on a sampler of another name.
    """
    import optuna

    optuna.logging.set_verbosity(optuna.logging.ERROR)
    with sole_user(folder):
        study, done = _opened(plan, folder)
        yield from _in_batches([_read_back(trial, plan) for trial in study.get_trials(deepcopy=False)[:done]])
        for batch in range(-(-done // plan.batch), -(-plan.tries // plan.batch)):
            tries = _batch(study, plan, batch, evaluate)
            _mark(folder, tries[-1].number + 1)
            yield tries


def _batch(study: optuna.Study, plan: Plan, batch: int, evaluate: Evaluate) -> list[Tried]:
    from optuna.trial import TrialState

    from thenar.study.samplers import distribution_of, sampler_for

    size = min(plan.batch, plan.tries - batch * plan.batch)
    distributions = {one.key: distribution_of(one) for one in plan.ranges}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # experimental features of the library, chosen knowingly and pinned
        study.sampler = sampler_for(plan.sampler, plan.ranges, plan.seed, batch, plan.batch)
        asked = [study.ask(distributions) for _ in range(size)]
        values = [{one.key: one.plain(trial.params[one.key]) for one in plan.ranges} for trial in asked]
        outcomes = evaluate(values)
        for trial, outcome in zip(asked, outcomes, strict=True):
            kept = {"figures": dict(outcome.figures), "excess": dict(outcome.excess), "refused": outcome.refused}
            trial.set_user_attr("outcome", kept)
            if outcome.refused:
                study.tell(trial, state=TrialState.FAIL)
                continue
            for name, over in outcome.excess.items():
                trial.set_constraint(name, over)
            study.tell(trial, list(outcome.objectives))
    return [
        Tried(trial.number, batch, chosen, outcome)
        for trial, chosen, outcome in zip(asked, values, outcomes, strict=True)
    ]


def _opened(plan: Plan, folder: Path) -> tuple[optuna.Study, int]:
    """The study in the journal, cut back to the last mark, and how many of its tries are finished."""
    import optuna
    from optuna.storages import JournalStorage
    from optuna.storages.journal import JournalFileBackend, JournalFileOpenLock
    from optuna.study import StudyDirection as Direction

    class Unlocked(JournalFileOpenLock):
        """No lock: this process has the folder for itself, and a lock file would outlive a kill."""

        def acquire(self) -> bool:
            return True

        def release(self) -> None:
            pass

    journal = folder / JOURNAL
    done = _cut_back(folder, journal)
    directions = [Direction.MAXIMIZE if larger else Direction.MINIMIZE for larger in plan.larger_better]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        storage = JournalStorage(JournalFileBackend(str(journal), lock_obj=Unlocked(str(journal))))
        if done:
            study = optuna.load_study(study_name=STUDY, storage=storage)
            _check_journal(study, plan, done, journal)
            return study, done
        study = optuna.create_study(study_name=STUDY, storage=storage, directions=directions)
        if plan.first:
            study.enqueue_trial(dict(plan.first))
    return study, 0


def _cut_back(folder: Path, journal: Path) -> int:
    """Cut off what follows the last mark; without a mark the journal goes as a whole. Gives the finished tries."""
    mark = folder / MARK
    if not mark.exists():
        journal.unlink(missing_ok=True)
        return 0
    with made_sense_of(str(mark), _WHOLE):
        found = json_of(mark.read_bytes())
        size, done, told = int(found["journal_bytes"]), int(found["tries"]), str(found["journal_sha256"])
        own = seal_hash(found)
    if own != found.get("sha256"):
        raise InputError([Problem(str(mark), "", "a damaged mark: its sha256 is of another text", _WHOLE)])
    with made_sense_of(str(journal), _WHOLE):
        digest = _hash_of(journal, size)
    if digest != told:
        raise InputError([Problem(str(journal), "", "a damaged journal: other than it was marked", _WHOLE)])
    os.truncate(journal, size)
    return done


def _hash_of(journal: Path, size: int) -> str:
    """SHA-256 of the first `size` bytes of the journal."""
    with journal.open("rb") as handle:
        return hashlib.sha256(handle.read(size)).hexdigest()


def _check_journal(study: optuna.Study, plan: Plan, done: int, journal: Path) -> None:
    """Raises InputError unless the journal holds exactly the finished tries of this plan."""
    trials = study.get_trials(deepcopy=False)
    keys = {one.key for one in plan.ranges}
    finished = all(trial.state.is_finished() and set(trial.params) == keys for trial in trials)
    if len(trials) != done or done > plan.tries or not finished:
        raise InputError([Problem(str(journal), "", "tries of another search, or not all of them", _WHOLE)])


_WHOLE: Final = "the journal that this search left behind: choose another --out, or delete this folder yourself"


def _mark(folder: Path, tries: int) -> None:
    """Say on the disk that the journal is good as far as it goes now; whole or not at all."""
    part = folder / (MARK + ".part")
    size = (folder / JOURNAL).stat().st_size
    told = sealed({"tries": tries, "journal_bytes": size, "journal_sha256": _hash_of(folder / JOURNAL, size)})
    with part.open("w", encoding="utf-8") as handle:
        json.dump(told, handle)
        handle.flush()
        os.fsync(handle.fileno())
    part.replace(folder / MARK)


def _read_back(trial: optuna.trial.FrozenTrial, plan: Plan) -> Tried:
    kept = trial.user_attrs["outcome"]
    objectives = () if kept["refused"] else tuple(trial.values)
    outcome = Outcome(objectives, kept["excess"], kept["figures"], kept["refused"])
    values = {one.key: one.plain(trial.params[one.key]) for one in plan.ranges}
    return Tried(trial.number, trial.number // plan.batch, values, outcome)


def _in_batches(tries: Sequence[Tried]) -> Iterator[list[Tried]]:
    for batch in sorted({one.batch for one in tries}):
        yield [one for one in tries if one.batch == batch]
