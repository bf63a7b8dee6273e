"""The wearer as a controller of the own force: seen, remembered, felt, played back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import welch

from tests.plant_models.body_runs import Hold
from thenar.plant_models.settings import Cue, Noise, Production, Wearer
from thenar.plant_models.wearer import NAIVE, Sensed, WearerState, effort, noise_sd_share, wearer_params

SILENT = Noise(floor=0.0, linear=0.0, quadratic=0.0)
EXACT = Production(scatter_share=0.0, wander_share=0.0, drift_depth=0.0)
PLAIN = Wearer(fatigue_per_s=0.0, noise=SILENT, production=EXACT, cue=Cue(trust=0.0))
"""Tireless, noiseless, exact and deaf to nudges: what a test adds is all there is."""
SEEN = Sensed(6.0, *[0.0] * 8)


def changed(**changes: object) -> Wearer:
    """PLAIN with other settings."""
    return PLAIN.model_copy(update=changes)


def held_N(wearer: Wearer, target_N: float = 8.0, seconds: float = 20.0, tick_us: int = 10_000) -> NDArray[np.float64]:
    """True force of a wearer who is shown one target, N per tick."""
    hold = Hold(wearer, seconds, seed=1, tick_us=tick_us)
    hold.target_N[:] = target_N
    return hold.run()


numbers = st.floats(-1e3, 1e3)
sensed = st.builds(
    Sensed, st.floats(-1.0, 200.0), st.floats(0.0, 300.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0),
    st.floats(-50.0, 400.0), *[st.floats(-6.0, 6.0)] * 4,
)  # fmt: skip
states = st.builds(WearerState, st.floats(-1.0, 200.0), st.floats(0.0, 3.0), numbers, numbers, *[st.floats(-6, 6)] * 3)
wearers = st.builds(
    lambda target, force, gain, offset_N, trust, recording: Wearer(
        sees_target=target, sees_own_force=force, production=Production(gain=gain, offset_N=offset_N),
        cue=Cue(trust=trust), recording=recording,
    ),
    st.booleans(), st.booleans(), st.floats(0.1, 4.0), st.floats(-20.0, 20.0), st.floats(-1.0, 1.0),
    st.sampled_from(["", "hand.csv"]),
)  # fmt: skip


@given(wearers, st.booleans(), states, sensed)
def test_drive_is_always_a_share_and_the_same_senses_make_the_same_drive(
    wearer: Wearer, relaxed: bool, state: WearerState, now: Sensed
) -> None:
    params = wearer_params(wearer, 10_000, relaxed)
    kept = tuple(state)
    first, memory = effort(params, state, now)
    second, again = effort(params, state, now)
    assert (first, memory) == (second, again)
    assert tuple(state) == kept
    assert 0.0 <= first.drive <= 1.0
    assert all(math.isfinite(number) for number in (*first, *memory))
    assert abs(first.noise) <= noise_sd_share(params, 1.0) * 12.0


@given(states, sensed)
def test_a_relaxed_hand_makes_no_force_of_its_own(state: WearerState, now: Sensed) -> None:
    intended, _ = effort(wearer_params(Wearer(), 10_000, relaxed=True), state, now)
    assert intended == (0.0, 0.0)


@given(sensed, st.integers(1_000, 50_000))
def test_a_played_back_wearer_follows_the_trace_and_nothing_else(now: Sensed, tick_us: int) -> None:
    wearer = Wearer(recording="hand.csv", max_pinch_N=80.0, cue=Cue(trust=1.0), sees_own_force=True)
    intended, memory = effort(wearer_params(wearer, tick_us, relaxed=False), NAIVE, now)
    assert intended.drive == min(1.0, max(0.0, now.recorded_N / 80.0))
    assert intended.noise == 0.0
    assert memory.correction_N == 0.0


def test_a_played_back_trace_arrives_at_the_fingertip_behind_the_contact_alone() -> None:
    hold = Hold(Wearer(recording="hand.csv", contact_ms=1.0), 10.0, seed=1)
    hold.recorded_N[:] = 12.0 + 6.0 * np.sin(np.arange(hold.ticks) * 0.02)
    force = hold.run()
    np.testing.assert_allclose(force[2:], hold.recorded_N[1:-1], atol=0.001)


def test_a_target_is_held_with_the_personal_gain_and_offset() -> None:
    assert held_N(PLAIN)[-1] == pytest.approx(8.0, rel=1e-3)
    biased = changed(production=PLAIN.production.model_copy(update={"gain": 1.25, "offset_N": -0.5}))
    assert held_N(biased)[-1] == pytest.approx(9.5, rel=1e-3)


def test_sight_of_the_own_force_takes_the_bias_away() -> None:
    biased = changed(production=PLAIN.production.model_copy(update={"gain": 1.5}), sees_own_force=True)
    force = held_N(biased)
    assert force[:100].max() > 10.0
    assert force[-1] == pytest.approx(8.0, abs=0.01)


def test_nothing_is_done_before_the_first_target_can_have_been_seen() -> None:
    force = held_N(changed(visual_delay_ms=400.0, motor_delay_ms=100.0))
    assert force[:51].max() == 0.0
    assert force[60] > 0.5


def test_a_target_that_is_not_shown_is_not_followed() -> None:
    blind = changed(sees_target=False, unseen_level_N=5.0)
    hold = Hold(blind, 20.0, seed=1)
    hold.target_N[:1000], hold.target_N[1000:] = 3.0, 15.0
    force = hold.run()
    assert force[900] == pytest.approx(5.0, rel=1e-3)
    np.testing.assert_allclose(force[900:], force[900], rtol=1e-6)


def test_each_new_target_is_produced_anew_with_its_own_scatter() -> None:
    scattered = changed(production=EXACT.model_copy(update={"scatter_share": 0.2}))
    hold = Hold(scattered, 600.0, seed=4)
    steps = np.repeat(np.tile([6.0, 10.0], 100), 300)
    hold.target_N[:] = steps
    force = hold.run()
    shares = force[299::300] / steps[299::300]
    assert np.std(shares) == pytest.approx(0.2, abs=0.03)
    assert len(np.unique(np.round(shares, 6))) == 200


def test_a_target_that_barely_moves_is_not_produced_anew() -> None:
    scattered = wearer_params(changed(production=Production(scatter_share=0.2)), 10_000, relaxed=False)
    _, first = effort(scattered, NAIVE, SEEN._replace(z_scatter=1.0))
    _, same = effort(scattered, first, SEEN._replace(target_N=6.2, z_scatter=-1.0))
    _, other = effort(scattered, first, SEEN._replace(target_N=6.4, z_scatter=-1.0))
    assert first.factor == same.factor == 1.2
    assert other.factor == 0.8


@pytest.mark.parametrize("channel", [0, 1])
def test_felt_nudges_are_followed_with_trust_and_resisted_with_distrust(channel: int) -> None:
    # A full nudge for one second moves the own force by trust times 3 N, up for the agonist, down for the antagonist.
    def after_nudge(trust: float) -> float:
        hold = Hold(changed(cue=Cue(trust=trust, rate_N_per_s=3.0)), 10.0, seed=1)
        hold.target_N[:] = 8.0
        hold.felt[400:500, channel] = 1.0
        return float(hold.run()[-1])

    sign = 1.0 if channel == 0 else -1.0
    assert after_nudge(0.0) == pytest.approx(8.0, rel=1e-3)
    for trust in (1.0, 0.5, -1.0):
        assert after_nudge(trust) - after_nudge(0.0) == pytest.approx(sign * trust * 3.0, abs=0.01)


def test_a_nudge_is_felt_after_the_tactile_delay_only() -> None:
    hold = Hold(changed(cue=Cue(trust=1.0, delay_ms=200.0), motor_delay_ms=50.0), 5.0, seed=1)
    hold.target_N[:] = 8.0
    hold.felt[300:, 0] = 1.0
    force = hold.run()
    np.testing.assert_allclose(force[290:326], force[290], rtol=1e-5)
    assert force[340] > force[320] + 0.05


def test_resistance_does_not_wind_up_below_zero_force() -> None:
    hold = Hold(changed(cue=Cue(trust=1.0, rate_N_per_s=10.0)), 40.0, seed=1)
    hold.target_N[:] = 8.0
    hold.felt[500:2500, 1] = 1.0
    hold.felt[2500:2600, 0] = 1.0
    force = hold.run()
    assert force[2500] < 1e-9
    assert force[-1] == pytest.approx(8.0 - 8.0 + 10.0, abs=0.05)


@pytest.mark.parametrize("tick_us", [2_000, 5_000, 20_000])
def test_the_wearer_is_the_same_at_another_tick_rate(tick_us: int) -> None:
    # Delays that are whole ticks at every rate. What is left is the drive held for a tick.
    wearer = changed(
        sees_own_force=True,
        visual_delay_ms=220.0,
        motor_delay_ms=60.0,
        production=EXACT.model_copy(update={"gain": 1.3}),
    )
    usual = held_N(wearer)[::10]
    other = held_N(wearer, tick_us=tick_us)[:: 100_000 // tick_us]
    assert np.ptp(usual) > 8.0
    assert np.max(np.abs(other - usual)) < 0.1


@pytest.mark.parametrize("tick_us", [2_000, 10_000])
@pytest.mark.parametrize("level", [0.05, 0.3])
def test_force_noise_has_the_stated_sd_and_spectrum_at_any_tick_rate(tick_us: int, level: float) -> None:
    wearer = Wearer(fatigue_per_s=0.0, production=EXACT)
    hold = Hold(wearer, 400.0, seed=2, tick_us=tick_us)
    hold.target_N[:] = level * wearer.max_pinch_N
    hold.run()
    noise = hold.noise[round(5e6 / tick_us) :]
    stated = 0.00095 + 0.0095 * level + 0.008 * level * level
    assert noise.std() == pytest.approx(stated, rel=0.06)
    assert abs(noise.mean()) < 0.2 * stated
    # Two first-order spectra, corners 0.55 and 6 Hz, a fifth of the variance fast.
    frequency, power = welch(noise / stated, 1e6 / tick_us, nperseg=round(8e6 / tick_us))
    found = power[(frequency > 2.0) & (frequency < 20.0)].sum() * frequency[1]
    shares = [(math.atan(20.0 / corner) - math.atan(2.0 / corner)) * 2.0 / math.pi for corner in (0.55, 6.0)]
    assert found == pytest.approx(0.8 * shares[0] + 0.2 * shares[1], rel=0.15)


def test_wearers_with_other_random_numbers_hold_the_same_mean() -> None:
    wearer = changed(noise=Noise())
    holds = []
    for seed in range(6):
        hold = Hold(wearer, 60.0, seed)
        hold.target_N[:] = 20.0
        holds.append(hold.run()[1000:])
    assert np.mean(holds) == pytest.approx(20.0, rel=0.01)
    assert abs(np.corrcoef(holds)[np.triu_indices(6, 1)]).max() < 0.5


def test_an_unseen_force_wanders_slowly_by_its_stated_share_and_a_seen_one_does_not() -> None:
    wandering = changed(production=EXACT.model_copy(update={"wander_share": 0.05, "wander_tau_s": 4.0}))
    unseen = held_N(wandering, target_N=20.0, seconds=2000.0)[1000:]
    assert unseen.mean() == pytest.approx(20.0, rel=0.02)
    assert unseen.std() == pytest.approx(1.0, rel=0.15)
    lagged = np.corrcoef(unseen[:-400], unseen[400:])[0, 1]
    assert lagged == pytest.approx(np.exp(-1.0), abs=0.12)
    seen = held_N(wandering.model_copy(update={"sees_own_force": True}), target_N=20.0, seconds=60.0)[2000:]
    assert np.ptp(seen) < 1e-3
