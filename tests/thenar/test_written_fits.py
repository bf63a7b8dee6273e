"""A fit as a file: what was found comes back when the file is read, with its origin, and nothing of the machine."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.scenarios.texts import SMALLEST, loaded
from thenar.fit.found import Fit, Parameter
from thenar.fit.recording import Recording
from thenar.fit.written import text_of
from thenar.scenarios.fitted import fitted_in
from thenar.shared.errors import InputError

RECORDING = Recording(
    kind="estimator",
    file="/lab/someone/pilot\n/bench day 1.csv",
    sha256="0123" * 16,
    rows=6000,
    begins="2026-05-01T10:00:00",
    ends="2026-05-01T10:10:00",
    columns={},
    repairs=('3 rows with doubled time stamps left out: "first kept"',),
)
NAN = math.nan
SENSOR = Fit(
    kind="estimator",
    part_of="estimator",
    table={"latency_ms": np.float64(112.34567890123), "true_N": np.array([0.0, 5.0]), "reads_N": (0.1, 4.0)},
    parameters=(
        Parameter("latency_ms", 112.34567890123, "ms", 110.1234567, 114.0),
        Parameter("reads_N[0]", 0.1, "N", 0.0, 0.2),
        Parameter("reads_N[1]", 4.0, "N", 3.9, 4.1),
        Parameter("jumps_per_min", 0.0, "1/min", NAN, NAN, False, "No jump in 10 minutes; take the sensor off twice."),
        Parameter("mean_error_N", 0.4, "N", 0.3, 0.5),
    ),
    qualities=(),
    warnings=("Only 2 minutes above 10 N.",),
    settings={"held_out": 0.2, "seed": 0},
)
HAND = Fit(
    kind="muscle",
    part_of="wearer",
    table={"agonist": {"muscle": {"reachable_N": 31.5, "model": "calcium"}}, "max_pinch_N": 71.25},
    parameters=(Parameter("agonist.muscle.reachable_N", 31.5, "N", 28.0, 33.0),),
    qualities=(),
)


def test_a_written_estimator_reads_back_with_values_intervals_and_origin() -> None:
    found = fitted_in(text_of(SENSOR, RECORDING), "sensor.toml")
    assert found.values == {"latency_ms": 112.34567890123, "true_N": (0.0, 5.0), "reads_N": (0.1, 4.0)}
    assert found.intervals == {"latency_ms": (110.123, 114.0), "reads_N[0]": (0.0, 0.2), "reads_N[1]": (3.9, 4.1)}
    origin = found.came_from
    assert (origin.file, origin.sha256, origin.rows) == ("bench day 1.csv", "0123" * 16, 6000)
    assert (origin.begins, origin.ends) == ("2026-05-01T10:00:00", "2026-05-01T10:10:00")
    assert origin.settings == {"held_out": 0.2, "seed": 0}
    assert (origin.repairs, origin.warnings) == (RECORDING.repairs, SENSOR.warnings)


def test_a_written_wearer_stands_in_a_scenario(tmp_path: Path) -> None:
    (tmp_path / "flexor.toml").write_text(text_of(HAND, RECORDING), encoding="utf-8")
    wearer = loaded(SMALLEST + '[wearer]\nfiles = ["flexor.toml"]\n', tmp_path).scenario.wearer
    assert (wearer.agonist.muscle.reachable_N, wearer.max_pinch_N) == (31.5, 71.25)


def test_the_text_tells_units_cautions_and_what_the_recording_cannot_tell_but_no_folder() -> None:
    text = text_of(SENSOR, RECORDING)
    comments = " ".join(line.removeprefix("#").strip() for line in text.splitlines() if line.startswith("#"))
    assert "Simulation only, not a medical device." in comments
    assert "jumps_per_min. No jump in 10 minutes; take the sensor off twice." in comments
    assert "mean_error_N = 0.4 N (0.3 to 0.5)" in comments
    assert "latency_ms = 112.34567890123 # lag from sample to controller, ms" in text
    assert "someone" not in text
    assert all(len(line) <= 200 for line in text.splitlines())


@pytest.mark.parametrize("file", ["D:\\lab\\someone\\day.csv", "/lab/someone/day.csv", "../someone/day.csv"])
def test_only_the_name_of_the_recording_is_written_whatever_system_it_lay_on(file: str) -> None:
    recording = Recording("estimator", file, "ab" * 32, 10, "", "", {})
    text = text_of(SENSOR, recording)
    assert "someone" not in text
    assert fitted_in(text, "x").came_from.file == "day.csv"


@pytest.mark.parametrize(
    ("table", "key"),
    [({"latency_ms": NAN}, "values.latency_ms"), ({"latency_ms": 5000.0}, "values.latency_ms"), ({}, "")],
)
def test_a_fit_that_no_scenario_could_take_is_refused(table: dict[str, float], key: str) -> None:
    bad = Fit("estimator", "estimator", table, (), ())
    with pytest.raises(InputError) as caught:
        text_of(bad, RECORDING)
    assert [problem.key for problem in caught.value.problems] == [key]


def test_a_recording_that_tells_nothing_is_answered_with_the_note_of_every_parameter() -> None:
    nothing = Fit("estimator", "estimator", {}, SENSOR.parameters[3:4], ())
    with pytest.raises(InputError) as caught:
        text_of(nothing, RECORDING)
    (problem,) = caught.value.problems
    assert (problem.key, problem.allowed) == ("jumps_per_min", "No jump in 10 minutes; take the sensor off twice.")


def test_a_list_has_intervals_for_all_its_entries_or_none() -> None:
    half = Fit("estimator", "estimator", SENSOR.table, SENSOR.parameters[:2], ())
    assert set(fitted_in(text_of(half, RECORDING), "x").intervals) == {"latency_ms"}


words = st.text(max_size=40)


@given(
    st.floats(0.0, 2000.0), st.floats(0.0, 500.0), st.floats(-1e6, 1e6), st.floats(0, 1e6), words, words, words,
)  # fmt: skip
def test_any_finding_reads_back(
    latency_ms: float, jitter_ms: float, low: float, width: float, note: str, repair: str, option: str
) -> None:
    parameters = (
        Parameter("latency_ms", latency_ms, "ms", low, low + width),
        Parameter("rate_Hz", 40.0, "Hz", NAN, NAN, False, note),
    )
    table = {"latency_ms": latency_ms, "jitter_ms": np.float64(jitter_ms)}
    settings = {"channel": option.encode("ascii", "ignore").decode() if option.isprintable() else "odd"}
    fit = Fit("estimator", "estimator", table, parameters, (), (note,), settings)
    recording = Recording("estimator", "a.csv", "ab" * 32, 1, "", "", {}, (repair,))
    text = text_of(fit, recording)
    found = fitted_in(text, "x")
    assert found.values == {"latency_ms": latency_ms, "jitter_ms": jitter_ms}
    assert found.intervals["latency_ms"] == pytest.approx((low, low + width), rel=1e-5)
    assert found.came_from.settings == settings
    assert tomllib.loads(text)["came_from"]["rows"] == 1
