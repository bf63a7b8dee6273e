"""Campaigns: what they count, that they can fail, and what they leave behind."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.safety.interlock_bench import limits_for
from tests.thenar.made_challenge import made_challenge
from thenar.cli import main
from thenar.safety.attack.removals import MUST_DIE, MUST_SURVIVE, REMOVALS, Edit, Removal
from thenar.safety.invented import UNEQUAL
from thenar.safety.limits import Limits
from thenar.safety.profile import LimitProfile, load_profile
from thenar.safety.requirements import REQUIREMENTS
from thenar.study.challenge import Asked, Campaign, _pool, run_campaign
from thenar.study.families import BOUNDARY, SEARCH, Piece, pieces, played_piece
from thenar.study.hunt import Found, Hunt, hunted, only_demands
from thenar.study.judged import engraver_bounds, limits_that_differ

PROFILE = "forearm-25cm2"


def asked(commands: int, seed: int = 1, jobs: int = 2, shrink: bool = False) -> Asked:
    """A campaign on the shipped forearm profile."""
    return Asked(load_profile(PROFILE), PROFILE, commands, seed, jobs, shrink)


def removal_of(rule: str) -> Removal:
    """The removal of one requirement's check."""
    return next(removal for removal in REMOVALS if removal.rule == rule)


def hunt_for(removal: Removal, shrink: bool = False) -> Hunt:
    """A hunt under the shipped forearm profile."""
    limits = limits_for()
    return Hunt(removal, limits, engraver_bounds(load_profile(PROFILE), limits.loop.control_period_us), 1, shrink)


def hunted_apart(hunt: Hunt) -> Found:
    """A hunt as a campaign makes it: in a process of its own, without the compiler."""
    with _pool(1, compiled=False) as pool:
        return pool.submit(hunted, hunt).result()


@pytest.fixture(scope="module")
def evidence(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a whole campaign through the command line."""
    out = tmp_path_factory.mktemp("challenge") / "evidence"
    # One seed here, so that a run is the same everywhere; `make campaign` draws another each time.
    seed = 1
    code = main(["challenge", PROFILE, "--commands", "200000", "--seed", str(seed), "--jobs", "2", "--out", str(out)])
    assert code == 0, f"seed {seed}"
    return out


@pytest.mark.parametrize("name", ["period_min_us", "rms_uA", "ohm_max"])
def test_a_limit_converted_from_the_other_channel_is_named(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    profile = load_profile(UNEQUAL)
    assert limits_that_differ([profile]) == []
    right = LimitProfile.limits_for

    def wrong(self: LimitProfile, *session: Any) -> Limits:
        limits = right(self, *session)
        swapped = limits.antagonist._replace(**{name: getattr(limits.agonist, name)})
        return limits._replace(antagonist=swapped)

    monkeypatch.setattr(LimitProfile, "limits_for", wrong)
    assert {line.split(" is ")[0].rpartition(" ")[2] for line in limits_that_differ([profile])} == {
        f"antagonist.{name}"
    }


@pytest.mark.slow
def test_a_campaign_reaches_everything_and_misses_no_removed_check(evidence: Path) -> None:
    record = json.loads((evidence / "challenge.json").read_text("utf-8"))
    assert record["passed"]
    assert record["commands"] >= 200_000
    assert record["interlock_on"]["broken"] == []
    assert record["never_reached"] == []
    assert [row["id"] for row in record["rows"]] == [row.name for row in REQUIREMENTS]
    assert all(row["challenged"] > 0 and row["removal"]["state"] == "caught" for row in record["rows"])
    assert record["same_attacks"]["off"] > 1_000
    assert record["same_attacks"]["on"] == 0
    assert record["controls"] == {"must_survive": "survived", "must_die": "caught"}


@pytest.mark.slow
def test_a_shrunk_counterexample_is_a_scenario_that_runs_and_is_held(evidence: Path, tmp_path: Path) -> None:
    record = json.loads((evidence / "challenge.json").read_text("utf-8"))
    assert {"R06", "R09", "R20"} <= set(record["counterexamples"])
    scenario = evidence / "counterexamples" / "R06" / "R06.toml"
    assert main(["run", str(scenario), "--out", str(tmp_path / "run")]) == 0
    assert main(["audit", str(tmp_path / "run")]) == 0
    assert main(["replay", str(tmp_path / "run"), "--run-law"]) == 0


def test_a_piece_is_the_same_whoever_plays_it() -> None:
    limits = limits_for()
    piece = Piece("random", 0, 5)
    first, again = played_piece(limits, PROFILE, piece), played_piece(limits, PROFILE, piece)
    assert first.on.audit == again.on.audit
    assert first.on.acted.tolist() == again.on.acted.tolist()


def test_more_commands_are_more_pieces_of_every_drawn_family() -> None:
    few, many = pieces(200_000, 1, 41), pieces(2_000_000, 1, 41)
    for family in ("random", "faults", SEARCH):
        assert sum(p.family == family for p in many) >= sum(p.family == family for p in few) > 0
    assert sum(p.family == BOUNDARY for p in few) == 41


@pytest.mark.parametrize("rule", ["R06", "R33", "R37"])
def test_the_loss_of_a_check_is_noticed_without_the_compiler_in_the_way(rule: str) -> None:
    found = hunted_apart(hunt_for(removal_of(rule)))
    assert (found.state, found.caught_by) == ("caught", (rule,))
    if rule == "R37":
        assert 37 in found.twin_trips


def test_a_copy_that_crashes_is_counted_apart_and_is_no_catch() -> None:
    broken = Removal(
        "R06", (Edit("gate", "    shut = _shut(memory.latch)\n", "    shut = memory.nothing\n"),), ("R06",)
    )
    found = hunted_apart(hunt_for(broken))
    assert found.state == "crashed"
    assert found.caught_after is None


def test_an_edit_that_does_not_fit_is_a_crash_and_no_catch() -> None:
    odd = Removal("R06", (Edit("gate", "nowhere to be found", ""),), ("R06",))
    assert hunted_apart(hunt_for(odd)).state == "crashed"


def test_shrinking_keeps_the_break_and_leaves_less() -> None:
    found = hunted_apart(hunt_for(removal_of("R06"), shrink=True))
    assert found.attack is not None
    assert found.caught_after is not None
    assert len(found.attack.ops) < found.caught_after
    assert only_demands(found.attack.ops)


@pytest.mark.slow
def test_a_campaign_fails_when_the_loss_of_a_check_goes_unnoticed(monkeypatch: pytest.MonkeyPatch) -> None:
    harmless = REMOVALS[0]._replace(edits=MUST_SURVIVE.edits)
    monkeypatch.setattr("thenar.study.challenge.REMOVALS", (harmless,))
    monkeypatch.setattr("thenar.study.challenge.REQUIREMENTS", REQUIREMENTS[:1])
    campaign = run_campaign(asked(10_000), lambda _: None)
    assert not campaign.passed
    assert campaign.record["rows"][0]["removal"]["state"] == "survived"  # type: ignore[index]
    assert MUST_DIE.rule == "all"


def test_an_unknown_profile_is_told_with_the_nearest_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["challenge", "forearm-25cm"]) == 2
    assert "forearm-25cm2" in capsys.readouterr().err


@pytest.mark.parametrize(("count", "told"), [(20, 0), (21, 1), (180, 1)])
def test_of_limits_that_differ_a_screen_holds_the_first_and_how_many_there_are(
    count: int, told: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    record = made_challenge() | {"limits_that_differ": [f"limit {number}" for number in range(count)], "passed": False}
    campaign = Campaign(record, (), limits_for())
    monkeypatch.setattr("thenar.cli.challenge.run_campaign", lambda *_: campaign)
    assert main(["challenge", PROFILE]) == 1
    lines = capsys.readouterr().out.splitlines()
    shown = [line for line in lines if line.startswith("LIMIT DIFFERS")]
    assert shown == [f"LIMIT DIFFERS: limit {number}" for number in range(20)]
    assert lines.count(f"LIMITS THAT DIFFER: {count}, of which the first 20 are shown") == told


def test_a_folder_that_is_taken_is_refused_before_anything_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "kept.txt").write_text("mine")
    assert main(["challenge", PROFILE, "--out", str(tmp_path)]) == 2
    assert (tmp_path / "kept.txt").read_text() == "mine"


@pytest.mark.campaign
def test_ten_million_decisions_without_a_single_offence() -> None:
    campaign = run_campaign(asked(10_000_000, seed=int(np.random.SeedSequence().generate_state(1)[0])), lambda _: None)
    print(json.dumps({key: value for key, value in campaign.record.items() if key != "rows"}))
    assert campaign.passed
