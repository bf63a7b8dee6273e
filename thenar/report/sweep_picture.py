"""The picture of a sweep: a curve for one key, a map for two on a grid, a panel per key for everything else.

The curve: median over wearers of the mean absolute error against the key, with the band from the 10th to the 90th
percentile over wearers, and the level without stimulation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, NullLocator, ScalarFormatter

from thenar.report import ink
from thenar.report.sweep_summary import UNASSISTED, SettingLine, best_first

MARGINS: Final = ink.Margins(left=0.85, right=2.0, top=1.05, bottom=1.1)
BODY_IN: Final = (5.9, 3.3)
LABELS_APART: Final = 0.065
MOST_TICKS: Final = 6
TICK_WORDS: Final = 18


class SweepDrawing(NamedTuple):
    """What a picture of a sweep is made of: title, swept keys, which of them step by ratios, a line per setting."""

    title: str
    keys: tuple[str, ...]
    log: tuple[bool, ...]
    grid: bool
    lines: Sequence[SettingLine]
    loosened: ink.Loosened = ink.AS_SHIPPED

    def condition(self) -> str:
        """The condition that the picture shows."""
        return self.lines[0].condition

    def best(self) -> SettingLine:
        """The setting with the smallest 90th percentile."""
        return best_first(self.lines)[0]


def sweep_picture(file: Path, drawn: SweepDrawing) -> None:
    """Write the picture that fits the sweep, as a PNG."""
    from thenar.report.sweep_map import map_picture
    from thenar.report.sweep_scatter import scatter_picture

    if len(drawn.keys) == 1:
        curve_picture(file, drawn)
    elif len(drawn.keys) == 2 and drawn.grid:
        map_picture(file, drawn)
    else:
        scatter_picture(file, drawn)


def curve_picture(file: Path, drawn: SweepDrawing) -> None:
    """Write error against the one swept key of `drawn`."""
    width = MARGINS.left + BODY_IN[0] + MARGINS.right
    height = MARGINS.top + BODY_IN[1] + MARGINS.bottom + drawn.loosened.height_in()
    values = [line.values[0] for line in drawn.lines]
    at = Places.of(values, drawn.log[0])
    order = np.argsort(at.x, kind="stable")
    lines = [drawn.lines[place] for place in order]
    with ink.house_style():
        figure = ink.new_figure(width, height)
        ink.heading(figure, MARGINS.left, drawn.title, "Mean absolute error against the swept key, over wearers")
        ink.write_at(figure, MARGINS.left, 0.72, best_words(drawn), color=ink.QUIET)
        ink.footer(figure, MARGINS.left, drawn.loosened)
        axes = ink.place(figure, MARGINS.left, MARGINS.top, *BODY_IN)
        _curves(axes, at.x[order], lines, drawn.condition(), joined=not at.words)
        at.dress(axes, drawn.keys[0])
        error_axis(axes, [number for line in lines for number in (line.p90_N, line.unassisted_p90_N)])
        _label_ends(axes, lines[-1], drawn.condition())
        ink.save(figure, file, drawn.title, alt_text(drawn) + drawn.loosened.words())


def _curves(axes: Axes, x: Any, lines: Sequence[SettingLine], condition: str, joined: bool) -> None:
    """The curves. `joined`: there is something between two settings; words stand each alone."""
    color, marker = ink.CONDITION_LOOKS[condition]
    low, high = ([getattr(line, name) for line in lines] for name in ("low_N", "p90_N"))
    if joined:
        axes.fill_between(x, low, high, color=color, alpha=0.16, linewidth=0)
        for edge in (low, high):
            axes.plot(x, edge, color=color, linewidth=0.8)
    else:
        axes.vlines(x, low, high, color=color, linewidth=7.0, alpha=0.3)
    look: dict[str, Any] = {"markeredgecolor": "white", "markeredgewidth": 0.5, "clip_on": False}
    axes.plot(
        x,
        [line.median_N for line in lines],
        color=color,
        linewidth=1.8 if joined else 0.0,
        marker=marker,
        markersize=5,
        **look,
    )
    if condition != UNASSISTED:
        quiet, _ = ink.CONDITION_LOOKS[UNASSISTED]
        axes.plot(x, [line.unassisted_N for line in lines], color=quiet, linewidth=1.6, linestyle=(0, (4, 2)))
        axes.plot(x, [line.unassisted_p90_N for line in lines], color=quiet, linewidth=1.0, linestyle=(0, (1, 1.5)))


def _label_ends(axes: Axes, last: SettingLine, condition: str) -> None:
    """Names of the curves beside their right ends, pushed apart where they would touch."""
    color, _ = ink.CONDITION_LOOKS[condition]
    labels = [(last.p90_N, f"{condition}, 90th percentile", color), (last.median_N, f"{condition}, median", color)]
    labels.append((last.low_N, f"{condition}, 10th percentile", color))
    quiet, _ = ink.CONDITION_LOOKS[UNASSISTED]
    if condition != UNASSISTED:
        labels.append((last.unassisted_N, f"{UNASSISTED}, median", quiet))
        labels.append((last.unassisted_p90_N, f"{UNASSISTED}, 90th percentile", quiet))
    if last.wearers == 1:
        labels = [(last.median_N, condition, color)]
        labels += [(last.unassisted_N, UNASSISTED, quiet)] if condition != UNASSISTED else []
    top = axes.get_ylim()[1]
    shown = sorted((value / top, words, look) for value, words, look in labels if math.isfinite(value))
    heights = spaced([height for height, _, _ in shown], LABELS_APART)
    for (_, words, look), height in zip(shown, heights, strict=True):
        axes.annotate(
            words, (1.02, height), xycoords="axes fraction", va="center", fontsize=ink.SMALL, color=look,
            annotation_clip=False,
        )  # fmt: skip


def spaced(heights: Sequence[float], apart: float) -> list[float]:
    """Rising `heights` moved so that neighbours lie at least `apart` from one another, all as little as can be."""
    placed: list[float] = []
    for height in heights:
        placed.append(max(height, placed[-1] + apart) if placed else height)
    over = max(0.0, placed[-1] - 1.0) if placed else 0.0
    for place in range(len(placed) - 1, -1, -1):
        ceiling = placed[place + 1] - apart if place + 1 < len(placed) else placed[place] - over
        placed[place] = min(placed[place], ceiling)
    return placed


class Places(NamedTuple):
    """Where the values of one key stand on an axis: numbers on their own scale, words side by side."""

    x: Any
    words: tuple[str, ...]
    log: bool
    whole: bool

    @classmethod
    def of(cls, values: Sequence[Any], log: bool) -> Places:
        """Places of `values`, shape (n,)."""
        if any(isinstance(value, str | bool) for value in values):
            known = list(dict.fromkeys(values))
            return cls(np.array([known.index(value) for value in values], float), tuple(map(told, known)), False, False)
        return cls(np.array(values, float), (), log, all(isinstance(value, int) for value in values))

    def dress(self, axes: Axes, key: str) -> None:
        """Set the scale, ticks and label of the x axis."""
        axes.set_xlabel(key, fontsize=ink.SMALL)
        if self.words:
            ticks = [ink.shortened(word, TICK_WORDS) for word in self.words]
            axes.set_xticks(range(len(ticks)), ticks, fontsize=ink.SMALL)
            axes.set_xlim(-0.4, len(ticks) - 0.6)
            return
        if self.log:
            axes.set_xscale("log")
        shown = np.unique(self.x)
        if len(shown) <= MOST_TICKS:
            axes.set_xticks(shown, [told(value) for value in shown.tolist()], fontsize=ink.SMALL)
            axes.xaxis.set_minor_locator(NullLocator())
        elif self.log:
            axes.xaxis.set_major_formatter(ScalarFormatter())
        else:
            axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10], integer=self.whole))


def error_axis(axes: Axes, numbers: Sequence[float]) -> None:
    """Set the y axis for errors in N, from zero to above the largest of `numbers`."""
    axes.set_ylim(0.0, 1.1 * max([0.1, *(number for number in numbers if math.isfinite(number))]))
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.grid(axis="y", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel("mean absolute error, N", fontsize=ink.SMALL)


def told(value: Any) -> str:
    """A value as ticks and tables show it."""
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def setting_words(drawn: SweepDrawing, line: SettingLine) -> str:
    """The values of a setting: "deadband_N = 0.4, gain_mA_per_N = 1"."""
    names = (key.rpartition(".")[2] for key in drawn.keys)
    return ", ".join(f"{name} = {told(value)}" for name, value in zip(names, line.values, strict=True))


def best_words(drawn: SweepDrawing) -> str:
    """Which setting has the smallest 90th percentile, in one line."""
    best = drawn.best()
    count = f"{best.wearers} wearer{'' if best.wearers == 1 else 's'}"
    if not math.isfinite(best.p90_N):
        return f"{count}; no setting has an error"
    return f"{count}. Smallest 90th percentile: {best.p90_N:.2f} N at {setting_words(drawn, best)}"


def without(drawn: SweepDrawing) -> str:
    """The same percentile without stimulation, as the end of a line; "" where there is none."""
    level = drawn.best().unassisted_p90_N
    shown = math.isfinite(level) and drawn.condition() != UNASSISTED
    return f"; {UNASSISTED} {level:.2f} N" if shown else ""


def alt_text(drawn: SweepDrawing) -> str:
    """What the picture shows, for those who can't see it."""
    worst = best_first(drawn.lines)[-1]
    parts = [f"{drawn.title}. Mean absolute error over wearers, {drawn.condition()}, in {len(drawn.lines)} settings"]
    parts.append(f"of {', '.join(drawn.keys)}. {best_words(drawn)}.")
    if math.isfinite(worst.p90_N):
        parts.append(f"Largest: {worst.p90_N:.2f} N at {setting_words(drawn, worst)}.")
    level = drawn.best().unassisted_p90_N
    if math.isfinite(level) and drawn.condition() != UNASSISTED:
        parts.append(f"90th percentile without stimulation: {level:.2f} N.")
    return " ".join(parts)
