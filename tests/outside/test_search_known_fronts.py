"""The search of `thenar tune` on published two-objective problems whose best trade-offs are known exactly.

ZDT1: Zitzler, Deb, Thiele [@zitzler-2000]; the front is
f2 = 1 - sqrt(f1). Here with 4 variables for the quick test, and with 10 in the campaign (the paper: 30).
Binh & Korn [@binh-korn-1997]: two constraints; the front is x = y up to 3, then y = 3.
Both formulas from memory; the tests check that the stated fronts are reached and never passed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from thenar.study.pareto import front
from thenar.study.ranges import Range
from thenar.study.search import Outcome, Plan, Tried, searched

Floats = NDArray[np.float64]
NEAR_ZDT1 = 0.5
SPREAD_ZDT1 = 0.4


def zdt1(values: Mapping[str, float]) -> Outcome:
    """ZDT1 of as many variables as given, each from 0 to 1."""
    first, *rest = values.values()
    g = 1.0 + 9.0 * sum(rest) / len(rest)
    return Outcome((first, g * (1.0 - math.sqrt(first / g))))


def zdt1_front() -> Floats:
    """Points of the known front, shape (n, 2)."""
    f1 = np.linspace(0.0, 1.0, 500)
    return np.column_stack([f1, 1.0 - np.sqrt(f1)])


def binh_korn(values: Mapping[str, float]) -> Outcome:
    """Binh and Korn's problem: x from 0 to 5, y from 0 to 3."""
    x, y = values["x"], values["y"]
    objectives = (4.0 * x * x + 4.0 * y * y, (x - 5.0) ** 2 + (y - 5.0) ** 2)
    return Outcome(objectives, {"g1": (x - 5.0) ** 2 + y * y - 25.0, "g2": 7.7 - (x - 8.0) ** 2 - (y + 3.0) ** 2})


def binh_korn_front() -> Floats:
    """Points of the known front, shape (n, 2)."""
    both = np.linspace(0.0, 3.0, 300)
    along = np.linspace(3.0, 5.0, 200)
    return np.vstack(
        [
            np.column_stack([8.0 * both**2, 2.0 * (both - 5.0) ** 2]),
            np.column_stack([4.0 * along**2 + 36.0, (along - 5.0) ** 2 + 4.0]),
        ]
    )


def found_front(plan: Plan, folder: Path, problem: object) -> tuple[Floats, list[Tried]]:
    """Objectives of the tries that meet the constraints and that no other beats, shape (n, 2); and all tries."""
    folder.mkdir()
    tries = [
        one
        for batch in searched(plan, folder, lambda values: [problem(v) for v in values])  # type: ignore[operator]
        for one in batch
    ]
    met = [one.outcome.objectives for one in tries if one.outcome.meets]
    return np.array([met[place] for place in front(met, plan.larger_better)]), tries


def distances(found: Floats, known: Floats) -> tuple[float, float]:
    """Mean distance of found points to the front, and of the front's points to the nearest found one.

    Each objective over its span along the known front.
    """
    apart = np.linalg.norm((found[:, None] - known[None]) / np.ptp(known, axis=0), axis=-1)
    return float(apart.min(axis=1).mean()), float(apart.min(axis=0).mean())


def _zdt1_plan(sampler: str, variables: int, tries: int, seed: int) -> Plan:
    ranges = tuple(Range(f"x{number}", 0.0, 1.0) for number in range(variables))
    return Plan(ranges, (False, False), sampler, seed, 40, tries, {})


def test_the_several_objectives_sampler_comes_close_to_the_front_of_zdt1(tmp_path: Path) -> None:
    """Bounds: above the worst of seeds 0 to 9 (0.37 and 0.33). Blind drawing, at best 0.77 off, must fail the first."""
    near, spread = distances(found_front(_zdt1_plan("nsga2", 4, 480, 1), tmp_path / "n", zdt1)[0], zdt1_front())
    print(f"nsga2: {near:.4f} to the front, {spread:.4f} from it")
    blind, _ = distances(found_front(_zdt1_plan("random", 4, 480, 1), tmp_path / "r", zdt1)[0], zdt1_front())
    assert near < NEAR_ZDT1
    assert spread < SPREAD_ZDT1
    assert blind > NEAR_ZDT1


@pytest.mark.parametrize("sampler", ["nsga2", "tpe"])
def test_both_samplers_find_the_constrained_front_of_binh_and_korn(sampler: str, tmp_path: Path) -> None:
    plan = Plan((Range("x", 0.0, 5.0), Range("y", 0.0, 3.0)), (False, False), sampler, 7, 32, 256, {})
    found, tries = found_front(plan, tmp_path / "b", binh_korn)
    near, spread = distances(found, binh_korn_front())
    print(f"{sampler}: {near:.4f} to the front, {spread:.4f} from it, {len(found)} points")
    assert near < 0.01
    assert spread < 0.05
    broken = [one for one in tries if not one.outcome.meets]
    assert all((v["x"] - 5) ** 2 + v["y"] ** 2 > 25 or (v["x"] - 8) ** 2 + (v["y"] + 3) ** 2 < 7.7
               for v in (one.values for one in broken))  # fmt: skip


def test_no_point_passes_the_known_fronts(tmp_path: Path) -> None:
    """Blind drawing under both constraints: what is called the front can't be beaten."""
    known = binh_korn_front()
    plan = Plan((Range("x", 0.0, 5.0), Range("y", 0.0, 3.0)), (False, False), "random", 3, 256, 256, {})
    found, _ = found_front(plan, tmp_path / "b", binh_korn)
    for point in found:
        assert not np.any((known > point * (1 + 1e-3) + 1e-3).all(axis=1))


@pytest.mark.campaign
def test_zdt1_of_ten_variables_is_solved(tmp_path: Path) -> None:
    """The paper gives its algorithms 250 generations of 100 for 30 variables; here 100 generations of 40 for 10."""
    plan = _zdt1_plan("nsga2", 10, 4_000, 1)
    near, spread = distances(found_front(plan, tmp_path / "z", zdt1)[0], zdt1_front())
    print(f"nsga2: {near:.4f} to the front, {spread:.4f} from it")
    assert near < 0.01  # measured: 0.0029 and 0.0032
    assert spread < 0.01
