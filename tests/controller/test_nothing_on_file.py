"""Built-in laws of a wearer of whom no calibration is on file: built without an error, and at rest (R07)."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from tests.controller.wearers_and_observations import CALIBRATION, observe
from thenar.controller.law import AT_REST
from thenar.controller.registry import LawSettings, build_law
from thenar.shared.signals import NOT_CALIBRATED, NOTHING_ON_FILE, REST

LAWS: list[tuple[str, dict[str, Any]]] = [
    ("proportional", {}),
    ("proportional", {"gain_fraction_per_N": 0.02}),
    ("proportional", {"gain_fraction_per_N": 0.02, "start": "zero", "chronaxie_us": 200.0}),
    ("proportional", {"acts_on": "width", "set_current_mA": 12.0}),
    ("proportional", {"width_us": 300.0, "rate_Hz": 50.0}),
    ("confident", {}),
    ("confident", {"gain_fraction_per_N": 0.02, "start": "zero"}),
    ("yielding", {}),
    ("yielding", {"acts_on": "width", "set_current_mA": 12.0}),
    ("bang-bang", {}),
    ("bang-bang", {"agonist": {"current_mA": 12.0}, "width_us": 300.0, "rate_Hz": 50.0}),
    ("bang-bang", {"acts_on": "width", "agonist": {"width_us": 300.0}, "rate_Hz": 50.0}),
]
every_law = pytest.mark.parametrize(("name", "settings"), LAWS)


@every_law
def test_with_nothing_on_file_a_built_in_law_asks_for_nothing(name: str, settings: dict[str, Any]) -> None:
    law = build_law(LawSettings(name=name, settings=settings), NOTHING_ON_FILE, Path())
    for tick, estimate_N in enumerate((0.0, 4.0, 6.0, 50.0, math.nan, math.inf)):
        assert law.decide(observe(5.0, estimate_N, tick * 20_000)) == AT_REST


@every_law
def test_a_channel_that_is_not_calibrated_rests_while_the_other_works(name: str, settings: dict[str, Any]) -> None:
    law = build_law(LawSettings(name=name, settings=settings), CALIBRATION._replace(antagonist=NOT_CALIBRATED), Path())
    assert law.decide(observe(9.0, 1.0)).agonist.current_mA > 0
    assert law.decide(observe(1.0, 9.0, 5_000_000)).antagonist == REST
