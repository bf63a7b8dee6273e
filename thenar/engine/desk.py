"""A trial's working memory: flat arrays that compiled instants read and write in place."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.happenings import fault_rows, most_happenings
from thenar.engine.trial import Trial
from thenar.plant_models.body import body_params, rested_body
from thenar.plant_models.electrode import ElectrodeParams, electrode_params
from thenar.plant_models.estimator import (
    EstimatorFault,
    ReadingPlan,
    bias_knots,
    estimator_params,
    plan_readings,
)
from thenar.plant_models.handling import handling_N
from thenar.plant_models.recruitment import RecruitmentParams, recruitment_params
from thenar.plant_models.settings import Channel
from thenar.plant_models.wearer import NAIVE, wearer_params
from thenar.safety.decision_log import DECISION_SIZE
from thenar.safety.inputs import ASKED_SIZE, SENSES_SIZE
from thenar.safety.interlock import start_admitted
from thenar.safety.limits import LIMITS_SIZE
from thenar.safety.memory import start_memory
from thenar.safety.reasons import RULES
from thenar.scenarios.faults import Dropout, Jump, Stuck, length_s
from thenar.shared.columns import TRACE
from thenar.shared.compiled import flat_floats, flat_integers
from thenar.shared.noise import normals
from thenar.shared.ticks import US_PER_MS, us_from_s

_LIVE_INTEGERS: Final = (
    "body_us", "agonist_felt_us", "antagonist_felt_us", "sampled_us", "estimates", "reasons", "pulses", "decisions",
    "agonist_net_pC", "agonist_cut_short", "antagonist_net_pC", "antagonist_cut_short",
    "arm_us", "stalled", "rearm_cause", "trip", "armed", "refused", "happenings",
)  # fmt: skip
_LIVE_FLOATS: Final = (
    "drive", "noise", "handling_N", "target_N", "agonist_felt", "antagonist_felt", "agonist_contact",
    "antagonist_contact", "agonist_missing", "antagonist_missing", "agonist_ohm", "antagonist_ohm",
    "estimate_N", "stated_sd_N", "reading_N",
    "agonist_demand_mA", "agonist_demand_width_us", "antagonist_demand_mA", "antagonist_demand_width_us",
)  # fmt: skip
LIVE: Final = np.dtype(
    (np.record, [(name, np.int64) for name in _LIVE_INTEGERS] + [(name, np.float64) for name in _LIVE_FLOATS])
)
"""What holds now: one record, fields named with their units (`*_contact`, `*_missing` and `*_felt` are shares).

`trip`, `armed` and `refused` (a reasons mask) are as last noted among the happenings.
"""

NOT_YET: Final = -(10**15)
UNKNOWN_OHM: Final = -1.0
HISTORY: Final = ("target_N", "force_N", "agonist_felt", "antagonist_felt", "drive")
"""Columns of what the wearer will sense or do later, one row per wearer tick."""
WEARER_NOISE: Final = ("scatter", "wander", "slow", "fast")
"""Noise streams of the wearer, in the order of `wearer.Sensed`."""
SHORTEST_PULSE_GAP_US: Final = 10_000
"""No channel can fire faster: the hard ceiling of R11. Sizes the pulse log."""
TRACE_FLOATS: Final = tuple(column.name for column in TRACE if column.kind == "float64")
TRACE_INTEGERS: Final = tuple(column.name for column in TRACE if column.kind == "int64" and column.name != "trial")
CHANNEL_SIZE: Final = len(RecruitmentParams._fields) + len(ElectrodeParams._fields)


class Desk(NamedTuple):
    """All arrays of one running trial. Shapes: `live` (1,); per-tick arrays (ticks, ...); `knots` (2, 12).

    `faults`: (n, 4) integers as in `happenings.FaultRow`, `fault_shares` (n,); `happenings` (n, 3) integers. `memory`,
    `admitted`, `gate_out` and `counts` belong to `thenar.safety` and are handed on as they are.
    """

    live: NDArray[Any]
    body_params: NDArray[np.float64]
    body_state: NDArray[np.float64]
    channels: NDArray[np.float64]
    strike_delay_us: tuple[int, int]
    wearer_params: NDArray[np.float64]
    wearer_state: NDArray[np.float64]
    delays: NDArray[np.int64]
    history: NDArray[np.float64]
    wearer_noise: NDArray[np.float64]
    handling_N: NDArray[np.float64]
    recorded_N: NDArray[np.float64]
    estimator_params: NDArray[np.float64]
    knots: NDArray[np.float64]
    plan: ReadingPlan
    readings: NDArray[np.float64]
    limits: NDArray[np.int64]
    memory: NDArray[np.int64]
    admitted: NDArray[np.int64]
    gate_out: NDArray[np.int64]
    counts: NDArray[np.int64]
    asked: NDArray[np.int64]
    senses: NDArray[np.int64]
    pulses: NDArray[np.int64]
    decisions: NDArray[np.int64]
    faults: NDArray[np.int64]
    fault_shares: NDArray[np.float64]
    happenings: NDArray[np.int64]
    trace_floats: NDArray[np.float64]
    trace_integers: NDArray[np.int64]


def lay_desk(trial: Trial) -> Desk:
    """Fill a desk for one trial: constants packed, noise drawn, logs empty."""
    wearer, clock, label = trial.wearer, trial.clock, trial.label
    key = (trial.seed, label.wearer, label.repeat)
    body = body_params(wearer, played_back=bool(wearer.recording))
    ticks = trial.wearer_ticks
    plan = plan_readings(trial.estimator, trial.duration_us, *key, _estimator_faults(trial))
    rows = trial.duration_us // clock.trace_us + 1
    most_decisions = trial.duration_us // clock.control_us + 1 + len(trial.faults)
    limits = trial.limits()
    faults, fault_shares = fault_rows(trial)
    desk = Desk(
        live=_live(trial.arm_us),
        body_params=flat_floats(body),
        body_state=flat_floats(rested_body(body)),
        channels=np.stack([_channel(wearer.agonist), _channel(wearer.antagonist)]),
        strike_delay_us=(_us(wearer.agonist.muscle.delay_ms), _us(wearer.antagonist.muscle.delay_ms)),
        wearer_params=flat_floats(wearer_params(wearer, clock.wearer_us, trial.relaxed)),
        wearer_state=flat_floats(NAIVE),
        delays=_delays(trial),
        history=np.zeros((ticks, len(HISTORY))),
        wearer_noise=np.stack([normals(*key, f"wearer {name}", ticks) for name in WEARER_NOISE], axis=1),
        handling_N=handling_N(trial.handling, clock.wearer_us, ticks, *key),
        recorded_N=trial.recorded_N,
        estimator_params=flat_floats(estimator_params(trial.estimator)),
        knots=bias_knots(trial.estimator),
        plan=plan,
        readings=np.zeros((plan.sampled_us.size, 2)),
        limits=flat_integers(limits),
        memory=start_memory(),
        admitted=start_admitted(),
        gate_out=np.zeros(3, dtype=np.int64),
        counts=np.zeros(RULES + 1, dtype=np.int64),
        asked=np.zeros(ASKED_SIZE, dtype=np.int64),
        senses=np.zeros(SENSES_SIZE, dtype=np.int64),
        pulses=np.zeros((2 * (trial.duration_us // SHORTEST_PULSE_GAP_US + 2), 6), dtype=np.int64),
        decisions=np.zeros((most_decisions, DECISION_SIZE), dtype=np.int64),
        faults=faults,
        fault_shares=fault_shares,
        happenings=np.zeros((most_happenings(trial, most_decisions), 3), dtype=np.int64),
        trace_floats=np.zeros((rows, len(TRACE_FLOATS))),
        trace_integers=np.zeros((rows, len(TRACE_INTEGERS)), dtype=np.int64),
    )
    if desk.limits.size != LIMITS_SIZE:
        raise AssertionError(f"limits fill {desk.limits.size} places of {LIMITS_SIZE}")
    return desk


def _live(arm_us: int) -> NDArray[Any]:
    live = np.zeros(1, dtype=LIVE)
    live["arm_us"] = arm_us
    for name in ("agonist_felt_us", "antagonist_felt_us", "sampled_us"):
        live[name] = NOT_YET
    live["agonist_contact"] = live["antagonist_contact"] = 1.0
    live["agonist_ohm"] = live["antagonist_ohm"] = UNKNOWN_OHM
    live["estimate_N"] = live["stated_sd_N"] = np.nan
    return live


def _channel(channel: Channel) -> NDArray[np.float64]:
    return flat_floats((recruitment_params(channel.recruitment), electrode_params(channel.electrode)))


def _delays(trial: Trial) -> NDArray[np.int64]:
    """Visual, tactile and motor delay in whole wearer ticks, and how long a pulse is felt, in us."""
    wearer, tick_us = trial.wearer, trial.clock.wearer_us
    ticks = [
        round(delay_ms * US_PER_MS / tick_us)
        for delay_ms in (wearer.visual_delay_ms, wearer.cue.delay_ms, wearer.motor_delay_ms)
    ]
    return np.array([*ticks, _us(wearer.cue.hold_ms)], dtype=np.int64)


def _us(milliseconds: float) -> int:
    return round(milliseconds * US_PER_MS)


def _estimator_faults(trial: Trial) -> list[EstimatorFault]:
    faults = []
    for fault in trial.faults:
        start_us = us_from_s(fault.at_s)
        if isinstance(fault, Jump):
            faults.append(EstimatorFault("jump", start_us, start_us, fault.offset_N, fault.gain))
        elif isinstance(fault, Dropout | Stuck):
            faults.append(EstimatorFault(fault.kind, start_us, start_us + us_from_s(length_s(fault)), 0.0, 1.0))
    return faults
