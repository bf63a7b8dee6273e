"""Maps of help and harm over force and error of the estimate, one for each sensor, with its own curve on it.

Help is light and plain, harm is dark and hatched, what the interval leaves open is dotted: grey paper shows it too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, LinearSegmentedColormap, TwoSlopeNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from thenar.report import ink

BODY_IN: Final = (5.4, 4.2)
LEFT_IN: Final = 0.85
APART_IN: Final = 0.8
TOP_IN: Final = 1.25
KEY_IN: Final = 2.6
FOOT_IN: Final = 1.15
COLORS: Final = ("#7d2f0e", "#e0a184", "#fbf9f4", "#c9dcea", "#9dbfd9")
LEAST_N: Final = 0.05
HALO: Final = 3.2
ZERO: Final[dict[str, Any]] = {"colors": ink.INK, "linewidths": 1.2, "corner_mask": False}
CURVE: Final[dict[str, Any]] = {"color": ink.INK, "linestyle": (0, (4, 1.2)), "linewidth": 2.6}
BAR: Final[dict[str, Any]] = {"color": ink.ANTAGONIST, "linewidth": 4.6, "solid_capstyle": "butt"}
START_MARK: Final[dict[str, Any]] = {
    "color": ink.ANTAGONIST, "marker": "D", "markersize": 8, "markeredgecolor": "white", "markeredgewidth": 1.4,
    "zorder": 6,
}  # fmt: skip
BLANK: Final = (
    "Blank: no size of the sensor's errors gives such a mean. Each map holds for its sensor's mixture of errors."
)

Floats = NDArray[np.float64]


class Along(NamedTuple):
    """A sensor: name, forces and its mean absolute error at each in N (forces,), where harm starts in N (NaN: nowhere).

    `low_N`, `high_N`: the ends of that force's interval, cut at the map's edges.
    """

    name: str
    forces_N: Floats
    errors_N: Floats
    harms_from_N: float
    low_N: float
    high_N: float


class Drawn(NamedTuple):
    """A map: forces (columns,), errors (rows,), mean, low, high (rows, columns), in N; NaN: none. And its sensor."""

    forces_N: Floats
    errors_N: Floats
    mean_N: Floats
    low_N: Floats
    high_N: Floats
    sensor: Along


def map_picture(
    file: Path, maps: Sequence[Drawn], title: str, line: str, told: Sequence[str], loosened: ink.Loosened
) -> None:
    """Write a PNG. `maps`: one or two on the same grid; `line`: under the title; `told`: sentences for the alt text."""
    with ink.house_style():
        width = LEFT_IN + len(maps) * (BODY_IN[0] + APART_IN) - APART_IN + KEY_IN
        figure = ink.new_figure(width, TOP_IN + BODY_IN[1] + FOOT_IN + loosened.height_in())
        ink.heading(figure, 0.3, title, line)
        ink.write_at(figure, 0.3, 0.72, BLANK, color=ink.QUIET)
        ink.footer(figure, 0.3, loosened)
        norm, highest_N = _norm(maps), _highest_N(maps)
        lefts = [LEFT_IN + place * (BODY_IN[0] + APART_IN) for place in range(len(maps))]
        panels = [ink.place(figure, left, TOP_IN, *BODY_IN) for left in lefts]
        for axes, drawn in zip(panels, maps, strict=True):
            _cells(axes, drawn, norm)
            axes.set_xlim(float(drawn.forces_N[0]), float(drawn.forces_N[-1]))
            axes.set_ylim(0.0, highest_N)
            _along(axes, drawn.sensor)
            axes.set_title(ink.shortened(drawn.sensor.name, 62), fontsize=ink.BODY, fontweight="bold", loc="left")
            axes.set_xlabel("force held, N", fontsize=ink.SMALL)
            axes.set_ylabel("mean absolute error of the estimate, N", fontsize=ink.SMALL)
        right = width - KEY_IN + 0.25
        scale = figure.colorbar(ScalarMappable(norm, _colors()), cax=ink.place(figure, right, TOP_IN + 2.2, 0.16, 2.0))
        scale.set_label("error saved by assistance, N", fontsize=ink.SMALL)
        scale.set_ticks(_ticks(norm), labels=[f"{tick:.2g}" for tick in _ticks(norm)])
        scale.ax.tick_params(labelsize=ink.SMALL, length=3)
        _key(panels[-1])
        ink.save(figure, file, title, " ".join([f"{title}. {line}.", *told]) + loosened.words())


def _norm(maps: Sequence[Drawn]) -> TwoSlopeNorm:
    """One scale for all maps: harm is never drawn darker than as large a help is."""
    helped = max(float(np.nanmax(drawn.mean_N)) for drawn in maps)
    harmed = max(-float(np.nanmin(drawn.mean_N)) for drawn in maps)
    helped = max(helped, 0.15 * harmed, LEAST_N)
    return TwoSlopeNorm(0.0, -max(harmed, helped), helped)


def _ticks(norm: TwoSlopeNorm) -> list[float]:
    harmed, helped = float(norm.vmin or 0.0), float(norm.vmax or 0.0)
    return [harmed, 0.5 * harmed, 0.0, 0.5 * helped, helped]


def _highest_N(maps: Sequence[Drawn]) -> float:
    """The end of the error axis: above every curve, and what lies beyond twice that is left out."""
    tops = [float(drawn.errors_N[np.flatnonzero(np.isfinite(drawn.mean_N).any(axis=1))[-1]]) for drawn in maps]
    curves = [1.08 * float(drawn.sensor.errors_N.max()) for drawn in maps]
    return max(*curves, min(max(tops), float(maps[0].errors_N[-1])))


def _colors() -> Colormap:
    return LinearSegmentedColormap.from_list("help", COLORS).with_extremes(bad="white")


def _cells(axes: Axes, drawn: Drawn, norm: TwoSlopeNorm) -> None:
    place = (drawn.forces_N, drawn.errors_N)
    axes.pcolormesh(*place, np.ma.masked_invalid(drawn.mean_N), cmap=_colors(), norm=norm, shading="gouraud")
    _hatched(axes, place, drawn.high_N, "////", below=True)
    undecided = np.where((drawn.low_N <= 0.0) & (drawn.high_N >= 0.0), 1.0, -1.0)
    undecided[np.isnan(drawn.mean_N)] = np.nan
    _hatched(axes, place, undecided, "..", below=False)
    if np.nanmin(drawn.mean_N) < 0.0 < np.nanmax(drawn.mean_N):
        line = axes.contour(*place, np.ma.masked_invalid(drawn.mean_N), levels=[0.0], **ZERO)
        line.set_path_effects([withStroke(linewidth=HALO + 1.0, foreground="white")])


def _hatched(axes: Axes, place: tuple[Floats, Floats], values: Floats, hatch: str, below: bool) -> None:
    """Hatch where `values` are below zero, or above."""
    known = values[np.isfinite(values)]
    wanted = known < 0.0 if below else known > 0.0
    if not wanted.any():
        return
    levels = [float(known.min()) - 1.0, 0.0] if below else [0.0, float(known.max()) + 1.0]
    area = axes.contourf(
        *place, np.ma.masked_invalid(values), levels=levels, colors="none", hatches=[hatch], corner_mask=False
    )
    area.set_edgecolor(ink.QUIET)
    area.set_linewidth(0.0)


def _along(axes: Axes, sensor: Along) -> None:
    halo = [withStroke(linewidth=HALO + 1.6, foreground="white")]
    axes.plot(sensor.forces_N, sensor.errors_N, **CURVE, path_effects=halo)
    if math.isfinite(sensor.harms_from_N):
        ends = np.linspace(sensor.low_N, sensor.high_N, 50)
        axes.plot(ends, np.interp(ends, sensor.forces_N, sensor.errors_N), **BAR)
        at = float(np.interp(sensor.harms_from_N, sensor.forces_N, sensor.errors_N))
        axes.plot([sensor.harms_from_N], [at], **START_MARK)


def _key(axes: Axes) -> None:
    handles = [
        Patch(facecolor=COLORS[-1], edgecolor=ink.QUIET, label="assistance helps"),
        Patch(facecolor=COLORS[1], edgecolor=ink.QUIET, hatch="////", label="assistance harms"),
        Patch(facecolor=COLORS[2], edgecolor=ink.QUIET, hatch="...", label="interval holds zero"),
        Line2D([], [], color=ink.INK, linewidth=1.2, label="mean over wearers is zero"),
        Line2D([], [], **CURVE, label="the sensor's own curve"),
        Line2D([], [], **(START_MARK | BAR), label="there its harm starts,\nwith the interval"),
    ]
    axes.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(1.02, 1.015), fontsize=ink.SMALL, frameon=False,
        handlelength=2.8, labelspacing=0.65,
    )  # fmt: skip
