"""The two pictures of a comparison: each wearer's line from condition to condition, and differences with intervals.

What a colour tells, a marker, a fill or a place tells too.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from thenar.report import ink

MARGINS: Final = ink.Margins(left=0.85, right=0.35, top=1.2, bottom=0.95)
PANEL_IN: Final = 2.35
PANEL_HIGH_IN: Final = 2.8
BETWEEN_IN: Final = 0.25
BELOW_IN: Final = 0.95
COLUMN_IN: Final = 0.92
WIDEST_IN: Final = 17.5
LEAST_WIDE_IN: Final = 8.6
TICK_WIDE: Final = 13
OTHER_LOOKS: Final = ((ink.AGONIST, "s"), (ink.ANTAGONIST, "v"), (ink.ESTIMATE, "P"), (ink.FORCE, "X"), (ink.INK, "p"))
PAPER: Final = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6}
ROW_IN: Final = 0.30
FOREST_WIDE_IN: Final = 11.2
LABEL_IN: Final = 1.55
TOLD_IN: Final = 4.3
FOREST_TOP_IN: Final = 1.15
FOREST_BOTTOM_IN: Final = 1.45


class Panel(NamedTuple):
    """One target: its name and each wearer's mean, shape (wearers, conditions), NaN where there is none."""

    target: str
    numbers: NDArray[np.float64]


class Bar(NamedTuple):
    """One difference: where, the mean, the ends of the t and of the bootstrap interval, and what to write beside it.

    `shown`: whether a difference is shown (a filled mark). Numbers in the measure's unit, NaN for none.
    """

    target: str
    difference: float
    low: float
    high: float
    bootstrap_low: float
    bootstrap_high: float
    shown: bool
    words: str


class Group(NamedTuple):
    """The differences of one pair of conditions, and its name: "assisted minus unassisted"."""

    name: str
    bars: Sequence[Bar]


def looks_of(conditions: Sequence[str]) -> list[tuple[str, str]]:
    """A colour and a marker for each condition, no marker twice among the first few."""
    others = iter(OTHER_LOOKS * (1 + len(conditions) // len(OTHER_LOOKS)))
    return [ink.CONDITION_LOOKS.get(condition) or next(others) for condition in conditions]


def paired_picture(
    file: Path,
    title: str,
    line: str,
    axis: str,
    conditions: Sequence[str],
    panels: Sequence[Panel],
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the paired dots as a PNG: a panel per target, a column per condition, a line per wearer.

    `axis`: what is measured, with its unit; `loosened` stands in the lower margin.
    """
    wide = max(PANEL_IN, COLUMN_IN * len(conditions))
    edges = MARGINS.left + MARGINS.right - BETWEEN_IN
    across = max(1, min(len(panels), int((WIDEST_IN - edges) / (wide + BETWEEN_IN))))
    down = math.ceil(len(panels) / across)
    wide = max(wide, (LEAST_WIDE_IN - edges) / across - BETWEEN_IN)
    full = MARGINS.left + across * wide + (across - 1) * BETWEEN_IN + MARGINS.right
    high = MARGINS.top + down * (PANEL_HIGH_IN + BELOW_IN) + MARGINS.bottom - 0.55 + loosened.height_in()
    with ink.house_style():
        figure = ink.new_figure(full, high)
        ink.heading(figure, MARGINS.left, title, line)
        key = "A line joins one wearer's means. Bar: mean over wearers with a number in every condition"
        ink.write_at(figure, MARGINS.left, 0.72, key, color=ink.QUIET)
        ink.footer(figure, MARGINS.left, loosened)
        limits = _limits(panels)
        for number, panel in enumerate(panels):
            left = MARGINS.left + number % across * (wide + BETWEEN_IN)
            top = MARGINS.top + number // across * (PANEL_HIGH_IN + BELOW_IN)
            axes = ink.place(figure, left, top, wide, PANEL_HIGH_IN)
            _dots(axes, panel, conditions)
            axes.set_ylim(*limits)
            if number % across:
                axes.tick_params(labelleft=False)
            else:
                axes.set_ylabel(axis, fontsize=ink.SMALL)
        ink.save(figure, file, title, _paired_alt(title, line, axis, conditions, panels) + loosened.words())


def _limits(panels: Sequence[Panel]) -> tuple[float, float]:
    numbers = np.concatenate([panel.numbers.ravel() for panel in panels])
    numbers = numbers[np.isfinite(numbers)]
    low, high = (float(numbers.min()), float(numbers.max())) if numbers.size else (0.0, 1.0)
    return min(0.0, 1.1 * low), max(1.1 * high, 0.1 if low >= 0 else 0.0)


def _dots(axes: Axes, panel: Panel, conditions: Sequence[str]) -> None:
    faint = max(0.12, min(0.75, 14 / len(panel.numbers)))
    for numbers in panel.numbers:
        axes.plot(range(len(conditions)), numbers, color=ink.QUIET, linewidth=0.8, alpha=faint, zorder=1)
    whole = panel.numbers[np.isfinite(panel.numbers).all(axis=1)]
    for column, (color, marker) in enumerate(looks_of(conditions)):
        axes.plot(
            np.full(len(panel.numbers), column), panel.numbers[:, column], linestyle="none", marker=marker,
            markersize=4.6, markerfacecolor=color, markeredgecolor="white", markeredgewidth=0.5,
            alpha=max(0.4, faint), zorder=2,
        )  # fmt: skip
        if len(whole):
            mean = float(whole[:, column].mean())
            axes.plot([column - 0.24, column + 0.24], [mean, mean], color=ink.INK, linewidth=2.2, zorder=3)
            axes.annotate(f"{mean:.3g}", (column + 0.27, mean), va="center", fontsize=ink.SMALL - 0.5, bbox=PAPER)
    axes.set_xlim(-0.45, len(conditions) - 0.3)
    axes.set_xticks(range(len(conditions)), [_tick(name) for name in conditions], fontsize=ink.SMALL)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.grid(axis="y", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_title(panel.target, fontsize=ink.BODY, fontweight="bold", pad=7)


def _tick(condition: str) -> str:
    return "\n".join(textwrap.wrap(condition, TICK_WIDE)[:4])


def _paired_alt(title: str, line: str, axis: str, conditions: Sequence[str], panels: Sequence[Panel]) -> str:
    parts = [f"{title}. {line}. {axis} of each wearer by condition, a line per wearer."]
    for panel in panels:
        whole = panel.numbers[np.isfinite(panel.numbers).all(axis=1)]
        means = [
            f"{condition} {whole[:, column].mean():.3g}" for column, condition in enumerate(conditions) if len(whole)
        ]
        parts.append(f"{panel.target}: mean over {len(whole)} wearers: {', '.join(means) or 'none'}.")
    return " ".join(parts)


def forest_picture(
    file: Path,
    title: str,
    line: str,
    axis: str,
    groups: Sequence[Group],
    sides: str,
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the differences as a PNG, a row each.

    `axis`: what differs, with its unit; `sides`: which side is better, in words; `loosened` stands in the
    lower margin.
    """
    rows = sum(1 + len(group.bars) for group in groups)
    high = FOREST_TOP_IN + rows * ROW_IN + FOREST_BOTTOM_IN + loosened.height_in()
    with ink.house_style():
        figure = ink.new_figure(FOREST_WIDE_IN, high)
        ink.heading(figure, ink.EDGE_IN, title, line)
        key = "Filled mark: a difference is shown, open: none is. Thick line: t interval; thin line below it: bootstrap"
        ink.write_at(figure, ink.EDGE_IN, 0.72, key, color=ink.QUIET)
        ink.footer(figure, ink.EDGE_IN, loosened)
        left = ink.EDGE_IN + LABEL_IN
        axes = ink.place(figure, left, FOREST_TOP_IN, FOREST_WIDE_IN - left - TOLD_IN, rows * ROW_IN)
        _bars(axes, groups)
        axes.set_ylim(rows - 0.3, -0.7)
        axes.set_xlabel(f"difference in {axis}\n{sides}", fontsize=ink.SMALL)
        ink.save(figure, file, title, _forest_alt(title, line, axis, groups, sides) + loosened.words())


def _bars(axes: Axes, groups: Sequence[Group]) -> None:
    beside = axes.get_yaxis_transform()
    at = 0
    axes.axvline(0.0, color=ink.INK, linewidth=0.9, linestyle="--", zorder=1)
    for place, group in enumerate(groups):
        color, marker = ((ink.FORCE, "o"), (ink.ESTIMATE, "s"), (ink.AGONIST, "D"))[place % 3]
        axes.text(
            -LABEL_IN / 5.15,
            at,
            group.name,
            bbox=PAPER,
            transform=beside,
            va="center",
            fontsize=ink.SMALL,
            fontweight="bold",
        )
        for bar in group.bars:
            at += 1
            axes.text(-0.02, at, bar.target, transform=beside, va="center", ha="right", fontsize=ink.SMALL)
            axes.text(1.03, at, bar.words, transform=beside, va="center", fontsize=ink.SMALL)
            if math.isfinite(bar.low):
                axes.plot([bar.low, bar.high], [at, at], color=color, linewidth=2.2, solid_capstyle="butt", zorder=2)
            if math.isfinite(bar.bootstrap_low):
                below = at + 0.27
                axes.plot([bar.bootstrap_low, bar.bootstrap_high], [below, below], color=ink.QUIET, linewidth=0.9)
            if math.isfinite(bar.difference):
                face = color if bar.shown else "white"
                axes.plot(
                    [bar.difference], [at], marker=marker, markersize=6.5, markerfacecolor=face, markeredgecolor=color,
                    markeredgewidth=1.4, zorder=3,
                )  # fmt: skip
        at += 1
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)


def _forest_alt(title: str, line: str, axis: str, groups: Sequence[Group], sides: str) -> str:
    parts = [f"{title}. {line}. Differences in {axis} with intervals; {sides}."]
    parts += [f"{group.name}, {bar.target}: {bar.words}." for group in groups for bar in group.bars]
    return " ".join(parts)
