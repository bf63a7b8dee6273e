"""The picture of a sweep over many keys, or of drawn settings: one panel per key, one mark per setting.

The dashed level without stimulation is the middle one of all settings, where a swept key changes it.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from matplotlib.axes import Axes

from thenar.report import ink
from thenar.report.sweep_picture import Places, SweepDrawing, alt_text, best_words, error_axis
from thenar.report.sweep_summary import UNASSISTED

MARGINS: Final = ink.Margins(left=0.85, right=0.35, top=1.35, bottom=1.1)
PANEL_IN: Final = (2.7, 2.4)
BETWEEN_IN: Final = 0.35
BELOW_IN: Final = 0.7
PANELS_PER_ROW: Final = 3
LEAST_WIDTH_IN: Final = 8.7


def scatter_picture(file: Path, drawn: SweepDrawing) -> None:
    """Write a panel per key of `drawn`: the 90th percentile over wearers of each setting's error."""
    across = min(len(drawn.keys), PANELS_PER_ROW)
    down = math.ceil(len(drawn.keys) / PANELS_PER_ROW)
    width = max(LEAST_WIDTH_IN, MARGINS.left + across * PANEL_IN[0] + (across - 1) * BETWEEN_IN + MARGINS.right)
    height = MARGINS.top + down * PANEL_IN[1] + (down - 1) * BELOW_IN + MARGINS.bottom + drawn.loosened.height_in()
    room = width - MARGINS.left - ink.EDGE_IN
    with ink.house_style():
        figure = ink.new_figure(width, height)
        ink.heading(
            figure, MARGINS.left, drawn.title, f"90th percentile over wearers of the error, {drawn.condition()}, N"
        )
        ink.fit(figure, ink.write_at(figure, MARGINS.left, 0.72, best_words(drawn), color=ink.QUIET), room)
        key = f"One mark: one setting. Ringed: the best. Dashed: the same percentile {UNASSISTED}"
        ink.write_at(figure, MARGINS.left, 0.94, key, color=ink.QUIET)
        ink.footer(figure, MARGINS.left, drawn.loosened)
        for place in range(len(drawn.keys)):
            left = MARGINS.left + (place % PANELS_PER_ROW) * (PANEL_IN[0] + BETWEEN_IN)
            top = MARGINS.top + (place // PANELS_PER_ROW) * (PANEL_IN[1] + BELOW_IN)
            axes = ink.place(figure, left, top, *PANEL_IN)
            _panel(axes, drawn, place)
            if place % PANELS_PER_ROW:
                axes.tick_params(labelleft=False)
                axes.set_ylabel("")
        ink.save(figure, file, drawn.title, alt_text(drawn) + drawn.loosened.words())


def _panel(axes: Axes, drawn: SweepDrawing, place: int) -> None:
    at = Places.of([line.values[place] for line in drawn.lines], drawn.log[place])
    errors = [line.p90_N for line in drawn.lines]
    color, marker = ink.CONDITION_LOOKS[drawn.condition()]
    faint = max(0.35, min(0.9, 60 / len(drawn.lines)))
    axes.plot(
        at.x, errors, linestyle="none", marker=marker, markersize=4.2, markerfacecolor=color,
        markeredgecolor="white", markeredgewidth=0.4, alpha=faint,
    )  # fmt: skip
    best = drawn.lines.index(drawn.best())
    axes.plot(
        at.x[best], errors[best], linestyle="none", marker="o", markersize=10, markerfacecolor="none",
        markeredgecolor=ink.ESTIMATE, markeredgewidth=1.6,
    )  # fmt: skip
    levels = [line.unassisted_p90_N for line in drawn.lines if math.isfinite(line.unassisted_p90_N)]
    if levels and drawn.condition() != UNASSISTED:
        axes.axhline(sorted(levels)[len(levels) // 2], color=ink.QUIET, linewidth=1.2, linestyle=(0, (4, 2)))
    at.dress(axes, ink.shortened(drawn.keys[place], 46))
    error_axis(axes, [*errors, *levels])
