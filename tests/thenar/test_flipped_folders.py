"""One changed byte anywhere in a finished folder: refused by whoever opens it, or without any effect."""

from __future__ import annotations

import contextlib
import io
import json
import random
import secrets
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from tests.thenar.evidence_reading import written
from tests.thenar.made_challenge import made_challenge
from tests.thenar.small_runs import SMALL, write_scenario
from tests.thenar.small_sweeps import GAIN, short_scenario
from thenar.cli import USAGE_ERROR, main
from thenar.report.folder import FILES

HANDS = SMALL.replace(SMALL[SMALL.index("[[wearers]]") : SMALL.index("[target]")], "[population]\ncount = 6\n\n")
HANDS = HANDS.replace("duration_s = 3.0", "duration_s = 1.0").replace("every_s = 1.5", "every_s = 0.5")
A_FEW, MANY = 40, 500
FULL_DISK = 74

Opens = Callable[[Path, Path], Sequence[list[str]]]


def _said(call: list[str], left: Sequence[Path]) -> tuple[int, str, str, tuple[bytes, ...]]:
    """Exit code, words, complaints, and what the call left in files."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(call)
    return code, out.getvalue(), err.getvalue(), tuple(file.read_bytes() for file in left if file.is_file())


class Kind:
    """A finished folder, the commands that open it, and which files of theirs count as their output."""

    def __init__(
        self, name: str, folder: Path, calls: Callable[[Path, Path], list[list[str]]], left: Sequence[str] = ()
    ) -> None:
        self.name, self.folder, self.calls, self.left = name, folder, calls, left

    def outcomes(self, at: Path) -> list[tuple[int, str, str, tuple[bytes, ...]]]:
        """What every command makes of the folder at `at`, pages beside it."""
        page = at.parent / "page.html"
        found = []
        for call in self.calls(at, page):
            page.unlink(missing_ok=True)
            found.append(_said(call, [page, *(at / name for name in self.left)]))
        return found


@pytest.fixture(scope="module")
def kinds(tmp_path_factory: pytest.TempPathFactory) -> list[Kind]:
    """A folder of each kind, small."""
    top = tmp_path_factory.mktemp("flipped")
    file = write_scenario(top, HANDS)
    assert main(["run", str(file), "--out", str(top / "run"), "--jobs", "1"]) == 0
    assert main(["compare", str(top / "run"), "--out", str(top / "compare")]) == 0
    (top / "s").mkdir()
    swept = short_scenario(top / "s")
    sweep = ["sweep", str(swept), "--over", f"{GAIN}=0.5:1.5:2", "--jobs", "1", "--json", "--out"]
    assert main([*sweep, str(top / "sweep")]) == 0
    tune = [
        "tune", str(swept), "--tries", "4", "--batch", "2", "--wearers", "3", "--held-out", "3", "--jobs", "1",
        "--json", "--out",
    ]  # fmt: skip
    assert main([*tune, str(top / "tune")]) == 0
    begun = shutil.copytree(top / "tune", top / "begun")
    for name in (FILES, "tune.json", "tries.csv", "tuned.toml"):
        (begun / name).unlink()
    (top / "challenge").mkdir()
    written(top / "challenge", made_challenge())

    def report(at: Path, page: Path) -> list[list[str]]:
        return [["report", str(at), "--out", str(page)]]

    return [
        Kind("run", top / "run", lambda at, page: [
            *report(at, page), ["compare", str(at)], ["audit", str(at)], ["replay", str(at), "--jobs", "1"],
            ["whatif", str(at), "--scenario", str(file), "--trial", "1"],
        ]),
        Kind("sweep", top / "sweep", lambda at, page: [*report(at, page), [*sweep, str(at)]], ("summary.json",)),
        Kind("tune", top / "tune", report),
        Kind("tune begun", begun, lambda at, page: [[*tune, str(at)]], ("tune.json", "tries.csv", "tuned.toml")),
        Kind("compare", top / "compare", report),
        Kind("challenge", top / "challenge", lambda at, page: [*report(at, page), ["evidence", str(at), "--json"]]),
    ]  # fmt: skip


@pytest.fixture(autouse=True)
def standing_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Evidence says when it was written."""
    monkeypatch.setattr("thenar.report.evidence.now_utc", lambda: "2031-02-03T04:05:06+00:00")


def _flipped(count: int, seed: int, kinds: list[Kind], top: Path) -> None:
    draw = random.Random(seed)
    at = top / "folder"
    wanted = []
    for kind in kinds:
        shutil.copytree(kind.folder, at)
        wanted.append(kind.outcomes(at))
        shutil.rmtree(at)
    refused = same = 0
    by_kind: dict[str, list[int]] = {kind.name: [0, 0] for kind in kinds}
    for number in range(count):
        place = number % len(kinds)
        kind = kinds[place]
        shutil.copytree(kind.folder, at)
        files = sorted(path for path in at.rglob("*") if path.is_file() and path.stat().st_size)
        file = draw.choice(files)
        content = bytearray(file.read_bytes())
        byte, bit = draw.randrange(len(content)), draw.randrange(8)
        content[byte] ^= 1 << bit
        file.write_bytes(content)
        told = f"seed {seed}, flip {number}: {kind.name}, {file.relative_to(at)}, byte {byte}, bit {bit}"
        for found, before in zip(kind.outcomes(at), wanted[place], strict=True):
            code, out, err, _ = found
            assert "Traceback" not in err, told + err
            if code == before[0]:
                assert (found[1], found[3]) == (before[1], before[3]), told
                same += 1
                by_kind[kind.name][1] += 1
            else:
                assert code in (USAGE_ERROR, FULL_DISK), (told, code, out, err)
                assert out == "" or "problems" in json.loads(out), (told, out)
                named = (file.name, FILES, "asked.json", "folder")  # what was asked is told by key
                assert any(name in out + err for name in named), (told, out, err)
                refused += 1
                by_kind[kind.name][0] += 1
        shutil.rmtree(at)
    print(f"{count} flips, seed {seed}: {refused} commands refused the folder, {same} gave the same as before")
    print(json.dumps(by_kind))


@pytest.mark.slow
def test_a_flipped_byte_changes_no_page_and_no_table_in_silence(kinds: list[Kind], tmp_path: Path) -> None:
    _flipped(A_FEW, secrets.randbits(32), kinds, tmp_path)


@pytest.mark.campaign
def test_five_hundred_flipped_bytes_change_nothing_in_silence(kinds: list[Kind], tmp_path: Path) -> None:
    _flipped(MANY, secrets.randbits(32), kinds, tmp_path)
