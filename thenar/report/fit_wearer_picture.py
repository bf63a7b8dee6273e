"""The picture of a fitted wearer: target and force, production errors, noise against force, spectrum, what is left."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from thenar.fit.found import Fit
from thenar.report import ink

WIDTH_IN: Final = 11.0
HEIGHT_IN: Final = 10.0
LEFT_IN: Final = 0.8
WIDE_IN: Final = 9.85
HALF_IN: Final = 4.35
RIGHT_IN: Final = LEFT_IN + WIDE_IN - HALF_IN
POINTS: Final = 4000
LOWEST_HZ: Final = 0.25
HIGHEST_HZ: Final = 20.0
BEYOND: Final = 4.5
HIDDEN_LOOK: Final[dict[str, Any]] = {"marker": "o", "color": ink.FORCE, "markersize": 5, "linestyle": "none"}
SHOWN_LOOK: Final[dict[str, Any]] = {
    "marker": "s", "markeredgecolor": ink.ESTIMATE, "markerfacecolor": "white", "markersize": 5, "linestyle": "none",
}  # fmt: skip


def fit_wearer_picture(file: Path, name: str, fit: Fit) -> None:
    """Write a PNG of a wearer's `fit`, with alt text. `name`: of the recording."""
    title = f"A wearer fitted to {name}"
    told = sum(one.identifiable for one in fit.parameters)
    line = f"{told} of {len(fit.parameters)} numbers can be told from this recording; the rest stay at their defaults"
    drawn = fit.drawn
    with ink.house_style():
        figure = ink.new_figure(WIDTH_IN, HEIGHT_IN)
        ink.heading(figure, LEFT_IN, title, ink.unless_doubted(line, fit.misfits))
        ink.footer(figure, LEFT_IN, ink.AS_SHIPPED)
        _forces(ink.place(figure, LEFT_IN, 1.05, WIDE_IN, 2.1), drawn)
        _errors(ink.place(figure, LEFT_IN, 3.95, HALF_IN, 2.0), drawn)
        _noise(ink.place(figure, RIGHT_IN, 3.95, HALF_IN, 2.0), drawn)
        _spectrum(ink.place(figure, LEFT_IN, 6.75, HALF_IN, 2.0), drawn)
        _left(ink.place(figure, RIGHT_IN, 6.75, HALF_IN, 2.0), drawn)
        ink.save(figure, file, title, _alt_text(title, line, fit))


def _titled(axes: Axes, title: str, across: str, up: str) -> None:
    axes.set_title(title, fontsize=ink.BODY, fontweight="bold", loc="left")
    axes.set_xlabel(across, fontsize=ink.SMALL)
    axes.set_ylabel(up, fontsize=ink.SMALL)
    axes.grid(color=ink.BAND, linewidth=0.7)
    axes.set_axisbelow(True)


def _legend(axes: Axes, **place: Any) -> None:
    axes.legend(fontsize=ink.SMALL, frameon=False, **place)


def _some(count: int) -> slice:
    return slice(None, None, max(1, math.ceil(count / POINTS)))


def _forces(axes: Axes, drawn: Any) -> None:
    some = _some(drawn["t_s"].size)
    t_s = drawn["t_s"][some]
    axes.plot(t_s, drawn["target_N"][some], color=ink.INK, linewidth=1.0, linestyle="--", label="target")
    axes.plot(t_s, drawn["force_N"][some], color=ink.FORCE, linewidth=0.8, label="measured force")
    expected = np.where(drawn["compared"], drawn["expected_N"], np.nan)[some]
    axes.plot(t_s, expected, color=ink.ESTIMATE, linewidth=1.3, label="expected, where compared")
    axes.set_xlim(float(t_s[0]), float(t_s[-1]))
    axes.set_ylim(0.0, 1.22 * float(max(drawn["force_N"].max(), drawn["target_N"].max())))
    _titled(axes, "Target and force", "time, s", "N")
    _legend(axes, ncols=3, loc="upper right")


def _errors(axes: Axes, drawn: Any) -> None:
    shown = drawn["hold_shown"]
    for which, look, words in ((~shown, HIDDEN_LOOK, "own force hidden"), (shown, SHOWN_LOOK, "own force shown")):
        if which.any():
            axes.plot(drawn["hold_target_N"][which], drawn["hold_error_N"][which], label=words, **look)
    gain, offset_N = drawn["bias"]
    across = np.linspace(0.0, 1.08 * float(drawn["hold_target_N"].max()), 50)
    if (~shown).any():
        axes.plot(across, (gain - 1.0) * across + offset_N, color=ink.INK, linewidth=1.0, label="fitted habit")
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.8, linestyle=":")
    axes.set_xlim(0.0, float(across[-1]))
    _titled(axes, "Error of each production, first 2 s compared", "target, N", "force less target, N")
    _legend(axes, loc="best")


def _noise(axes: Axes, drawn: Any) -> None:
    shown = drawn["hold_shown"]
    for which, look, words in ((~shown, HIDDEN_LOOK, "hold, hidden"), (shown, SHOWN_LOOK, "hold, shown")):
        if which.any():
            axes.plot(drawn["hold_force_N"][which], drawn["hold_noise_N"][which], label=words, **look)
    axes.plot(drawn["curve_force_N"], drawn["curve_noise_N"], color=ink.INK, linewidth=1.2, label="fitted")
    axes.set_xlim(0.0, float(drawn["curve_force_N"][-1]))
    axes.set_ylim(0.0, 1.25 * float(max(drawn["curve_noise_N"].max(), drawn["hold_noise_N"].max())))
    _titled(axes, "SD of force noise against force", "force, N", "SD, N")
    _legend(axes, loc="upper left")


def _spectrum(axes: Axes, drawn: Any) -> None:
    frequency, power, again = drawn["frequency_Hz"], drawn["power"], drawn["power_again"]
    _titled(axes, "Spectrum of held force", "frequency, Hz", "power / mean², 1/Hz")
    if not again.size:
        axes.text(0.02, 0.9, "no hold lasts 4 s", transform=axes.transAxes, fontsize=ink.SMALL, color=ink.QUIET)
        return
    inside = (frequency >= LOWEST_HZ) & (frequency <= HIGHEST_HZ)
    low, high = np.quantile(again[:, inside], (0.025, 0.975), axis=0)
    hz = frequency[inside]
    axes.fill_between(hz, low, high, color=ink.BAND, label="simulated again, 95 %")
    axes.plot(hz, again[:, inside].mean(axis=0), color=ink.ESTIMATE, linewidth=1.4, linestyle="--", label="its mean")
    axes.plot(hz, power[inside], color=ink.FORCE, linewidth=1.0, label="recorded")
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(LOWEST_HZ, HIGHEST_HZ)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    _legend(axes, loc="lower left")


def _left(axes: Axes, drawn: Any) -> None:
    """Standardised errors of prediction: a normal curve is what they should be."""
    errors: NDArray[np.float64] = drawn["error_sd"]
    edges = np.linspace(-BEYOND, BEYOND, 46)
    axes.hist(
        np.clip(errors, -BEYOND, BEYOND), edges.tolist(), density=True, color=ink.FORCE, alpha=0.55, label="errors"
    )
    middle = np.linspace(-BEYOND, BEYOND, 200)
    normal = np.exp(-0.5 * middle * middle) / math.sqrt(2.0 * math.pi)
    axes.plot(middle, normal, color=ink.INK, linewidth=1.2, label="as they should be")
    axes.set_xlim(-BEYOND, BEYOND)
    _titled(axes, "What is left: prediction errors of force", "expected SDs", "density")
    _legend(axes, loc="upper right")


def _alt_text(title: str, line: str, fit: Fit) -> str:
    told = [
        f"{one.key} {one.value:.3g} {one.unit} ({one.low:.3g} to {one.high:.3g})".replace("  ", " ")
        for one in fit.parameters
        if one.identifiable and math.isfinite(one.low)
    ]
    panels = (
        "Panels: target and force; error of each production; force noise against force; spectrum; prediction errors."
    )
    return f"{title}. {line}. {panels} Fitted with 95 % intervals: {'; '.join(told)}."
