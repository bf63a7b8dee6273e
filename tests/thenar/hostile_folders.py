"""Run folders that a stranger might send: drawn malformations, and a child process that opens them under watch."""

from __future__ import annotations

import copy
import hashlib
import json
import os
import random
import shutil
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import thenar.safety.profile
from tests.folders import resealed
from tests.thenar.small_runs import write_scenario
from tests.thenar.small_sweeps import SHORT
from thenar import load_scenario, run_scenario
from thenar.report.folder import MANIFEST, sealed

Draw = random.Random
Make = Callable[[Path, Path, Draw], None]

RAN: Final = "the-law-ran"
MAY_BE_ANYTHING: Final = ("values", "signed_by", "based_on", "command", "libraries", "text")
"""Keys below which a value of another type isn't always an error of the manifest."""


class Opened(NamedTuple):
    """What a command did with a folder: its exit code, its words, and what it touched in the canary's tree."""

    code: int
    out: str
    err: str
    touched: list[str]


def run_with_law(base: Path, canary: Path) -> Path:
    """A finished run with a law, a recording and a limit profile that its scenario names, one with `..` in it.

    The law leaves a mark in `canary` when it is loaded; that of the run itself is taken away.
    """
    study = base / "study"
    (study / "sub").mkdir(parents=True)
    (base / "nudge.py").write_text(law_source(canary), "utf-8")
    (study / "sub" / "own hand.csv").write_text("t_s,force_N\n0,1.5\n1,4.25\n3,3.125\n", "utf-8")
    shipped = Path(thenar.safety.profile.__file__).parent / "profiles" / "forearm-25cm2.toml"
    named = shipped.read_text("utf-8").replace('name = "forearm-25cm2"', 'name = "lab"\nbased_on = "forearm-25cm2"')
    (study / "lab.toml").write_text(named, "utf-8")
    text = SHORT.replace('name = "proportional"', 'file = "../nudge.py"\nclass = "Nudge"')
    text = text.replace('"forearm-25cm2"', '"lab.toml"')
    text = text.replace('name = "first engraver"', 'name = "first engraver"\nrecording = "sub/own hand.csv"')
    run_scenario(load_scenario(write_scenario(study, text)), base / "run", jobs=1, command=["thenar", "run"])
    (canary / RAN).unlink(missing_ok=True)
    return base / "run"


def law_source(canary: Path) -> str:
    """A law that leaves a mark outside when it is loaded by a process that may write."""
    return f"""\
try:
    open({str(canary / RAN)!r}, "w").close()
except OSError:  # in a process of its own it may write nowhere
    pass

from thenar import Demand, Stimulus

REST = Stimulus(0.0, 0.0, 0.0)


class Nudge:
    def __init__(self, settings, calibration):
        pass

    def decide(self, observation):
        return Demand(REST, REST)
"""


def opened_under_watch(calls: list[list[str]], canary: Path, base: Path) -> list[Opened]:
    """Call thenar with each list of arguments in one child process whose every open is watched.

    `canary`: a tree that nothing may touch. `base`: the child's working folder.
    """
    todo, done = base / "calls.json", base / "done.json"
    todo.write_text(json.dumps({"calls": calls, "canary": str(canary)}), "utf-8")
    child = [sys.executable, "-m", "tests.thenar.watched_opening", str(todo), str(done)]
    root = Path(__file__).resolve().parents[2]
    found = subprocess.run(child, cwd=base, env={**os.environ, "PYTHONPATH": str(root)}, timeout=3600, check=False)
    assert found.returncode == 0
    return [Opened(**one) for one in json.loads(done.read_text("utf-8"))]


def malformed(number: int, seed: int, run: Path, to: Path, canary: Path) -> str:
    """A copy of the finished `run` at `to`, malformed in the way that `number` says, details drawn. Gives the way."""
    draw = random.Random(f"{seed}/{number}")
    name, make = WAYS[number % len(WAYS)]
    shutil.copytree(run, to)
    make(to, canary, draw)
    return name


def _manifest(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / MANIFEST).read_text("utf-8"))
    return found


def _write(folder: Path, record: object) -> None:
    text = json.dumps(sealed(record) if isinstance(record, dict) else record)
    (folder / MANIFEST).write_text(text, "utf-8")


def _bad_name(canary: Path, draw: Draw) -> str:
    outside = str(canary / "secret.csv")
    climbing = "../" * draw.randint(1, 9) + outside.lstrip("/")
    return draw.choice([
        outside, climbing, f"inputs/../../{canary.name}/secret.csv", "", ".", "..", "inputs//x", "./trace.parquet",
        "trace.parquet/", "a\\b", "C:\\x", "C:x", "a\x00b", "a\nb", "x" * 2_000, "a/" * 40 + "b", "//server/x",
    ])  # fmt: skip


def _input_name(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    bad = [
        str(canary / "secret.csv"),
        "C:\\x",
        "C:x",
        "a\\b",
        "a\nb",
        "a\x00b",
        "",
        "..",
        "../..",
        "a/..",
        ".",
        "//x/y",
    ]
    draw.choice(record["inputs"])["name"] = draw.choice(bad)
    _write(folder, record)


def _stored_name(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    draw.choice(record["inputs"])["stored"] = draw.choice([_bad_name(canary, draw), "events.jsonl", "not-there"])
    _write(folder, record)


def _listed_name(folder: Path, canary: Path, draw: Draw) -> None:
    """A name that leads out, with the right hash of what lies there where something does."""
    record = _manifest(folder)
    files = record["files"]
    entry = {"sha256": draw.choice(list(files.values()))["sha256"], "size_bytes": 3}
    if draw.random() < 0.5:
        entry = files.pop(draw.choice(list(files)))
    files[_bad_name(canary, draw)] = entry
    _write(folder, record)


def _input_unlisted(folder: Path, canary: Path, draw: Draw) -> None:
    """The scenario names a file that the folder doesn't bring and that lies on this machine."""
    record = _manifest(folder)
    gone = record["inputs"].pop(draw.randrange(len(record["inputs"])))
    outside = os.path.relpath(canary / "secret.csv", folder)
    text = record["scenario"]["text"].replace(gone["name"], draw.choice([outside, str(canary / "secret.csv")]))
    record["scenario"] |= {"text": text, "sha256": _sha256(text.encode())}
    _write(folder, record)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _any_file(folder: Path, draw: Draw) -> Path:
    return folder / draw.choice([*_manifest(folder)["files"], MANIFEST])


def _link(folder: Path, canary: Path, draw: Draw) -> None:
    file = _any_file(folder, draw)
    away = draw.choice([canary / "copy", folder / "beside"])
    shutil.move(file, away)  # the very same bytes, hash and all, but elsewhere
    file.symlink_to(draw.choice([away, Path(os.path.relpath(away, file.parent))]))


def _folder_link(folder: Path, canary: Path, draw: Draw) -> None:
    away = canary / f"inputs-{draw.random()}"
    shutil.move(folder / "inputs", away)
    (folder / "inputs").symlink_to(away, target_is_directory=True)


def _dangling(folder: Path, canary: Path, draw: Draw) -> None:
    file = _any_file(folder, draw)
    file.unlink()
    file.symlink_to(draw.choice([canary / "nothing", file, Path("/dev/zero"), Path("/dev/stdin")]))


def _no_file(folder: Path, canary: Path, draw: Draw) -> None:
    """A folder, pipe, socket or device in place of a file."""
    file = _any_file(folder, draw)
    file.unlink()
    kinds: list[Callable[[], object]] = [file.mkdir, lambda: os.mkfifo(file), lambda: _socket(file)]
    if os.geteuid() == 0:
        kinds.append(lambda: os.mknod(file, stat.S_IFCHR | 0o644, os.makedev(1, 5)))
    draw.choice(kinds)()


def _socket(file: Path) -> None:
    short = file.parent / "s"
    with socket.socket(socket.AF_UNIX) as made:
        here = Path.cwd()
        os.chdir(file.parent)  # the path of a socket is short
        try:
            made.bind(short.name)
        finally:
            os.chdir(here)
    short.rename(file)


def _missing(folder: Path, canary: Path, draw: Draw) -> None:
    _any_file(folder, draw).unlink()


def _unlisted(folder: Path, canary: Path, draw: Draw) -> None:
    """A file that every run leaves is gone, and gone from the list."""
    name = draw.choice(["trace.parquet", "pulses.parquet", "decisions.parquet", "events.jsonl", "trials.csv",
                        "summary.json"])  # fmt: skip
    (folder / name).unlink()
    resealed(folder)


def _wrong_hash(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    entry = record["files"][draw.choice(list(record["files"]))]
    if draw.random() < 0.5:
        entry["sha256"] = draw.choice(["0" * 64, "0" * 63, "G" * 64, entry["sha256"].upper(), ""])
    else:
        entry["size_bytes"] = draw.choice([-1, entry["size_bytes"] + 1, 2**80, 1e300, "3", None, True])
    _write(folder, record)


def _changed(folder: Path, canary: Path, draw: Draw) -> None:
    """A byte changed, cut off or added, hashes as they were."""
    names = [name for name, entry in _manifest(folder)["files"].items() if entry["size_bytes"]]
    file = folder / draw.choice(names)
    content = bytearray(file.read_bytes())
    way = draw.randrange(3)
    if way == 0:
        content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)
    file.write_bytes(content if way == 0 else content[:-1] if way == 1 else content + b"\n")


def _huge(folder: Path, canary: Path, draw: Draw) -> None:
    """Sparse, so that it costs the disk nothing, listed as large as it is."""
    file = _any_file(folder, draw)
    size = 10**12
    with file.open("rb+") as handle:
        handle.truncate(size)
    if file.name != MANIFEST:
        record = _manifest(folder)
        record["files"][file.relative_to(folder).as_posix()]["size_bytes"] = size
        _write(folder, record)


def _no_json(folder: Path, canary: Path, draw: Draw) -> None:
    text = (folder / MANIFEST).read_text("utf-8")
    deep = draw.choice([100, 10_000, 200_000])
    bad = [
        b"", b"{", b"\xff\xfe\x00", b"null", b"[]", b'"x"', b"3", b"[" * deep, b'{"a":' * deep,
        text.replace('"seed"', '"seed": 1, "seed"', 1).encode(),
        text.replace('"format"', '"x": NaN, "format"', 1).encode(),
        text.replace('"format"', '"x": -Infinity, "format"', 1).encode(),
        text.replace('"format"', '"x": 1e999, "format"', 1).encode(),
        text.replace('"format"', '"x": ' + "9" * 9_000 + ', "format"', 1).encode(),
        text.replace('"format"', '"x": "\\ud800", "format"', 1).encode(),
        text.encode("utf-16"), ("\ufeff" + text).encode(), text[: len(text) // 2].encode(), (text + "}").encode(),
        text.replace('"seed": ', '"seed": 1', 1).encode(),
    ]  # fmt: skip
    (folder / MANIFEST).write_bytes(draw.choice(bad))


def _places(value: object, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if path and path[-1] in MAY_BE_ANYTHING:
        return []
    below: list[tuple[Any, ...]] = [path] if path else []
    entries = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, entry in entries:
        below += _places(entry, (*path, key))
    return below


def _wrong_type(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    path = draw.choice(_places({key: record[key] for key in record if key != "sha256"}))
    above: Any = record
    for key in path[:-1]:
        above = above[key]
    was = above[path[-1]]
    others: dict[type, list[object]] = {
        str: [7, ["x"], {"x": 1}, True], int: ["x", [1], {"x": 1}], float: ["x", [1.5], None], bool: ["x", [True]],
        dict: ["x", 7, ["x"], None], list: ["x", 7, {"x": 1}, None], type(None): [[1.5], -1.5, True],
    }  # fmt: skip
    above[path[-1]] = draw.choice(others[type(was)])
    _write(folder, record)


def _keys(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    may_be_left_out = ("signed_by", "files", "sha256")
    if draw.random() < 0.4:
        record[draw.choice(["File", "seeds", "__class__", ""])] = 1
    else:
        del record[draw.choice([key for key in record if key not in may_be_left_out])]
    _write(folder, record)


def _seal_alone(folder: Path, canary: Path, draw: Draw) -> None:
    """The manifest's words changed, its own hash not."""
    record = copy.deepcopy(_manifest(folder))
    changes: list[dict[str, Any]] = [
        {"seed": 6}, {"written_utc": "2020-01-01T00:00:00+00:00"}, {"sha256": "0" * 64}, {"caution": "none"},
        {"sha256": 3}, {"trials": record["trials"][:1]}, {"signed_by": "SHA256:x"},
    ]  # fmt: skip
    (folder / MANIFEST).write_text(json.dumps(record | draw.choice(changes)), "utf-8")


def _trials(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    trial = draw.choice(record["trials"])
    bad: list[dict[str, Any]] = [
        {"trial": (trial["trial"] + 1) % len(record["trials"])}, {"trial": -1}, {"trial": 10**30}, {"wearer": -3},
        {"duration_us": 0}, {"duration_us": 10**30}, {"control_period_us": -1}, {"max_pinch_N": None},
        {"columns": {"trace": {"t_us": "../x"}}}, {"repeat": 2**40},
    ]  # fmt: skip
    trial |= draw.choice(bad)
    _write(folder, record)


def _other_format(folder: Path, canary: Path, draw: Draw) -> None:
    record = _manifest(folder)
    record["format"] = draw.choice([0, 1, 3, -1, "2", None, [2], 2.5])
    _write(folder, record)


def _law_inside(folder: Path, canary: Path, draw: Draw) -> None:
    """Nothing wrong with it, but for a law that would run; perhaps under a lying key, or beside a listed one."""
    record = _manifest(folder)
    law = next(entry for entry in record["inputs"] if entry["key"] == "law.file")
    law["key"] = draw.choice(["law.file", "target.file", "x"])
    record["made_by"]["thenar"] = draw.choice([record["made_by"]["thenar"], "9.9"])
    _write(folder, record)


def _law_outside(folder: Path, canary: Path, draw: Draw) -> None:
    """The scenario's law lies elsewhere on this machine."""
    record = _manifest(folder)
    law = next(entry for entry in record["inputs"] if entry["key"] == "law.file")
    outside = canary / "law.py"
    name = draw.choice([str(outside), os.path.relpath(outside, folder), os.path.relpath(outside), "../law.py"])
    text = record["scenario"]["text"].replace(law["name"], name)
    record["scenario"] |= {"text": text, "sha256": _sha256(text.encode())}
    if draw.random() < 0.5:
        law["name"] = name
    if draw.random() < 0.3:
        record["inputs"].remove(law)
    _write(folder, record)


WAYS: Final[tuple[tuple[str, Make], ...]] = (
    ("the name of an input", _input_name),
    ("where an input is stored", _stored_name),
    ("a listed name", _listed_name),
    ("an input that isn't brought", _input_unlisted),
    ("a link", _link),
    ("a link in place of a folder", _folder_link),
    ("a link to nothing or to a device", _dangling),
    ("no regular file", _no_file),
    ("a missing file", _missing),
    ("a file that is not even listed", _unlisted),
    ("a wrong hash or size", _wrong_hash),
    ("a changed file", _changed),
    ("a huge file", _huge),
    ("no JSON", _no_json),
    ("a wrong type", _wrong_type),
    ("a wrong key", _keys),
    ("a changed manifest", _seal_alone),
    ("an impossible trial", _trials),
    ("another format", _other_format),
    ("a law inside", _law_inside),
    ("a law outside", _law_outside),
)
