"""Margins from a frequency response: what must hold for every loop, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thenar.controller.margins import direct_margins, loop_margins

GRID = np.geomspace(1e-2, 80.0, 700)
loops = st.tuples(st.floats(0.2, 8.0), st.floats(0.05, 1.0), st.floats(0.05, 0.4))


def response(gain: float, lag_s: float, delay_s: float) -> np.ndarray:
    s = 1j * GRID
    return gain * np.exp(-delay_s * s) / (lag_s * s + 1.0) ** 2


@settings(max_examples=20, deadline=None)
@given(loops)
def test_the_library_and_the_direct_calculation_agree(loop: tuple[float, float, float]) -> None:
    library, direct = (method(GRID, response(*loop)) for method in (loop_margins, direct_margins))
    assert library.gain == pytest.approx(direct.gain, rel=2e-3)
    assert library.ultimate_period_s == pytest.approx(direct.ultimate_period_s, rel=2e-3)
    assert library.distance == direct.distance
    if math.isfinite(library.phase_deg) and abs(np.abs(response(*loop)[0]) - 1.0) > 0.01:
        assert library.phase_deg == pytest.approx(direct.phase_deg, abs=1.0)
        assert library.crossover_Hz == pytest.approx(direct.crossover_Hz, rel=2e-3)


@settings(max_examples=50, deadline=None)
@given(loops, st.floats(0.1, 10.0))
def test_a_gain_margin_times_the_gain_stays_what_it_is(loop: tuple[float, float, float], factor: float) -> None:
    once, more = direct_margins(GRID, response(*loop)), direct_margins(GRID, factor * response(*loop))
    assert more.gain * factor == pytest.approx(once.gain, rel=1e-9)
    assert more.phase_crossover_rad_s == pytest.approx(once.phase_crossover_rad_s, rel=1e-9)


@settings(max_examples=50, deadline=None)
@given(loops)
def test_a_loop_with_its_delay_margin_spent_is_on_the_border(loop: tuple[float, float, float]) -> None:
    gain, lag_s, delay_s = loop
    found = direct_margins(GRID, response(*loop))
    if not (math.isfinite(found.delay_s) and 0.0 < found.delay_s < 2.0):
        return
    spent = direct_margins(GRID, response(gain, lag_s, delay_s + found.delay_s))
    assert spent.gain == pytest.approx(1.0, abs=5e-3)
    assert spent.phase_deg == pytest.approx(0.0, abs=0.5)


def test_of_an_unstable_loop_the_smallest_gain_is_told_not_the_one_nearest_1() -> None:
    """The library alone reports the crossing whose margin lies nearest 1: a later one, at a gain above 1."""
    import control

    data = response(40.0, 0.1, 0.4)
    nearest = control.margin(control.FRD(data, GRID, smooth=True))[0]
    found = loop_margins(GRID, data)
    assert found.gain < 0.1
    assert nearest > 3.0 * found.gain
    assert not found.stable


def test_whole_turns_of_phase_are_counted_so_that_an_unstable_loop_shows_no_phase_margin() -> None:
    import control

    data = response(40.0, 0.1, 0.4)
    grid = control.FRD(data, GRID, smooth=True)
    assert control.stability_margins(grid)[1] > 0.0
    for method in (loop_margins, direct_margins):
        assert method(GRID, data).phase_deg < -360.0
        assert method(GRID, data).delay_s < 0.0


def test_a_loop_gain_below_1_everywhere_has_no_phase_margin_to_run_out_of() -> None:
    for method in (loop_margins, direct_margins):
        found = method(GRID, response(0.5, 0.3, 0.1))
        assert (found.phase_deg, found.delay_s) == (math.inf, math.inf)
        assert math.isnan(found.crossover_Hz)
        assert found.gain > 2.0


def test_an_open_loop_has_no_margins_at_all() -> None:
    for method in (loop_margins, direct_margins):
        found = method(GRID, np.zeros(GRID.size))
        assert (found.gain, found.phase_deg, found.delay_s, found.distance) == (math.inf, math.inf, math.inf, 1.0)


def test_an_unstable_loop_that_crosses_1_beyond_the_grid_has_a_phase_margin_of_minus_infinity() -> None:
    found = direct_margins(GRID, 1e6 * response(1.0, 0.1, 0.4))
    assert found.gain < 1e-5
    assert found.phase_deg == -math.inf


@pytest.mark.parametrize(
    ("grid", "data", "words"),
    [
        ([1.0, 2.0], [1.0], "one length"),
        ([1.0], [1.0], "at least 2"),
        ([2.0, 1.0], [1.0, 1.0], "rising"),
        ([0.0, 1.0], [1.0, 1.0], "above 0"),
        ([1.0, 2.0], [1.0, math.nan], "not finite"),
    ],
)
def test_numbers_that_are_no_response_are_refused(grid: list[float], data: list[float], words: str) -> None:
    for method in (loop_margins, direct_margins):
        with pytest.raises(ValueError, match=words):
            method(grid, data)
