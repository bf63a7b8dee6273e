"""The folder that a run leaves behind, whole or not at all.

Everything is written into an unfinished folder beside the final one, each file first under a temporary
name, then flushed to the disk and renamed. Only when all is there does the folder get its final name. A run that
is killed leaves at most a folder whose name says `unfinished`.
"""

from __future__ import annotations

import json
import math
import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from thenar.engine.result import TrialResult
from thenar.report.tables import TABLES, TableWriter
from thenar.safety.deviation import Deviation
from thenar.shared.errors import InputError, Problem

UNFINISHED: Final = ".unfinished-"
TEMPORARY: Final = ".part"


class RunFolder:
    """Use as a context manager: leaving it normally gives the folder its final name.

    Leaving it through an exception (also KeyboardInterrupt) removes what was written. Raises InputError
    when `final` already holds something or can't be made. `deviations`: limits looser than the default.
    """

    def __init__(self, final: Path, scenario_sha256: str, deviations: Sequence[Deviation] = ()) -> None:
        self.final = final
        self._sha256 = scenario_sha256
        self._deviations = deviations
        self._tables: dict[str, TableWriter] = {}

    def __enter__(self) -> Self:
        refuse_if_taken(self.final)
        try:
            self.final.parent.mkdir(parents=True, exist_ok=True)
            self.working = self.final.with_name(self.final.name + UNFINISHED + secrets.token_hex(4))
            self.working.mkdir()
        except OSError as error:
            raise InputError([_cannot_make(self.final, error)]) from None
        try:
            for name, columns in TABLES.items():
                file = self._part(f"{name}.parquet")
                self._tables[name] = TableWriter(file, columns, self._sha256, self._deviations)
            self._events = self._part("events.jsonl").open("w", encoding="utf-8", newline="\n")
        except BaseException:
            shutil.rmtree(self.working, ignore_errors=True)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            for table in self._tables.values():
                table.abandon()
            with suppress(OSError):
                self._events.close()
            shutil.rmtree(self.working, ignore_errors=True)
            return
        try:
            for folder in (self.working, *(path for path in self.working.iterdir() if path.is_dir())):
                _sync_folder(folder)
            refuse_if_taken(self.final)
            if self.final.is_dir():
                self.final.rmdir()
            self.working.rename(self.final)
            _sync_folder(self.final.parent)
        except BaseException:
            shutil.rmtree(self.working, ignore_errors=True)
            raise

    def add(self, result: TrialResult) -> None:
        """Write one finished trial's rows and events. Call in trial order."""
        trial = result.label.index
        self._tables["trace"].add(trial, result.trace)
        self._tables["pulses"].add(trial, result.pulses)
        self._tables["decisions"].add(trial, result.decisions)
        for event in result.events:
            self._events.write(json_line({"trial": trial} | event) + "\n")

    def close_tables(self) -> None:
        """Finish the tables and the event log under their final names. Call once, after the last `add`."""
        for name, table in self._tables.items():
            table.close()
            self._settle(f"{name}.parquet")
        self._events.flush()
        os.fsync(self._events.fileno())
        self._events.close()
        self._settle("events.jsonl")

    def write_text(self, name: str, text: str) -> None:
        """Write a UTF-8 file whole."""
        self.write(name, lambda part: part.write_text(text, encoding="utf-8", newline="\n"))

    def write_json(self, name: str, record: Mapping[str, object]) -> None:
        """Write a JSON file whole, two spaces deep, every non-finite number as null."""
        self.write_text(name, json.dumps(plain(record), indent=2, allow_nan=False) + "\n")

    def copy_in(self, name: str, content: bytes) -> None:
        """Keep the bytes of an input file under `name` (which may hold folders)."""
        (self.working / name).parent.mkdir(parents=True, exist_ok=True)
        self.write(name, lambda part: part.write_bytes(content))

    def write(self, name: str, make: Callable[[Path], object]) -> None:
        """Let `make` write the file it is given, then flush it to the disk and rename it to `name`."""
        make(self._part(name))
        with self._part(name).open("rb+") as handle:
            os.fsync(handle.fileno())
        self._settle(name)

    def _part(self, name: str) -> Path:
        return self.working / (name + TEMPORARY)

    def _settle(self, name: str) -> None:
        self._part(name).replace(self.working / name)


def refuse_if_taken(final: Path) -> None:
    """Raise InputError when `final` is a file or a folder with something in it."""
    if final.is_dir() and not any(final.iterdir()):
        return
    if final.exists() or final.is_symlink():
        found = "a folder that already holds files" if final.is_dir() else "something that is not an empty folder"
        raise InputError(
            [Problem(str(final), "--out", found, "a new folder: choose another --out, or delete this one yourself")]
        )


@contextmanager
def whole_folder(final: Path) -> Iterator[Path]:
    """A folder to fill; it becomes `final` once that is done, and leaves nothing behind when filling it breaks off.

    Raises InputError when something else has taken the name meanwhile.
    """
    working = final.with_name(final.name + UNFINISHED + secrets.token_hex(4))
    try:
        working.mkdir(parents=True)
        yield working
        refuse_if_taken(final)
        if final.is_dir():
            final.rmdir()
        working.rename(final)
    except BaseException:
        shutil.rmtree(working, ignore_errors=True)
        raise


def free_folder(parent: Path, name: str) -> Path:
    """The first of `name`-1, `name`-2, ... in `parent` that nothing uses yet."""
    number = 1
    while (parent / f"{name}-{number}").exists():
        number += 1
    return parent / f"{name}-{number}"


def unfinished_beside(final: Path) -> list[Path]:
    """Folders that runs to `final` left behind when they were killed (or that a run is filling right now)."""
    if not final.parent.is_dir():
        return []
    return sorted(path for path in final.parent.iterdir() if path.name.startswith(final.name + UNFINISHED))


def plain(value: object) -> Any:
    """`value` as JSON can hold it: numbers of arrays as Python numbers, non-finite ones as None, tuples as lists."""
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool):
        return value
    if isinstance(value, Iterable):
        return [plain(entry) for entry in value]
    number = value.item() if hasattr(value, "item") else value
    return None if isinstance(number, float) and not math.isfinite(number) else number


def json_line(record: Mapping[str, object]) -> str:
    """One line of JSON; numbers read back exactly as they were."""
    return json.dumps(plain(record), allow_nan=False)


def read_events(file: Path, trials: set[int]) -> dict[int, list[dict[str, Any]]]:
    """The events of the trials asked for, by trial, in the order of the log. Raises ValueError on a damaged line."""
    found: dict[int, list[dict[str, Any]]] = {trial: [] for trial in trials}
    with file.open(encoding="utf-8") as lines:
        for number, line in enumerate(lines, 1):
            try:
                event = json.loads(line)
                trial = event.pop("trial")
            except (ValueError, AttributeError, KeyError, TypeError):
                raise ValueError(f"line {number} is no event of a trial: {line.strip()[:80]!r}") from None
            if trial in found:
                found[trial].append(event)
    return found


def _cannot_make(final: Path, error: OSError) -> Problem:
    return Problem(str(final), "--out", error.strerror or str(error), "a folder that can be made and written")


def _sync_folder(folder: Path) -> None:
    """Put the folder's entries on the disk, where the system lets a folder be opened."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
