"""The same trial twice is the same to the last bit; what differs between trials, and what may not."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.thenar.engine_trials import RAGGED, columns_of, differing, digest_of, fault, planned, the_trial
from thenar.engine.desk import lay_desk
from thenar.engine.events import run_trial
from thenar.engine.trial import Trial
from thenar.shared.ticks import US_PER_S

PLAIN = os.environ.get("NUMBA_DISABLE_JIT") == "1"
ROOT = Path(__file__).resolve().parents[2]
RANDOM_STEPS = '[target]\nprogram = "steps"\nlevels_N = [3.0, 5.0, 7.0, 9.0]\nevery_s = 0.5'
TWO_WEARERS = '[[wearers]]\nname = "engraver"\n[[wearers]]\nname = "jeweller"'
EVERY_CONDITION = '"unassisted", "assisted", "stimulation-only"'
PLANNED = ("sampled_us", "arrives_us", "unit_noise", "offset_N", "gain", "mode")


def plan_of(*more: str, conditions: str = EVERY_CONDITION, seed: int = 3) -> dict[tuple[str, int, str], Trial]:
    """Trials by wearer, repeat and condition: everything that is drawn at random is on."""
    trials = planned(RAGGED, RANDOM_STEPS, *more, conditions=conditions, seed=seed)
    return {(t.label.wearer_name, t.label.repeat, t.label.condition): t for t in trials}


def luck_of(trial: Trial) -> dict[str, bytes]:
    """All that chance decides in a trial, before anybody acts."""
    desk = lay_desk(trial)
    drawn = {name: getattr(desk.plan, name).tobytes() for name in PLANNED}
    drawn |= {"wearer": desk.wearer_noise.tobytes(), "handling": desk.handling_N.tobytes()}
    return drawn | {"target_us": trial.target_us.tobytes(), "target_N": trial.target_N.tobytes()}


def test_a_trial_run_twice_is_the_same_to_the_last_bit() -> None:
    for trial in plan_of().values():
        assert differing(run_trial(trial), run_trial(trial)) == []


def test_what_ran_before_leaves_nothing_behind() -> None:
    first, *others = plan_of(TWO_WEARERS).values()
    alone = run_trial(first)
    for other in others:
        run_trial(other)
    assert differing(alone, run_trial(first)) == []


def test_planning_again_gives_the_same_trials() -> None:
    one, other = plan_of(TWO_WEARERS), plan_of(TWO_WEARERS)
    assert list(one) == list(other)
    assert [luck_of(trial) for trial in one.values()] == [luck_of(trial) for trial in other.values()]


def test_another_wearer_repeat_or_seed_meets_other_noise_and_other_targets() -> None:
    plans = plan_of(TWO_WEARERS, "repeats = 2", conditions='"assisted"')
    base = ("engraver", 0, "assisted")
    others = [plans["jeweller", 0, "assisted"], plans["engraver", 1, "assisted"]]
    others.append(plan_of(TWO_WEARERS, conditions='"assisted"', seed=4)[base])
    own, result = luck_of(plans[base]), run_trial(plans[base])
    for other in others:
        drawn = luck_of(other)
        same = {name for name in drawn if drawn[name] == own[name]}
        assert same <= {"target_us"}, "steps come at fixed times, all else is drawn anew"
        assert {"trace force_N", "trace estimate_N", "trace target_N"} <= set(differing(result, run_trial(other)))


@pytest.mark.parametrize("repeat", [0, 1])
def test_conditions_of_one_wearer_and_repeat_meet_the_same_luck(repeat: int) -> None:
    plans = plan_of(TWO_WEARERS, "repeats = 2")
    unassisted, assisted, alone = (
        luck_of(plans["jeweller", repeat, name]) for name in ("unassisted", "assisted", "stimulation-only")
    )
    assert unassisted == assisted == alone
    strengths = np.frombuffer(assisted["handling"])
    assert np.abs(strengths).max() > 0, "there are strokes to be shared"


def test_another_gain_meets_the_same_luck() -> None:
    plans = [plan_of(f'[law]\nname = "proportional"\nsettings.gain_fraction_per_N = {gain}') for gain in (0.01, 0.05)]
    weak, strong = (plan["wearer", 0, "assisted"] for plan in plans)
    assert luck_of(weak) == luck_of(strong)
    assert "trace force_N" in differing(run_trial(weak), run_trial(strong)), "the gain matters"


def results_of(plans: dict[tuple[str, int, str], Trial]) -> dict[tuple[str, int, str], dict[str, bytes]]:
    """Every column of every trial, by wearer, repeat and condition."""
    return {key: columns_of(run_trial(trial)) for key, trial in plans.items()}


def test_a_further_repeat_wearer_or_condition_changes_no_other_trial() -> None:
    one_wearer = '[[wearers]]\nname = "engraver"'
    few = results_of(plan_of(one_wearer, conditions='"assisted"'))
    for more in (
        plan_of(one_wearer, "repeats = 3", conditions='"assisted"'),
        plan_of(TWO_WEARERS, conditions='"assisted"'),
        plan_of(one_wearer, conditions=EVERY_CONDITION),
    ):
        assert len(more) > len(few)
        found = results_of({key: more[key] for key in few})
        assert found == few


def test_a_larger_population_begins_with_the_smaller_one() -> None:
    three = planned(RAGGED, "[population]\ncount = 3")
    five = planned(RAGGED, "[population]\ncount = 5")
    assert [trial.wearer for trial in five[:3]] == [trial.wearer for trial in three]
    assert differing(run_trial(three[2]), run_trial(five[2])) == []
    assert len({trial.wearer.max_pinch_N for trial in five}) == 5


def test_a_fault_changes_nothing_before_it_happens() -> None:
    calm, jolted = the_trial(RAGGED), the_trial(RAGGED, fault("jump", 2.0, gain=0.5, offset_N=3.0))
    one, other = run_trial(calm).trace, run_trial(jolted).trace
    before = one["t_us"] < 2 * US_PER_S
    for name in one:
        assert one[name][before].tobytes() == other[name][before].tobytes(), name
    assert one["estimate_N"][~before].tobytes() != other["estimate_N"][~before].tobytes()


def short_trials() -> list[Trial]:
    """Two seconds of each condition, with strokes, jumps, dropouts and a stop."""
    extra = (fault("emergency-stop", 1.4), fault("re-arm", 1.6, cause="R33"))
    return planned(RAGGED, RANDOM_STEPS, *extra, seconds=2.0, conditions=EVERY_CONDITION)


def test_compiled_and_plain_steps_give_the_same_trial_to_the_last_bit() -> None:
    """The other way of running is a process of its own: the switch is read when thenar is imported."""
    other_way = {**os.environ, "NUMBA_DISABLE_JIT": "0" if PLAIN else "1", "PYTHONPATH": str(ROOT)}
    other = subprocess.run(
        [sys.executable, "-m", "tests.thenar.test_engine_repeats"],
        capture_output=True, text=True, check=True, cwd=ROOT, env=other_way,
    )  # fmt: skip
    results = [run_trial(trial) for trial in short_trials()]
    assert sum(result.pulses["t_us"].size for result in results) > 40
    assert other.stdout.split() == [str(not PLAIN), digest_of(results)]


if __name__ == "__main__":
    print(PLAIN, digest_of([run_trial(trial) for trial in short_trials()]))
