"""What a sweep is summed up to, and what its pictures carry and show."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from thenar.caution import SHORT
from thenar.cli.sweep import MANY, SHOWN_OF_MANY, settings_table
from thenar.engine.result import TrialLabel
from thenar.report import ink
from thenar.report.metrics import METRICS, TargetRow
from thenar.report.sweep_map import COLORS
from thenar.report.sweep_picture import SweepDrawing, spaced, sweep_picture
from thenar.report.sweep_summary import SettingLine, best_first, line_of
from thenar.safety.deviation import Deviation

GAIN, DEADBAND = "law.settings.gain_mA_per_N", "law.settings.deadband_N"


def _row(wearer: int, condition: str, error_N: float, time_s: float = 30.0, **more: Any) -> TargetRow:
    values = {metric.name: 0.0 for metric in METRICS} | {"mean_abs_error_N": error_N} | more
    index = 2 * wearer + (condition == "assisted")
    counts = {"R20": 3, "R36": 2} if condition == "assisted" else {}
    label = TrialLabel(index, wearer, f"engraver {wearer}", condition, 0)
    return TargetRow(label, "4 N", 4.0, time_s, 1, 1, tuple(values[m.name] for m in METRICS), counts)


def _line(setting: int, values: tuple[Any, ...], p90_N: float) -> SettingLine:
    return SettingLine(
        setting, values, "assisted", 9, 9, p90_N, p90_N / 2, p90_N / 1.5, p90_N, 2.0, 3.0, 0.1, 5, 0, 9, 0
    )


def test_a_wearer_counts_once_and_the_time_that_a_target_was_shown_counts() -> None:
    rows = [_row(0, "assisted", 1.0, 30.0), _row(0, "assisted", 2.0, 10.0), _row(1, "assisted", 3.0)]
    found = line_of(0, (0.5,), rows)
    assert found.mean_N == pytest.approx((1.25 + 3.0) / 2, rel=1e-15)
    assert found.wearers == 2


def test_percentiles_over_wearers_are_linear_between_them() -> None:
    found = line_of(0, (), [_row(wearer, "assisted", float(wearer)) for wearer in range(11)])
    assert (found.low_N, found.median_N, found.p90_N) == (1.0, 5.0, 9.0)


def test_the_share_made_worse_compares_each_wearer_with_the_own_unassisted_error() -> None:
    rows = [_row(wearer, "unassisted", 2.0) for wearer in range(4)]
    rows += [_row(wearer, "assisted", error) for wearer, error in enumerate((1.0, 2.0, 2.1, 5.0))]
    assert line_of(0, (), rows).worse_share == 0.5
    assert math.isnan(line_of(0, (), rows[4:]).worse_share)
    assert math.isnan(line_of(0, (), rows[:4]).worse_share)


def test_interventions_trips_charge_and_silence_are_those_of_the_condition_shown() -> None:
    rows = [_row(0, "unassisted", 2.0, 60.0), _row(0, "assisted", 1.0, 60.0, trips=2.0)]
    rows += [_row(1, "assisted", 1.0, 60.0, agonist_pulses=7.0, agonist_charge_both_phases_uC=30.0)]
    found = line_of(0, (), rows)
    assert (found.interventions_per_min, found.trips_per_trial, found.charge_uC_per_min) == (5.0, 1.0, 15.0)
    assert (found.trials, found.silent_trials) == (2, 1)
    assert line_of(0, (), rows[:1]).silent_trials == 0


def test_the_best_come_first_and_those_without_an_error_last() -> None:
    lines = [_line(0, (), math.nan), _line(1, (), 3.0), _line(2, (), 1.0), _line(3, (), 1.0)]
    assert [line.setting for line in best_first(lines)] == [2, 3, 1, 0]


def test_the_table_shows_a_few_as_designed_and_the_best_of_many() -> None:
    lines = [_line(number, (1.0 * number,), 5.0 - number / 100) for number in range(MANY + 1)]
    few = settings_table((GAIN,), lines[:3])
    assert [row[0] for row in few.rows] == ["0", "1", "2"]
    many = settings_table((GAIN,), lines)
    assert [row[0] for row in many.rows] == [str(MANY - place) for place in range(SHOWN_OF_MANY)]
    assert many.headers[1] == "gain_mA_per_N"
    assert settings_table((GAIN, "other." + GAIN), [_line(0, (1.0, 2.0), 1.0)]).headers[1:3] == (GAIN, "other." + GAIN)


def _drawings() -> list[SweepDrawing]:
    title = "Graver hold"
    loosened = ink.Loosened("forearm-25cm2", [Deviation("agonist.peak_mA", "R06", 40.0, 45.0, "mA", "a phantom")])
    curve = [_line(n, (0.1 * n,), 3.0 - n) for n in range(1, 3)]
    words = [_line(n, (word,), 3.0 - n) for n, word in enumerate(("proportional", "bang-bang"))]
    grid = [_line(n, at, 1.0 + n / 4) for n, at in enumerate(itertools.product((0.1, 0.2, 0.4), (1.0, 2.0)))]
    large = [_line(n, at, 1.0 + n / 99) for n, at in enumerate(itertools.product(range(15), (1.0, 2.0, 3.0)))]
    many = [_line(n, (0.1 * n, "proportional", n), 1.0 + n / 9) for n in range(9)]
    return [
        SweepDrawing(title, (GAIN,), (False,), True, curve, loosened),
        SweepDrawing(title, ("law.name",), (False,), True, words),
        SweepDrawing(title, (GAIN, DEADBAND), (True, False), True, grid, loosened),
        SweepDrawing(title, (GAIN, DEADBAND), (False, False), True, large),
        SweepDrawing(title, (GAIN, DEADBAND), (True, False), False, grid),
        SweepDrawing(title, (GAIN, "law.name", "repeats"), (False,) * 3, True, many, loosened),
    ]


@pytest.mark.parametrize(
    "drawn", _drawings(), ids=["curve", "words", "map", "large map", "drawn settings", "many keys"]
)
def test_each_picture_carries_its_alt_text_the_caution_and_loosened_limits(drawn: SweepDrawing, tmp_path: Path) -> None:
    sweep_picture(tmp_path / "sweep.png", drawn)
    data = (tmp_path / "sweep.png").read_bytes()
    assert b"Disclaimer\0" + SHORT.encode("latin-1") in data
    assert f"Smallest 90th percentile: {drawn.best().p90_N:.2f} N at".encode() in data
    assert b"90th percentile without stimulation: 3.00 N" in data
    assert (b"Limits deviate from forearm-25cm2" in data) == bool(drawn.loosened.deviations)


@pytest.mark.parametrize(
    "drawn", _drawings(), ids=["curve", "words", "map", "large map", "drawn settings", "many keys"]
)
def test_nothing_in_a_picture_lies_outside_of_it(
    drawn: SweepDrawing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    figure = _figure_of(drawn, tmp_path, monkeypatch)
    width, height = figure.bbox.width, figure.bbox.height
    undrawn = {
        tick.label1
        for axis in (axis for axes in figure.axes for axis in (axes.xaxis, axes.yaxis))
        for tick in axis.get_major_ticks()
        if not min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
    }
    for text in set(figure.findobj(Text)) - undrawn:
        box = text.get_window_extent()
        outside = box.x0 < -1 or box.x1 > width + 1 or box.y0 < -1 or box.y1 > height + 1
        assert not (outside and text.get_visible() and text.get_text()), text.get_text()


def _figure_of(drawn: SweepDrawing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Figure:
    kept: list[Figure] = []
    real = ink.save

    def save(figure: Figure, *more: Any) -> None:
        kept.append(figure)
        real(figure, *more)

    monkeypatch.setattr(ink, "save", save)
    sweep_picture(tmp_path / "sweep.png", drawn)
    return kept[0]


def test_each_cell_of_the_map_shows_its_own_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = _drawings()[2]
    axes = _figure_of(drawn, tmp_path, monkeypatch).axes[0]
    rows, columns = ([tick.get_text() for tick in ticks] for ticks in (axes.get_yticklabels(), axes.get_xticklabels()))
    shown = {(rows[int(t.get_position()[1])], columns[int(t.get_position()[0])]): t.get_text() for t in axes.texts}
    expected = {(f"{gain:g}", f"{band:g}"): f"{line.p90_N:.2f}" for line in drawn.lines for gain, band in [line.values]}
    assert shown == expected


def _rgb(color: str) -> Any:
    return np.array(to_rgb(color))


def test_darkness_alone_tells_a_large_error_from_a_small_one() -> None:
    # Rec. 709 luminance of linear light, as in tests/thenar/test_pictures.py.
    linear = [np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4) for part in map(_rgb, COLORS)]
    light = [float(part @ [0.2126, 0.7152, 0.0722]) for part in linear]
    assert light == sorted(light, reverse=True)
    assert (light[0] + 0.05) / (light[-1] + 0.05) > 10


@given(st.lists(st.floats(0, 1), max_size=5).map(sorted))
def test_labels_keep_their_order_and_their_distance(heights: list[float]) -> None:
    placed = spaced(heights, 0.1)
    assert all(later - earlier >= 0.1 - 1e-12 for earlier, later in itertools.pairwise(placed))
    assert all(height <= 1.0 + 1e-12 for height in placed)
