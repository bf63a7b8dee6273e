"""Messy recordings: each matter is told once with a count, a line and the repair, and mended only when asked."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.thenar.made_recordings import (
    CURRENT_MA,
    ESTIMATE_N,
    ESTIMATOR,
    EVOKED_N,
    FORCE_N,
    RECRUITMENT,
    ROWS,
    T_S,
    TARGET_N,
    WEARER,
    WIDTH_US,
    lines_of,
    write,
)
from thenar.fit.kinds import KINDS
from thenar.fit.reading import read
from thenar.fit.repairs import repair_names
from thenar.shared.errors import InputError

Columns = Mapping[str, NDArray[np.float64]]
GRAVITY = 9.80665  # m/s2, CGPM 1901; kg to N
POUND = 4.4482216152605  # N in a pound of force: 0.45359237 kg times the above


def told(file: Path, kind: str, *repairs: str, **asked: Mapping[str, str]) -> str:
    """The screen of a file that can't be used."""
    with pytest.raises(InputError) as refused:
        read(file, kind, repairs=repairs, **asked)
    return str(refused.value)


def kind_of(columns: Columns) -> str:
    """The kind of recording that these columns are."""
    if "estimate_N" in columns:
        return "estimator"
    return "wearer" if "target_N" in columns else "recruitment"


def test_words_for_missing_values_are_told_and_become_empty_cells_when_asked(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    lines[5], lines[8], lines[9] = "0.04,NaN,5.1", "0.07,na,-", ",5.0,5.0"
    file = write(tmp_path, lines)
    screen = told(file, "estimator")
    assert "bench.csv: column force_N, line 6\n    found: 2 words instead of a value" in screen
    assert "column estimate_N, line 9\n    found: 1 word instead of a value" in screen
    assert "column t_s, line 10\n    found: 1 empty cell" in screen
    assert screen.count("mend with --repair drop-missing") == 3
    recording = read(file, "estimator", repairs=["drop-missing"])
    assert recording.repairs == (
        "drop-missing: 3 words for a missing value taken as an empty cell; 1 row without t_s left out",
    )
    assert recording.series("force_N").values.size == ROWS - 3
    assert recording.rows == ROWS


def test_an_empty_cell_is_no_mess_but_half_a_step_is(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    lines[5] = "0.04,,5.1"
    assert np.isnan(read(write(tmp_path, lines), "estimator").columns["force_N"][4])
    steps = lines_of(RECRUITMENT)
    steps[3] = "3,,0.1"
    assert "column width_us, line 4\n    found: 1 empty cell" in told(write(tmp_path, steps), "recruitment")
    mended = read(write(tmp_path, steps), "recruitment", repairs=["drop-missing"])
    assert mended.columns["width_us"].size == 59
    assert mended.repairs == ("drop-missing: 1 row without current_mA or width_us or force_N left out",)


def test_words_that_are_no_numbers_are_told_with_the_first_of_them(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    lines[4], lines[6], lines[9] = "0.03,oops,5", "0.05,0x1F,5", "0.08,inf,5"
    screen = told(write(tmp_path, lines), "estimator", "drop-missing")
    assert "column force_N, line 5\n    found: 'oops': 3 cells that are no numbers" in screen
    assert screen.count("found:") == 1


def test_second_values_at_a_time_are_told_and_dropped_when_asked(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    file = write(tmp_path, [*lines[:101], "0.99,7,7", "0.99,8,8", *lines[101:]])
    assert "column force_N, line 102\n    found: 2 second values at the same time" in told(file, "estimator")
    recording = read(file, "estimator", repairs=["drop-duplicates"])
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N)
    assert "drop-duplicates: 2 second values of force_N" in recording.repairs[0]


def test_times_that_go_back_are_told_and_sorted_when_asked(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    lines[100], lines[101] = lines[101], lines[100]
    file = write(tmp_path, lines)
    assert "column t_s, line 102\n    found: 1 time before an earlier one, by up to 0.01 s" in told(file, "estimator")
    recording = read(file, "estimator", repairs=["sort-time"])
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N)
    assert recording.repairs == ("sort-time: 1 row put back into the order of time",)


def test_a_clock_that_began_again_is_not_sorted_into_one_recording(tmp_path: Path) -> None:
    first, *rows = lines_of(ESTIMATOR)
    file = write(tmp_path, [first, *rows, *rows])
    for repairs in ((), ("sort-time",), ("sort-time", "drop-duplicates")):
        screen = told(file, "estimator", *repairs)
        assert "column t_s, line 1502\n    found: 1,499 times before an earlier one, by up to 14.99 s" in screen
        assert "split it where time goes back" in screen


UNITS: Mapping[str, tuple[Columns, str, float]] = {
    "ms-to-s:t_s": (ESTIMATOR, "t_s", 1e3),
    "us-to-s:t_s": (ESTIMATOR, "t_s", 1e6),
    "kg-to-N:force_N": (ESTIMATOR, "force_N", 1.0 / GRAVITY),
    "kg-to-N:estimate_N": (ESTIMATOR, "estimate_N", 1.0 / GRAVITY),
    "kg-to-N:target_N": (WEARER, "target_N", 1.0 / GRAVITY),
    "lb-to-N:force_N": (ESTIMATOR, "force_N", 1.0 / POUND),
    "lb-to-N:target_N": (WEARER, "target_N", 1.0 / POUND),
    "g-to-N:force_N": (ESTIMATOR, "force_N", 1e3 / GRAVITY),
    "mN-to-N:estimate_N": (ESTIMATOR, "estimate_N", 1e3),
    "A-to-mA:current_mA": (RECRUITMENT, "current_mA", 1e-3),
    "uA-to-mA:current_mA": (RECRUITMENT, "current_mA", 1e3),
    "ms-to-us:width_us": (RECRUITMENT, "width_us", 1e-3),
    "s-to-us:width_us": (RECRUITMENT, "width_us", 1e-6),
    "ns-to-us:width_us": (RECRUITMENT, "width_us", 1e3),
}


@pytest.mark.parametrize("repair", UNITS)
def test_a_column_in_another_unit_is_suspected_and_converted_when_asked(tmp_path: Path, repair: str) -> None:
    right, column, factor = UNITS[repair]
    kind = kind_of(right)
    file = write(tmp_path, lines_of({**right, column: right[column] * factor}))
    screen = told(file, kind)
    assert f"column {column}, line 2" in screen
    assert f"--repair {repair}" in screen
    assert f"--repair trust-units:{column}" in screen
    assert screen.count("found:") == 1
    recording = read(file, kind, repairs=[repair])
    np.testing.assert_allclose(recording.columns[column], right[column], rtol=1e-6, atol=1e-9)
    assert recording.repairs[0].startswith(f"{repair.partition(':')[0]}: {right['force_N'].size:,} values of {column}")


def test_both_forces_in_kg_are_suspected_and_mended_by_one_name(tmp_path: Path) -> None:
    light = {**ESTIMATOR, "force_N": FORCE_N / GRAVITY, "estimate_N": ESTIMATE_N / GRAVITY}
    file = write(tmp_path, lines_of(light))
    screen = told(file, "estimator")
    assert "--repair kg-to-N:force_N" in screen
    assert "--repair kg-to-N:estimate_N" in screen
    recording = read(file, "estimator", repairs=["kg-to-N"])
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N, rtol=1e-6)


def test_a_gentle_pinch_is_believed_when_asked_and_that_is_put_on_record(tmp_path: Path) -> None:
    gentle = {**ESTIMATOR, "force_N": FORCE_N / 12.0, "estimate_N": ESTIMATE_N / 12.0}
    file = write(tmp_path, lines_of(gentle))
    recording = read(file, "estimator", repairs=["trust-units"])
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N / 12.0, rtol=1e-6)
    assert recording.repairs == (
        "trust-units: force_N taken in N as it is, asked for",
        "trust-units: estimate_N taken in N as it is, asked for",
    )


def test_a_wearer_who_rests_half_the_time_is_not_taken_for_pounds(tmp_path: Path) -> None:
    """Met in the demo's runs: the target stays, the force comes and goes, and its level alone looked like pounds."""
    resting = np.where(np.sin(2.0 * np.pi * T_S / 7.0) > 0.9, 4.0 * FORCE_N / 6.0, FORCE_N / 200.0)
    read(write(tmp_path, lines_of({**WEARER, "target_N": np.full(ROWS, 4.0), "force_N": resting})), "wearer")


def test_times_of_a_wall_clock_need_a_start(tmp_path: Path) -> None:
    file = write(tmp_path, ["t_s,force_N,estimate_N", *(f"{at + 1.75e9:.2f},{f},{e}" for at, f, e in _rows())])
    assert "--repair start-at-zero" in told(file, "estimator")
    recording = read(file, "estimator", repairs=["start-at-zero"])
    np.testing.assert_allclose(recording.columns["t_s"], T_S, atol=1e-6)
    assert recording.repairs == ("start-at-zero: 1750000000 s taken from 1,500 times",)


def _rows() -> list[tuple[float, float, float]]:
    return list(zip(T_S.tolist(), FORCE_N.tolist(), ESTIMATE_N.tolist(), strict=True))


@pytest.mark.parametrize(
    ("columns", "swap"),
    [
        ({"t_s": T_S, "target_N": FORCE_N, "force_N": TARGET_N}, "swap-target-force"),
        ({"t_s": T_S, "target_N": ESTIMATE_N, "estimate_N": TARGET_N}, "swap-target-estimate"),
        ({"current_mA": WIDTH_US, "width_us": CURRENT_MA, "force_N": EVOKED_N}, "swap-current-width"),
    ],
)
def test_exchanged_columns_are_suspected_and_put_right_when_asked(tmp_path: Path, columns: Columns, swap: str) -> None:
    kind = "session" if swap.endswith("estimate") else kind_of(columns)
    file = write(tmp_path, lines_of(columns))
    screen = told(file, kind)
    assert "exchanged?" in screen
    assert f"--repair {swap}" in screen
    one, other = [name for name in columns if name not in {"t_s", "force_N"} or name == f"{swap[12:]}_N"][:2]
    recording = read(file, kind, repairs=[swap])
    np.testing.assert_allclose(recording.columns[one], columns[other], rtol=1e-9)
    assert recording.repairs[0].startswith(f"{swap}: {one} and {other} exchanged")


def test_a_smooth_target_is_not_taken_for_a_force(tmp_path: Path) -> None:
    sway = 6.0 + 3.0 * np.sin(2.0 * np.pi * T_S)
    read(write(tmp_path, lines_of({**WEARER, "target_N": sway})), "wearer")


def test_too_short_is_told_with_what_there_is(tmp_path: Path) -> None:
    screen = told(write(tmp_path, lines_of(ESTIMATOR)[:41]), "estimator")
    assert "40 values of force_N, 40 values of estimate_N, 0.39 s: too short" in screen
    assert "at least 100 values over 10 s" in screen
    assert "5 values of force_N: too short" in told(write(tmp_path, lines_of(RECRUITMENT)[:6]), "recruitment")


@pytest.mark.parametrize("sensor", ["force_N", "estimate_N"])
def test_a_constant_sensor_is_told(tmp_path: Path, sensor: str) -> None:
    level = {"force_N": 6.0, "estimate_N": 5.0}[sensor]
    file = write(tmp_path, lines_of({**ESTIMATOR, sensor: np.full(ROWS, level)}))
    assert f"column {sensor}\n    found: {level:g} in all 1,500 values: constant" in told(file, "estimator")


def test_a_staircase_of_one_step_is_told(tmp_path: Path) -> None:
    file = write(tmp_path, lines_of({**RECRUITMENT, "current_mA": np.full(60, 9.0), "width_us": np.full(60, 200.0)}))
    assert "one current and one width in all rows" in told(file, "recruitment")


@pytest.mark.parametrize(("clip", "which"), [((-9.0, 8.5), "largest"), ((3.5, 99.0), "smallest")])
def test_a_cut_off_sensor_is_told_dropped_or_kept(tmp_path: Path, clip: tuple[float, float], which: str) -> None:
    clipped = np.clip(FORCE_N, *clip)
    extreme = clipped.max() if which == "largest" else clipped.min()
    many, first = int((clipped == extreme).sum()), int(np.argmax(clipped == extreme))
    file = write(tmp_path, lines_of({**ESTIMATOR, "force_N": clipped}))
    screen = told(file, "estimator")
    assert f"column force_N, line {first + 2}\n    found: {many} values" in screen
    assert f"at the {which}, {extreme:g}: saturated?" in screen
    dropped = read(file, "estimator", repairs=["drop-saturated:force_N"])
    assert dropped.series("force_N").values.size == ROWS - many
    assert dropped.repairs == (f"drop-saturated: {many} values of force_N at {extreme:g} left out",)
    kept = read(file, "estimator", repairs=["keep-saturated"])
    np.testing.assert_allclose(kept.columns["force_N"], clipped)
    assert kept.repairs == (f"keep-saturated: {many} values of force_N at {extreme:g} kept",)


@pytest.mark.parametrize("step", [0.05, 0.1, 0.5])
def test_a_coarse_sensor_is_not_taken_for_a_cut_off_one(tmp_path: Path, step: float) -> None:
    read(write(tmp_path, lines_of({**ESTIMATOR, "force_N": np.round(FORCE_N / step) * step})), "estimator")


def test_a_sensor_that_reads_nothing_below_zero_is_not_cut_off(tmp_path: Path) -> None:
    resting = np.maximum(FORCE_N - 5.0, 0.0)
    read(write(tmp_path, lines_of({**ESTIMATOR, "estimate_N": resting, "force_N": FORCE_N - 4.0})), "estimator")


def test_values_outside_are_told_and_dropped_when_asked(tmp_path: Path) -> None:
    spiked = FORCE_N.copy()
    spiked[[70, 90]] = 9000.0, -400.0
    file = write(tmp_path, lines_of({**ESTIMATOR, "force_N": spiked}))
    assert "column force_N, line 72\n    found: 9000: 2 values outside\n    allowed: -50 to 500 N" in told(
        file, "estimator"
    )
    recording = read(file, "estimator", repairs=["drop-outside"])
    assert np.isnan(recording.columns["force_N"]).sum() == 2


def test_missing_and_unknown_columns_name_the_nearest(tmp_path: Path) -> None:
    file = write(tmp_path, ["t_s,Force_n,estimat_N,temperature", *(f"{row},21" for row in lines_of(ESTIMATOR)[1:])])
    screen = told(file, "estimator")
    assert "column force_N\n    found: no such column" in screen
    assert "--column force_N=Force_n" in screen
    assert "nearest known name: estimat_N" in screen
    assert "1 unknown column: 'temperature'" in screen
    named = {"force_N": "Force_n", "estimate_N": "estimat_N"}
    recording = read(file, "estimator", columns=named, repairs=["ignore-columns"])
    assert recording.repairs[-1] == "ignore-columns: 1 column left out: 'temperature'"


def test_a_header_in_another_unit_names_column_and_conversion(tmp_path: Path) -> None:
    other = {"t_ms": T_S * 1000.0, "force_kg": FORCE_N / GRAVITY, "estimate_N": ESTIMATE_N}
    file = write(tmp_path, lines_of(other))
    screen = told(file, "estimator")
    assert "--column t_s=t_ms --repair ms-to-s:t_s" in screen
    assert "--column force_N=force_kg --repair kg-to-N:force_N" in screen
    named = {"t_s": "t_ms", "force_N": "force_kg"}
    recording = read(file, "estimator", columns=named, repairs=["ms-to-s:t_s", "kg-to-N:force_N"])
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N, rtol=1e-6)


def test_semicolons_and_decimal_commas_are_told_apart(tmp_path: Path) -> None:
    lines = [line.replace(",", ";").replace(".", ",") for line in lines_of(ESTIMATOR)]
    file = write(tmp_path, lines)
    screen = told(file, "estimator")
    assert "line 1\n    found: columns between semicolons" in screen
    assert "cells of the file with a decimal comma" in screen
    assert screen.count("found:") == 2
    recording = read(file, "estimator", repairs=["semicolon-columns", "decimal-comma"])
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N)
    assert "semicolon-columns: columns were told apart by semicolons in all lines" in recording.repairs
    points = write(tmp_path, [line.replace(",", ";") for line in lines_of(ESTIMATOR)])
    assert told(points, "estimator").count("found:") == 1
    commas = write(tmp_path, [lines_of(ESTIMATOR)[0], *(line.replace(".", ",") for line in lines_of(ESTIMATOR)[1:])])
    assert "(decimal commas?)" in told(commas, "estimator")


def test_uneven_lines_open_quotes_and_no_names_are_told(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    lines[5], lines[7], lines[9] = "0.04,5", "0.06,5,5,5", '0.08,"5,5'
    screen = told(write(tmp_path, lines), "estimator")
    assert "line 6\n    found: 2 lines with another number of cells; the first has 2" in screen
    assert "line 10\n    found: 1 line with a quote left open" in screen
    assert "numbers and no names of columns" in told(write(tmp_path, lines_of(ESTIMATOR)[1:]), "estimator")
    assert "no row of numbers" in told(write(tmp_path, lines[:1]), "estimator")


def test_half_a_pulse_is_told(tmp_path: Path) -> None:
    rows = [f"{row},," for row in lines_of({"t_s": T_S, "force_N": FORCE_N})[1:]]
    file = write(tmp_path, ["t_s,force_N,pulse_current_mA,pulse_width_us", *rows, "15.1,,9,250", "15.2,,9,"])
    assert "column pulse_width_us, line 1503\n    found: 1 pulse without it" in told(file, "muscle")


def test_all_that_is_wrong_is_told_at_once_on_one_screen(tmp_path: Path) -> None:
    lines = lines_of({**ESTIMATOR, "force_N": np.minimum(FORCE_N, 8.5)})
    lines[3], lines[5], lines[6], lines[20] = lines[4], "0.04,NaN,5", "0.05,x,5", "0.1,5,5"
    screen = told(write(tmp_path, lines), "estimator")
    for matter in ("no number", "instead of a value", "before an earlier", "second value", ": saturated?"):
        assert screen.count(matter) == 1
    assert len(screen.splitlines()) <= 40


def test_an_unknown_repair_names_the_nearest_and_a_needless_one_is_told(tmp_path: Path) -> None:
    file = write(tmp_path, lines_of(ESTIMATOR))
    assert "nearest known name: sort-time" in told(file, "estimator", "sort-times")
    assert "nearest known name: force_N" in told(file, "estimator", "kg-to-N:force")
    assert "sort-time alone, it is for all columns" in told(file, "estimator", "sort-time:t_s")
    assert "'A-to-mA'" in told(file, "estimator", "A-to-mA")
    assert read(file, "estimator", repairs=["sort-time"]).repairs == ("sort-time: asked for, found nothing to do",)


@pytest.mark.parametrize("kind", KINDS)
def test_each_repair_of_a_kind_can_be_asked_for_in_a_clean_file(tmp_path: Path, kind: str) -> None:
    """None of them fails on a file that needs nothing; a conversion may be refused afterwards for what it made."""
    clean: Mapping[str, Columns] = {
        "estimator": ESTIMATOR,
        "wearer": WEARER,
        "recruitment": RECRUITMENT,
        "session": {"t_s": T_S, "target_N": TARGET_N, "estimate_N": ESTIMATE_N},
        "muscle": {
            "t_s": T_S,
            "force_N": FORCE_N,
            "pulse_current_mA": np.where(np.arange(ROWS) % 4, np.nan, 9.0),
            "pulse_width_us": np.where(np.arange(ROWS) % 4, np.nan, 250.0),
        },
    }
    file = write(tmp_path, lines_of(clean[kind]))
    for repair in repair_names(KINDS[kind]):
        if "-to-" in repair or repair.startswith("swap-"):
            continue
        assert read(file, kind, repairs=[repair]).repairs == (f"{repair}: asked for, found nothing to do",)
