"""Decisions of every built-in law on drawn observations, exact to the last bit, for comparing two ways to run them.

Run as a module it prints one line per decision, after a line that says whether steps are compiled.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import numba

from tests.controller.wearers_and_observations import CALIBRATION, observe
from thenar.controller.curve import current_for_share, normal_quantile
from thenar.controller.registry import law_class, law_settings
from thenar.shared.recruitment_curve import recruited_share

SETTINGS: dict[str, list[dict[str, object]]] = {
    "proportional": [
        {},
        {"gain_fraction_per_N": 0.13, "start": "zero"},
        {"gain_fraction_per_N": 0.07, "acts_on": "width", "chronaxie_us": 170.0},
        {"gain_mA_per_N": 0.3, "width_us": 130.0, "chronaxie_us": 210.0},
    ],
    "bang-bang": [
        {},
        {"hysteresis_N": 1.0, "minimum_dwell_ms": 0.0, "acts_on": "width", "set_current_mA": 9.1},
        {"agonist": {"current_mA": 7.7}, "minimum_dwell_ms": 73.3},
    ],
    "confident": [{}, {"gain_fraction_per_N": 0.11, "tolerance_N": 0.3, "fresh_ms": 30.0, "least_confidence": 0.0}],
    "yielding": [{"yield_above_N_per_s": 9.0}, {"gain_fraction_per_N": 0.11, "rate_tau_ms": 900.0}],
}


def decisions(count: int = 2000) -> Iterator[str]:
    """One line per decision, numbers in hexadecimal."""
    for name, tables in SETTINGS.items():
        for table in tables:
            draw = random.Random(f"{name} {table}")
            law = law_class(name)(law_settings(law_class(name), table, "test"), CALIBRATION)
            for index in range(count):
                estimate_N = float("nan") if draw.random() < 0.05 else draw.gauss(5.0, 3.0)
                seen = observe(draw.choice((3.0, 6.0, 9.0)), estimate_N, index * 20_000)
                late = {"estimate_age_us": draw.randrange(0, 300_000), "stated_sd_N": draw.expovariate(2.0)}
                agonist, antagonist = law.decide(seen._replace(**late))
                yield " ".join(float(number).hex() for number in (*agonist, *antagonist))


def curve_points(count: int = 20_000) -> Iterator[str]:
    """The curve and its inverse at drawn points, numbers in hexadecimal."""
    draw = random.Random(1)
    for _ in range(count):
        share, half_mA, spread = draw.random() ** 4, draw.uniform(1.0, 20.0), draw.uniform(0.05, 0.8)
        current_mA = current_for_share(share, half_mA, spread)
        numbers = (normal_quantile(share), current_mA, recruited_share(current_mA, half_mA, spread))
        yield " ".join(number.hex() for number in numbers)


if __name__ == "__main__":
    print("plain" if numba.config.DISABLE_JIT else "compiled")
    for line in (*decisions(), *curve_points()):
        print(line)
