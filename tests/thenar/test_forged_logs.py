"""Logs with rows removed, lowered, doubled or moved and hashed anew: the audit notices it, or the replay does."""

from __future__ import annotations

import json
import random
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.folders import resealed, run_in
from tests.thenar.small_runs import write_scenario
from thenar.replay import replay_run
from thenar.report.auditing import Terms, audit_folder
from thenar.report.tables import column_hashes, read_trial
from thenar.run import run_scenario
from thenar.safety.audit.verdicts import Verdict
from thenar.scenarios.loader import load_scenario
from thenar.shared.errors import InputError

Columns = dict[str, Any]
Rows = Any


def _span(rng: random.Random, rows: Rows) -> Rows:
    """One row, or a stretch of them."""
    begin = rng.randrange(len(rows))
    return rows[begin : begin + rng.choice([1, 1, 2, 5, 200])]


def removed(rng: random.Random, columns: Columns, rows: Rows) -> Columns:
    """Rows left out: a stretch, or every second one."""
    gone = rows[::2] if rng.random() < 0.2 else _span(rng, rows)
    return {name: np.delete(column, gone) for name, column in columns.items()}


def doubled(rng: random.Random, columns: Columns, rows: Rows) -> Columns:
    """Rows there twice."""
    twice = _span(rng, rows)
    return {name: np.insert(column, twice, column[twice]) for name, column in columns.items()}


def lowered(rng: random.Random, columns: Columns, rows: Rows) -> Columns:
    """A number of some rows brought nearer to zero."""
    name = rng.choice(
        [name for name in columns if name not in ("trial", "t_us", "channel") and columns[name][rows].any()]
    )
    column = columns[name].copy()
    chosen = [row for row in _span(rng, rows) if column[row] != 0] or [next(row for row in rows if column[row] != 0)]
    column[chosen] = column[chosen] * rng.choice([0.0, 0.5, 0.9]) if column.dtype.kind == "f" else column[chosen] // 2
    return columns | {name: column}


def moved(rng: random.Random, columns: Columns, rows: Rows) -> Columns:
    """Rows at another time."""
    column = columns["t_us"].copy()
    column[_span(rng, rows)] += rng.choice([-1, 1]) * rng.choice([1, 100, 5_000, 20_000])
    order = np.lexsort((np.arange(len(column)), column, columns["trial"]))
    return {name: value[order] for name, value in (columns | {"t_us": column}).items()}


EDITS: dict[str, Callable[[random.Random, Columns, Rows], Columns]] = {
    "removed": removed, "doubled": doubled, "lowered": lowered, "moved": moved,
}  # fmt: skip


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run folder."""
    base = tmp_path_factory.mktemp("forged")
    run_scenario(load_scenario(write_scenario(base)), base / "run", jobs=1)
    return base / "run"


def forged(run_folder: Path, folder: Path, rng: random.Random, how: str, name: str) -> bool:
    """A copy of a run folder with one table changed and hashed anew. False when nothing came out changed."""
    shutil.copytree(run_folder, folder)
    file = folder / f"{name}.parquet"
    table = pq.read_table(file)
    before = {key: table.column(key).to_numpy() for key in table.column_names}
    trial = rng.choice(sorted(set(before["trial"].tolist())))
    after = EDITS[how](rng, before, np.flatnonzero(before["trial"] == trial))
    if all(np.array_equal(before[key], after[key]) for key in before):
        return False
    pq.write_table(pa.table([pa.array(after[key]) for key in before], schema=table.schema), file)
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    for record in manifest["trials"]:
        record["columns"][name] = column_hashes(read_trial(file, record["trial"]))
    resealed(folder, manifest)
    return True


def caught_by(folder: Path) -> str:
    """What notices a forged folder: "audit", "replay" or "nothing"."""
    try:
        audit = audit_folder(run_in(folder), Terms(), lambda _: None).audit
        if audit.broken or audit.named(Verdict.CANT_JUDGE):
            return "audit"
    except InputError:
        return "audit"
    return "nothing" if replay_run(folder).identical else "replay"


def campaign(run_folder: Path, tmp_path: Path, logs: int, seed: int) -> Counter[tuple[str, str, str]]:
    """So many forged logs, each kind of edit on both tables in turn; how many each way was noticed by what."""
    rng, found = random.Random(seed), Counter[tuple[str, str, str]]()
    number = 0
    while found.total() < logs:
        how, name = list(EDITS)[number % 4], ("pulses", "decisions")[number // 4 % 2]
        folder = tmp_path / f"forged-{number}"
        if forged(run_folder, folder, rng, how, name):
            by = caught_by(folder)
            found[name, how, by] += 1
            assert by != "nothing", f"seed {seed}, log {number}: {name} {how}"
        number += 1
        shutil.rmtree(folder)
    return found


def test_drawn_forgeries_are_noticed_by_audit_or_replay(run_folder: Path, tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(2**32)
    found = campaign(run_folder, tmp_path, 24, seed)
    assert sum(count for (_, _, by), count in found.items() if by == "audit") >= 12, f"seed {seed}"


def changes_only_what_was_measured(run_folder: Path, folder: Path) -> bool:
    """Whether the pulses are as they were but for the second phase's width as measured."""
    before, after = (
        pq.read_table(one / "pulses.parquet").drop_columns("second_width_us") for one in (run_folder, folder)
    )
    return bool(before.equals(after))


def test_what_is_done_to_a_pulse_as_it_was_commanded_needs_no_replay(run_folder: Path, tmp_path: Path) -> None:
    """A second phase that was measured somewhat shorter is no offence by itself; only a replay shows a forgery."""
    seed = random.SystemRandom().randrange(2**32)
    rng = random.Random(seed)
    for number, how in enumerate([*EDITS] * 3):
        folder = tmp_path / f"forged-{number}"
        if forged(run_folder, folder, rng, how, "pulses"):
            measured = changes_only_what_was_measured(run_folder, folder)
            allowed = {"audit", "replay"} if measured else {"audit"}
            assert caught_by(folder) in allowed, f"seed {seed}, {number}: {how}"


def test_an_untouched_folder_passes_without_a_replay(run_folder: Path) -> None:
    audit = audit_folder(run_in(run_folder), Terms(), lambda _: None).audit
    assert audit.broken == ()
    assert audit.named(Verdict.CANT_JUDGE) == ()


@pytest.mark.campaign
def test_two_hundred_forgeries(run_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seed = random.SystemRandom().randrange(2**32)
    found = campaign(run_folder, tmp_path, 200, seed)
    with capsys.disabled():
        print(f"\nseed {seed}")
        for (name, how, by), count in sorted(found.items()):
            print(f"{name:10} {how:8} {by:7} {count}")
