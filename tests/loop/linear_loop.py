"""The real loop (sensor, law, interlock, gate, event order) around a plant with a textbook solution.

Only the body is replaced: force = level + y, tau y' = -y + K u(t - L), where u is the signed current of the last
pulse (agonist positive), held until the next pulse or for one pulse period. Limits are opened wide, so that the
interlock passes everything on unchanged and the loop is the textbook's.
"""

from __future__ import annotations

import math
from collections import deque
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.loop.theory import DelayedLag
from tests.scenarios.texts import SCREENED
from thenar.engine.desk import lay_desk
from thenar.engine.events import Due, EventTrial
from thenar.engine.trial import Trial, plan_trials
from thenar.safety.limits import Limits
from thenar.scenarios.loader import parse_scenario
from thenar.shared.compiled import flat_integers
from thenar.shared.ticks import Phase

TICK_US = 10_000
TICK_S = TICK_US * 1e-6
SENSOR_DELAY_MS = 50.0
_HUGE = 10**12


class LinearPlant:
    """First-order lag with a pure delay, driven by pulses; advanced exactly from change to change."""

    def __init__(self, plant: DelayedLag, level_N: float) -> None:
        self.plant, self.level_N = plant, level_N
        self.y = 0.0
        self._now_us = 0
        self._input_mA = 0.0
        self._changes: deque[tuple[int, float]] = deque()

    def pulse(self, t_us: int, current_mA: float) -> None:
        """A pulse at `t_us` acts from one delay later on, for at most one pulse period."""
        start_us = t_us + round(self.plant.delay_s * 1e6)
        while self._changes and self._changes[-1][0] >= start_us:
            self._changes.pop()
        self._changes.append((start_us, current_mA))
        self._changes.append((start_us + TICK_US, 0.0))

    def force_N(self, t_us: int) -> float:
        """Force at `t_us`, which may not lie before an earlier call's."""
        while self._changes and self._changes[0][0] <= t_us:
            change_us, current_mA = self._changes.popleft()
            self._go_to(change_us)
            self._input_mA = current_mA
        self._go_to(t_us)
        return self.level_N + self.y

    def _go_to(self, t_us: int) -> None:
        settled = self.plant.gain * self._input_mA
        self.y = settled + (self.y - settled) * math.exp(-(t_us - self._now_us) * 1e-6 / self.plant.lag_s)
        self._now_us = t_us


class LinearTrial(EventTrial):
    """The event engine with the body replaced by a `LinearPlant`."""

    def __init__(self, trial: Trial, plant: LinearPlant) -> None:
        desk = lay_desk(trial)
        self.plant = plant
        super().__init__(trial, desk._replace(limits=wide_open(trial)))

    def _wearer(self):
        yield Due(self.env, 0, Phase.WEARER)

    def _samples(self):
        plan = self.desk.plan
        for index, t_us in enumerate(plan.sampled_us.tolist()):
            yield Due(self.env, t_us - self.now_us, Phase.SAMPLE)
            self.desk.readings[index, 0] = self.plant.force_N(t_us)

    def _pulse(self, loop, channel, due_us):
        before = int(self.desk.live["pulses"][0])
        super()._pulse(loop, channel, due_us)
        if int(self.desk.live["pulses"][0]) > before:
            t_us, channel, current_uA = self.desk.pulses[before, :3].tolist()
            self.plant.pulse(t_us, current_uA * 1e-3 * (1 if channel == 0 else -1))

    def _strike(self, channel, share):
        """The muscle is not part of this loop."""

    def forces_N(self) -> NDArray[np.float64]:
        """Run to the end; the plant's force at every sample."""
        self.run()
        return self.desk.readings[:, 0].copy()


def wide_open(trial: Trial) -> NDArray[np.int64]:
    """Limits that no command of these loops reaches, as flat integers."""
    limits = trial.limits()
    channel = limits.agonist._replace(
        peak_uA=10**6, ceiling_uA=10**6, charge_pC=_HUGE, density_charge_pC=_HUGE, period_min_us=TICK_US,
        rms_uA=10**6, density_rms_uA_per_cm2=10**6, density_trip_uA_per_cm2=10**6, energy_aJ=10**18,
        power_rms_uA=10**6, rectified_pC=_HUGE, compliance_uV=10**12, slew_uA_per_s=10**9, rise_uA=10**9,
        first_step_uA=10**9, run_us=_HUGE, on_us=_HUGE, total_pC=10**18,
    )  # fmt: skip
    loop = limits.loop._replace(
        device_step_uA=1, pulse_gap_us=0, changeover_us=0, session_us=_HUGE, estimate_frozen_us=_HUGE,
        estimate_slope_mN_per_s=10**12, force_soft_mN=10**9, force_hard_mN=10**9, force_rise_mN=10**9,
        estimate_min_mN=-(10**9), estimate_max_mN=10**9, summed_share_per_mille=2_000,
    )  # fmt: skip
    return flat_integers(Limits(channel, channel, loop))


def linear_trial(law: str, target_N: float, plant: LinearPlant, seconds: float) -> LinearTrial:
    """A loop around `plant` with the law given as TOML (`[law]` and its settings)."""
    text = f"""
schema = 1
title = "linear plant"
duration_s = {seconds}
conditions = ["stimulation-only"]
[wearer]
max_pinch_N = 200.0
agonist.recruitment.rheobase_mA = 10.0
antagonist.recruitment.rheobase_mA = 10.0
[target]
program = "constant"
level_N = {target_N}
[estimator]
rate_Hz = 100.0
jitter_ms = 0.0
latency_ms = {SENSOR_DELAY_MS}
latency_jitter_ms = 0.0
noise_floor_N = 0.0
noise_share = 0.0
[clock]
control_rate_Hz = 100.0
{SCREENED}
[calibration]
source = "simulated"
rate_Hz = 100.0
{law}
"""
    (trial,) = plan_trials(parse_scenario(text, "linear.toml", Path()))
    return LinearTrial(trial, plant)
