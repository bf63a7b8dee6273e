"""What attacks the interlock is itself put to the test: it reaches bounds, replays exactly, notices what is lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.safety.interlock_bench import limits_for
from thenar.safety.attack.directed import Attack, directed
from thenar.safety.attack.grounds import alone, changed, grounds
from thenar.safety.attack.ops import CALM, FIELD, GATE, HALT, RESTART, WIDTH, Script, calm_ticks, push
from thenar.safety.attack.player import play, play_open
from thenar.safety.attack.random_ops import ODD_DEMANDS, Drawer, mutated
from thenar.safety.attack.removals import MUST_DIE, MUST_SURVIVE, REMOVALS, Edit
from thenar.safety.attack.variant import EditError, edited_sources
from thenar.safety.audit.verdicts import Verdict
from thenar.safety.decision_log import FIELDS
from thenar.safety.limits import limits_mark
from thenar.safety.requirements import REQUIREMENTS
from thenar.study.families import Piece, played_piece
from thenar.study.judged import judged, logs_of

LIMITS = limits_for()
ATTACKS = directed(LIMITS)


def test_every_requirement_has_an_attack_of_its_own() -> None:
    assert {attack.rule for attack in ATTACKS} == {row.name for row in REQUIREMENTS}


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda attack: attack.rule)
def test_each_attack_meets_its_requirement_and_the_interlock_keeps_it(attack: Attack) -> None:
    found = judged(attack.limits, *logs_of(play(attack.ops, attack.limits))).audit
    assert found.broken == ()
    assert found.row(attack.rule).verdict == Verdict.PASS


def test_the_same_attacks_break_most_requirements_with_the_interlock_off() -> None:
    broken: set[str] = set()
    for attack in ATTACKS:
        played = play_open(attack.ops, attack.limits, int(limits_mark(attack.limits)))
        broken |= set(judged(attack.limits, *logs_of(played)).audit.broken)
    # What only an interlock has can't be missed without one: a latch (R34), frozen limits (R35), a broken call (R39).
    assert {row.name for row in REQUIREMENTS} - broken <= {"R34", "R35", "R39"}


def test_drawn_troubles_of_the_estimate_are_off_gone_old_and_no_longer_renewed() -> None:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    drawer = Drawer(np.random.default_rng(seed), LIMITS)
    calm = calm_ticks(20, LIMITS.loop.control_period_us)
    drawn = [ops for _ in range(120) for ops in drawer._estimate(calm.copy())]
    changes = {name: [ops for ops in drawn if (ops[:, at] != calm[:, at]).any()] for name, at in FIELD.items()}
    assert {name for name, ops in changes.items() if ops} == {
        "estimate_mN", "estimate_known", "estimate_age_us", "estimate_count",
    }, f"seed {seed}"  # fmt: skip
    for ops in changes["estimate_count"]:
        aged_us = ops[:, FIELD["estimate_age_us"]] - calm[:, FIELD["estimate_age_us"]]
        assert (np.diff(aged_us) == LIMITS.loop.control_period_us).all(), f"seed {seed}"


def test_a_drawn_schedule_is_the_same_for_the_same_seed_and_another_for_another() -> None:
    first, again, other = (Drawer(np.random.default_rng(seed), LIMITS).schedule(500, 0.5) for seed in (1, 1, 2))
    assert first.shape == (500, WIDTH)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_drawn_schedules_under_every_ground_pass_the_auditor() -> None:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    print(f"seed {seed}")
    for name, limits in grounds(LIMITS).items():
        ops = Drawer(np.random.default_rng([seed, 7]), limits).schedule(1_500, 0.7)
        assert judged(limits, *logs_of(play(ops, limits))).audit.broken == (), f"seed {seed}, {name}"


@pytest.mark.parametrize("seed", [2167044079])
def test_questions_ahead_and_back_in_any_order_never_stretch_an_on_time_window(seed: int) -> None:
    # This drawn schedule asks the gate ahead and then for earlier times under a short on-time bound (R23).
    piece = Piece("random", 8, seed)
    found = played_piece(LIMITS, "forearm-25cm2", piece).on
    assert found.audit.broken == ()
    assert found.acted[4] > 0


def test_a_mutated_schedule_stays_playable() -> None:
    ops = mutated(ATTACKS[5].ops, np.random.default_rng(3))
    assert ops.shape == ATTACKS[5].ops.shape
    assert judged(ATTACKS[5].limits, *logs_of(play(ops, ATTACKS[5].limits))).audit.broken == ()


def test_foreign_objects_reach_the_interlock_as_faults_or_as_rest() -> None:
    assert set(ODD_DEMANDS[:, 0].tolist()) == {1, 2}
    assert not ODD_DEMANDS[ODD_DEMANDS[:, 0] > 0, 1:].any()


def test_a_restart_begins_a_new_trial_disarmed_and_a_halt_leaves_a_row() -> None:
    script = Script(20_000)
    script.ticks(1)
    script.ticks(20, push(10_000))
    script.event(HALT, 5_000)
    script.event(RESTART)
    script.ticks(1, arm=0)
    script.event(GATE, 3_000)
    _, decisions = logs_of(play(script.ops(), LIMITS))
    assert decisions.trial.tolist() == [0] * 22 + [1]
    assert (decisions.kind[21], decisions.trip[21]) == (1, 33)
    assert (decisions.state[22], decisions.trip[22]) == (0, 0)


def test_a_halt_at_once_or_while_nothing_fires_lets_no_pulse_out_before_it() -> None:
    for delay_us, fire in ((0, 1), (15_000, 0)):
        script = Script(20_000)
        script.ticks(1)
        script.ticks(20, push(10_000))
        script.ticks(1, push(10_000), fire=fire)
        last_us = 21 * 20_000
        script.event(HALT, delay_us)
        pulses, decisions = logs_of(play(script.ops(), LIMITS))
        assert len(pulses.t_us) > 5
        assert (pulses.t_us < last_us).all()
        assert (decisions.kind[-1], decisions.t_us[-1], decisions.trip[-1]) == (1, last_us + delay_us, 33)


def test_without_an_interlock_a_restart_begins_a_new_trial_at_rest_and_a_stop_means_nothing() -> None:
    script = Script(20_000)
    script.ticks(3, push(10_000))
    script.event(HALT, 5_000)
    script.ticks(2, push(10_000))
    script.event(RESTART)
    script.ticks(2)
    script.ticks(2, push(10_000))
    pulses, decisions = logs_of(play_open(script.ops(), LIMITS, 7))
    assert decisions.trial.tolist() == [0] * 5 + [1] * 4
    assert not decisions.kind.any()
    assert decisions.agonist_uA.tolist() == [10_000] * 5 + [0] * 2 + [10_000] * 2
    first = pulses.trial == 0
    assert pulses.t_us[first].tolist() == [0, 25_000, 50_000, 75_000]
    assert pulses.t_us[~first].min() >= decisions.t_us[7]
    assert (pulses.current_uA == 10_000).all()


def test_what_is_sensed_in_a_calm_schedule_is_named_in_order() -> None:
    ops = calm_ticks(2, 20_000)
    assert ops[0, FIELD["estimate_age_us"]] == CALM[2] == 30_000
    assert FIELDS.index("arm") - FIELDS.index("estimate_mN") == FIELD["arm"] - FIELD["estimate_mN"]


def test_lifting_every_other_bound_keeps_the_one_that_is_asked_for() -> None:
    assert alone(LIMITS, peak_uA=-1).agonist.peak_uA == LIMITS.agonist.peak_uA
    assert alone(LIMITS, peak_uA=5_000).agonist.peak_uA == 5_000
    with pytest.raises(KeyError, match="peek"):
        changed(LIMITS, peek_uA=1)


def test_every_requirement_has_a_removal_whose_edits_fit_the_sources() -> None:
    assert [removal.rule for removal in REMOVALS] == [row.name for row in REQUIREMENTS]
    for removal in (*REMOVALS, MUST_SURVIVE, MUST_DIE):
        texts = edited_sources((*removal.planted, *removal.edits))
        for module, text in texts.items():
            compile(text, module, "exec")


def test_an_edit_that_no_longer_fits_is_an_error_and_never_a_silent_pass() -> None:
    with pytest.raises(EditError, match="found 0 times"):
        edited_sources([Edit("gate", "this text is nowhere", "")])


def test_nothing_that_runs_a_loop_imports_the_attacks() -> None:
    here = Path(__file__).resolve().parents[2]
    for folder in ("safety", "thenar/engine", "scenarios", "controller", "plant_models"):
        for file in sorted((here / folder).glob("*.py")):
            assert "safety.attack" not in file.read_text("utf-8"), file.name
