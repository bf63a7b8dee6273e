"""The picture of a limit cycle: force as predicted and as simulated, and every wearer's period and swing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from thenar.report import ink

WIDTH_IN: Final = 11.0
HEIGHT_IN: Final = 4.9
LEFT_IN: Final = 0.85
PANEL_IN: Final = 2.7
SHOWN_S: Final = 8.0
SPACING_S: Final = 0.01


def cycle_picture(
    file: Path,
    title: str,
    line: str,
    name: str,
    runs: tuple[NDArray[np.float64], NDArray[np.float64] | None],
    points: Sequence[tuple[float, float]],
) -> None:
    """Write a PNG. `runs`: force in N every 10 ms, predicted and (if any) simulated, of the wearer `name`.

    `points`: period in s and half the swing in N of each wearer. `line`: under the title.
    """
    with ink.house_style():
        figure = ink.new_figure(WIDTH_IN, HEIGHT_IN)
        ink.heading(figure, LEFT_IN, title, line)
        ink.footer(figure, LEFT_IN, ink.AS_SHIPPED)
        left = ink.place(figure, LEFT_IN, 1.05, 5.6, PANEL_IN)
        looks = (("predicted around a linear body", ink.FORCE, "-"), ("simulated, nonlinear", ink.ESTIMATE, "--"))
        for run, (words, color, style) in zip(runs, looks, strict=True):
            if run is not None:
                tail = _from_a_rise(run, round(SHOWN_S / SPACING_S))
                left.plot(np.arange(tail.size) * SPACING_S, tail, color=color, linestyle=style, label=words)
        left.set_xlim(0.0, SHOWN_S)
        left.set_xlabel(
            f"s, late in the run, from a rise through the mean; wearer {ink.shortened(name, 30)}", fontsize=ink.SMALL
        )
        left.set_ylabel("force, N", fontsize=ink.SMALL)
        left.set_ylim(0.0, 1.25 * max(float(run.max()) for run in runs if run is not None))
        left.legend(fontsize=ink.SMALL, loc="upper left", ncols=2, frameon=False)
        right = ink.place(figure, 7.45, 1.05, 3.2, PANEL_IN)
        periods, halves = np.array(points).T
        right.plot(periods, halves, linestyle="none", marker="o", color=ink.FORCE, markeredgecolor="white")
        right.set_xlim(0.0, 1.15 * float(np.nanmax(periods)) if np.any(np.isfinite(periods)) else 1.0)
        right.set_ylim(0.0, 1.15 * max(0.1, float(halves.max())))
        right.set_xlabel("period, s (predicted, one mark a wearer)", fontsize=ink.SMALL)
        right.set_ylabel("half the swing, N", fontsize=ink.SMALL)
        for axes in (left, right):
            axes.grid(color=ink.BAND, linewidth=0.7)
            axes.set_axisbelow(True)
        told = f"{title}. {line}. Median wearer {name}. Half the swing {np.median(halves):.3g} N in the median."
        ink.save(figure, file, title, told)


def _from_a_rise(run: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """The last `count` values or more that begin with a rise through the mean, cut to `count`."""
    late = run[-2 * count :]
    middle = 0.5 * (float(late.min()) + float(late.max()))
    rises = np.flatnonzero((late[:-1] < middle) & (late[1:] >= middle))
    rises = rises[rises <= late.size - count]
    first = int(rises[-1]) if rises.size else late.size - count
    return late[first : first + count]
