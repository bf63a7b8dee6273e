"""The wearer as a controller of the own force: what is intended, from what is seen, remembered and felt.

One step per wearer tick. A new target makes a new production from memory, with a personal bias and
scatter; without sight of the own force it then wanders and drifts ([@ambike-2015]: about 15 s, towards a few
percent of maximum; the wander is an assumption). With sight, the wearer integrates the delayed error
(crossover model, K e^(-tau s) / s [@mcruer-krendel-1974]). Felt stimulation moves the intention by trust
times a rate, in the nudged direction; negative trust resists. Force noise has an SD that grows with force
(settings.Noise) and two first-order spectra.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from thenar.plant_models.settings import Wearer
from thenar.shared.compiled import step
from thenar.shared.ticks import US_PER_S

NEW_TARGET_N_PER_S: Final = 30.0
"""A target that moves faster than this is produced anew, a slower one is followed (assumption)."""


class WearerParams(NamedTuple):
    """Numbers of one wearer in one condition; flags are 0.0 or 1.0, `keep_*` and `kick_*` are per tick."""

    tick_s: float
    relaxed: float
    played_back: float
    sees_target: float
    sees_own_force: float
    unseen_level_N: float
    max_pinch_N: float
    visual_gain_per_s: float
    cue_N_per_s: float
    production_gain: float
    production_offset_N: float
    scatter_share: float
    wander_share: float
    keep_wander: float
    drift_depth: float
    drift_per_s: float
    drift_neutral_N: float
    noise_floor: float
    noise_linear: float
    noise_quadratic: float
    keep_slow: float
    keep_fast: float
    kick_wander: float
    kick_slow: float
    kick_fast: float
    slow_weight: float
    fast_weight: float


class WearerState(NamedTuple):
    """Last target acted on (-1 before the first), this production's factor, corrections and noise."""

    target_N: float
    factor: float
    correction_N: float
    drift_N: float
    wander: float
    slow: float
    fast: float


class Sensed(NamedTuple):
    """What reaches the wearer now, each already late by its own delay, and this tick's random numbers."""

    target_N: float
    own_force_N: float
    felt_agonist: float
    felt_antagonist: float
    recorded_N: float
    z_scatter: float
    z_wander: float
    z_slow: float
    z_fast: float


class Effort(NamedTuple):
    """Drive and its noise, both as shares of maximum."""

    drive: float
    noise: float


NAIVE: Final = WearerState(-1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def wearer_params(wearer: Wearer, tick_us: int, relaxed: bool) -> WearerParams:
    """Step parameters for a tick in us; `relaxed` wearers (stimulation alone) make no force themselves."""
    tick_s = tick_us / US_PER_S
    production, noise = wearer.production, wearer.noise
    keep_wander = math.exp(-tick_s / production.wander_tau_s)
    keep_slow = math.exp(-2.0 * math.pi * noise.slow_Hz * tick_s)
    keep_fast = math.exp(-2.0 * math.pi * noise.fast_Hz * tick_s)
    return WearerParams(
        tick_s=tick_s,
        relaxed=1.0 if relaxed else 0.0,
        played_back=1.0 if wearer.recording else 0.0,
        sees_target=1.0 if wearer.sees_target else 0.0,
        sees_own_force=1.0 if wearer.sees_own_force else 0.0,
        unseen_level_N=wearer.unseen_level_N,
        max_pinch_N=wearer.max_pinch_N,
        visual_gain_per_s=wearer.visual_gain_per_s,
        cue_N_per_s=wearer.cue.trust * wearer.cue.rate_N_per_s,
        production_gain=production.gain,
        production_offset_N=production.offset_N,
        scatter_share=production.scatter_share,
        wander_share=production.wander_share,
        keep_wander=keep_wander,
        drift_depth=production.drift_depth,
        drift_per_s=1.0 / production.drift_tau_s,
        drift_neutral_N=production.drift_neutral_share * wearer.max_pinch_N,
        noise_floor=noise.floor,
        noise_linear=noise.linear,
        noise_quadratic=noise.quadratic,
        keep_slow=keep_slow,
        keep_fast=keep_fast,
        kick_wander=_kick(keep_wander),
        kick_slow=_kick(keep_slow),
        kick_fast=_kick(keep_fast),
        slow_weight=math.sqrt(1.0 - noise.fast_share),
        fast_weight=math.sqrt(noise.fast_share),
    )


def _kick(keep: float) -> float:
    """What first-order noise takes up at a tick so that its variance stays one, when it keeps a share `keep`."""
    return math.sqrt(1.0 - keep * keep)


@step
def noise_sd_share(params: WearerParams, share: float) -> float:
    """SD of force noise over maximum, at a force of `share` of maximum."""
    return params.noise_floor + params.noise_linear * share + params.noise_quadratic * share * share


@step
def wandered(value: float, keep: float, kick: float, z: float) -> float:
    """The next value of first-order noise that keeps a share `keep` per tick and takes up `kick` of a new number."""
    return keep * value + kick * z


@step
def effort(params: WearerParams, state: WearerState, sensed: Sensed) -> tuple[Effort, WearerState]:
    """Drive and noise for the coming tick, and the wearer's new memory."""
    slow = wandered(state.slow, params.keep_slow, params.kick_slow, sensed.z_slow)
    fast = wandered(state.fast, params.keep_fast, params.kick_fast, sensed.z_fast)
    if params.relaxed > 0.0:
        return Effort(0.0, 0.0), WearerState(-1.0, 1.0, 0.0, 0.0, 0.0, slow, fast)
    if params.played_back > 0.0:
        share = min(1.0, max(0.0, sensed.recorded_N / params.max_pinch_N))
        return Effort(share, 0.0), WearerState(sensed.target_N, 1.0, 0.0, 0.0, 0.0, slow, fast)
    target_N = sensed.target_N
    if params.sees_target == 0.0:
        target_N = params.unseen_level_N
    if target_N < 0.0:
        # Nothing has been seen yet: the hand is at rest.
        return Effort(0.0, 0.0), WearerState(-1.0, 1.0, 0.0, 0.0, 0.0, slow, fast)
    factor, correction_N, drift_N, wander = state.factor, state.correction_N, state.drift_N, state.wander
    if abs(target_N - state.target_N) > NEW_TARGET_N_PER_S * params.tick_s:
        factor = max(0.0, 1.0 + params.scatter_share * sensed.z_scatter)
        correction_N, drift_N, wander = 0.0, 0.0, 0.0
    produced_N = max(0.0, params.production_gain * factor * target_N + params.production_offset_N)
    correction_N += params.cue_N_per_s * (sensed.felt_agonist - sensed.felt_antagonist) * params.tick_s
    if params.sees_own_force > 0.0:
        correction_N += params.visual_gain_per_s * (target_N - sensed.own_force_N) * params.tick_s
        drift_N, wander = 0.0, 0.0
    # The intention can't fall below zero, and a correction must not wind up beyond that.
    correction_N = max(correction_N, -produced_N)
    if params.sees_own_force == 0.0:
        settled_N = -params.drift_depth * (produced_N + correction_N - params.drift_neutral_N)
        drift_N += (settled_N - drift_N) * params.drift_per_s * params.tick_s
        wander = wandered(wander, params.keep_wander, params.kick_wander, sensed.z_wander)
    wander_N = params.wander_share * wander * produced_N
    share = min(1.0, max(0.0, (produced_N + correction_N + drift_N + wander_N) / params.max_pinch_N))
    mixed = params.slow_weight * slow + params.fast_weight * fast
    noise = noise_sd_share(params, share) * mixed
    return Effort(share, noise), WearerState(target_N, factor, correction_N, drift_N, wander, slow, fast)
