"""What a calibration session would find on a simulated wearer: thresholds, ceiling, reach, maximum.

Exact by itself; a session with steps, reports that vary and a force sensor's error finds it only nearly (`found_by`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from thenar.plant_models.muscle import muscle_params, plateau_factor_ms
from thenar.plant_models.recruitment import motor_threshold_mA, recruitment_params
from thenar.plant_models.settings import Channel, Muscle, Wearer
from thenar.shared.noise import stream
from thenar.shared.signals import Calibration, ChannelCalibration

ABOVE: Final = 1.0001
"""What lies above another current lies above it by a hair at least."""
# Asked once per wearer, from Python: as plain Python it needs no compiling and gives the same bits.
_THRESHOLD_MA: Final = getattr(motor_threshold_mA, "py_func", motor_threshold_mA)


def calibrate(wearer: Wearer, width_us: float, rate_Hz: float) -> Calibration:
    """The wearer's calibration at a pulse width in us and a rate in Hz (both above zero)."""
    return Calibration(
        agonist=_channel(wearer.agonist, width_us, rate_Hz, 1.0),
        antagonist=_channel(wearer.antagonist, width_us, rate_Hz, wearer.lever_ratio),
        max_pinch_N=wearer.max_pinch_N,
    )


class Session(NamedTuple):
    """How a session errs.

    `step_mA`: of the staircase, 0 for none; `report_sd`: SD of the log of one report of what is felt, seen or
    comfortable; `force_sd`: SD of the log of one measured force; `repeats`: of each, averaged.
    """

    step_mA: float
    report_sd: float
    force_sd: float
    repeats: int


def found_by(session: Session, exact: Calibration, seed: int, wearer: int) -> Calibration:
    """What one session finds of `exact`. `seed`, `wearer` (from 0): whose session it is.

    Thresholds are the first step at which they are reported, the ceiling the last one below discomfort; it is never put
    below the motor threshold found.
    """
    draws = stream(seed, wearer, 0, "calibration session")
    return Calibration(
        _found_channel(session, exact.agonist, draws), _found_channel(session, exact.antagonist, draws),
        exact.max_pinch_N * _misread(session.force_sd, session.repeats, draws),
    )  # fmt: skip


def _found_channel(session: Session, exact: ChannelCalibration, draws: np.random.Generator) -> ChannelCalibration:
    sensory_mA = _reported_mA(session, exact.sensory_mA, math.ceil, draws)
    motor_mA = max(_reported_mA(session, exact.motor_mA, math.ceil, draws), sensory_mA * ABOVE)
    ceiling_mA = max(_reported_mA(session, exact.ceiling_mA, math.floor, draws), motor_mA)
    half_mA = exact.full_current_mA * _misread(session.report_sd, session.repeats, draws)
    return exact._replace(
        sensory_mA=sensory_mA, motor_mA=motor_mA, ceiling_mA=ceiling_mA, full_current_mA=max(half_mA, motor_mA * ABOVE),
        reachable_N=exact.reachable_N * _misread(session.force_sd, session.repeats, draws),
    )  # fmt: skip


def _reported_mA(
    session: Session, true_mA: float, to_step: Callable[[float], int], draws: np.random.Generator
) -> float:
    """The mean over repeats of the step at which a current is reported, mA; one step at least."""
    reports = (true_mA * np.exp(session.report_sd * draws.standard_normal(session.repeats))).tolist()
    if session.step_mA > 0.0:
        reports = [max(1, to_step(report / session.step_mA)) * session.step_mA for report in reports]
    return float(np.mean(reports))


def _misread(sd: float, repeats: int, draws: np.random.Generator) -> float:
    """A factor on what is measured: the mean of so many readings."""
    return float(np.mean(np.exp(sd * draws.standard_normal(repeats))))


def _channel(channel: Channel, width_us: float, rate_Hz: float, lever: float) -> ChannelCalibration:
    axons = channel.recruitment
    motor_mA: float = _THRESHOLD_MA(recruitment_params(axons), width_us)
    return ChannelCalibration(
        sensory_mA=axons.sensory_over_motor * motor_mA,
        motor_mA=motor_mA,
        ceiling_mA=axons.tolerance_over_motor * motor_mA,
        width_us=width_us,
        rate_Hz=rate_Hz,
        full_current_mA=axons.median_over_motor * motor_mA,
        spread=axons.spread,
        reachable_N=lever * fused_N(channel.muscle, rate_Hz),
    )


def fused_N(muscle: Muscle, rate_Hz: float) -> float:
    """Mean force in N of a long unfatigued train at `rate_Hz` Hz with everything recruited (closed form)."""
    p = muscle_params(muscle)
    if p.twitch_N > 0.0:
        return p.twitch_N * math.e * p.tau_c_ms * 1e-3 * rate_Hz
    return p.A_rest * plateau_factor_ms(p.tau_c_ms, p.km_rest, p.tau1_rest_ms, p.tau2_ms, rate_Hz)
