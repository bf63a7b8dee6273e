"""The figures of `thenar limits` against worked points, integrals, published ceilings and Shannon's rule.

Sources, with what was read: [@cfr-882-5891] (quantities and the loads of 500, 2,000 and 10,000 ohm: read) and
[@cfr-890-5850]; [@iec-60601-2-10] as its summaries tell it (300 mJ into 500 ohm, 500 V, 2 mA/cm2: read there; 50 mA RMS
up to 400 Hz and the open-circuit condition: from memory); the regulator's guidance on powered muscle stimulators
[@fda-1999-guidance] (0.25 W/cm2: read in a summary); [@shannon-1992] (the rule, k 1.85: read; k 1.5: from memory).
Nothing here is a clinical limit.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from tests.safety.interlock_bench import limits_for
from thenar.plant_models import pulse
from thenar.safety.bounds import CHANNEL, LOAD_OHM
from thenar.safety.derived import (
    TEST_LOADS_OHM,
    charge_uC,
    energy_mJ,
    power_density_W_per_cm2,
    rectified_mA,
    rms_mA,
    shannon_k,
    standings,
    worst_figures,
)
from thenar.safety.profile import load_profile

# Worked by hand, symmetric biphasic, R = 500 ohm (quantities of 21 CFR 882.5891):
# mA, us, Hz, cm2 | uC, uC/cm2, mA rms, mA/cm2, mA average, mJ, mW/cm2
# Row three: 6.1968 mA on 8 cm2 is 0.7746 mA/cm2, so 0.77. The table that this comes from says 0.78: 6.20 / 8 = 0.775
# was rounded a second time.
POINTS = [
    (20, 200, 30, 25.0, "4", "0.16", "2.19", "0.09", "0.24", "0.08", "0.1"),
    (40, 300, 40, 25.0, "12", "0.48", "6.20", "0.25", "0.96", "0.48", "0.8"),
    (40, 300, 40, 8.0, "12", "1.50", "6.20", "0.775", "0.96", "0.48", "2.4"),
    (100, 500, 50, 25.0, "50", "2.0", "22.4", "0.89", "5.0", "5.0", "10"),
    (100, 500, 100, 12.5, "50", "4.0", "31.6", "2.53", "10", "5.0", "40"),
]


def half_a_digit(shown: str) -> float:
    """Half a unit of the last digit shown."""
    return 0.5001 * 10.0 ** -len(shown.partition(".")[2])


@pytest.mark.parametrize("point", POINTS, ids=str)
def test_the_five_worked_points_come_out_to_their_last_digit(point: tuple[float | str, ...]) -> None:
    current, width, rate, area = (float(number) for number in point[:4])
    rms = rms_mA(current, width, rate)
    found = (
        charge_uC(current, width),
        charge_uC(current, width) / area,
        rms,
        rms / area,
        rectified_mA(current, width, rate),
        energy_mJ(current, width, 500.0),
        1e3 * power_density_W_per_cm2(rms, 500.0, area),
    )
    for ours, shown in zip(found, point[4:], strict=True):
        assert ours == pytest.approx(float(shown), abs=half_a_digit(str(shown)))


@pytest.mark.parametrize("rate_Hz", [10, 20, 25, 40, 50, 100])
@pytest.mark.parametrize(("current_mA", "width_us"), [(40.0, 300), (12.0, 400), (25.0, 240), (100.0, 500)])
def test_figures_are_integrals_of_the_sampled_waveform_over_a_second(
    current_mA: float, width_us: int, rate_Hz: int
) -> None:
    """A sample per microsecond; the trapezoid rule is exact where both edges of a phase fall on samples."""
    level = np.zeros(1_000_001)
    for start in range(0, 1_000_000, 1_000_000 // rate_Hz):
        level[start + 1 : start + 1 + width_us] = current_mA
        level[start + 51 + width_us : start + 51 + 2 * width_us] = -current_mA
    window_us = 1e6
    assert trapezoid(level) == pytest.approx(0.0, abs=1e-9)
    rms = math.sqrt(trapezoid(level * level) / window_us)
    assert rms_mA(current_mA, width_us, rate_Hz) == pytest.approx(rms, rel=1e-9)
    assert rectified_mA(current_mA, width_us, rate_Hz) == pytest.approx(trapezoid(np.abs(level)) / window_us, rel=1e-9)
    for load_ohm in TEST_LOADS_OHM:
        power_W = 1e-6 * load_ohm * level * level
        per_pulse_mJ = 1e-3 * trapezoid(power_W) / rate_Hz
        assert energy_mJ(current_mA, width_us, load_ohm) == pytest.approx(per_pulse_mJ, rel=1e-9)
        mean_W_per_cm2 = trapezoid(power_W) / window_us / 8.0
        assert power_density_W_per_cm2(rms, load_ohm, 8.0) == pytest.approx(mean_W_per_cm2, rel=1e-9)


@given(st.floats(0.1, 100.0), st.integers(10, 500), st.floats(1.0, 100.0), st.floats(100.0, 10_000.0))
def test_the_body_s_own_formulas_written_apart_from_these_agree(
    current_mA: float, width_us: int, rate_Hz: float, load_ohm: float
) -> None:
    assert charge_uC(current_mA, width_us) == pytest.approx(pulse.charge_uC(current_mA, width_us), rel=1e-12)
    assert rms_mA(current_mA, width_us, rate_Hz) == pytest.approx(
        pulse.rms_current_mA(current_mA, width_us, rate_Hz), rel=1e-12
    )
    assert rectified_mA(current_mA, width_us, rate_Hz) == pytest.approx(
        pulse.average_current_mA(current_mA, width_us, rate_Hz), rel=1e-12
    )
    assert energy_mJ(current_mA, width_us, load_ohm) == pytest.approx(
        pulse.energy_mJ(current_mA, width_us, load_ohm), rel=1e-12
    )


@pytest.mark.parametrize("area_cm2", [8.0, 25.0, 45.0, 124.9, 125.1])
def test_at_two_milliamperes_per_square_centimetre_power_is_a_five_hundredth_of_the_area(area_cm2: float) -> None:
    """J = 2 mA/cm2 gives 0.002 A W/cm2 into 500 ohm: the regulator's 0.25 W/cm2 binds first above 125 cm2 only."""
    power = power_density_W_per_cm2(2.0 * area_cm2, 500.0, area_cm2)
    assert power == pytest.approx(0.002 * area_cm2, rel=1e-12)
    assert (power > 0.25) is (area_cm2 > 125.0)


@pytest.mark.parametrize(
    ("key", "ceiling"),
    [
        ("rms_mA", 50.0),  # IEC 60601-2-10 201.12.4.104, up to 400 Hz: from memory
        ("energy_mJ", 300.0),  # IEC 60601-2-10, into 500 ohm: read in a summary
        ("compliance_V", 500.0),  # IEC 60601-2-10, peak: read in a summary
        ("rms_density_mA_per_cm2", 2.0),  # IEC 60601-2-10 201.7.9.2 g), attention level: read; r.m.s.: from memory
        ("rms_density_trip_mA_per_cm2", 2.0),  # the same
        ("power_density_W_per_cm2", 0.25),  # the regulator's 1999 guidance: read in a summary
        ("rectified_mA", 10.0),  # 2010 drafts on limited output: from memory, low confidence
    ],
)
def test_no_profile_may_go_past_a_published_ceiling(key: str, ceiling: float) -> None:
    assert CHANNEL[key].high == ceiling
    for name in ("forearm-25cm2", "thumb-8cm2"):
        assert getattr(load_profile(name).agonist, key).value <= ceiling


def test_the_test_loads_are_the_regulator_s_and_energy_is_bounded_into_the_smallest() -> None:
    """21 CFR 882.5891(b)(3): 500, 2,000 and 10,000 ohm (read); the standard's energy holds into 500 ohm."""
    assert TEST_LOADS_OHM == (500, 2_000, 10_000)
    assert TEST_LOADS_OHM[0] == LOAD_OHM


@pytest.mark.parametrize(
    ("area_cm2", "k", "charge"),
    [(8, 1.5, 15.9), (8, 1.85, 23.8), (25, 1.5, 28.1), (25, 1.85, 42.1), (45, 1.5, 37.7), (45, 1.85, 56.4)],
)
def test_shannon_s_rule_gives_the_charge_that_belongs_to_k(area_cm2: float, k: float, charge: float) -> None:
    """log10 D = k - log10 Q [@shannon-1992]: Q = sqrt(10^k A), worked by hand to a tenth of a uC."""
    low, high = shannon_k(charge - 0.05, area_cm2), shannon_k(charge + 0.05, area_cm2)
    assert low <= k <= high
    density = charge / area_cm2
    assert math.log10(density) == pytest.approx(shannon_k(charge, area_cm2) - math.log10(charge), abs=1e-12)


@pytest.mark.parametrize(("load_ohm", "needed_V", "reachable_mA"), [(500, 20, 40), (2_000, 80, 40), (10_000, 400, 12)])
def test_forty_milliamperes_need_the_volts_of_ohm_s_law_and_get_what_compliance_leaves(
    load_ohm: int, needed_V: float, reachable_mA: float
) -> None:
    """Ohm's law: 40 mA need 20, 80 and 400 V. With 120 V of compliance 10 kohm gets 12 mA."""
    assert 40e-3 * load_ohm == pytest.approx(needed_V)
    limits = limits_for()
    (found,) = [f for f in worst_figures(limits.agonist, limits.loop) if f.load_ohm == load_ohm]
    assert found.reachable_mA == reachable_mA
    assert found.voltage_V == pytest.approx(min(needed_V, 120.0))
    assert found.load_accepted


def test_the_worst_forearm_command_is_the_one_worked_out_by_hand() -> None:
    """40 mA, 300 us, 50 Hz on 25 cm2 into 500 ohm, by the formulas of 21 CFR 882.5891's quantities."""
    limits = limits_for()
    found = worst_figures(limits.agonist, limits.loop)[0]
    assert (found.current_mA, found.width_us, found.rate_Hz, found.charge_uC) == (40.0, 300, 50.0, 12.0)
    assert found.rms_mA == pytest.approx(6.93, abs=0.005)
    assert found.rms_density_mA_per_cm2 == pytest.approx(0.277, abs=0.0005)
    assert found.rms_density_at_contact_mA_per_cm2 == pytest.approx(0.554, abs=0.0005)
    assert found.rectified_mA == pytest.approx(1.2)
    assert found.energy_mJ == pytest.approx(0.48)
    assert found.power_density_W_per_cm2 == pytest.approx(0.96e-3)


@pytest.mark.parametrize("name", ["forearm-25cm2", "thumb-8cm2"])
def test_shipped_profiles_stay_far_below_the_published_ceilings(name: str) -> None:
    """Energy and power: below a hundredth of them, RMS current: below a fifth (our own measure, no source)."""
    profile = load_profile(name)
    limits = limits_for(name=name)
    reach = {found.rule: found.reach for found in standings(profile.agonist, limits.agonist, limits.loop)}
    assert reach["R14"] < 300.0 / 100
    assert reach["R15"] < 0.25 / 100
    assert reach["R12"] < 50.0 / 5
