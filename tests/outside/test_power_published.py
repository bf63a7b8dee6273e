"""Power by simulation and boundaries of looks, against analytic values and published tables.

Power of the paired t test: statsmodels 0.15.0, TTestPower().power(d, n, 0.05) and solve_power, two-sided, run once and
copied here (the package is no part of thenar). The people needed (199, 34, 15) are also those of the usual tables.

Boundaries: Lan & DeMets' O'Brien-Fleming type boundaries for five equal looks at a two-sided 0.05 (4.877, 3.357, 2.680,
2.290, 2.031) are those that gsDesign and RTSA print; found in the tests of public repositories. Pocock's and O'Brien &
Fleming's constants are those of Jennison & Turnbull [@jennison-turnbull-2000], tables 2.1 and 2.3 (read in public code
that cites them, not in the book). Inflation factors: tables 2.2 and 2.4, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy import optimize, stats

from thenar.study.power import Draws, Effect, PairedTest, Power, analytic_power, power_curve, power_with_looks, wilson
from thenar.study.power_looks import boundaries, crossed, look_people, nominal, spent

PEOPLE = (5, 8, 12, 20, 34, 60)
STATSMODELS = {
    0.2: (0.06427, 0.0782, 0.0972, 0.13596, 0.20496, 0.33168),
    0.35: (0.09403, 0.13806, 0.19836, 0.31821, 0.50855, 0.76014),
    0.5: (0.14052, 0.23208, 0.35282, 0.5645, 0.80778, 0.96779),
    0.8: (0.28099, 0.49638, 0.71366, 0.9239, 0.99485, 0.99998),
    1.2: (0.53022, 0.82792, 0.96508, 0.9991, 1.0, 1.0),
}
NEEDED = {0.2: 199, 0.35: 67, 0.5: 34, 0.8: 15, 1.2: 8}
ONE_POINT = 0.01
POCOCK = (1.960, 2.178, 2.289, 2.361, 2.413, 2.453, 2.485, 2.512, 2.535, 2.555)
OBRIEN_FLEMING = (1.960, 1.977, 2.004, 2.024, 2.040, 2.053, 2.063, 2.072, 2.080, 2.087)


@pytest.fixture(scope="module")
def normal() -> Draws:
    """100,000 studies of normal differences, mean 0 and SD 1: one point of power is six standard errors."""
    values = np.random.default_rng(11).standard_normal(200_000)
    return Draws((values - values.mean()) / values.std(), 100_000, 12)


def even(looks: int) -> list[float]:
    """Evenly spread shares of the people."""
    return [look / looks for look in range(1, looks + 1)]


@pytest.mark.parametrize("d", STATSMODELS)
def test_power_by_simulation_is_within_a_point_of_the_analytic_value(normal: Draws, d: float) -> None:
    curve = {one.people: one for one in power_curve(normal, Effect(d), 0.05, max(PEOPLE))}
    found = [curve[n].false_alarms / curve[n].studies for n in PEOPLE]  # both directions, as the analytic value has
    apart = [simulated - analytic for simulated, analytic in zip(found, STATSMODELS[d], strict=True)]
    print(f"d {d}: furthest from the analytic power {100 * max(map(abs, apart)):.2f} points")
    assert max(map(abs, apart)) < ONE_POINT


@pytest.mark.parametrize("d", STATSMODELS)
def test_our_analytic_power_is_that_of_statsmodels(d: float) -> None:
    assert [analytic_power(n, d, 0.05) for n in PEOPLE] == pytest.approx(STATSMODELS[d], abs=6e-6)
    assert analytic_power(NEEDED[d], d, 0.05) >= 0.8 > analytic_power(NEEDED[d] - 1, d, 0.05)


def test_a_wider_spread_is_a_smaller_standardised_effect(normal: Draws) -> None:
    curve = {one.people: one for one in power_curve(normal, Effect(0.6, 1.5), 0.05, 60)}
    for n in PEOPLE:
        assert curve[n].false_alarms / curve[n].studies == pytest.approx(analytic_power(n, 0.4, 0.05), abs=ONE_POINT)


def test_lost_people_leave_the_analytic_power_of_who_stays(normal: Draws) -> None:
    """With a share lost by chance the people left are binomial; power is the mean over them."""
    found = power_curve(normal._replace(dropout=0.25), Effect(0.5), 0.05, 40)[-1]
    left = range(2, 41)
    expected = sum(stats.binom.pmf(n, 40, 0.75) * analytic_power(n, 0.5, 0.05) for n in left)
    assert found.people == 40
    assert found.false_alarms / found.studies == pytest.approx(expected, abs=ONE_POINT)


def test_wilsons_interval_is_that_of_scipy() -> None:
    for count, of in ((0, 500), (1, 500), (8_123, 10_000), (500, 500)):
        found = stats.binomtest(count, of).proportion_ci(0.95, method="wilson")
        assert wilson(count, of) == pytest.approx((found.low, found.high), abs=1e-12)


def test_boundaries_of_five_looks_are_the_published_ones() -> None:
    found = boundaries(0.05, tuple(even(5)))
    assert found == pytest.approx((4.877, 3.357, 2.680, 2.290, 2.031), abs=6e-4)
    assert crossed(found, even(5)).sum() == pytest.approx(0.05, abs=1e-9)
    assert spent(0.05, even(5))[-1] == pytest.approx(0.05, abs=1e-12)


def constant(shape: Callable[[float], float], looks: int) -> float:
    """The factor of a boundary of a shape that makes all looks together spend 0.05."""
    shares = even(looks)

    def spends(factor: float) -> float:
        return float(crossed([factor * shape(share) for share in shares], shares).sum()) - 0.05

    return float(optimize.brentq(spends, 1.0, 5.0))


@pytest.mark.parametrize("looks", range(1, 11))
def test_the_integration_gives_the_published_constants(looks: int) -> None:
    """Boundaries of the same height (Pocock), and falling with the root of the share (O'Brien and Fleming)."""
    assert constant(lambda _: 1.0, looks) == pytest.approx(POCOCK[looks - 1], abs=6e-4)
    assert constant(lambda share: float(share**-0.5), looks) == pytest.approx(OBRIEN_FLEMING[looks - 1], abs=6e-4)


@pytest.mark.parametrize(
    ("bounds", "power", "inflation"),
    [
        ([2.413] * 5, 0.8, 1.228),
        ([2.413] * 5, 0.9, 1.206),
        ([2.040 * share**-0.5 for share in even(5)], 0.8, 1.028),
        ([2.040 * share**-0.5 for share in even(5)], 0.9, 1.026),
    ],
)
def test_people_inflate_as_published(bounds: Sequence[float], power: float, inflation: float) -> None:
    """With so many times the people of a study without looks, the power is the wanted one (table values to 0.001)."""
    drift = float(np.sqrt(inflation) * (stats.norm.isf(0.025) + stats.norm.ppf(power)))
    assert crossed(bounds, even(5), drift).sum() == pytest.approx(power, abs=8e-4)


def test_brownian_paths_cross_as_often_as_reckoned() -> None:
    shares = (0.3, 0.55, 0.6, 1.0)
    bounds = boundaries(0.05, shares)
    seed, paths = 21, 400_000
    steps = np.random.default_rng(seed).standard_normal((4, paths)) * np.sqrt(np.diff(shares, prepend=0.0))[:, None]
    for drift in (0.0, 2.0):
        z = (np.cumsum(steps, axis=0) + drift * np.array(shares)[:, None]) / np.sqrt(shares)[:, None]
        past = np.abs(z) >= np.array(bounds)[:, None]
        first = np.where(past.any(axis=0), past.argmax(axis=0), 4)
        found = np.bincount(first, minlength=5)[:4] / paths
        # Five standard errors of a share.
        assert found == pytest.approx(crossed(bounds, shares, drift), abs=5 * 0.5 / paths**0.5)


def test_studies_with_looks_hold_alpha_and_reach_the_reckoned_power(normal: Draws) -> None:
    """With 200 normal people the t test is nearly a z test, so the integration tells power and expected people."""
    test, people = PairedTest(0.05, 4), 200
    none, effect = (power_with_looks(normal, Effect(mean), test, people) for mean in (0.0, 0.2))
    assert none.false_alarms / none.studies == pytest.approx(0.05, abs=0.005)
    at = look_people(people, 4)
    shares = [n / people for n in at]
    first = crossed(boundaries(0.05, tuple(shares)), shares, 0.2 * people**0.5)
    assert effect.false_alarms / effect.studies == pytest.approx(first.sum(), abs=ONE_POINT)
    expected = float(first @ np.array(at)) + people * (1.0 - first.sum())
    assert effect.expected_people == pytest.approx(expected, abs=1.0)


def test_a_look_is_the_t_test_at_its_nominal_level(normal: Draws) -> None:
    """The first look alone: as many false alarms as its own probability, with few people too."""
    levels = nominal((2.0, 1.0))
    assert levels == pytest.approx((0.0455, 0.3173), abs=1e-4)
    one: Power = power_curve(normal, Effect(0.0), float(levels[0]), 6)[-1]
    assert one.false_alarms / one.studies == pytest.approx(0.0455, abs=0.005)
