"""Folders from strangers: refused in words, whatever is in them; nothing outside is touched and no law is run."""

from __future__ import annotations

import hashlib
import os
import secrets
from pathlib import Path

import pytest

from tests.thenar.hostile_folders import RAN, WAYS, law_source, malformed, opened_under_watch, run_with_law
from tests.thenar.small_runs import write_scenario
from thenar.cli import USAGE_ERROR, main
from thenar.replay import replay_run
from thenar.report.folder import open_finished
from thenar.shared.errors import InputError

MANY = 300
A_FEW = 2 * len(WAYS)
ONLY_REPLAY = ("an input that isn't brought", "a law inside", "a law outside")
"""Nothing is wrong with such a folder until its scenario is to be run."""


@pytest.fixture(scope="module")
def canary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tree that nothing of a stranger's may touch."""
    tree = tmp_path_factory.mktemp("canary-of-the-house")
    (tree / "secret.csv").write_text("t_s,force_N\n0,1\n1,2\n", "utf-8")
    (tree / "law.py").write_text(law_source(tree), "utf-8")
    return tree


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory, canary: Path) -> Path:
    """A finished run with a law, a recording and a profile of its own."""
    return run_with_law(tmp_path_factory.mktemp("stranger"), canary)


def _tree(top: Path) -> dict[str, str]:
    """Every file below `top` with its bytes' hash, links and others by their kind."""
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        if path.is_file() and not path.is_symlink()
        else oct(path.lstat().st_mode)
        for path in top.rglob("*")
    }


def _judged(count: int, seed: int, run: Path, canary: Path, base: Path) -> None:
    scenario = write_scenario(base)
    folders, calls, wanted = [], [], []
    for number in range(count):
        folder = base / "folders" / str(number) / "run"
        folder.parent.mkdir(parents=True)
        way = malformed(number, seed, run, folder, canary)
        folders.append((way, folder))
        replay = ["replay", str(folder), "--jobs", "1"] + (["--run-law"] if not way.startswith("a law") else [])
        calls.append(replay)
        wanted.append(way)
        if way in ONLY_REPLAY:
            continue
        others = (
            ["audit", str(folder)], ["compare", str(folder)], ["dossier", str(folder)],
            ["report", str(folder), "--out", str(folder.parent / "page.html")],
            ["whatif", str(folder), "--scenario", str(scenario)],
        )  # fmt: skip
        for call in others:
            calls.append(call)
            wanted.append(way)
    before = _tree(canary)
    for call, way, found in zip(calls, wanted, opened_under_watch(calls, canary, base), strict=True):
        said = f"seed {seed}, {way}, {' '.join(call)}\n{found.out}{found.err}"
        assert found.code == USAGE_ERROR, said
        assert found.touched == [], said + str(found.touched)
        assert found.out == "", said
        assert "Traceback" not in found.err, said
        assert all(len(line) < 600 for line in found.err.splitlines()), said
        problems = [line for line in found.err.splitlines() if line.startswith("    found: ")]
        assert 1 <= len(problems) <= 12, said
    assert _tree(canary) == before
    assert not (canary / RAN).exists()
    for way, folder in folders:
        left = sorted(path.name for path in folder.parent.iterdir())
        assert left == ["run"], (seed, way, left)


def test_malformed_folders_are_refused_by_every_command_that_opens_them(
    run: Path, canary: Path, tmp_path: Path
) -> None:
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    _judged(A_FEW, seed, run, canary, tmp_path)


@pytest.mark.campaign
def test_three_hundred_malformed_folders_are_refused(run: Path, canary: Path, tmp_path: Path) -> None:
    seed = secrets.randbits(32)
    print(f"{MANY} malformed folders, seed {seed}")
    _judged(MANY, seed, run, canary, tmp_path)


def test_a_law_in_a_folder_runs_only_when_it_is_allowed_to(
    run: Path, canary: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(run), "--jobs", "1"]) == USAGE_ERROR
    told = capsys.readouterr().err
    assert "00-nudge.py: law.file" in told
    assert f"thenar replay {run} --run-law" in told
    assert not (canary / RAN).exists()
    assert main(["replay", str(run), "--run-law", "--jobs", "1"]) == 0
    assert "identical: 4 trials" in capsys.readouterr().out


def test_a_replay_may_be_allowed_to_run_the_law_from_python_too(run: Path, canary: Path) -> None:
    with pytest.raises(InputError, match="would RUN as a program"):
        replay_run(run)
    assert not (canary / RAN).exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
def test_a_file_that_changes_between_verifying_and_reading_is_told(run: Path, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    malformed_free = tmp_path / "other"
    import shutil

    shutil.copytree(run, folder)
    opened = open_finished(folder)
    (folder / "trials.csv").rename(malformed_free)
    (folder / "trials.csv").write_bytes(malformed_free.read_bytes() + b"1")
    with pytest.raises(InputError, match="changes while it is read"):
        opened.rows("trials.csv")
