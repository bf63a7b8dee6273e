"""The picture of a recruitment fit: staircases with curves and bands, what is left over, the law over width."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, NullFormatter

from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.report import ink

WIDTH_IN: Final = 11.0
HEIGHT_IN: Final = 7.4
LEFT_IN: Final = 0.85
LEFT_WIDE_IN: Final = 5.6
RIGHT_AT_IN: Final = 7.35
RIGHT_WIDE_IN: Final = 3.35
TOP_IN: Final = 1.05
CURVES_IN: Final = 3.1
OFF_IN: Final = 1.3
OFF_AT_IN: Final = 4.65
TEXT_AT_IN: Final = 4.72
LINE_IN: Final = 0.185
WORDS_WIDE: Final = 56
LOOKS: Final = (
    (ink.FORCE, "-", "o"),
    (ink.ESTIMATE, "--", "s"),
    (ink.AGONIST, "-.", "^"),
    (ink.ANTAGONIST, ":", "D"),
    (ink.INK, (0, (6, 1.5)), "v"),
    (ink.QUIET, (0, (1, 1)), "P"),
)
TICKS_US: Final = (50, 100, 200, 400, 800, 1600, 3200)
OFF_MARKS: Final = 2.0
LEAST_TURN: Final = 2.0
"""Least turn of the current axis, highest over lowest."""


def recruitment_picture(file: Path, recording: Recording, fit: Fit) -> None:
    """Write a PNG of a fit of kind recruitment."""
    drawn, channel = fit.drawn, fit.settings["channel"]
    title = f"Recruitment of the {channel}: {Path(recording.file).name}"
    told = [one for one in fit.parameters if one.identifiable]
    line = f"{recording.rows} rows; {len(told)} of {len(fit.parameters)} parameters are in the recording"
    with ink.house_style():
        figure = ink.new_figure(WIDTH_IN, HEIGHT_IN)
        ink.heading(figure, LEFT_IN, title, ink.unless_doubted(line, fit.misfits))
        ink.footer(figure, LEFT_IN, ink.AS_SHIPPED)
        curves = ink.place(figure, LEFT_IN, TOP_IN, LEFT_WIDE_IN, CURVES_IN)
        off = ink.place(figure, LEFT_IN, OFF_AT_IN, LEFT_WIDE_IN, OFF_IN, sharex=curves)
        _curves(curves, drawn["lines"])
        _off(off, drawn["lines"], drawn["axis"])
        _law(ink.place(figure, RIGHT_AT_IN, TOP_IN, RIGHT_WIDE_IN, CURVES_IN), drawn["law"], drawn["halves"])
        for place, (words, known) in enumerate(_words(fit)):
            look = {"color": ink.INK if known else ink.QUIET, "fontsize": ink.SMALL}
            written = ink.write_at(figure, RIGHT_AT_IN - 0.45, TEXT_AT_IN + LINE_IN * place, words, **look)
            ink.fit(figure, written, RIGHT_WIDE_IN + 0.45)
        ink.save(figure, file, title, _alt_text(title, line, fit))


def _curves(axes: Axes, lines: Sequence[Mapping[str, Any]]) -> None:
    for one, (color, style, marker) in zip(lines, LOOKS, strict=False):
        low, high = one["curve_N"] - one["half_band_N"], one["curve_N"] + one["half_band_N"]
        axes.fill_between(one["along"], low, high, color=color, alpha=0.18, linewidth=0)
        axes.plot(one["along"], one["curve_N"], color=color, linestyle=style, linewidth=1.6, label=one["name"])
        axes.plot(one["at"], one["force_N"], color=color, linestyle="none", marker=marker, markersize=4.2)
    axes.set_ylabel("evoked force, N", fontsize=ink.SMALL)
    axes.tick_params(labelbottom=False)
    axes.legend(fontsize=ink.SMALL, frameon=False, loc="upper left", handlelength=3.2)
    axes.set_title("Steps, fitted curve and its 95 % band", fontsize=ink.BODY, fontweight="bold", loc="left")


def _off(axes: Axes, lines: Sequence[Mapping[str, Any]], along: str) -> None:
    axes.axhspan(-OFF_MARKS, OFF_MARKS, color=ink.BAND, zorder=0)
    axes.axhline(0.0, color=ink.INK, linewidth=0.8)
    for one, (color, _, marker) in zip(lines, LOOKS, strict=False):
        axes.plot(one["at"], one["off"], color=color, linestyle="none", marker=marker, markersize=3.8)
    axes.set_ylim(*(side * max(2.6, 1.1 * max(float(np.abs(one["off"]).max()) for one in lines)) for side in (-1, 1)))
    axes.set_ylabel("left over, SD", fontsize=ink.SMALL)
    axes.set_xlabel(f"{along} (shaded: within two SD of the fitted noise)", fontsize=ink.SMALL)


def _law(axes: Axes, law: Mapping[str, Any], halves: Sequence[Mapping[str, Any]]) -> None:
    axes.set_xscale("log")
    axes.set_yscale("log")
    widths_us = law["width_us"]
    if law["known"]:
        axes.fill_between(widths_us, law["low_mA"], law["high_mA"], color=ink.FORCE, alpha=0.18, linewidth=0)
        axes.plot(widths_us, law["half_mA"], color=ink.FORCE, linewidth=1.6, label="half recruitment")
    for place, one in enumerate(halves):
        low, high = one["range"]
        label = "each width alone" if place == 0 else None
        if math.isfinite(high) and low > 0.0:
            axes.plot([one["width_us"]] * 2, [low, high], color=ink.INK, linewidth=1.2)
        look: dict[str, Any] = {"color": ink.INK, "marker": "o", "markersize": 4.5, "linestyle": "none"}
        axes.plot([one["width_us"]], [one["half_mA"]], label=label, **look)
    threshold_mA = law["threshold_mA"]
    if threshold_mA.shape[1] and law["known"]:
        axes.fill_between(widths_us, threshold_mA[0], threshold_mA[2], color=ink.ESTIMATE, alpha=0.18, linewidth=0)
        axes.plot(
            widths_us, threshold_mA[1], color=ink.ESTIMATE, linestyle="--", linewidth=1.6, label="motor threshold"
        )
    axes.set_xlabel("pulse width, us", fontsize=ink.SMALL)
    axes.set_ylabel("current, mA", fontsize=ink.SMALL)
    axes.set_xlim(float(widths_us[0]) / 1.1, float(widths_us[-1]) * 1.1)
    axes.tick_params(which="minor", length=0)
    least, most = axes.get_ylim()
    if most < LEAST_TURN * least:
        axes.set_ylim(least / LEAST_TURN, most * LEAST_TURN)
    first, last = axes.get_xlim()
    ticks = [tick for tick in TICKS_US if first <= tick <= last]
    axes.set_xticks(ticks, [str(tick) for tick in ticks])
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_minor_formatter(NullFormatter())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    low, high = axes.get_ylim()
    marks = [mark for mark in (0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 50, 100, 200, 500) if low <= mark <= high]
    axes.set_yticks(marks, [f"{mark:g}" for mark in marks])
    name = "Current over pulse width" if law["known"] else "Current over pulse width (law not told)"
    axes.set_title(name, fontsize=ink.BODY, fontweight="bold", loc="left")
    if axes.get_legend_handles_labels()[0]:
        axes.legend(fontsize=ink.SMALL, frameon=False, loc="upper right")


def _words(fit: Fit) -> list[tuple[str, bool]]:
    """One line for each parameter, and whether the recording tells it."""
    words = []
    for one in fit.parameters:
        name = one.key.rpartition(".")[2]
        unit = f" {one.unit}" if one.unit and not name.endswith(f"_{one.unit}") else ""
        if one.identifiable:
            words.append((f"{name} = {one.value:.3g}{unit} ({one.low:.3g} to {one.high:.3g})", True))
        else:
            words.append((f"{name}: not told by this recording", False))
    return words


def _alt_text(title: str, line: str, fit: Fit) -> str:
    lines = fit.drawn["lines"]
    steps = sum(len(one["at"]) for one in lines)
    top_N = max(float(np.max(one["force_N"])) for one in lines)
    parts = [f"{title}. {line}. Evoked force against {fit.drawn['axis']} in {len(lines)} staircases of {steps} steps,"]
    parts.append(f"up to {top_N:.3g} N, with fitted curves, what is left over and half recruitment over pulse width.")
    return " ".join([*parts, *(f"{words}." for words, _ in _words(fit))])
