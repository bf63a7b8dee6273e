"""Scenario texts that the tests start from."""

from __future__ import annotations

from pathlib import Path

from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError, Problem

SMALLEST = """\
schema = 1
title = "A hold"
duration_s = 10.0
conditions = ["assisted"]

[target]
program = "constant"
level_N = 5.0

[law]
name = "proportional"
"""
"""The least that a scenario can say. Nothing is on file about the wearer."""

SCREENED = """
[screening]
invented = true
placement = { site = "forearm", same_limb = true }

[screening.contraindications]
implanted_electronics = "no"
pregnancy = "no"
epilepsy = "no"
heart_disease = "no"
cancer_at_the_site = "no"
thrombosis = "no"
bleeding_or_recent_surgery = "no"
broken_or_infected_skin = "no"
absent_sensation = "no"
unable_to_report = "no"
"""
"""Invented answers that let the loop arm."""

CALIBRATED = """
[calibration]
source = "simulated"
"""
"""Every wearer's own thresholds and ceiling, at the default width and rate."""

ON_FILE = SCREENED + CALIBRATED
"""All that the interlock needs to know about a person before it arms."""


def loaded(text: str, base: Path = Path()) -> LoadedScenario:
    """The scenario in `text`; errors call it study.toml."""
    return parse_scenario(text, "study.toml", base)


def problems_of(text: str, base: Path = Path()) -> tuple[Problem, ...]:
    """What is wrong with `text`; no problems when it loads."""
    try:
        loaded(text, base)
    except InputError as error:
        return error.problems
    return ()


def the_problem_of(text: str, base: Path = Path()) -> Problem:
    """The only thing that is wrong with `text`."""
    (problem,) = problems_of(text, base)
    return problem
