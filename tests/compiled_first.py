"""Compile what most tests need, once and on two cores: on an empty cache each test process would compile it for itself.

`python -m tests.compiled_first`. With a full cache it takes a few seconds.
"""

from __future__ import annotations

import multiprocessing
import sys

import numpy as np

from tests.safety.interlock_bench import Bench, limits_for
from tests.thenar.engine_trials import the_trial
from thenar.engine.batch import run_trial_compiled
from thenar.engine.events import run_trial
from thenar.safety.attack.directed import directed
from thenar.safety.attack.player import play, play_open
from thenar.safety.audit.judge import DecisionLog, PulseLog, judge_log
from thenar.safety.limits import limits_mark
from thenar.safety.profile import load_profile
from thenar.study.judged import engraver_bounds

PROFILE = "forearm-25cm2"


def attacked() -> None:
    """The interlock as the attacks play it, then the loop of the batch engine, which takes the interlock in whole."""
    limits = limits_for(name=PROFILE)
    attack = directed(limits)[0]
    play(attack.ops, attack.limits)
    play_open(attack.ops, attack.limits, int(limits_mark(attack.limits)))
    run_trial_compiled(the_trial(seconds=0.2))


def judged_and_run() -> None:
    """The auditor, the event engine, and the interlock as Python calls it."""
    nothing = [np.zeros(0, np.int64) for _ in range(max(len(PulseLog._fields), len(DecisionLog._fields)))]
    pulses = PulseLog(*nothing[: len(PulseLog._fields)])
    bounds = engraver_bounds(load_profile(PROFILE), limits_for(name=PROFILE).loop.control_period_us)
    judge_log(bounds, pulses, DecisionLog(*nothing[: len(DecisionLog._fields)]))
    run_trial(the_trial(seconds=0.2))
    bench = Bench()
    bench.tick()
    bench.fire_until(0)
    bench.gate(0)


def main() -> int:
    """Both halves side by side; 0 when both ended well."""
    spawning = multiprocessing.get_context("spawn")
    halves = [spawning.Process(target=half) for half in (attacked, judged_and_run)]
    for half in halves:
        half.start()
    for half in halves:
        half.join()
    return max(abs(half.exitcode or 0) for half in halves)


if __name__ == "__main__":
    sys.exit(main())
