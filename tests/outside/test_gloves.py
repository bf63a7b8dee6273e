"""Estimators made without thenar: truths come back, other kinds of sensor and mistaken files are named."""

from __future__ import annotations

import secrets
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.outside.gloves import BAD, WRONG, Columns, Glove, drawn_glove, glove_recording, spoilt
from thenar.cli import main
from thenar.fit.estimator import fit_estimator
from thenar.fit.found import Fit
from thenar.fit.recording import Recording


def fitted(columns: Columns) -> Fit:
    """The fit of such a recording."""
    return fit_estimator(Recording("estimator", "glove.csv", "0" * 64, columns["t_s"].size, "", "", columns))


def drawn(seed: int, number: int, wrong: str = "") -> tuple[Glove, Fit]:
    """A drawn estimator and the fit of its recording."""
    rng = np.random.default_rng([seed, number])
    glove = drawn_glove(rng)
    return glove, fitted(glove_recording(rng, glove, wrong))


def held(glove: Glove, fit: Fit) -> tuple[Counter[str], Counter[str]]:
    """How many numbers were told, by name, and how many of their intervals hold the truth."""
    true = {
        "rate_Hz": glove.rate_Hz, "latency_ms": glove.latency_ms, "noise_floor_N": glove.floor_N,
        "noise_share": glove.share, "noise_tau_ms": glove.tau_ms, "outlier_share": glove.outlier_share,
        "outlier_sd_N": glove.outlier_sd_N, "dropouts_per_min": glove.dropouts_per_min,
    }  # fmt: skip
    told, inside = Counter[str](), Counter[str]()
    for one in fit.parameters:
        if one.identifiable and one.key in true:
            told[one.key] += 1
            inside[one.key] += one.low <= true[one.key] <= one.high
    knots_N = np.array(fit.table["true_N"])
    low, high = glove.slopes
    reads_N = 1.0 + low * np.minimum(knots_N, glove.knee_N) + high * np.maximum(0.0, knots_N - glove.knee_N)
    for place, read_N in enumerate(reads_N):
        knot = next(one for one in fit.parameters if one.key == f"reads_N[{place}]")
        told["curve"] += 1
        inside["curve"] += knot.low <= read_N <= knot.high
    return told, inside


def over(seed: int, count: int) -> tuple[Counter[str], Counter[str], int]:
    """`held` of so many recordings, and how many of them raised an alarm."""
    told, inside, alarms = Counter[str](), Counter[str](), 0
    for number in range(count):
        glove, fit = drawn(seed, number)
        some, good = held(glove, fit)
        told, inside, alarms = told + some, inside + good, alarms + bool(fit.misfits)
    print("seed", seed, {name: (inside[name], told[name]) for name in told}, "alarms", alarms)
    return told, inside, alarms


def test_truths_come_back_inside_their_intervals_whether_sampled_evenly_or_not() -> None:
    told, inside, alarms = over(20261212, 6)
    assert inside.total() >= 0.88 * told.total()
    assert alarms <= 1


@pytest.mark.parametrize("wrong", WRONG)
def test_a_sensor_of_another_kind_is_not_believed(wrong: str) -> None:
    assert drawn(20261213, 0, wrong)[1].misfits


def test_a_tenth_of_outliers_is_told_and_leaves_the_noise_alone() -> None:
    glove = Glove(40.0, True, 120.0, 8.0, (1.0, 0.7), 0.3, 0.03, 120.0, 0.1, 8.0, 0.0, 0)
    found = {one.key: one for one in fitted(glove_recording(np.random.default_rng(20261214), glove)).parameters}
    for key, true in (("outlier_share", 0.1), ("outlier_sd_N", 8.0), ("noise_floor_N", 0.3), ("noise_tau_ms", 120.0)):
        assert found[key].value == pytest.approx(true, rel=0.2), key


def test_readings_without_a_pace_have_a_mean_rate_with_an_honest_interval() -> None:
    glove = Glove(30.15, False, 120.0, 8.0, (1.0, 0.7), 0.3, 0.03, 120.0, 0.0, 8.0, 0.0, 0)
    found = {one.key: one for one in fitted(glove_recording(np.random.default_rng(20261215), glove)).parameters}
    rate, jitter = found["rate_Hz"], found["jitter_ms"]
    assert rate.low <= 30.15 <= rate.high
    assert 0.1 < rate.high - rate.low < 2.0
    assert "keep no pace" in rate.note
    assert jitter.value > 10.0


def written(columns: Columns, folder: Path) -> Path:
    """The recording as a CSV."""
    lines = [",".join(columns)]
    rows = zip(*columns.values(), strict=True)
    lines += [",".join("" if np.isnan(cell) else f"{cell:.8g}" for cell in row) for row in rows]
    file = folder / "glove.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


NAMED = {
    "inverted": ("saturated?", "falls as the force rises"), "flat": ("not of this force?", "nearly constant"),
    "swapped": ("swap-force-estimate",), "in kg": ("kg-to-N",), "in lb": ("lb-to-N",), "in mN": ("mN-to-N",),
    "in g": ("g-to-N",), "in V": ("in V, counts", "saturated?", "kg-to-N"),
    "raw counts": ("in V, counts", "-to-N", "outside"),
    "both in kg": ("wrong if the columns are in kg or lb",), "ms": ("ms-to-s",), "clipped": ("saturated?",),
}  # fmt: skip


@pytest.mark.parametrize("how", BAD)
def test_a_mistaken_file_is_refused_or_named(how: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(20261216)
    columns = spoilt(glove_recording(rng, drawn_glove(rng)), how)
    code = main(["fit", "estimator", str(written(columns, tmp_path)), "--to", str(tmp_path / "glove.toml")])
    told = " ".join("".join(capsys.readouterr()).split())
    assert any(words in told for words in NAMED[how]), told
    assert code == (0 if how == "both in kg" else 2)


@pytest.mark.campaign
def test_intervals_of_forty_recordings_hold_the_truth_in_90_to_99_percent() -> None:
    told, inside, alarms = over(secrets.randbits(32), 40)
    assert 0.9 <= inside.total() / told.total() <= 0.99
    assert alarms <= 2


@pytest.mark.campaign
def test_of_two_hundred_right_recordings_at_most_a_twentieth_raises_an_alarm_and_no_other_kind_is_believed() -> None:
    seed = secrets.randbits(32)
    assert over(seed, 200)[2] <= 10
    wrong = [(number, kind) for kind in WRONG for number in range(10) if not drawn(seed, number, kind)[1].misfits]
    assert wrong == []
