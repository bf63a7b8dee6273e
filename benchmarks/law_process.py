"""What it costs to keep a user's law in a process of its own: ms per 120 s trial, beside shipped and trusted laws."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from benchmarks.event_engine import demo_trial
from thenar.controller.law_process import AwayLaw
from thenar.controller.registry import LawSettings
from thenar.engine.batch import run_trial_compiled
from thenar.engine.events import run_trial
from thenar.engine.trial import Trial, law_of
from thenar.shared.signals import REST, Observation

ROUNDS = 5
ASKED = 20_000
OWN_LAWS = """
from thenar import SteppedLaw
from thenar.shared.signals import REST, Demand, Stimulus


class Plain:
    def __init__(self, settings, calibration):
        own = calibration.agonist
        self.push = Stimulus(own.motor_mA * 1.2, own.width_us, 40.0)

    def decide(self, observation):
        return Demand(self.push if observation.target_N - observation.estimate_N > 1.0 else REST, REST)


class Compiled(SteppedLaw):
    def __init__(self, settings, calibration):
        own = calibration.agonist
        super().__init__(numbers=[own.motor_mA * 1.2, own.width_us, 40.0], memory=[])

    @staticmethod
    def step(numbers, memory, seen, asked):
        too_low = seen[1] - seen[2] > 1.0
        for place in range(6):
            asked[place] = numbers[place] if too_low and place < 3 else 0.0
"""


def least_ms(run: Callable[[], object]) -> float:
    """Least real time of a few runs, ms; the first, which loads and compiles, isn't counted."""
    run()
    taken = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        run()
        taken.append(1e3 * (time.perf_counter() - begun))
    return min(taken)


def round_trip_us(trial: Trial) -> float:
    """One observation there and one demand back, us, on average."""
    law = law_of(trial)
    if not isinstance(law, AwayLaw):
        raise TypeError("the law is not in a process of its own")
    seen = Observation(0, 6.0, 5.0, 20_000, 0.1, REST, REST)
    law.answer(seen, 10.0)
    begun = time.perf_counter()
    for _ in range(ASKED):
        law.answer(seen, 10.0)
    taken = time.perf_counter() - begun
    law.close()
    return 1e6 * taken / ASKED


def measure() -> str:
    """The lines of the table."""
    lines = []
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "own.py").write_text(OWN_LAWS, "utf-8")
        shipped = demo_trial()
        lines.append(f"shipped law, event engine: {least_ms(lambda: run_trial(shipped)):.0f} ms")
        lines.append(f"shipped law, batch engine: {least_ms(lambda: run_trial_compiled(shipped)):.1f} ms")
        for name in ("Plain", "Compiled"):
            law = LawSettings.model_validate({"file": "own.py", "class": name})
            apart = replace(shipped, law=law, law_base=Path(folder), trust_law=False)
            here = replace(apart, trust_law=True)
            begun = time.perf_counter()
            law_of(apart)
            started_ms = 1e3 * (time.perf_counter() - begun)
            lines.append(
                f"{name.lower()} law, own process: {least_ms(lambda apart=apart: run_trial(apart)):.0f} ms "
                f"(started once in {started_ms:.0f} ms; {round_trip_us(apart):.0f} us a round trip)"
            )
            lines.append(f"{name.lower()} law, trusted, event engine: {least_ms(lambda h=here: run_trial(h)):.0f} ms")
        lines.append(f"compiled law, trusted, batch engine: {least_ms(lambda: run_trial_compiled(here)):.1f} ms")
    return "\n".join(lines)


if __name__ == "__main__":
    print(measure())
