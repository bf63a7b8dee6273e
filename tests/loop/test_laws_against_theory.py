"""The laws themselves, in the smallest loop there is, against the reference solutions.

The plant is linear in current here (1 mA of agonist adds, 1 mA of antagonist takes away), so nothing but the law and
the lag decides. The same checks through the whole engine are elsewhere.
"""

from __future__ import annotations

import pytest

from tests.loop.small_loop import outputs, period_s
from tests.loop.theory import DelayedLag, relay_cycle, ultimate_by_root
from thenar.controller.bang_bang import BangBang, BangBangSettings
from thenar.controller.law import Law
from thenar.controller.proportional import Proportional, ProportionalSettings
from thenar.shared.signals import REST, Calibration, ChannelCalibration, Observation
from thenar.shared.ticks import us_from_s

CHANNEL = ChannelCalibration(
    sensory_mA=0.1,
    motor_mA=0.2,
    ceiling_mA=1000.0,
    width_us=200.0,
    rate_Hz=35.0,
    full_current_mA=20.0,
    spread=0.25,
    reachable_N=10.0,
)
CALIBRATION = Calibration(CHANNEL, CHANNEL, 50.0)


def run(law: Law, plant: DelayedLag, tick_s: float, target_N: float, count: int, per_tick: int = 40) -> list[float]:
    """Force at every sub-step with `law` in the loop; net current = agonist - antagonist."""

    def decide(tick: int, force_N: float) -> float:
        demand = law.decide(Observation(us_from_s(tick * tick_s), target_N, force_N, 0, 0.0, REST, REST))
        return demand.agonist.current_mA - demand.antagonist.current_mA

    return outputs(plant, tick_s, decide, count, per_tick=per_tick)


def test_the_proportional_law_starts_to_oscillate_at_the_ultimate_gain_with_the_ultimate_period() -> None:
    plant, tick_s, target_N = DelayedLag(0.8, 0.25, 0.13), 0.02, 4.0
    gain, expected_s = ultimate_by_root(plant, tick_s)

    def swing(share: float) -> tuple[float, float, float]:
        settings = ProportionalSettings(deadband_N=0.0, start="zero", gain_mA_per_N=share * gain)
        forces = run(Proportional(settings, CALIBRATION), plant, tick_s, target_N, 1000)
        settled = target_N * plant.gain * share * gain / (1.0 + plant.gain * share * gain)
        early, late = forces[4000:8000], forces[-4000:]
        return (
            max(late) - min(late),
            max(early) - min(early),
            period_s(early, tick_s / 40, settled),
        )

    late, early, found_s = swing(0.98)
    assert late < 0.7 * early
    assert found_s == pytest.approx(expected_s, rel=0.02)
    late, early, found_s = swing(1.02)
    assert late > 1.4 * early
    assert found_s == pytest.approx(expected_s, rel=0.02)


@pytest.mark.parametrize(("deadband_N", "hysteresis_N"), [(0.5, 0.3), (0.5, 0.9)])
def test_the_bang_bang_law_with_one_channel_cycles_as_the_relay_does(deadband_N: float, hysteresis_N: float) -> None:
    plant, tick_s, target_N = DelayedLag(0.8, 0.25, 0.13), 0.001, 4.0
    level_mA = 8.0
    law = BangBang(
        BangBangSettings.model_validate(
            {
                "deadband_N": deadband_N,
                "hysteresis_N": hysteresis_N,
                "minimum_dwell_ms": 0.0,
                "agonist": {"current_mA": level_mA},
                # Too much force is left to fall by itself.
                "antagonist": {"current_mA": 0.0},
            }
        ),
        CALIBRATION,
    )
    forces = run(law, plant, tick_s, target_N, 6000, per_tick=10)[-40_000:]
    below, above = target_N - deadband_N, target_N - deadband_N + hysteresis_N
    # A law that looks only every tick switches up to one tick late.
    prompt = relay_cycle(plant, 0.0, level_mA, below, above)
    late = relay_cycle(plant._replace(delay_s=plant.delay_s + tick_s), 0.0, level_mA, below, above)
    assert prompt.high - 1e-3 <= max(forces) <= late.high + 1e-3
    assert late.low - 1e-3 <= min(forces) <= prompt.low + 1e-3
    assert prompt.period_s - 1e-4 <= period_s(forces, tick_s / 10, target_N) <= late.period_s + 1e-4


def test_the_bang_bang_law_with_both_channels_is_the_two_way_relay() -> None:
    plant, tick_s, target_N = DelayedLag(0.8, 0.25, 0.13), 0.001, 0.6
    law = BangBang(
        BangBangSettings.model_validate(
            {
                "deadband_N": 0.4,
                "hysteresis_N": 0.8,
                "minimum_dwell_ms": 0.0,
                "agonist": {"current_mA": 5.0},
                "antagonist": {"current_mA": 3.0},
            }
        ),
        CALIBRATION,
    )
    forces = run(law, plant, tick_s, target_N, 6000, per_tick=10)[-40_000:]
    prompt = relay_cycle(plant, -3.0, 5.0, 0.2, 1.0)
    late = relay_cycle(plant._replace(delay_s=plant.delay_s + tick_s), -3.0, 5.0, 0.2, 1.0)
    assert prompt.high - 1e-3 <= max(forces) <= late.high + 1e-3
    assert late.low - 1e-3 <= min(forces) <= prompt.low + 1e-3
    assert prompt.period_s - 1e-4 <= period_s(forces, tick_s / 10, target_N) <= late.period_s + 1e-4
