"""Sensitivity indices through our own path on two functions whose indices are known in closed form.

Ishigami & Homma [@ishigami-homma-1990] with a = 7, b = 0.1; the closed
form as in Saltelli et al. (2008) Global Sensitivity Analysis: The Primer. Sobol's g-function: Saltelli & Sobol
[@saltelli-sobol-1995]. Both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from thenar.study.indices import KeyIndices, NotMeasurableError, design, indices_of, sample_count, values_at
from thenar.study.ranges import Range

A, B = 7.0, 0.1
RANGES = tuple(Range(key, -math.pi, math.pi) for key in ("x1", "x2", "x3"))


def ishigami(values: Mapping[str, float]) -> float:
    """sin x1 + a sin^2 x2 + b x3^4 sin x1."""
    x1, x2, x3 = values["x1"], values["x2"], values["x3"]
    return math.sin(x1) + A * math.sin(x2) ** 2 + B * x3**4 * math.sin(x1)


def known() -> tuple[dict[str, float], dict[str, float]]:
    """First-order and total indices of the Ishigami function by key."""
    v1 = 0.5 * (1.0 + B * math.pi**4 / 5.0) ** 2
    v2 = A * A / 8.0
    v13 = B * B * math.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    total = v1 + v2 + v13
    return (
        {"x1": v1 / total, "x2": v2 / total, "x3": 0.0},
        {"x1": (v1 + v13) / total, "x2": v2 / total, "x3": v13 / total},
    )


def found(method: str, samples: int, seed: int) -> list[KeyIndices]:
    """Indices of the Ishigami function through our design, our scaling and our reckoning."""
    points = design(method, RANGES, samples, seed)
    assert points.shape == (sample_count(method, 3, samples), 3)
    return indices_of(method, RANGES, points, [ishigami(values_at(RANGES, point)) for point in points], seed)


def test_the_known_values_are_those_in_print() -> None:
    """0.3139, 0.4424, 0 and 0.5576, 0.4424, 0.2437: the numbers that the literature gives for a = 7, b = 0.1."""
    first, total = known()
    assert [round(value, 4) for value in first.values()] == [0.3139, 0.4424, 0.0]
    assert [round(value, 4) for value in total.values()] == [0.5576, 0.4424, 0.2437]


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_sobol_indices_of_ishigami_are_those_known(seed: int) -> None:
    """1024 samples; bound 0.05, measured at most 0.023 over seeds 0 to 9."""
    first, total = known()
    for one in found("sobol", 1024, seed):
        assert abs(one.first.value - first[one.key]) < 0.05
        assert abs(one.total.value - total[one.key]) < 0.05


def test_their_intervals_hold_the_known_values_about_as_often_as_they_say() -> None:
    """256 samples, 40 seeds, six indices each: at least 85 % of the 240 intervals, nominal 95 %."""
    first, total = known()
    held = []
    for seed in range(40):
        for one in found("sobol", 256, seed):
            held += [abs(one.first.value - first[one.key]) <= one.first.half]
            held += [abs(one.total.value - total[one.key]) <= one.total.half]
    print(f"held {np.mean(held):.3f}")
    assert np.mean(held) >= 0.85


def test_morris_sees_that_every_key_acts_and_that_x3_acts_through_another() -> None:
    one, two, three = found("morris", 200, 4)
    assert min(one.total.value, two.total.value, three.total.value) > 3.0
    # The mean effect of x3 vanishes by symmetry: what it does, it does together with x1.
    assert abs(three.first.value) < 0.25 * three.sigma
    # x2 acts alone: sin^2 rises and falls by the same size on the grid, so only its sign varies.
    assert two.total.half < 1e-9


def test_sobols_g_function_gives_its_closed_form() -> None:
    """a = 0, 1, 4.5, 9, 99: first-order index of i is (1/3)/(1 + a)^2 over the variance."""
    a = np.array([0.0, 1.0, 4.5, 9.0, 99.0])
    ranges = tuple(Range(f"x{i}", 0.0, 1.0) for i in range(len(a)))
    parts = 1.0 / 3.0 / (1.0 + a) ** 2
    variance = np.prod(1.0 + parts) - 1.0
    points = design("sobol", ranges, 2048, 5)
    outputs = []
    for point in points:
        x = np.array(list(values_at(ranges, point).values()))
        outputs.append(float(np.prod((np.abs(4 * x - 2) + a) / (1 + a))))
    for place, one in enumerate(indices_of("sobol", ranges, points, outputs, 5)):
        total = parts[place] * np.prod(1.0 + np.delete(parts, place)) / variance
        assert abs(one.first.value - parts[place] / variance) < 0.03
        assert abs(one.total.value - total) < 0.03


def test_a_logarithmic_range_is_even_over_the_logarithm() -> None:
    """log10 of a key from 0.01 to 100 is as even as any other key, so an additive sum splits one to four."""
    ranges = (Range("x", 0.0, 1.0), Range("y", 0.01, 100.0, log=True))
    points = design("sobol", ranges, 512, 6)
    values = [values_at(ranges, point) for point in points]
    outputs = [v["x"] + 2.0 * (math.log10(v["y"]) + 2.0) / 4.0 for v in values]
    x, y = indices_of("sobol", ranges, points, outputs, 6)
    assert abs(x.total.value - 0.2) < 0.02
    assert abs(y.total.value - 0.8) < 0.02


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("method", ["sobol", "morris"])
def test_one_output_that_is_no_number_is_an_error_and_never_zeros(method: str, bad: float) -> None:
    points = design(method, RANGES, 16, 1)
    outputs = [ishigami(values_at(RANGES, point)) for point in points]
    outputs[7] = bad
    with pytest.raises(NotMeasurableError, match="1 of") as caught:
        indices_of(method, RANGES, points, outputs, 1)
    assert caught.value.sample == 7


@pytest.mark.parametrize("method", ["sobol", "morris"])
def test_outputs_that_never_change_are_an_error(method: str) -> None:
    points = design(method, RANGES, 16, 1)
    with pytest.raises(NotMeasurableError, match=r"the same, 2\.5"):
        indices_of(method, RANGES, points, [2.5] * len(points), 1)


@pytest.mark.parametrize("seed", [0, 3, 2**63 - 1])
@pytest.mark.parametrize("method", ["sobol", "morris"])
def test_the_same_seed_gives_the_same_indices_and_intervals(method: str, seed: int) -> None:
    """Seed 0 too, which the library takes for no seed."""
    one, other = found(method, 16, seed), found(method, 16, seed)
    assert repr(one) == repr(other)  # NaN fields and all


def test_sobol_takes_powers_of_two_only() -> None:
    with pytest.raises(ValueError, match="a power of two"):
        design("sobol", RANGES, 100, 1)
