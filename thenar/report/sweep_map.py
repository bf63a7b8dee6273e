"""The map of a sweep over two keys: the 90th percentile over wearers of the error, light where it is small.

Up to 14 x 14 cells each carry their number; a larger grid carries labelled contours. Darkness alone tells large from
small, so that a grey print reads as the screen does.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke

from thenar.report import ink
from thenar.report.sweep_picture import SweepDrawing, alt_text, best_words, told, without

MARGINS: Final = ink.Margins(left=1.05, right=1.15, top=1.05, bottom=1.1)
CELL_IN: Final = 0.62
CELL_HIGH_IN: Final = 0.42
NUMBERED: Final = 14
LARGEST_IN: Final = (6.6, 4.6)
SMALLEST_IN: Final = (6.6, 2.2)
COLORS: Final = ("#f6f3ec", "#9fbfd8", "#17518f", "#0b1f3a")
DARK_FROM: Final = 0.53
MOST_TICKS: Final = 16
LETTER_IN: Final = 0.07


def map_picture(file: Path, drawn: SweepDrawing) -> None:
    """Write the map of a grid over the two keys of `drawn`: the first key upward, the second to the right."""
    rows, columns = (list(dict.fromkeys(line.values[place] for line in drawn.lines)) for place in (0, 1))
    errors = np.full((len(rows), len(columns)), np.nan)
    for line in drawn.lines:
        errors[rows.index(line.values[0]), columns.index(line.values[1])] = line.p90_N
    body = (_side(len(columns), CELL_IN, 0), _side(len(rows), CELL_HIGH_IN, 1))
    with ink.house_style():
        height = MARGINS.top + body[1] + MARGINS.bottom + drawn.loosened.height_in()
        figure = ink.new_figure(MARGINS.left + body[0] + MARGINS.right, height)
        what = f"90th percentile over wearers of the mean absolute error, {drawn.condition()}, N{without(drawn)}"
        ink.heading(figure, MARGINS.left, drawn.title, what)
        written = ink.write_at(figure, MARGINS.left, 0.72, best_words(drawn) + " (framed)", color=ink.QUIET)
        ink.fit(figure, written, figure.get_size_inches()[0] - MARGINS.left - ink.EDGE_IN)
        ink.footer(figure, MARGINS.left, drawn.loosened)
        axes = ink.place(figure, MARGINS.left, MARGINS.top, *body)
        image = _cells(axes, errors)
        _ticks(axes, rows, columns)
        axes.set_xlabel(drawn.keys[1], fontsize=ink.SMALL)
        axes.set_ylabel(drawn.keys[0], fontsize=ink.SMALL)
        best = drawn.best()
        corner = (columns.index(best.values[1]) - 0.5, rows.index(best.values[0]) - 0.5)
        look: dict[str, Any] = {
            "fill": False,
            "edgecolor": ink.ESTIMATE,
            "linewidth": 2.4,
            "clip_on": False,
            "zorder": 5,
        }
        axes.add_patch(Rectangle(corner, 1, 1, **look))
        scale = figure.colorbar(image, cax=ink.place(figure, MARGINS.left + body[0] + 0.18, MARGINS.top, 0.16, body[1]))
        scale.set_label("N", fontsize=ink.SMALL)
        scale.ax.tick_params(labelsize=ink.SMALL, length=3)
        ink.save(figure, file, drawn.title, alt_text(drawn) + drawn.loosened.words())


def _side(cells: int, each_in: float, side: int) -> float:
    return min(max(cells * each_in, SMALLEST_IN[side]), LARGEST_IN[side])


def _cells(axes: Axes, errors: Any) -> Any:
    colors = LinearSegmentedColormap.from_list("error", COLORS).with_extremes(bad="white")
    image = axes.imshow(np.ma.masked_invalid(errors), origin="lower", aspect="auto", cmap=colors)
    axes.spines[["top", "right", "left", "bottom"]].set_visible(False)
    shares = np.asarray(image.norm(errors), dtype=np.float64)
    if max(errors.shape) > NUMBERED:
        if min(errors.shape) > 1:
            lines = axes.contour(errors, levels=7, colors=ink.INK, linewidths=1.0)
            lines.set_path_effects([withStroke(linewidth=2.6, foreground="white")])
            for label in axes.clabel(lines, fmt="%.2f", fontsize=ink.SMALL, colors=ink.INK):
                label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.8})
        return image
    for row, column in np.ndindex(*errors.shape):
        number = errors[row, column]
        shown = f"{number:.2f}" if np.isfinite(number) else "none"
        dark = np.isfinite(number) and float(shares[row, column]) > DARK_FROM
        size = ink.SMALL if errors.shape[1] <= 10 else ink.SMALL - 1.5
        axes.text(column, row, shown, ha="center", va="center", fontsize=size, color="white" if dark else ink.INK)
    return image


def _ticks(axes: Axes, rows: list[Any], columns: list[Any]) -> None:
    longest = max(len(told(value)) for value in columns)
    most = max(1, int(LARGEST_IN[0] / (LETTER_IN * (longest + 2))))
    for values, put, ticks in ((columns, axes.set_xticks, most), (rows, axes.set_yticks, MOST_TICKS)):
        step = -(-len(values) // ticks)
        put(range(0, len(values), step), [told(value) for value in values[::step]], fontsize=ink.SMALL)
    axes.tick_params(length=0)
