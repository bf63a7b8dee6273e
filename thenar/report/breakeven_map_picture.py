"""The map of help and harm over force and error of the estimate, with the curves of sensors on it.

Help is light and plain, harm is dark and hatched, what the interval leaves open is dotted: grey paper shows it too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from thenar.report import ink

BODY_IN: Final = (6.6, 4.4)
LEFT_IN: Final = 0.85
TOP_IN: Final = 1.0
KEY_IN: Final = 2.75
FOOT_IN: Final = 1.15
COLORS: Final = ("#7d2f0e", "#e0a184", "#fbf9f4", "#c9dcea", "#9dbfd9")
SENSOR_LOOKS: Final = ((ink.INK, "-", "o"), (ink.ANTAGONIST, "--", "D"))
HALO: Final = 3.2
START: Final = "there a sensor's harm starts,\nwith its interval"

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
    """What the map shows: forces (columns,), errors (rows,), mean, low, high (rows, columns), all N; NaN: none."""

    forces_N: Floats
    errors_N: Floats
    mean_N: Floats
    low_N: Floats
    high_N: Floats


def map_picture(
    file: Path, drawn: Drawn, sensors: Sequence[Along], title: str, line: str, told: Sequence[str],
    loosened: ink.Loosened,
) -> None:  # fmt: skip
    """Write a PNG. `sensors`: at most two; `line`: under the title; `told`: sentences for the alt text."""
    with ink.house_style():
        width = LEFT_IN + BODY_IN[0] + KEY_IN
        figure = ink.new_figure(width, TOP_IN + BODY_IN[1] + FOOT_IN + loosened.height_in())
        ink.heading(figure, 0.3, title, line)
        ink.footer(figure, 0.3, loosened)
        axes = ink.place(figure, LEFT_IN, TOP_IN, *BODY_IN)
        image = _cells(axes, drawn)
        axes.set_xlim(float(drawn.forces_N[0]), float(drawn.forces_N[-1]))
        axes.set_ylim(0.0, float(drawn.errors_N[-1]))
        handles = [_along(axes, sensor, look) for sensor, look in zip(sensors, SENSOR_LOOKS, strict=False)]
        axes.set_xlabel("force held, N", fontsize=ink.SMALL)
        axes.set_ylabel("mean absolute error of the estimate, N", fontsize=ink.SMALL)
        right = LEFT_IN + BODY_IN[0] + 0.25
        scale = figure.colorbar(image, cax=ink.place(figure, right, TOP_IN + 2.55, 0.16, 1.85))
        scale.set_label("error saved by assistance, N", fontsize=ink.SMALL)
        scale.ax.tick_params(labelsize=ink.SMALL, length=3)
        _key(axes, handles)
        ink.save(figure, file, title, " ".join([f"{title}. {line}.", *told]) + loosened.words())


def _cells(axes: Axes, drawn: Drawn) -> Any:
    most = float(np.nanmax(np.abs(drawn.mean_N))) or 1.0
    helped = max(float(np.nanmax(drawn.mean_N)), 0.05 * most)
    harmed = min(float(np.nanmin(drawn.mean_N)), -0.05 * most)
    colors = LinearSegmentedColormap.from_list("help", COLORS).with_extremes(bad="white")
    norm = TwoSlopeNorm(0.0, harmed, helped)
    place = (drawn.forces_N, drawn.errors_N)
    image = axes.pcolormesh(*place, np.ma.masked_invalid(drawn.mean_N), cmap=colors, norm=norm, shading="gouraud")
    _hatched(axes, place, drawn.high_N, "////", below=True)
    undecided = np.where((drawn.low_N <= 0.0) & (drawn.high_N >= 0.0), 1.0, -1.0)
    undecided[np.isnan(drawn.mean_N)] = np.nan
    _hatched(axes, place, undecided, "..", below=False)
    if np.nanmin(drawn.mean_N) < 0.0 < np.nanmax(drawn.mean_N):
        line = axes.contour(*place, np.ma.masked_invalid(drawn.mean_N), levels=[0.0], colors=ink.INK, linewidths=2.0)
        line.set_path_effects([withStroke(linewidth=HALO + 1.0, foreground="white")])
    return image


def _hatched(axes: Axes, place: tuple[Floats, Floats], values: Floats, hatch: str, below: bool) -> None:
    """Hatch where `values` are below zero, or above."""
    known = values[np.isfinite(values)]
    wanted = known < 0.0 if below else known > 0.0
    if not wanted.any():
        return
    levels = [float(known.min()) - 1.0, 0.0] if below else [0.0, float(known.max()) + 1.0]
    area = axes.contourf(*place, np.ma.masked_invalid(values), levels=levels, colors="none", hatches=[hatch])
    area.set_edgecolor(ink.QUIET)
    area.set_linewidth(0.0)


def _along(axes: Axes, sensor: Along, look: tuple[str, str, str]) -> Line2D:
    color, style, marker = look
    halo = [withStroke(linewidth=HALO + 1.6, foreground="white")]
    axes.plot(sensor.forces_N, sensor.errors_N, color=color, linestyle=style, linewidth=1.8, path_effects=halo)
    if math.isfinite(sensor.harms_from_N):
        ends = np.linspace(sensor.low_N, sensor.high_N, 50)
        axes.plot(
            ends, np.interp(ends, sensor.forces_N, sensor.errors_N), color=color, linewidth=4.2, alpha=0.55,
            solid_capstyle="butt",
        )  # fmt: skip
        at = float(np.interp(sensor.harms_from_N, sensor.forces_N, sensor.errors_N))
        axes.plot(
            [sensor.harms_from_N], [at], marker=marker, markersize=9, color=color, markeredgecolor="white",
            markeredgewidth=1.4, zorder=6,
        )  # fmt: skip
    return Line2D([], [], color=color, linestyle=style, linewidth=1.8, label=ink.shortened(sensor.name, 30))


def _key(axes: Axes, handles: Sequence[Line2D]) -> None:
    patches = [
        Patch(facecolor=COLORS[-1], edgecolor=ink.QUIET, label="assistance helps"),
        Patch(facecolor=COLORS[1], edgecolor=ink.QUIET, hatch="////", label="assistance harms"),
        Patch(facecolor=COLORS[2], edgecolor=ink.QUIET, hatch="..", label="interval holds zero"),
    ]
    marks = [
        Line2D([], [], color=ink.INK, linewidth=2.0, label="mean of wearers: no help, no harm"),
        *handles,
        Line2D([], [], color=ink.INK, marker="o", linewidth=4.2, alpha=0.55, label=START),
    ]  # fmt: skip
    axes.legend(
        handles=[*patches, *marks], loc="upper left", bbox_to_anchor=(1.02, 1.015), fontsize=ink.SMALL, frameon=False,
        handlelength=2.6, labelspacing=0.65,
    )  # fmt: skip
