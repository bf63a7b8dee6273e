"""A real recorded force, as a CSV file, through `thenar fit wearer` and `thenar whatif`, as a person would run them.

Source: openhdemg 0.1.2 (PyPI wheel), otb_testfile.mat, one person's voluntary vastus lateralis trapezoid (see
`recorded_trapezoid`). The file has no target and no estimate: the target is the trapezoid of straight lines that is
closest to the force, the estimate is the recorded force 40 times per second, 100 ms late. The percents are taken as
newtons of a maximum of 100 N. A trapezoid says nothing of a pinch, let alone of stimulation: what is checked is that
real force passes.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from tests.outside.conftest import RecordedForce
from tests.outside.test_fit_wearer_published import trapezoid
from tests.outside.test_force_steadiness import band_shares, variation
from tests.plant_models.body_runs import Hold
from tests.scenarios.texts import ON_FILE
from tests.thenar.fit_wearer_trials import wearer_of
from thenar.cli import main
from thenar.fit.wearer_ticks import TICK_RATE_HZ

EDGES_HZ = (0.25, 1.0, 3.0, 7.0, 20.0)
LATE_S = 0.1
DEADBAND_N = 0.3
SCENARIO = f"""schema = 1
title = "A recorded trapezoid"
duration_s = 30.0
conditions = ["assisted"]
[wearer]
files = ["hold.toml"]
beyond_known = "slope" # held at one level, judged also on its way there
[target]
program = "constant"
level_N = 6.0
[law]
name = "proportional"
[law.settings]
deadband_N = {DEADBAND_N}
{ON_FILE}"""


class Fitted(NamedTuple):
    """The folder with `hold.toml`, and the values written to it, nested."""

    folder: Path
    values: dict[str, Any]


def write_csv(file: Path, columns: dict[str, NDArray[np.float64]]) -> Path:
    """`columns`, all of one length, as CSV; nine digits are kept."""
    table = np.column_stack(list(columns.values()))
    np.savetxt(file, table, fmt="%.9g", delimiter=",", header=",".join(columns), comments="")
    return file


def target_at(t_s: NDArray[np.float64], recorded: RecordedForce) -> NDArray[np.float64]:
    """The trapezoid closest to the recorded force at times in s, N; where one was asked for can't be told better."""
    force, rate_Hz = recorded
    shape, _ = curve_fit(trapezoid, np.arange(force.size)[::64] / rate_Hz, force[::64], (1.0, 6.3, 25.5, 31.5, 26.0))
    return trapezoid(t_s, *shape)


@pytest.fixture(scope="module")
def fitted(recorded_trapezoid: RecordedForce, tmp_path_factory: pytest.TempPathFactory) -> Fitted:
    """The recording as CSV at its own rate, through `thenar fit wearer`."""
    folder = tmp_path_factory.mktemp("trapezoid")
    force, rate_Hz = recorded_trapezoid
    t_s = np.arange(force.size) / rate_Hz
    columns = {"t_s": t_s, "target_N": target_at(t_s, recorded_trapezoid), "force_N": force}
    file = write_csv(folder / "trapezoid.csv", columns)
    options = ["--own-force", "shown", "--max-pinch-N", "100", "--to", str(folder / "hold.toml")]
    assert main(["fit", "wearer", str(file), *options, "--picture", str(folder / "hold.png")]) == 0
    return Fitted(folder, tomllib.loads((folder / "hold.toml").read_text(encoding="utf-8")))


def test_the_written_wearer_simulates_with_the_recordings_variation_and_band_shares(
    recorded_trapezoid: RecordedForce, fitted: Fitted
) -> None:
    # The plateau from 10 to 24 s, as in test_force_steadiness.py: CV, and shares of the power between 0.25 and 20 Hz.
    force, rate_Hz = recorded_trapezoid
    plateau = force[round(10 * rate_Hz) : round(24 * rate_Hz)]
    wanted = [variation(plateau), *band_shares(plateau, rate_Hz, EDGES_HZ)]
    values = fitted.values["values"]
    told = {f"noise.{key}": value for key, value in values["noise"].items()}
    told |= {key: value for key, value in values.items() if key.startswith("visual")}
    steady = {"production.scatter_share": 0.0, "production.wander_share": 0.0, "production.drift_depth": 0.0}
    simulated = []
    for seed in range(100, 140):
        hold = Hold(wearer_of(steady | told, values["max_pinch_N"]), 24.0, seed)
        hold.target_N[:] = plateau.mean()
        force_N = hold.run(sees_own_force=True)[round(10.0 * TICK_RATE_HZ) :]
        simulated.append([variation(force_N), *band_shares(force_N, TICK_RATE_HZ, EDGES_HZ)])
    ratio = np.mean(simulated, axis=0) / wanted
    print("seeds 100-139, simulated over recorded: CV, then bands:", ratio)
    assert ratio == pytest.approx(1.0, abs=0.15)
    assert (fitted.folder / "hold.png").read_bytes().startswith(b"\x89PNG")


def test_the_recorded_session_is_judged_under_the_wearer_that_was_fitted_to_it(
    recorded_trapezoid: RecordedForce, fitted: Fitted, capsys: pytest.CaptureFixture[str]
) -> None:
    force, rate_Hz = recorded_trapezoid
    t_s = np.arange(0.0, force.size / rate_Hz, 0.025)
    estimate_N = np.interp(t_s - LATE_S, np.arange(force.size) / rate_Hz, force)
    target_N = target_at(t_s, recorded_trapezoid)
    age_ms = np.full(t_s.size, 1000.0 * LATE_S)
    columns = {"t_s": t_s, "target_N": target_N, "estimate_N": estimate_N, "estimate_age_ms": age_ms}
    session = write_csv(fitted.folder / "session.csv", columns)
    scenario = fitted.folder / "study.toml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    assert main(["check", str(scenario)]) == 0
    capsys.readouterr()
    out = fitted.folder / "judged"
    assert main(["--json", "whatif", str(session), "--scenario", str(scenario), "--out", str(out)]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["duration_s"] == pytest.approx(t_s[-1], abs=0.05)
    assert record["refused_to_arm"] == {}
    assert not record["delivery_on_record"]
    # The law's demand reckoned again from its own description: a push wherever the error leaves the deadband.
    tick_s = np.arange(0.0, t_s[-1], record["control_period_ms"] / 1000.0)
    row = np.searchsorted(t_s, tick_s + 1e-9, side="right") - 1
    error_N = target_N[row] - estimate_N[row]
    for channel, off_N in zip(record["channels"], (error_N, -error_N), strict=True):
        expected_s = np.count_nonzero(off_N > DEADBAND_N) * record["control_period_ms"] / 1000.0
        print(f"{channel['channel']}: demanded for {channel['demanded']['on_s']} s, expected {expected_s:.2f} s")
        assert expected_s > 1.0
        assert channel["demanded"]["on_s"] == pytest.approx(expected_s, abs=0.1)
        assert 0.0 < channel["admitted"]["mean_uC"] < channel["demanded"]["mean_uC"]
    assert record["held_back"]
    assert (out / "whatif.png").read_bytes().startswith(b"\x89PNG")
