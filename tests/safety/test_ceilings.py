"""Bounds without memory (R06 to R14, R17, R25, R29): boundary triples, and properties for all drawn inputs."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.safety.interlock_bench import Bench, ask, both, changed, limits_for, rule
from thenar.safety.ceilings import Bounded, bound_channel, bound_demand, energy_trip, keeps_ceilings, whole_root
from thenar.safety.inputs import ChannelAsked, Senses
from thenar.safety.limits import ChannelLimits, Limits
from thenar.shared.signals import Stimulus

UNKNOWN = -1
ROOMY = changed(
    limits_for(),
    peak_uA=100_000,
    ceiling_uA=100_000,
    charge_pC=50_000_000,
    density_charge_pC=50_000_000,
    width_max_us=500,
)
"""Everything before the bound under test lifted to its hard ceiling."""


def bounded(limits: ChannelLimits, current: int, width: int, period: int, ohm: int = -1, share: int = -1) -> Bounded:
    """One channel's bounds."""
    return bound_channel(limits, limits_for().loop, ChannelAsked(current, width, period), ohm, share)


def senses(ohm: int = UNKNOWN, per_mille: int = UNKNOWN) -> Senses:
    """Senses that only matter for their contact."""
    return Senses(3_000, 1, 30_000, 1, 0, 0, 1, 0, ohm, per_mille, ohm, per_mille, 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("number", "limits", "width", "period", "bound"),
    [
        (6, changed(limits_for(), ceiling_uA=50_000).agonist, 100, 25_000, 40_000),
        (7, changed(limits_for(), ceiling_uA=21_700).agonist, 100, 25_000, 21_700),
        (9, limits_for().agonist, 400, 25_000, 30_000),
        (9, limits_for().agonist, 399, 25_000, 30_075),
        (10, changed(ROOMY, density_charge_pC=8_000_000).agonist, 400, 25_000, 20_000),
        # 10 mA RMS over 1 s with all 103 pulses that 1.02 s can hold: I * sqrt(2 * 500 us * 103 / 1 s)
        (12, changed(ROOMY, period_min_us=10_000).agonist, 500, 10_000, 31_158),
        # 1 mA/cm2 on half of 8 cm2 = 4 mA RMS, with 52 pulses: I * sqrt(2 * 300 us * 52 / 1 s)
        (13, changed(ROOMY, area_mm2=800).agonist, 300, 20_000, 22_645),
        # 0.5 mA rectified over 1 s with 52 pulses: I * 2 * 400 us * 52 / 1 s
        (16, changed(limits_for(), rectified_pC=500_000_000).agonist, 400, 20_000, 12_019),
    ],
)
def test_one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it(
    number: int, limits: ChannelLimits, width: int, period: int, bound: int
) -> None:
    for current in (1, bound - 1, bound):
        assert bounded(limits, current, width, period) == Bounded(current, width, period, 0)
    for current in (bound + 1, bound + 50, 1_000_000):
        clamped = bounded(limits, current, width, period)
        assert (clamped.current_uA, clamped.width_us, clamped.period_us) == (bound, width, period)
        assert clamped.reasons & rule(number)
    assert bounded(limits, bound + 1, width, period).reasons == rule(number)


@pytest.mark.parametrize(
    ("ohm", "bound"), [(500, 40_000), (2_000, 40_000), (3_000, 40_000), (3_001, 39_986), (10_000, 12_000)]
)
def test_current_stays_where_the_voltage_it_needs_is_within_compliance(ohm: int, bound: int) -> None:
    assert bounded(limits_for().agonist, bound, 100, 25_000, ohm).reasons == 0
    clamped = bounded(limits_for().agonist, 40_000, 100, 25_000, ohm)
    assert clamped == Bounded(bound, 100, 25_000, rule(17) if bound < 40_000 else 0)


@pytest.mark.parametrize("ohm", [0, UNKNOWN])
def test_an_unknown_impedance_clamps_nothing(ohm: int) -> None:
    assert bounded(limits_for().agonist, 40_000, 100, 25_000, ohm).reasons == 0


def test_an_unknown_contact_share_counts_as_half_and_a_lifted_pad_as_none() -> None:
    limits = changed(ROOMY, area_mm2=800).agonist
    assert bounded(limits, 90_000, 300, 20_000) == bounded(limits, 90_000, 300, 20_000, share=500)
    whole = bounded(limits, 90_000, 300, 20_000, share=1_000)
    assert whole.current_uA == 45_291
    assert bounded(limits, 90_000, 300, 20_000, share=0) == Bounded(0, 0, 0, rule(13) | rule(12))


@pytest.mark.parametrize(
    ("width", "expected"),
    [
        (0, Bounded(0, 0, 0, 0)),
        (1, Bounded(0, 0, 0, rule(8))),
        (49, Bounded(0, 0, 0, rule(8))),
        (50, Bounded(10_000, 50, 25_000, 0)),
        (400, Bounded(10_000, 400, 25_000, 0)),
        (401, Bounded(10_000, 400, 25_000, rule(8))),
        (10_000, Bounded(1_200, 400, 25_000, rule(8) | rule(9) | rule(10) | rule(12) | rule(13))),
    ],
)
def test_widths_below_the_range_are_left_out_and_above_it_are_clamped(width: int, expected: Bounded) -> None:
    given_out = bounded(limits_for().agonist, 10_000, width, 25_000)
    assert given_out[:3] == expected[:3]
    if width < 10_000:
        assert given_out == expected


@pytest.mark.parametrize(
    ("period", "given_period", "fired"), [(19_999, 20_000, 11), (20_000, 20_000, 0), (20_001, 20_001, 0)]
)
def test_a_rate_above_the_bound_is_lowered(period: int, given_period: int, fired: int) -> None:
    assert bounded(limits_for().agonist, 10_000, 200, period) == Bounded(
        10_000, 200, given_period, rule(fired) if fired else 0
    )


@pytest.mark.parametrize(("current", "width", "period"), [(0, 200, 25_000), (10_000, 0, 25_000), (10_000, 200, 0)])
def test_a_zero_anywhere_stays_zero_without_a_reason(current: int, width: int, period: int) -> None:
    assert bounded(limits_for().agonist, current, width, period) == Bounded(0, 0, 0, 0)


def test_a_ceiling_of_zero_lets_nothing_through() -> None:
    assert bounded(limits_for(None).agonist, 1, 200, 25_000) == Bounded(0, 0, 0, rule(7))


@pytest.mark.parametrize(("current", "fires"), [(63_245, False), (63_246, True)])
def test_pulse_energy_trips_just_above_its_bound_once_the_others_are_lifted(current: int, fires: bool) -> None:
    # 2 mJ into 500 ohm over two phases of 500 us: I = sqrt(2e-3 / (500 * 1e-3)) = 63.246 mA
    assert bool(energy_trip(ROOMY.agonist, Bounded(current, 500, 25_000, 0))) is fires


def test_pulse_energy_cannot_reach_its_bound_at_the_defaults() -> None:
    limits = limits_for().agonist
    worst = max(
        min(limits.peak_uA, limits.charge_pC // width) ** 2 * 1_000 * width
        for width in range(limits.width_min_us, limits.width_max_us + 1)
    )
    assert worst < limits.energy_aJ


def test_energy_above_its_bound_latches_the_loop() -> None:
    bench = Bench(changed(ROOMY, energy_aJ=5 * 10**12, slew_uA_per_s=50_000, rise_uA=1_000)).armed()
    bench.run(1.0, ask(40.0, 400.0))
    assert bench.trip == 14
    assert bench.seen & rule(14)


@pytest.mark.parametrize(
    ("agonist", "antagonist", "expected"),
    [
        (40_000, 8_000, (40_000, 8_000)),
        (40_000, 8_001, (39_999, 8_000)),
        (24_000, 24_000, (24_000, 24_000)),
        (40_000, 40_000, (24_000, 24_000)),
        (1_000_000, 20_000, (32_000, 16_000)),
    ],
)
def test_both_channels_are_lowered_in_proportion_when_their_shares_add_up_to_too_much(
    agonist: int, antagonist: int, expected: tuple[int, int]
) -> None:
    pair = bound_demand(
        limits_for(), ChannelAsked(agonist, 100, 25_000), ChannelAsked(antagonist, 100, 25_000), senses()
    )
    assert (pair.agonist.current_uA, pair.antagonist.current_uA) == expected
    lowered = expected != (agonist, antagonist)
    assert bool(pair.agonist.reasons & pair.antagonist.reasons & rule(25)) is lowered


@pytest.mark.parametrize("width", [10, 100])
def test_a_channel_that_another_bound_takes_to_zero_makes_no_room_for_the_other(width: int) -> None:
    pair = bound_demand(limits_for(), ChannelAsked(40_000, width, 25_000), ChannelAsked(40_000, 100, 25_000), senses())
    assert pair.agonist.current_uA == (0 if width < 50 else 24_000)
    assert pair.antagonist.current_uA == 24_000


@pytest.mark.parametrize("ceiling_uA", [0, 1])
def test_a_channel_without_a_ceiling_counts_like_any_other_that_is_asked_for_more_than_it_may(ceiling_uA: int) -> None:
    limits = limits_for()
    limits = limits._replace(antagonist=limits.antagonist._replace(ceiling_uA=ceiling_uA))
    pair = bound_demand(limits, ChannelAsked(40_000, 100, 25_000), ChannelAsked(10_000, 100, 25_000), senses())
    assert (pair.agonist.current_uA, pair.antagonist.current_uA) == (24_000, 0)


def test_a_channel_at_rest_leaves_the_other_its_whole_share() -> None:
    pair = bound_demand(limits_for(), ChannelAsked(40_000, 100, 25_000), ChannelAsked(0, 0, 0), senses())
    assert pair.agonist == Bounded(40_000, 100, 25_000, 0)


channel_asked = st.builds(
    ChannelAsked, st.integers(0, 1_000_000), st.integers(0, 10_000), st.just(0) | st.integers(1_000, 10_000_000)
) | st.builds(ChannelAsked, st.integers(0, 60_000), st.integers(0, 600), st.integers(9_000, 60_000))
contacts = st.builds(senses, st.integers(-1, 20_000), st.integers(-1, 1_000))
looser = st.fixed_dictionaries(
    {
        "peak_uA": st.integers(100, 100_000),
        "ceiling_uA": st.integers(0, 100_000),
        "width_max_us": st.integers(50, 500),
        "width_min_us": st.integers(10, 50),
        "charge_pC": st.integers(10_000, 50_000_000),
        "density_charge_pC": st.integers(10_000, 50_000_000),
        "period_min_us": st.integers(10_000, 100_000),
        "rms_uA": st.integers(10, 50_000),
        "rectified_pC": st.integers(10**7, 10**10),
        "density_rms_uA_per_cm2": st.integers(10, 2_000),
        "area_mm2": st.integers(50, 20_000),
        "contact_assumed_per_mille": st.integers(50, 500),
        "compliance_uV": st.integers(1_000_000, 500_000_000),
        "summed_share_per_mille": st.integers(100, 2_000),
    }
)
TIGHTER_UP = {"width_min_us", "period_min_us"}
Pair = tuple[ChannelAsked, ChannelAsked]


def outputs(limits: Limits, asked: Pair, contact: Senses) -> tuple[Bounded, Bounded]:
    """Both channels after every bound without memory."""
    pair = bound_demand(limits, asked[0], asked[1], contact)
    return pair.agonist, pair.antagonist


@given(looser, st.tuples(channel_asked, channel_asked), contacts)
def test_never_more_than_asked_zero_stays_zero_and_every_bound_is_kept(
    values: dict[str, int], asked: Pair, contact: Senses
) -> None:
    limits = changed(limits_for(), **values)
    given_out = outputs(limits, asked, contact)
    for channel, want, got in zip(limits[:2], asked, given_out, strict=True):
        assert 0 <= got.current_uA <= want.current_uA
        if 0 in want:
            assert got == Bounded(0, 0, 0, 0)
        if got.current_uA == 0:
            continue
        assert limits.agonist.width_min_us <= got.width_us <= min(want.width_us, channel.width_max_us)
        assert got.period_us >= max(want.period_us, channel.period_min_us)
        assert got.current_uA <= min(channel.peak_uA, channel.ceiling_uA)
        assert got.current_uA * got.width_us <= min(channel.charge_pC, channel.density_charge_pC)
        mean_square = got.current_uA**2 * 2 * got.width_us / got.period_us
        assert got.current_uA * 2 * got.width_us / got.period_us <= channel.rectified_pC / 1e6 * (1 + 1e-9)
        share = (
            channel.contact_assumed_per_mille
            if contact.agonist_contact_per_mille < 0
            else contact.agonist_contact_per_mille
        )
        density_uA = channel.density_rms_uA_per_cm2 * channel.area_mm2 / 100 * share / 1_000
        assert mean_square <= min(channel.rms_uA**2, density_uA**2) * (1 + 1e-9)
        if contact.agonist_contact_ohm > 0:
            assert got.current_uA * contact.agonist_contact_ohm <= channel.compliance_uV
    if all(got.current_uA for got in given_out):
        shares = sum(
            got.current_uA / min(channel.peak_uA, channel.ceiling_uA)
            for channel, got in zip(limits[:2], given_out, strict=True)
        )
        assert shares <= limits.loop.summed_share_per_mille / 1_000 * (1 + 1e-9)


@given(looser, st.tuples(channel_asked, channel_asked), contacts)
def test_a_change_is_always_reported_and_a_reason_always_means_a_change(
    values: dict[str, int], asked: Pair, contact: Senses
) -> None:
    for want, got in zip(asked, outputs(changed(limits_for(), **values), asked, contact), strict=True):
        rest = 0 in want
        same = rest or got[:3] == want
        if not same:
            assert got.reasons != 0
        if rest:
            assert got.reasons == 0


@given(looser, st.tuples(channel_asked, channel_asked), contacts)
@example({}, (ChannelAsked(45_000, 450, 9_000), ChannelAsked(45_000, 450, 9_000)), senses())
def test_applying_the_bounds_twice_is_applying_them_once(values: dict[str, int], asked: Pair, contact: Senses) -> None:
    limits = changed(limits_for(), **values)
    once = outputs(limits, asked, contact)
    again = outputs(limits, (ChannelAsked(*once[0][:3]), ChannelAsked(*once[1][:3])), contact)
    assert [got[:3] for got in again] == [got[:3] for got in once]


@given(looser, st.tuples(channel_asked, channel_asked), contacts, st.data())
def test_a_tighter_limit_never_raises_any_output(
    values: dict[str, int], asked: Pair, contact: Senses, data: st.DataObject
) -> None:
    name = data.draw(st.sampled_from(sorted(values)))
    low, high = (values[name], 2 * values[name]) if name in TIGHTER_UP else (values[name] // 2, values[name])
    tight = values | {name: data.draw(st.integers(low, high))}
    loose_out = outputs(changed(limits_for(), **values), asked, contact)
    tight_out = outputs(changed(limits_for(), **tight), asked, contact)
    for loose, held in zip(loose_out, tight_out, strict=True):
        assert held.current_uA <= loose.current_uA
        if held.current_uA > 0:
            assert held.width_us <= loose.width_us
            assert held.period_us >= loose.period_us


@given(st.integers(-10, 9 * 10**18))
@example(0)
@example(3)
@example(4)
@example(2**63 - 1)
def test_the_whole_root_is_exact(value: int) -> None:
    assert whole_root(value) == (math.isqrt(value) if value > 0 else 0)


@pytest.mark.parametrize(
    ("current", "width", "period"),
    [(0, 1, 1), (40_000, 300, 20_000), (100, 50, 20_000), (24_000, 400, 10_000_000)],
)
def test_the_last_check_passes_what_lies_inside_every_bound(current: int, width: int, period: int) -> None:
    assert keeps_ceilings(limits_for().agonist, limits_for().loop, current, width, period)


@pytest.mark.parametrize(
    ("current", "width", "period"),
    [
        (-100, 200, 25_000),
        (40_100, 100, 25_000),
        (10_050, 200, 25_000),
        (10_000, 49, 25_000),
        (10_000, 401, 25_000),
        (40_000, 301, 25_000),
        (10_000, 200, 19_999),
    ],
)
def test_the_last_check_fails_one_step_outside_any_bound(current: int, width: int, period: int) -> None:
    assert not keeps_ceilings(limits_for().agonist, limits_for().loop, current, width, period)


def test_in_the_loop_a_law_that_asks_for_everything_gets_the_bounds_and_no_more() -> None:
    bench = Bench().armed()
    bench.run(3.0, both(Stimulus(400.0, 2_000.0, 400.0), Stimulus(400.0, 2_000.0, 400.0)))
    assert bench.trip == 0
    assert bench.pulses
    for channel in (0, 1):
        current, width, period = bench.level(channel)
        assert 0 < current <= 24_000
        assert width == 400
        assert period == 20_000
