"""A fit that doesn't describe its recording stands in a scenario only where that accepts it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.fitted_texts import HOLD, SENSOR, put_fits
from tests.scenarios.texts import SMALLEST, loaded, problems_of

WHY = "the steps leave the curve together"


def unbelieved(text: str) -> str:
    """A fitted file that says that its fit doesn't describe the recording."""
    told = text.replace("schema = 1", "schema = 1\nbelieved = false", 1)
    return told.replace("[came_from]", f'[came_from]\nmisfits = ["{WHY}"]', 1)


@pytest.fixture
def fits(tmp_path: Path) -> Path:
    """A sensor and a hand that aren't believed."""
    put_fits(tmp_path)
    (tmp_path / "sensor.toml").write_text(unbelieved(SENSOR), "utf-8")
    (tmp_path / "hold.toml").write_text(unbelieved(HOLD), "utf-8")
    return tmp_path


TABLES = {
    "estimator": '\n[estimator]\nfile = "sensor.toml"\n',
    "wearer": '\n[wearer]\nfiles = ["hold.toml"]\n',
    "population": '\n[population]\ncount = 2\naround = [["hold.toml"]]\n',
}


@pytest.mark.parametrize("table", TABLES)
def test_it_is_refused_with_the_reason_and_the_key_that_would_accept_it(table: str, fits: Path) -> None:
    (problem,) = problems_of(SMALLEST + TABLES[table], fits)
    assert WHY in problem.found
    assert problem.allowed.endswith(f"{table}.accept_misfit = true")


@pytest.mark.parametrize("table", TABLES)
def test_where_it_is_accepted_it_stands(table: str, fits: Path) -> None:
    scenario = loaded(SMALLEST + TABLES[table] + "accept_misfit = true\n", fits).scenario
    assert getattr(scenario, table).accept_misfit


def test_a_file_says_its_misfits_and_no_fit_sets_whether_it_is_accepted(fits: Path) -> None:
    (fits / "sensor.toml").write_text(SENSOR.replace("[values]", "[values]\naccept_misfit = true", 1), "utf-8")
    (problem, *_) = problems_of(SMALLEST + TABLES["estimator"], fits)
    assert "accept_misfit" in problem.key
