"""The ledger of a sweep: one SQLite file that takes each trial as it ends, and from which a killed sweep goes on.

One writer, a write-ahead log, a commit per trial. A process killed at any instant loses nothing that was committed.
With `synchronous=NORMAL` a power cut may take back the trials since the log was last folded into the file (about a
thousand pages); the ledger stays whole and those trials are run again. SQLite's write-ahead log does not work on a
network file system: keep the folder on a local disk.

NaN is NULL (SQLite knows no NaN); every other number reads back with the same bits. Each trial carries a hash over
all that is stored of it, so that a ledger damaged on its disk is noticed where SQLite itself notices nothing.
"""

from __future__ import annotations

import errno
import hashlib
import json
import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Self

from thenar.engine.result import TrialLabel
from thenar.report.metrics import METRICS, TargetRow
from thenar.shared.errors import InputError, Problem, shown
from thenar.study.sweep_plan import UNASSISTED, PlannedSetting
from thenar.study.tasks import Outcome

LEDGER: Final = "ledger.sqlite"
_MEASURES: Final = ", ".join(f'"{metric.name}"' for metric in METRICS)
_TABLES: Final = f"""
CREATE TABLE identity (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE settings (setting INTEGER PRIMARY KEY, "group" INTEGER NOT NULL, "values" TEXT NOT NULL,
  scenario_sha256 TEXT NOT NULL, limits TEXT NOT NULL, limit_deviations TEXT NOT NULL, trials INTEGER NOT NULL);
CREATE TABLE trials (setting INTEGER, trial INTEGER, wearer INTEGER NOT NULL, wearer_name TEXT NOT NULL,
  condition TEXT NOT NULL, repeat INTEGER NOT NULL, sha256 TEXT NOT NULL, PRIMARY KEY (setting, trial)) WITHOUT ROWID;
CREATE TABLE measures (setting INTEGER, trial INTEGER, place INTEGER, target TEXT NOT NULL, target_N REAL,
  time_s REAL NOT NULL, holds INTEGER NOT NULL, settled_holds INTEGER NOT NULL,
  {_MEASURES.replace('", ', '" REAL, ')} REAL, interventions TEXT NOT NULL,
  PRIMARY KEY (setting, trial, place)) WITHOUT ROWID;
"""
_TRIALS: Final = f"""
SELECT setting, trial, wearer, wearer_name, condition, repeat, sha256 FROM trials
WHERE setting = ? OR (setting = ? AND condition = '{UNASSISTED}') ORDER BY trial
"""  # noqa: S608 - names of our own
_ROWS: Final = f"""
SELECT target, target_N, time_s, holds, settled_holds, {_MEASURES}, interventions FROM measures
WHERE setting = ? AND trial = ? ORDER BY place
"""  # noqa: S608 - names of our own


class Ledger:
    """An open ledger. Use as a context manager; leaving it folds the log into the file and closes it.

    `file`: made when it isn't there. Raises InputError when it is something else or damaged, OSError when the disk
    refuses.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        with self._told():
            self._base = sqlite3.connect(file, timeout=10.0, isolation_level=None)
            self._base.text_factory = lambda text: text.decode("utf-8", "replace")  # damaged text is no fault of SQLite
            try:
                self._base.execute("PRAGMA journal_mode=WAL")
                self._base.execute("PRAGMA synchronous=NORMAL")
            except BaseException:
                self._base.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            with self._told():
                if self._base.in_transaction:  # Ctrl-C came between its first word and the guard around the rest
                    self._base.rollback()
                self._base.execute("PRAGMA synchronous=FULL")
                self._base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            self._base.close()

    def settle(self, identity: Mapping[str, str], settings: Sequence[PlannedSetting]) -> None:
        """Write what this sweep is into a new ledger, or hold an old one to it. Raises InputError where they differ."""
        with self._told(), self._at_once():
            known = self._base.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            if not known:
                for statement in _TABLES.split(";"):
                    self._base.execute(statement)
                self._base.executemany("INSERT INTO identity VALUES (?, ?)", identity.items())
                self._base.executemany("INSERT INTO settings VALUES (?, ?, ?, ?, ?, ?, ?)", map(_stored, settings))
                return
            then = dict(self._base.execute("SELECT name, value FROM identity").fetchall())
            stored = self._base.execute("SELECT * FROM settings ORDER BY setting").fetchall()
        problems = [
            Problem(
                str(self._file), name, f"{then.get(name, 'nothing')} then, {identity.get(name, 'nothing')} now", _SAME
            )
            for name in sorted(then.keys() | identity.keys(), key=str)
            if then.get(name) != identity.get(name)
        ]
        if not problems and stored != [_stored(setting) for setting in settings]:
            problems = [Problem(str(self._file), "settings", "other settings, or other limits in them", _SAME)]
        if problems:
            raise InputError(problems)

    def add(self, outcome: Outcome) -> None:
        """Take in one trial, whole or not at all."""
        label = outcome.label
        with self._told(), self._at_once():
            key = (outcome.setting, label.index)
            named = (label.wearer, label.wearer_name, label.condition, label.repeat)
            rows = [_numbers(row) for row in outcome.rows]
            told = (*key, *named, _row_hash((*key, *named), rows))
            self._base.execute("INSERT INTO trials VALUES (?, ?, ?, ?, ?, ?, ?)", told)
            self._base.executemany(
                f"INSERT INTO measures VALUES ({', '.join('?' * (9 + len(METRICS)))})",  # noqa: S608 - marks only
                [(*key, place, *row) for place, row in enumerate(rows)],
            )

    def done(self, settings: Sequence[PlannedSetting]) -> dict[int, bytearray]:
        """By setting, 1 at the number of each trial that is in the ledger."""
        found = {setting.number: bytearray(setting.trials) for setting in settings}
        with self._told():
            for setting, trial in self._base.execute("SELECT setting, trial FROM trials"):
                if setting not in found or type(trial) is not int or not 0 <= trial < len(found[setting]):
                    raise self._damaged(setting, trial)
                found[setting][trial] = 1
        return found

    def rows(self, setting: PlannedSetting) -> Iterator[tuple[int, TargetRow]]:
        """The rows of a setting by trial and target, with the setting that they were run in.

        Unassisted ones come from the first setting of its group. All of them must be there. Raises InputError where a
        trial is missing or isn't as it was added.
        """
        with self._told():
            stored = self._base.execute(_TRIALS, (setting.number, setting.group)).fetchall()
            if [trial for _, trial, *_ in stored] != list(range(setting.trials)):
                found, allowed = f"not every trial of setting {setting.number}", f"{_WHOLE}: choose another --out"
                raise InputError([Problem(str(self._file), "", found, allowed)])
            for run_in, trial, *named, sha256 in stored:
                rows = self._base.execute(_ROWS, (run_in, trial)).fetchall()
                if _row_hash((run_in, trial, *named), rows) != sha256:
                    raise self._damaged(run_in, trial)
                for target, target_N, time_s, holds, settled, *values, interventions in rows:
                    yield (
                        run_in,
                        TargetRow(
                            TrialLabel(trial, *named),
                            target,
                            _number(target_N),
                            time_s,
                            holds,
                            settled,
                            tuple(_number(value) for value in values),
                            json.loads(interventions),
                        ),
                    )

    def _damaged(self, setting: object, trial: object) -> InputError:
        found = f"rows of setting {shown(setting)}, trial {shown(trial)} that were changed after they were added"
        return InputError([Problem(str(self._file), "", found, f"{_WHOLE}: choose another --out")])

    @contextmanager
    def _at_once(self) -> Iterator[None]:
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._base.rollback()
            raise
        self._base.execute("COMMIT")

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Say a fault of SQLite as others say theirs: a disk that refuses, or a file that is no ledger."""
        try:
            yield
        except sqlite3.OperationalError as error:
            if "no such table" in str(error) or "no such column" in str(error):
                raise InputError([Problem(str(self._file), "", str(error), _WHOLE)]) from None
            raise OSError(errno.EIO, str(error), str(self._file)) from None
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            raise InputError([Problem(str(self._file), "", str(error), _WHOLE)]) from None


_WHOLE: Final = "the ledger as `thenar sweep` wrote it"
_SAME: Final = "the same sweep: go on with the same command and the same thenar, or choose another --out"


def _stored(setting: PlannedSetting) -> tuple[object, ...]:
    values = json.dumps(dict(setting.values))
    return (
        setting.number,
        setting.group,
        values,
        setting.sha256,
        setting.limits,
        setting.deviations,
        setting.trials,
    )


def _numbers(row: TargetRow) -> tuple[object, ...]:
    # As a column of REAL gives it back: a float, and no negative zero.
    values = [None if math.isnan(value) else float(value) + 0.0 for value in (row.target_N, row.time_s, *row.values)]
    counts = json.dumps(row.interventions, sort_keys=True)
    return (row.target, values[0], values[1], row.holds, row.settled_holds, *values[2:], counts)


def _row_hash(label: tuple[object, ...], rows: Sequence[tuple[object, ...]]) -> str:
    """SHA-256 of all that the ledger holds of a trial: its label, then its rows in order, floats to the last bit."""
    # A byte that was changed may turn a number into bytes, which JSON doesn't hold.
    text = json.dumps([label, *rows], ensure_ascii=False, default=repr)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _number(value: float | None) -> float:
    return math.nan if value is None else value
