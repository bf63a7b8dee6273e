"""The picture of a run: mean absolute error by condition and target, with every wearer's own dot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from thenar.report import ink
from thenar.report.metrics import TargetRow
from thenar.report.summary import ConditionTarget, wearer_means

MEASURE: Final = "mean_abs_error_N"
MARGINS: Final = ink.Margins(left=0.85, right=0.45, top=1.15, bottom=1.05)
LEAST_PANEL_IN: Final = 2.7
PANEL_HEIGHT_IN: Final = 2.9
BETWEEN_IN: Final = 0.3
BELOW_IN: Final = 0.85
PANELS_PER_ROW: Final = 5
LEAST_BODY_IN: Final = 7.3
OTHER_LOOK: Final = (ink.INK, "s")


def error_picture(
    file: Path,
    table: Sequence[ConditionTarget],
    rows: Sequence[TargetRow],
    title: str,
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the picture of a run's `table` and trials' `rows` as a PNG: a panel per target, a column per condition.

    `loosened` stands in the lower margin.
    """
    targets = list(dict.fromkeys(line.target for line in sorted(table, key=lambda line: line.target_N)))
    conditions = list(dict.fromkeys(line.condition for line in table))
    top_N = 1.12 * max(0.1, *_numbers(rows))
    across = min(len(targets), PANELS_PER_ROW)
    down = math.ceil(len(targets) / PANELS_PER_ROW)
    panel_in = max(LEAST_PANEL_IN, (LEAST_BODY_IN - (across - 1) * BETWEEN_IN) / across)
    width = MARGINS.left + across * panel_in + (across - 1) * BETWEEN_IN + MARGINS.right
    height = MARGINS.top + down * PANEL_HEIGHT_IN + (down - 1) * BELOW_IN + MARGINS.bottom
    height += loosened.height_in()
    with ink.house_style():
        figure = ink.new_figure(width, height)
        ink.heading(figure, MARGINS.left, title, "Mean absolute error by condition and target")
        ink.write_at(figure, MARGINS.left, 0.72, _key(rows), color=ink.QUIET)
        ink.footer(figure, MARGINS.left, loosened)
        for number, target in enumerate(targets):
            axes = _panel_axes(figure, number, panel_in)
            of_target = [row for row in rows if row.target == target]
            lines = {line.condition: line for line in table if line.target == target}
            _panel(axes, target, conditions, of_target, lines, top_N)
            if number % PANELS_PER_ROW:
                axes.tick_params(labelleft=False)
            else:
                axes.set_ylabel("mean absolute error, N", fontsize=ink.SMALL)
        ink.save(figure, file, title, alt_text(table, title) + loosened.words())


def _key(rows: Sequence[TargetRow]) -> str:
    if len({row.label.wearer for row in rows}) == 1:
        return "One wearer: the mark is that wearer's error"
    return "Small marks: one wearer each, joined across conditions. Bar: mean over wearers, whiskers: 1 SD"


def _numbers(rows: Sequence[TargetRow]) -> list[float]:
    return [row.value(MEASURE) for row in rows if math.isfinite(row.value(MEASURE))]


def _panel_axes(figure: Figure, number: int, width_in: float) -> Axes:
    across, down = number % PANELS_PER_ROW, number // PANELS_PER_ROW
    left = MARGINS.left + across * (width_in + BETWEEN_IN)
    top = MARGINS.top + down * (PANEL_HEIGHT_IN + BELOW_IN)
    return ink.place(figure, left, top, width_in, PANEL_HEIGHT_IN)


def _panel(
    axes: Axes,
    target: str,
    conditions: Sequence[str],
    rows: Sequence[TargetRow],
    lines: dict[str, ConditionTarget],
    top_N: float,
) -> None:
    means = {
        condition: wearer_means([r for r in rows if r.label.condition == condition], MEASURE)
        for condition in conditions
    }
    wearers = sorted({wearer for found in means.values() for wearer in found})
    faint = max(0.12, min(0.7, 12 / len(wearers)))
    for wearer in wearers:
        values = [means[condition].get(wearer, math.nan) for condition in conditions]
        axes.plot(range(len(conditions)), values, color=ink.QUIET, linewidth=0.6, alpha=0.7 * faint, zorder=1)
    for column, condition in enumerate(conditions):
        color, marker = ink.CONDITION_LOOKS.get(condition, OTHER_LOOK)
        values = list(means[condition].values())
        axes.plot(
            [column] * len(values), values, linestyle="none", marker=marker, markersize=4.2,
            markerfacecolor=color, markeredgecolor="white", markeredgewidth=0.5, alpha=max(0.35, faint), zorder=2,
        )  # fmt: skip
        if condition in lines:
            _spread(axes, column, lines[condition], color, alone=len(values) == 1)
    axes.set_xlim(-0.45, len(conditions) - 0.35)
    axes.set_ylim(0.0, top_N)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.grid(axis="y", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_xticks(range(len(conditions)), [name.replace("-", "-\n") for name in conditions], fontsize=ink.SMALL)
    axes.set_title(
        "moving target" if target == "moving" else f"target {target}", fontsize=ink.BODY, fontweight="bold", pad=7
    )


def _spread(axes: Axes, column: int, line: ConditionTarget, color: str, alone: bool) -> None:
    """The mean over wearers as a bar right of the dots, its SD as whiskers, its number beside it.

    `alone`: there is one wearer, so the number goes beside the dot and there is no bar.
    """
    found = line.spread(MEASURE)
    at = column - 0.02 if alone else column + 0.2
    if math.isfinite(found.sd):
        axes.plot([at, at], [max(0.0, found.mean - found.sd), found.mean + found.sd], color=color, linewidth=1.1)
    if not alone:
        axes.plot([at - 0.09, at + 0.09], [found.mean, found.mean], color=color, linewidth=2.6, solid_capstyle="butt")
    if math.isfinite(found.mean):
        paper = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}
        axes.annotate(
            f"{found.mean:.2f}", (at + 0.12, found.mean), va="center", fontsize=ink.SMALL - 0.5, color=color, bbox=paper
        )


def alt_text(table: Sequence[ConditionTarget], title: str) -> str:
    """What the picture shows, for those who can't see it."""
    parts = [f"{title}. Mean absolute error by condition and target, each wearer a dot."]
    for line in table:
        found = line.spread(MEASURE)
        sd = f", SD {found.sd:.2f}" if math.isfinite(found.sd) else ""
        wearers = "1 wearer" if found.n == 1 else f"{found.n} wearers"
        parts.append(f"{line.condition}, {line.target}: mean {found.mean:.2f} N{sd} over {wearers}.")
    return " ".join(parts)
