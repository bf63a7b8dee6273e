"""The search behind `thenar tune`: what it tries follows from seed and finished batches alone."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from tests.thenar.searching import PLANS, bowl, bowls, tries_of
from thenar.shared.errors import InputError
from thenar.study.ranges import Range
from thenar.study.search import JOURNAL, MARK, Outcome, Plan, searched

TINY = Plan((Range("x", 0.0, 1.0),), (False,), "random", 1, 4, 8, {})


class StoppedError(Exception):
    """Stands for whatever ends a process between two tries."""


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: f"{plan.sampler}-{len(plan.larger_better)}")
def test_a_search_stopped_in_any_batch_ends_like_one_that_was_not(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "whole").mkdir()
    whole = tries_of(plan, tmp_path / "whole")
    assert len(whole) == plan.tries
    for stop_at in range(0, plan.tries // plan.batch, 2):
        folder = tmp_path / f"stopped-{stop_at}"
        folder.mkdir()
        batches = 0

        def stopping(values: Sequence[Mapping[str, float]], last: int = stop_at) -> list[Outcome]:
            nonlocal batches
            batches += 1
            if batches > last:  # asked, and never told
                raise StoppedError
            return bowls(plan, values)

        with pytest.raises(StoppedError):
            list(searched(plan, folder, stopping))
        assert tries_of(plan, folder) == whole


@pytest.mark.parametrize("plan", PLANS[:2], ids=lambda plan: plan.sampler)
def test_a_torn_journal_is_cut_back_to_its_last_whole_batch(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "whole").mkdir()
    whole = tries_of(plan, tmp_path / "whole")
    content = (tmp_path / "whole" / JOURNAL).read_bytes()
    mark = (tmp_path / "whole" / MARK).read_text("utf-8")
    torn = tmp_path / "torn"
    torn.mkdir()
    running = searched(plan, torn, lambda values: bowls(plan, values))
    assert [next(running)[-1].number, next(running)[-1].number] == [plan.batch - 1, 2 * plan.batch - 1]
    running.close()  # type: ignore[attr-defined]
    kept = (torn / JOURNAL).read_bytes()
    # The journal carries times and names of processes, so a torn tail is made from this one's own lines.
    (torn / JOURNAL).write_bytes(kept + kept.splitlines(keepends=True)[-1] + content.splitlines()[-1][:17])
    assert tries_of(plan, torn) == whole
    assert (torn / MARK).read_text("utf-8").split(",")[0] == mark.split(",")[0]


def test_a_finished_search_is_read_back_and_not_run_again(tmp_path: Path) -> None:
    whole = tries_of(PLANS[0], tmp_path)

    def never(_: Sequence[Mapping[str, float]]) -> list[Outcome]:
        raise AssertionError("evaluated again")

    again = [one for batch in searched(PLANS[0], tmp_path, never) for one in batch]
    assert again == whole


def test_another_seed_tries_other_values(tmp_path: Path) -> None:
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
    plan = PLANS[0]
    one = tries_of(plan, tmp_path / "one")
    other = tries_of(plan._replace(seed=plan.seed + 1), tmp_path / "other")
    assert not {one.values["x"] for one in one[1:]} & {one.values["x"] for one in other[1:]}


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: f"{plan.sampler}-{len(plan.larger_better)}")
def test_no_batch_tries_again_what_another_tried(plan: Plan, tmp_path: Path) -> None:
    tries = tries_of(plan, tmp_path)
    # A child of two equal parents that no mutation hits is its parent again: that is how this sampler works.
    share = 0.6 if plan.sampler == "nsga2" else 0.9
    assert len({tuple(one.values.values()) for one in tries}) >= share * len(tries)


@pytest.mark.parametrize("sampler", ["tpe", "nsga2"])
def test_a_search_learns_from_what_it_was_told(sampler: str, tmp_path: Path) -> None:
    """Later tries lie nearer to the bowl's bottom than those of blind drawing (5 seeds, mean over late tries)."""
    late = {}
    for name in (sampler, "random"):
        values = []
        for seed in range(5):
            folder = tmp_path / f"{name}-{seed}"
            folder.mkdir()
            ranges = (Range("x", 0.0, 1.0), Range("y", 0.0, 1.0))
            plan = Plan(ranges, (False,), name, seed, 8, 48, {})
            tries = [one for batch in searched(plan, folder, lambda vs: [bowl(v) for v in vs]) for one in batch]
            values += [one.outcome.objectives[0] for one in tries[24:]]
        late[name] = sum(values) / len(values)
    assert late[sampler] < 0.6 * late["random"], late


def test_the_first_try_is_the_one_asked_for(tmp_path: Path) -> None:
    plan = TINY._replace(first={"x": 0.25})
    tries = [one for batch in searched(plan, tmp_path, lambda vs: [bowl(v) for v in vs]) for one in batch]
    assert tries[0].values == {"x": 0.25}


def test_whole_numbers_stay_whole_and_every_value_lies_in_its_range(tmp_path: Path) -> None:
    ranges = (Range("n", 1, 4, whole=True), Range("g", 0.001, 10.0, log=True))
    for sampler in ("tpe", "random", "quasi-random"):
        folder = tmp_path / sampler
        folder.mkdir()
        plan = Plan(ranges, (False,), sampler, 3, 8, 32, {})
        tries = [one for batch in searched(plan, folder, lambda vs: [bowl(v) for v in vs]) for one in batch]
        assert {one.values["n"] for one in tries} <= {1, 2, 3, 4}
        assert all(type(one.values["n"]) is int for one in tries)
        assert all(0.001 <= one.values["g"] <= 10.0 for one in tries)
        below = sum(one.values["g"] < 0.1 for one in tries)
        assert sampler == "tpe" or 8 <= below <= 24  # even over the logarithm: about half


def test_refused_tries_are_kept_as_refused_and_read_back_so(tmp_path: Path) -> None:
    def choosy(values: Sequence[Mapping[str, float]]) -> list[Outcome]:
        return [Outcome(refused="too large") if one["x"] > 0.5 else bowl(one) for one in values]

    plan = TINY._replace(sampler="tpe", tries=24)
    tries = [one for batch in searched(plan, tmp_path, choosy) for one in batch]
    refused = [one for one in tries if one.values["x"] > 0.5]
    assert refused
    assert all(one.outcome == Outcome(refused="too large") for one in refused)
    assert [one for batch in searched(plan, tmp_path, choosy) for one in batch] == tries


def test_a_second_process_is_kept_out(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom thenar.report.folder_lock import sole_user\n"
        "with sole_user(Path(sys.argv[1])):\n    print('in', flush=True)\n    time.sleep(60)\n"
    )
    other = subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "in\n"
        with pytest.raises(InputError, match="is at work in it"):
            tries_of(TINY, tmp_path)
    finally:
        other.kill()
        other.communicate()
    tries_of(TINY, tmp_path)  # the lock died with it


@pytest.mark.parametrize("content", ["", "{}", '{"tries": 4, "journal_bytes": 10000000}', "[1]"])
def test_a_damaged_mark_is_told_and_nothing_is_overwritten(content: str, tmp_path: Path) -> None:
    tries_of(TINY, tmp_path)
    before = (tmp_path / JOURNAL).read_bytes()
    (tmp_path / MARK).write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=MARK):
        tries_of(TINY, tmp_path)
    assert (tmp_path / JOURNAL).read_bytes() == before


def test_the_journal_of_another_search_is_refused(tmp_path: Path) -> None:
    tries_of(TINY, tmp_path)
    with pytest.raises(InputError, match="another search"):
        tries_of(TINY._replace(ranges=(Range("y", 0.0, 1.0),)), tmp_path)


def _killed_and_resumed(kills: int, plans: int, tmp_path: Path, seed: int) -> None:
    """Kill the first `plans` searches at `kills` random instants; let them end, and hold them to unbroken ones."""
    chance = random.Random(seed)
    for place, plan in enumerate(PLANS[:plans]):
        (tmp_path / f"whole-{place}").mkdir()
        whole = tries_of(plan, tmp_path / f"whole-{place}")
        folder = tmp_path / f"killed-{place}"
        folder.mkdir()
        share = len(range(place, kills, plans))
        for _ in range(share):
            process = _searching(place, folder)
            assert process.stdout is not None
            process.stdout.readline()  # it has imported everything and begins
            time.sleep(chance.uniform(0.0, 0.4))
            process.kill()
            process.communicate()
        process = _searching(place, folder)
        process.communicate()
        assert process.returncode == 0
        assert tries_of(plan, folder) == whole, f"seed {seed}, plan {place}"


def _searching(place: int, folder: Path) -> subprocess.Popen[str]:
    hashes = {"PYTHONHASHSEED": str(place + 11), "PYTHONPATH": str(Path(__file__).parents[2])}
    return subprocess.Popen(
        [sys.executable, "-m", "tests.thenar.searching", str(place), str(folder)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | hashes,
    )


@pytest.mark.slow
def test_a_search_killed_at_any_instant_ends_like_one_that_was_not(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(2**32)
    print("seed", seed)
    _killed_and_resumed(3, 2, tmp_path, seed)


@pytest.mark.campaign
def test_a_search_killed_at_forty_instants_ends_like_one_that_was_not(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(2**32)
    print("seed", seed)
    _killed_and_resumed(40, len(PLANS), tmp_path, seed)
