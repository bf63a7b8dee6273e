"""Properties of a whole control tick, from memories that attacks have left behind: R37, R38, R33, and monotony."""

from __future__ import annotations

from functools import cache

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.safety.attacks import LIMIT_SETS, attack
from tests.safety.interlock_bench import PERIOD_US, PLAIN, Bench, changed, rule
from thenar.safety.inputs import Asked, ChannelAsked, Senses
from thenar.safety.interlock import Admitted, admit
from thenar.safety.limits import Limits, limits_mark
from thenar.safety.memory import Memory, unpack_memory
from thenar.safety.reasons import RULES

TIGHTER_IS_LESS = (
    "peak_uA", "ceiling_uA", "width_max_us", "charge_pC", "density_charge_pC", "rms_uA", "density_rms_uA_per_cm2",
    "area_mm2", "contact_assumed_per_mille", "energy_aJ", "rectified_pC", "compliance_uV", "slew_uA_per_s", "rise_uA",
    "width_slew_us_per_s", "width_rise_us", "intensity_slew_pC_per_s2",
    "first_step_uA", "ramp_us", "summed_share_per_mille", "valid_us", "estimate_max_mN", "estimate_slope_mN_per_s",
    "estimate_frozen_us", "estimate_ramp_us", "estimate_trip_us", "implausible_trip_us", "force_soft_mN",
    "force_hard_mN", "force_rise_mN", "heartbeat_ramp_us", "heartbeat_trip_us", "tick_max_us", "command_trip_us",
    "session_us", "faults_in_a_row", "ohm_max", "run_us", "on_us",
)  # fmt: skip
TIGHTER_IS_MORE = (
    "width_min_us", "intensity_width_us", "period_min_us", "ohm_min", "rest_us", "recovery_us", "tick_min_us",
)  # fmt: skip

channels = st.builds(
    ChannelAsked, st.integers(0, 60_000), st.integers(0, 600), st.just(0) | st.integers(9_000, 200_000)
) | st.just(ChannelAsked(0, 0, 0))
demands = st.builds(Asked, st.sampled_from([0, 0, 0, 0, 1, 2]), channels, channels)
mostly = st.sampled_from([0] * 8 + [1])
senses = st.builds(
    Senses,
    estimate_mN=st.integers(-6_000, 60_000) | st.integers(2_000, 6_000),
    estimate_known=st.sampled_from([1] * 9 + [0]),
    estimate_age_us=st.integers(0, 100_000) | st.integers(-1, 900_000),
    estimate_count=st.integers(0, 5_000),
    law_fault=st.sampled_from([0] * 8 + [1, 2]),
    stop=mostly,
    arm=st.sampled_from([1] * 8 + [0]),
    rearm_cause=st.integers(0, RULES),
    agonist_contact_ohm=st.just(-1) | st.integers(0, 12_000),
    agonist_contact_per_mille=st.just(-1) | st.integers(0, 1_000),
    antagonist_contact_ohm=st.just(-1) | st.integers(0, 12_000),
    antagonist_contact_per_mille=st.just(-1) | st.integers(0, 1_000),
    agonist_net_pC=st.just(0) | st.integers(-(10**8), 10**8),
    agonist_cut_short=mostly,
    antagonist_net_pC=st.just(0) | st.integers(-(10**8), 10**8),
    antagonist_cut_short=mostly,
)
Situation = tuple[Limits, Memory, int]


@cache
def situation(name: str, seed: int, ticks: int) -> Situation:
    """Limits, memory and time after an attack."""
    bench = Bench(LIMIT_SETS[name])
    attack(bench, np.random.default_rng(seed), ticks, calm=0.995)
    return bench.limits, unpack_memory(bench.memory), bench.t_us


situations = st.builds(
    situation, st.sampled_from(sorted(LIMIT_SETS)), st.integers(0, 8), st.sampled_from([3, 20, 60, 150])
)
gaps = st.just(PERIOD_US) | st.integers(-5, 300_000)


def both_channels(admitted: Admitted) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    """(current, width, period) of each channel."""
    return (
        (admitted.agonist_current_uA, admitted.agonist_width_us, admitted.agonist_period_us),
        (admitted.antagonist_current_uA, admitted.antagonist_width_us, admitted.antagonist_period_us),
    )


@settings(max_examples=120 if PLAIN else 300)
@given(situations, demands, senses, gaps)
def test_a_tick_never_gives_more_than_was_asked_and_reports_every_change(
    found: Situation, demand: Asked, sensed: Senses, gap_us: int
) -> None:
    limits, memory, t_us = found
    admitted, after, reasons = admit(limits, memory, demand, sensed, t_us + gap_us)
    for asked, got, past in zip(demand[1:], both_channels(admitted), (memory.agonist, memory.antagonist), strict=True):
        if sensed.law_fault == 2:
            asked = ChannelAsked(*past.command[:3])  # noqa: PLW2901
        rest = 0 in asked
        unusable = sensed.law_fault == 1 or (sensed.law_fault == 0 and demand.fault != 0)
        if rest or unusable:
            assert got == (0, 0, 0)
        elif got[0] > 0:
            assert got[0] <= asked.current_uA
            assert got[1] <= asked.width_us
            assert got[2] >= asked.period_us
        if not rest and got != asked:
            assert reasons != 0
    if after.latch.trip:
        assert both_channels(admitted) == ((0, 0, 0), (0, 0, 0))
    if sensed.stop:
        assert after.latch.trip == 33
        assert reasons & rule(33)
    assert reasons & rule(37) == 0


@settings(max_examples=160 if PLAIN else 400)
@given(situations, demands, senses, gaps, st.sampled_from(TIGHTER_IS_LESS + TIGHTER_IS_MORE), st.data())
def test_a_tick_under_one_tighter_limit_never_gives_more(
    found: Situation, demand: Asked, sensed: Senses, gap_us: int, name: str, data: st.DataObject
) -> None:
    limits, memory, t_us = found
    value = getattr(limits.agonist, name, None) or getattr(limits.loop, name, None) or 0
    share = data.draw(st.integers(0, 100))
    tight = changed(limits, **{name: value * share // 100 if name in TIGHTER_IS_LESS else value * (100 + share) // 100})
    marked = memory._replace(latch=memory.latch._replace(mark=limits_mark(tight)))
    loose_out, _, reasons = admit(limits, memory, demand, sensed, t_us + gap_us)
    # A shorter ramp is tighter while it runs, but an on-time that ends (R23) lasts that much longer before it begins.
    assume(name != "ramp_us" or reasons & rule(23) == 0)
    tight_out, _, _ = admit(tight, marked, demand, sensed, t_us + gap_us)
    for loose, held in zip(both_channels(loose_out), both_channels(tight_out), strict=True):
        assert held[0] <= loose[0]
        if held[0] > 0:
            assert held[1] <= loose[1]
            assert held[2] >= loose[2]
    if sensed.law_fault != 2:  # a ramp needs fresh commands where a held one only ages
        assert tight_out.expires_us <= loose_out.expires_us
