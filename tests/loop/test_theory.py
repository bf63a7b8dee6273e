"""The reference solutions of `theory.py`.

Held against each other, against limits known in closed form, and against small simulations of their own.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.loop.small_loop import outputs, period_s
from tests.loop.theory import (
    Cycle,
    DelayedLag,
    hold_response,
    largest_pole,
    relay_cycle,
    sampled_response,
    ultimate_by_margins,
    ultimate_by_root,
)

plants = st.builds(DelayedLag, st.floats(0.2, 5.0), st.floats(0.02, 1.0), st.floats(0.03, 0.4))
ticks_s = st.sampled_from([0.001, 0.005, 0.01, 0.02])


def samples_under_gain(plant: DelayedLag, tick_s: float, gain: float, count: int, per_tick: int = 40) -> list[float]:
    """Output at the ticks of u = -gain y, from output 1."""
    return outputs(plant, tick_s, lambda _, output: -gain * output, count, start=1.0, per_tick=per_tick)[::per_tick]


def peak(samples: list[float]) -> float:
    return max(abs(y) for y in samples)


def simulated_relay(
    plant: DelayedLag, input_low: float, input_high: float, below: float, above: float
) -> tuple[Cycle, Cycle]:
    """Two cycles in a row of the relay, event by event: each crossing and each delayed switch at its own instant."""
    settle = {False: plant.gain * input_low, True: plant.gain * input_high}
    t, y = 0.0, settle[False]
    relay = seen = True
    due: list[tuple[float, bool]] = []
    extremes: list[tuple[float, float]] = []
    while len(extremes) < 8:
        goal = settle[seen]
        edge = above if relay else below
        ratio = (edge - goal) / (y - goal)
        moving_there = (goal > y) == relay and 0.0 < ratio < 1.0
        crossing = t - plant.lag_s * math.log(ratio) if moving_there else math.inf
        arrival = due[0][0] if due else math.inf
        if crossing < arrival:
            t, y = crossing, edge
            relay = not relay
            due.append((t + plant.delay_s, relay))
        else:
            y = goal + (y - goal) * math.exp(-(arrival - t) / plant.lag_s)
            t, seen = due.pop(0)
            extremes.append((t, y))
    # The first extreme is a high one: the start rises.
    cycles = []
    for first in (3, 5):
        (t_low, low), (t_high, high), (t_next, _) = extremes[first : first + 3]
        cycles.append(Cycle(low, high, t_next - t_low, t_high - t_low))
    return cycles[0], cycles[1]


@settings(max_examples=30)
@given(plants, ticks_s)
def test_margins_of_the_library_and_direct_calculation_agree(plant: DelayedLag, tick_s: float) -> None:
    by_library, by_root = ultimate_by_margins(plant, tick_s), ultimate_by_root(plant, tick_s)
    assert by_library.gain == pytest.approx(by_root.gain, rel=1e-6)
    assert by_library.period_s == pytest.approx(by_root.period_s, rel=1e-6)


@settings(max_examples=50)
@given(plants, st.sampled_from([0.005, 0.01, 0.02]))
def test_the_largest_pole_lies_on_the_unit_circle_at_the_ultimate_gain(plant: DelayedLag, tick_s: float) -> None:
    gain = ultimate_by_root(plant, tick_s).gain
    assert largest_pole(plant, tick_s, gain) == pytest.approx(1.0, abs=1e-8)
    assert largest_pole(plant, tick_s, 0.98 * gain) < 1.0 - 1e-5
    assert largest_pole(plant, tick_s, 1.02 * gain) > 1.0 + 1e-5


@pytest.mark.parametrize("delay_s", [0.1, 0.11, 0.1055, 0.02])
def test_a_simulated_loop_rings_on_at_the_ultimate_gain_with_the_ultimate_period(delay_s: float) -> None:
    plant, tick_s = DelayedLag(1.7, 0.25, delay_s), 0.02
    gain, expected_s = ultimate_by_root(plant, tick_s)
    long, window = 3000, 500
    ringing = samples_under_gain(plant, tick_s, gain, long)
    assert peak(ringing[-window:]) == pytest.approx(peak(ringing[window : 2 * window]), rel=0.01)
    assert period_s(ringing[-2000:], tick_s) == pytest.approx(expected_s, rel=1e-3)
    dying, growing = (samples_under_gain(plant, tick_s, share * gain, long) for share in (0.95, 1.05))
    assert peak(dying[-window:]) < 0.1 * peak(dying[:window])
    assert peak(growing[-window:]) > 10.0 * peak(growing[:window])


def test_without_a_hold_the_crossing_obeys_the_textbook_equation() -> None:
    """For tick -> 0: w L + atan(w tau) = pi and gain = sqrt(1 + (w tau)^2) / K, from the plant's own phase."""
    plant = DelayedLag(2.0, 0.3, 0.15)
    gain, expected_s = ultimate_by_root(plant, 1e-4)
    w = 2.0 * math.pi / expected_s
    # A tick of 0.1 ms still delays by half of itself.
    assert w * (plant.delay_s + 0.5e-4) + math.atan(w * plant.lag_s) == pytest.approx(math.pi, abs=1e-6)
    assert gain == pytest.approx(math.sqrt(1.0 + (w * plant.lag_s) ** 2) / plant.gain, rel=1e-6)


def test_the_textbook_hold_comes_close_to_the_exact_response_at_low_frequency() -> None:
    plant, tick_s = DelayedLag(1.0, 0.25, 0.1055), 0.02
    for w in (0.1, 1.0, 5.0, 15.0):
        assert abs(sampled_response(plant, tick_s, w) / hold_response(plant, tick_s, w) - 1.0) < 0.01


relays = st.tuples(
    plants,
    st.floats(-3.0, 0.0),
    st.floats(1.0, 6.0),
    st.floats(0.05, 0.95),
    st.floats(0.05, 0.95),
)


@settings(max_examples=300)
@given(relays)
def test_the_relay_cycle_is_what_an_event_exact_simulation_does(
    drawn: tuple[DelayedLag, float, float, float, float],
) -> None:
    plant, input_low, input_high, one, other = drawn
    span = input_high - input_low
    below, above = (plant.gain * (input_low + place * span) for place in sorted((one, other)))
    expected = relay_cycle(plant, input_low, input_high, below, above)
    for cycle in simulated_relay(plant, input_low, input_high, below, above):
        assert cycle == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_a_relay_with_levels_at_equal_distance_rises_as_long_as_it_falls() -> None:
    cycle = relay_cycle(DelayedLag(1.0, 0.2, 0.1), -2.0, 2.0, -0.3, 0.3)
    assert cycle.rise_s == pytest.approx(0.5 * cycle.period_s, rel=1e-12)
    assert cycle.high == pytest.approx(-cycle.low, rel=1e-12)


def test_a_relay_with_levels_at_unequal_distance_does_not() -> None:
    cycle = relay_cycle(DelayedLag(1.0, 0.2, 0.1), 0.0, 5.0, 0.7, 1.0)
    assert cycle.rise_s < 0.4 * cycle.period_s


def test_a_relay_whose_levels_cannot_reach_the_thresholds_is_refused() -> None:
    plant = DelayedLag(1.0, 0.2, 0.1)
    for arguments in ((0.0, 1.0, 0.5, 1.0), (0.5, 2.0, 0.5, 1.0), (0.0, 2.0, 1.0, 0.5)):
        with pytest.raises(ValueError, match="no cycle"):
            relay_cycle(plant, *arguments)
