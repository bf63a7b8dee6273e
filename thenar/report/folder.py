"""Finished folders: how each is left, whole or not at all, and the one way in which any of them is read.

Everything is written into an unfinished folder beside the final one, each file first under a temporary
name, then flushed to the disk and renamed. Only when all is there does the folder get its final name. A run that
is killed leaves at most a folder whose name says `unfinished`.

A finished folder lists its files with their hashes in its seal: manifest.json of a run, files.json of all others. The
seal's own `sha256` is taken over all else in it. A folder may come from a stranger: `open_finished` follows no
link, opens nothing but regular files inside the folder, and verifies every listed file before anything of it is used.
A file that is not listed is left alone.
"""

from __future__ import annotations

import csv
import errno
import fnmatch
import hashlib
import io
import json
import math
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from types import TracebackType
from typing import Annotated, Any, BinaryIO, Final, NoReturn, Self, TypeVar

import pyarrow as pa
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from thenar.engine.result import TrialResult
from thenar.report.folder_lock import claimed, is_claimed
from thenar.report.tables import TABLES, TableWriter
from thenar.safety.deviation import Deviation
from thenar.shared.errors import InputError, Problem, Strict, shown, validated
from thenar.shared.text_input import csv_fault

UNFINISHED: Final = ".unfinished-"
TEMPORARY: Final = ".part"
MANIFEST: Final = "manifest.json"
FILES: Final = "files.json"
FORMAT: Final = 2
KINDS: Final = (
    "run", "sweep", "tune", "compare", "breakeven", "plan", "challenge", "sensitivity", "margins", "whatif",
)  # fmt: skip
"""The commands that leave a finished folder."""
_BEGUN: Final = {"ledger.sqlite": "sweep", "asked.json": "tune"}
"""What a folder holds, beside no seal, that such a command has begun and not finished."""

LARGEST_BYTES: Final = {".parquet": 16 << 30, ".jsonl": 1 << 30}
"""Of a table or log, by the end of its name; of any other file:"""
LARGEST_FILE_BYTES: Final = 256 << 20
MOST_FILES: Final = 20_000
LONGEST_NAME: Final = 1_000
DEEPEST: Final = 16
LONGEST_WORDS: Final = 200
LONGEST_US: Final = 1 << 53
"""A time beyond any trial, and still exact as a double."""

Content = TypeVar("Content")


class RunFolder:
    """Use as a context manager: leaving it normally gives the folder its final name.

    Leaving it through an exception (also KeyboardInterrupt) removes what was written. Raises InputError on entering
    when `final` already holds something, can't be made, or is being made by another process. `deviations`: limits
    looser than the default.
    """

    def __init__(self, final: Path, scenario_sha256: str, deviations: Sequence[Deviation] = ()) -> None:
        self.final = final
        self._sha256 = scenario_sha256
        self._deviations = deviations
        self._tables: dict[str, TableWriter] = {}

    def __enter__(self) -> Self:
        refuse_if_taken(self.final)
        with ExitStack() as held:
            try:
                self.final.parent.mkdir(parents=True, exist_ok=True)
                held.enter_context(claimed(self.final))
                refuse_if_taken(self.final)
                self.working = self.final.with_name(self.final.name + UNFINISHED + secrets.token_hex(4))
                self.working.mkdir()
            except OSError as error:
                raise InputError([_cannot_make(self.final, error)]) from None
            self._open_files()
            self._held = held.pop_all()
        return self

    def _open_files(self) -> None:
        try:
            for name, columns in TABLES.items():
                file = self._part(f"{name}.parquet")
                self._tables[name] = TableWriter(file, columns, self._sha256, self._deviations)
            self._events = self._part("events.jsonl").open("w", encoding="utf-8", newline="\n")
        except BaseException:
            shutil.rmtree(self.working, ignore_errors=True)
            raise

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._held:
            self._leave(broken=kind is not None)

    def _leave(self, *, broken: bool) -> None:
        if broken:
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
        self.write_text(name, json_text(record))

    def write_manifest(self, record: Mapping[str, object]) -> bytes:
        """Write the manifest, which lists every file that is there by now, and give its bytes. Call last of all."""
        self.write_json(MANIFEST, sealed({**record, "files": files_in(self.working)}))
        return (self.working / MANIFEST).read_bytes()

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
def name_held(final: Path | None) -> Iterator[None]:
    """Hold the name of a folder while what goes into it is computed. None: nothing is to be left, and nothing held.

    Raises InputError when it already holds something, can't be made, or is being made by another process.
    """
    if final is None:
        yield
        return
    refuse_if_taken(final)
    missing = [parent for parent in final.absolute().parents if not parent.exists()]
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError([_cannot_make(final, error)]) from None
    try:
        with claimed(final):
            refuse_if_taken(final)
            yield
    finally:
        for parent in missing:
            with suppress(OSError):  # something is in it
                parent.rmdir()


@contextmanager
def whole_folder(final: Path, kind: str) -> Iterator[Path]:
    """A folder to fill; sealed as `kind` it becomes `final`, and leaves nothing behind when filling it breaks off.

    Raises InputError when something else has taken the name meanwhile.
    """
    working = final.with_name(final.name + UNFINISHED + secrets.token_hex(4))
    try:
        working.mkdir(parents=True)
        yield working
        seal_folder(working, kind)
        refuse_if_taken(final)
        if final.is_dir():
            final.rmdir()
        working.rename(final)
    except BaseException:
        shutil.rmtree(working, ignore_errors=True)
        raise


def free_folder(parent: Path, name: str) -> Path:
    """The first of `name`-1, `name`-2, ... in `parent` that nothing uses yet, and no process is making."""
    number = 1
    while (parent / f"{name}-{number}").exists() or is_claimed(parent / f"{name}-{number}"):
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


def json_text(record: Mapping[str, object]) -> str:
    """A record as the text of a file of its own, two spaces deep, every non-finite number as null."""
    return json.dumps(plain(record), indent=2, allow_nan=False) + "\n"


def json_line(record: Mapping[str, object]) -> str:
    """One line of JSON; numbers read back exactly as they were."""
    return json.dumps(plain(record), allow_nan=False)


def read_events(log: Iterable[bytes], trials: set[int]) -> dict[int, list[dict[str, Any]]]:
    """The events of the trials asked for, by trial, in the order of the log. Raises ValueError on a damaged line."""
    found: dict[int, list[dict[str, Any]]] = {trial: [] for trial in trials}
    for number, line in enumerate(log, 1):
        try:
            event = _event(line)
        except ValueError:
            raise ValueError(f"line {number} is no event of a trial: {shown(line[:60])}") from None
        trial = event.pop("trial")
        if trial in found:
            found[trial].append(event)
    return found


def _event(line: bytes) -> dict[str, Any]:
    event = json_of(line)
    types = {"trial": int, "t_us": int, "kind": str}
    if not isinstance(event, dict) or any(type(event.get(key)) is not kind for key, kind in types.items()):
        raise ValueError("no event")
    if not 0 <= event["t_us"] <= LONGEST_US:
        raise ValueError("an event at no time of a trial")
    return event


def is_plain_name(name: str) -> bool:
    """Whether `name` is that of a file in a folder or in folders below it: no way out, nothing unprintable."""
    parts = name.split("/")
    return (
        all(part not in ("", ".", "..") for part in parts)
        and len(parts) <= DEEPEST
        and len(name) <= LONGEST_NAME
        and name.isprintable()
        and "\\" not in name
        and not PureWindowsPath(name).drive
    )


def _checked_name(name: str) -> str:
    if not is_plain_name(name):
        raise ValueError("the plain name of a file in the folder, without .. or a leading /")
    return name


PlainName = Annotated[str, AfterValidator(_checked_name)]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class StoredFile(Strict):
    """A file of a finished folder as its seal lists it: SHA-256 of its bytes, and how many they are."""

    sha256: Sha256
    size_bytes: Annotated[int, Field(ge=0)]


class _Seal(BaseModel):
    """What every seal says. A manifest says more."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True)

    files: Annotated[dict[PlainName, StoredFile], Field(max_length=MOST_FILES)]
    sha256: Sha256


class _Kind(Strict):
    """The whole of files.json but for what every seal says."""

    kind: str
    format: int
    files: dict[str, StoredFile]
    sha256: str


@dataclass(frozen=True)
class FinishedFolder:
    """A finished folder whose every listed file was verified. `record`: its seal; `kind`: the command that made it.

    `seal`: the bytes of the seal; `files`: what is listed, by name. Methods raise InputError for a name that is not
    listed, for a file that has been changed since it was verified, and for content that is not what it should be.
    """

    path: Path
    kind: str
    seal: bytes
    record: Mapping[str, Any]
    files: Mapping[str, StoredFile]
    _verified: Mapping[str, tuple[int, int, int]]

    @property
    def allowed(self) -> str:
        """What a file of this folder should be, in words."""
        return f"the file as `thenar {self.kind}` wrote it"

    def __contains__(self, name: str) -> bool:
        return name in self.files

    def names(self, pattern: str) -> list[str]:
        """The listed files of the folder itself (not of folders in it) whose names match, such as "*.png"."""
        return sorted(name for name in self.files if "/" not in name and fnmatch.fnmatchcase(name, pattern))

    def file(self, name: str) -> str:
        """What errors call a file."""
        return str(self.path / name)

    def open(self, name: str) -> io.BufferedReader:
        """A listed file, open for reading; the caller closes it."""
        if name not in self._verified:
            raise InputError([Problem(str(self.path), "", f"no {name} among its files", self.allowed)])
        handle = _opened(self.path, name, self.allowed)
        if _stamp(handle) != self._verified[name]:
            handle.close()
            raise InputError([Problem(self.file(name), "", "a file that changes while it is read", self.allowed)])
        return handle

    def content(self, name: str) -> bytes:
        """The bytes of a listed file."""
        with self.open(name) as handle:
            return handle.read()

    def text(self, name: str) -> str:
        """A listed file as UTF-8 text."""
        return self.understood(name, lambda log: log.read().decode("utf-8"))

    def json(self, name: str) -> dict[str, Any]:
        """The record in a listed JSON file, an object without NaN and doubled keys."""
        found = self.understood(name, lambda log: json_of(log.read()))
        if not isinstance(found, dict):
            raise InputError([Problem(self.file(name), "", f"a {type(found).__name__}, no object", self.allowed)])
        return found

    def rows(self, name: str) -> tuple[list[str], list[list[str]]]:
        """Headers and rows of a listed CSV table, each row as long as the headers."""

        def table(log: BinaryIO) -> tuple[list[str], list[list[str]]]:
            lines = csv.reader(io.StringIO(log.read().decode("utf-8"), newline=""))
            try:
                headers, *rows = list(lines) or [[]]
            except csv.Error as error:
                raise ValueError(f"line {lines.line_num}: {csv_fault(error)}") from None
            odd = next((number for number, row in enumerate(rows, 2) if len(row) != len(headers)), None)
            if odd is not None:
                raise ValueError(f"row {odd} has not as many cells as the header")
            return headers, rows

        return self.understood(name, table)

    def understood(self, name: str, read: Callable[[BinaryIO], Content]) -> Content:
        """What `read` makes of a listed file. What it stumbles over becomes an InputError that names the file."""
        with self.open(name) as handle, made_sense_of(self.file(name), self.allowed):
            return read(handle)


@contextmanager
def made_sense_of(file: str, allowed: str) -> Iterator[None]:
    """Turn what goes wrong over content of another shape than ours into an InputError that names the file.

    Whoever wrote the folder also wrote its hashes, so that a file may be verified and still hold anything at all.
    """
    try:
        yield
    except (OSError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError, RecursionError,
            pa.ArrowException) as error:  # fmt: skip
        reason = error.strerror if isinstance(error, OSError) and error.strerror else " ".join(str(error).split())
        plainly = isinstance(error, OSError | ValueError | pa.ArrowException) and reason
        found = reason if plainly else f"damaged ({type(error).__name__}: {reason})"
        raise InputError([Problem(file, "", shown_whole(found), allowed)]) from None


def shown_whole(words: str) -> str:
    """`words` on one line of bearable length, whatever is in them."""
    line = "".join(letter if letter.isprintable() else "?" for letter in words)
    return line if len(line) <= LONGEST_WORDS else f"{line[:LONGEST_WORDS]}..."


def open_finished(folder: Path | str, *kinds: str, anew: Collection[str] = ()) -> FinishedFolder:
    """A finished folder with every listed file verified. `kinds`: what it may be (nothing: any).

    `anew`: files that the caller writes anew and doesn't read, and which may be missing. Raises InputError with a line
    for every file that is missing, no regular file, too large, or other than it was written.
    """
    folder = Path(folder)
    wanted = kinds or KINDS
    allowed = "a finished folder of " + ", ".join(f"`thenar {kind}`" for kind in wanted)
    seal = _seal_in(folder, wanted, allowed)
    told = f"JSON as {'`thenar run`' if seal == MANIFEST else 'thenar'} wrote it"
    with _opened(folder, seal, told) as handle, made_sense_of(str(folder / seal), told):
        content = handle.read()
        record = json_of(content)
        digest = seal_hash(record) if isinstance(record, dict) else ""
    file = str(folder / seal)
    if isinstance(record, dict) and record.get("format") != FORMAT:
        found = f"format {shown(record.get('format'))}, of another thenar"
        raise InputError([Problem(file, "format", found, f"{FORMAT}: make the folder anew with this thenar")])
    listed = validated(_Seal, record, file)
    if digest != listed.sha256:
        raise InputError([Problem(file, "", "changed after it was written: its sha256 is of another text", told)])
    kind = "run" if seal == MANIFEST else validated(_Kind, record, file).kind
    if kind not in wanted:
        raise InputError([Problem(str(folder), "", f"a folder of `thenar {shown(kind)[1:-1]}`", allowed)])
    verified: dict[str, tuple[int, int, int]] = {}
    problems: list[Problem] = []
    for name, stored in listed.files.items():
        if name in anew:
            continue
        try:
            verified[name] = _verified(folder, name, stored, f"the file as `thenar {kind}` wrote it")
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return FinishedFolder(folder, kind, content, record, listed.files, verified)


def content_beside(folder: FinishedFolder, name: str, size_bytes: int, allowed: str) -> bytes:
    """The bytes of a file that no seal can list, of a known size. Raises InputError when it is anything else."""
    with _opened(folder.path, name, allowed) as handle:
        content = handle.read(size_bytes + 1)
    if len(content) != size_bytes:
        found = f"{'more' if len(content) > size_bytes else 'fewer'} than {size_bytes} bytes"
        raise InputError([Problem(folder.file(name), "", found, allowed)])
    return content


def _seal_in(folder: Path, wanted: Collection[str], allowed: str) -> str:
    """The name of the folder's seal. Raises InputError where there is none."""
    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        raise InputError([Problem(str(folder), "", found, allowed)])
    seals = [name for name in (MANIFEST, FILES) if os.path.lexists(folder / name)]
    if seals:
        return seals[0]
    begun = next((kind for name, kind in _BEGUN.items() if os.path.lexists(folder / name)), None)
    if begun is not None:
        found = f"what `thenar {begun}` has not finished: the same command goes on with it"
    else:
        found = f"no {MANIFEST if tuple(wanted) == ('run',) else FILES} in it"
    raise InputError([Problem(str(folder), "", found, allowed)])


def _verified(folder: Path, name: str, stored: StoredFile, allowed: str) -> tuple[int, int, int]:
    """The stamp of a file that is as it is listed. Raises InputError when it is not."""
    file = str(folder / name)
    with _opened(folder, name, allowed) as handle:
        stamp = _stamp(handle)
        if stamp[1] != stored.size_bytes:
            found = f"changed after it was written: {stamp[1]} bytes, not {stored.size_bytes}"
            raise InputError([Problem(file, "", found, allowed)])
        with made_sense_of(file, allowed):
            digest = hashlib.file_digest(handle, "sha256").hexdigest()
    if digest != stored.sha256:
        found = f"changed after it was written: SHA-256 {digest[:12]}..., not {stored.sha256[:12]}..."
        raise InputError([Problem(file, "", found, allowed)])
    return stamp


def _opened(folder: Path, name: str, allowed: str) -> io.BufferedReader:
    """A regular file of bearable size in `folder`, open for reading. Raises InputError for all else."""
    file = folder / name

    def refuse(found: str) -> NoReturn:
        raise InputError([Problem(str(file), "", found, allowed)])

    def look(info: os.stat_result) -> None:
        if not stat.S_ISREG(info.st_mode):
            refuse(_kind_of_file(info.st_mode))
        most = LARGEST_BYTES.get(file.suffix, LARGEST_FILE_BYTES)
        if info.st_size > most:
            refuse(f"{info.st_size} bytes, more than the {most} that are read")

    try:
        for parent in list(Path(name).parents)[-2::-1]:
            mode = (folder / parent).lstat().st_mode
            if not stat.S_ISDIR(mode):
                refuse(f"{_kind_of_file(mode)} in place of the folder {parent}")
        look(file.lstat())
        # Between the look and the opening the name may get another meaning: no link is followed, nothing is waited for.
        flags = sum(getattr(os, flag, 0) for flag in ("O_NOFOLLOW", "O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
        handle = os.fdopen(os.open(file, os.O_RDONLY | flags), "rb")
        try:
            look(os.fstat(handle.fileno()))
        except BaseException:
            handle.close()
            raise
    except OSError as error:
        refuse("a link" if error.errno == errno.ELOOP else error.strerror or str(error))
    return handle


def _kind_of_file(mode: int) -> str:
    kinds = {
        stat.S_IFLNK: "a link", stat.S_IFDIR: "a folder", stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device", stat.S_IFBLK: "a device", stat.S_IFREG: "a file",
    }  # fmt: skip
    return kinds.get(stat.S_IFMT(mode), "no file")


def _stamp(handle: BinaryIO) -> tuple[int, int, int]:
    info = os.fstat(handle.fileno())
    return info.st_ino, info.st_size, info.st_mtime_ns


def json_of(content: bytes) -> Any:
    """JSON as thenar writes it: UTF-8, no key twice in an object, no NaN or infinity, no half of a letter.

    Raises ValueError (also for nesting too deep).
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise ValueError("a key twice in one object")
        return found

    def finite(digits: str) -> float:
        number = float(digits)
        if not math.isfinite(number):
            raise ValueError(f"{digits[:20]} is no number that JSON holds")
        return number

    try:
        text = content.decode("utf-8")
        found = json.loads(text, object_pairs_hook=once, parse_float=finite, parse_constant=finite)
        if "\\u" in text:
            json.dumps(found, ensure_ascii=False).encode("utf-8")  # half of a pair of code units can't be printed
    except RecursionError:
        raise ValueError("nested too deep") from None
    return found


def seal_hash(record: Mapping[str, Any]) -> str:
    """SHA-256 over a seal without its own `sha256`: keys in order, no space between, UTF-8. Raises ValueError."""
    rest = {key: value for key, value in record.items() if key != "sha256"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def sealed(record: Mapping[str, object]) -> dict[str, Any]:
    """A seal as it is written: `record` as JSON holds it, closed by its own hash."""
    rest: dict[str, Any] = plain({key: value for key, value in record.items() if key != "sha256"})
    return rest | {"sha256": seal_hash(rest)}


def names_in(folder: Path) -> set[str]:
    """The names of all files in a folder of our own and in those below it, but for its seal."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - {MANIFEST, FILES}


def files_in(folder: Path, names: Iterable[str] | None = None) -> dict[str, dict[str, object]]:
    """Files of a folder of our own as its seal lists them. `names`: which; None: all that are there but seals."""
    found: dict[str, dict[str, object]] = {}
    for name in sorted(names_in(folder) if names is None else names):
        with (folder / name).open("rb") as handle:
            digest = hashlib.file_digest(handle, "sha256").hexdigest()
            found[name] = {"sha256": digest, "size_bytes": handle.tell()}
    return found


def seal_folder(folder: Path, kind: str, names: Iterable[str] | None = None) -> None:
    """Write files.json of a folder of our own, whole or not at all: with it the folder is finished.

    `kind`: of KINDS; `names`: the files that the command left; None: all that are there.
    """
    record = sealed({"format": FORMAT, "kind": kind, "files": files_in(folder, names)})
    part = folder / (FILES + TEMPORARY)
    with part.open("w", encoding="utf-8", newline="\n") as handle:
        handle.write(json.dumps(record, indent=2, ensure_ascii=False) + "\n")
        handle.flush()
        os.fsync(handle.fileno())
    part.replace(folder / FILES)


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
