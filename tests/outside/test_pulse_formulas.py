"""Charge, RMS current, average current, energy and densities of biphasic pulses.

Quantities that 21 CFR 882.5891 asks a maker to report at 500 ohm (read). Formulas: standard definitions for rectangular
phases. Points: worked by hand beside them, symmetric biphasic, R = 500 ohm.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from thenar.plant_models.pulse import average_current_mA, charge_uC, energy_mJ, rms_current_mA

LOAD_OHM = 500.0

# mA, us, Hz, cm2 | uC, uC/cm2, mA rms, mA/cm2, mA average, mJ, mW/cm2
POINTS = [
    (20, 200, 30, 25.0, 4, 0.16, 2.19, 0.09, 0.24, 0.08, 0.1),
    (40, 300, 40, 25.0, 12, 0.48, 6.2, 0.25, 0.96, 0.48, 0.8),
    (40, 300, 40, 8.0, 12, 1.5, 6.2, 0.775, 0.96, 0.48, 2.4),
    (100, 500, 50, 25.0, 50, 2.0, 22.4, 0.89, 5.0, 5.0, 10.0),
    (100, 500, 100, 12.5, 50, 4.0, 31.6, 2.53, 10.0, 5.0, 40.0),
]


def last_digit(value: float) -> float:
    """Half a unit of the last digit that the worked point shows."""
    decimals = len(str(value).partition(".")[2]) if isinstance(value, float) else 0
    return 0.5001 * 10.0**-decimals


@pytest.mark.parametrize("point", POINTS, ids=str)
def test_worked_points_come_out_to_their_last_digit(point: tuple[float, ...]) -> None:
    current, width, rate, area, *expected = point
    rms = rms_current_mA(current, width, rate)
    found = (
        charge_uC(current, width),
        charge_uC(current, width) / area,
        rms,
        rms / area,
        average_current_mA(current, width, rate),
        energy_mJ(current, width, LOAD_OHM),
        1e-3 * rms * rms * LOAD_OHM / area,
    )
    for ours, theirs in zip(found, expected, strict=True):
        assert ours == pytest.approx(theirs, abs=last_digit(theirs))


@given(
    st.floats(0.1, 100.0), st.integers(10, 500), st.integers(0, 200), st.sampled_from([1.0, 5.0, 20.0, 50.0, 100.0])
)  # fmt: skip
def test_formulas_are_the_integrals_of_the_current_over_one_period(
    current_mA: float, width_us: int, gap_us: int, rate_Hz: float
) -> None:
    # The waveform itself: a phase, a pause, the same phase the other way. Two samples at each edge make it rectangular.
    edges = np.array([0, width_us, width_us + gap_us, 2 * width_us + gap_us], dtype=float)
    t_us = np.concatenate([np.repeat(edges, 2), [1e6 / rate_Hz]])
    level = current_mA * np.array([0, 1, 1, 0, 0, -1, -1, 0, 0], dtype=float)
    period_us = 1e6 / rate_Hz
    assert 1e-3 * trapezoid(level, t_us) == pytest.approx(0.0, abs=1e-12)
    assert 1e-3 * trapezoid(np.maximum(level, 0.0), t_us) == pytest.approx(charge_uC(current_mA, width_us), rel=1e-9)
    assert np.sqrt(trapezoid(level * level, t_us) / period_us) == pytest.approx(
        rms_current_mA(current_mA, width_us, rate_Hz), rel=1e-9
    )
    assert trapezoid(np.abs(level), t_us) / period_us == pytest.approx(
        average_current_mA(current_mA, width_us, rate_Hz), rel=1e-9
    )
    power_mW = 1e-3 * LOAD_OHM * level * level
    assert 1e-6 * trapezoid(power_mW, t_us) == pytest.approx(energy_mJ(current_mA, width_us, LOAD_OHM), rel=1e-9)


def test_mean_power_is_energy_times_rate_and_square_of_rms() -> None:
    rms = rms_current_mA(40.0, 300.0, 40.0)
    assert energy_mJ(40.0, 300.0, LOAD_OHM) * 40.0 == pytest.approx(1e-3 * rms * rms * LOAD_OHM, rel=1e-12)
