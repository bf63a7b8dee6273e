"""The picture of a muscle fit: measured and simulated force, what is left over, three bursts close up, intervals."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from thenar.fit.found import Fit, Parameter
from thenar.fit.recording import Recording
from thenar.report import ink
from thenar.report.thinning import extremes_kept

WIDTH_IN: Final = 11.0
HEIGHT_IN: Final = 8.6
LEFT_IN: Final = 0.85
ALL_WIDE_IN: Final = 9.85
TOP_IN: Final = 1.05
WHOLE_IN: Final = 1.75
LEFT_OVER_AT_IN: Final = 2.9
LEFT_OVER_IN: Final = 1.15
BELOW_AT_IN: Final = 4.95
BELOW_IN: Final = 2.35
CLOSE_WIDE_IN: Final = 1.75
CLOSE_EACH_IN: Final = 2.05
NAMES_AT_IN: Final = 7.0
TOLD_AT_IN: Final = 8.55
TOLD_WIDE_IN: Final = 2.15
APART_S: Final = 0.5
"""Pulses this far apart belong to two bursts."""
TAIL_S: Final = 0.7
LONGEST_CLOSE_S: Final = 1.9
MEASURED: Final[dict[str, Any]] = {"color": ink.QUIET, "linewidth": 2.6, "alpha": 0.75}
SIMULATED: Final[dict[str, Any]] = {"color": ink.FORCE, "linewidth": 1.1, "linestyle": "--"}


class _Burst(NamedTuple):
    """First and last pulse in s, and how many there are."""

    first_s: float
    last_s: float
    pulses: int

    @property
    def rate_Hz(self) -> float:
        return (self.pulses - 1) / (self.last_s - self.first_s) if self.pulses > 1 else 0.0

    def words(self) -> str:
        if self.pulses == 1:
            return f"one pulse at {self.first_s:.4g} s"
        return f"{self.pulses} at {self.rate_Hz:.3g} Hz, from {self.first_s:.4g} s"


def muscle_picture(file: Path, recording: Recording, fit: Fit) -> None:
    """Write a PNG of a fit of kind muscle."""
    drawn = fit.drawn
    at_s, force_N, model_N, pulses_s = drawn["at_s"], drawn["force_N"], drawn["model_N"], drawn["pulses_s"]
    told = len([one for one in fit.parameters if one.identifiable])
    title = f"Muscle of the {fit.settings['channel']}: {Path(recording.file).name}"
    line = (
        f"{pulses_s.size:,} pulses, {at_s[-1] - at_s[0]:.4g} s of force; "
        f"{told} of {len(fit.parameters)} parameters are in the recording"
    )
    shown = _three(pulses_s)
    with ink.house_style():
        figure = ink.new_figure(WIDTH_IN, HEIGHT_IN)
        ink.heading(figure, LEFT_IN, title, ink.unless_doubted(line, fit.misfits))
        ink.footer(figure, LEFT_IN, ink.AS_SHIPPED)
        whole = ink.place(figure, LEFT_IN, TOP_IN, ALL_WIDE_IN, WHOLE_IN)
        below = ink.place(figure, LEFT_IN, LEFT_OVER_AT_IN, ALL_WIDE_IN, LEFT_OVER_IN, sharex=whole)
        _whole(whole, at_s, force_N, model_N, shown)
        _left_over(below, at_s, force_N - model_N)
        for place, burst in enumerate(shown):
            left = LEFT_IN + CLOSE_EACH_IN * place
            axes = ink.place(figure, left, BELOW_AT_IN, CLOSE_WIDE_IN, BELOW_IN)
            _close(axes, at_s, force_N, model_N, pulses_s, burst)
            axes.set_title(f"{'abc'[place]}: {burst.words()}", fontsize=ink.SMALL, loc="left", pad=4)
            if place == 0:
                axes.set_ylabel("force, N", fontsize=ink.SMALL)
        _intervals(ink.place(figure, TOLD_AT_IN, BELOW_AT_IN, TOLD_WIDE_IN, BELOW_IN), fit.parameters)
        ink.save(figure, file, title, _alt_text(title, line, fit, shown))


def _three(pulses_s: NDArray[np.float64]) -> list[_Burst]:
    """The first burst, the fastest of those before the middle, and the last: at most three, in order of time."""
    edges = np.flatnonzero(np.diff(pulses_s) > APART_S) + 1
    parts = np.split(pulses_s, edges)
    bursts = [_Burst(float(part[0]), float(part[-1]), part.size) for part in parts]
    early = bursts[: max(1, math.ceil(len(bursts) / 2))]
    fastest = max(early, key=lambda burst: (round(burst.rate_Hz, 1), burst.pulses))
    return sorted({bursts[0], fastest, bursts[-1]})


def _whole(
    axes: Axes, at_s: NDArray[np.float64], force_N: NDArray[np.float64], model_N: NDArray[np.float64],
    shown: list[_Burst],
) -> None:  # fmt: skip
    axes.plot(*extremes_kept(at_s, force_N), label="measured", **MEASURED)
    axes.plot(*extremes_kept(at_s, model_N), label="simulated", **SIMULATED)
    top_N = float(max(force_N.max(), model_N.max()))
    for place, burst in enumerate(shown):
        axes.text(burst.first_s, 1.03 * top_N, "abc"[place], fontsize=ink.SMALL, ha="center", fontweight="bold")
    axes.set_ylim(top=1.18 * top_N)
    axes.set_xlim(float(at_s[0]), float(at_s[-1]))
    axes.set_ylabel("force, N", fontsize=ink.SMALL)
    axes.tick_params(labelbottom=False)
    axes.legend(
        fontsize=ink.SMALL, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, handlelength=3.2
    )


def _left_over(axes: Axes, at_s: NDArray[np.float64], left_N: NDArray[np.float64]) -> None:
    rms_N = float(np.sqrt(np.mean(left_N * left_N)))
    axes.plot(*extremes_kept(at_s, left_N), color=ink.ESTIMATE, linewidth=0.7)
    axes.axhline(0.0, color=ink.INK, linewidth=0.8)
    axes.set_ylabel("left over, N", fontsize=ink.SMALL)
    axes.set_xlabel(f"time of the recording, s (left over: {rms_N:.3g} N RMS)", fontsize=ink.SMALL)


def _close(
    axes: Axes, at_s: NDArray[np.float64], force_N: NDArray[np.float64], model_N: NDArray[np.float64],
    pulses_s: NDArray[np.float64], burst: _Burst,
) -> None:  # fmt: skip
    end_s = min(burst.last_s + TAIL_S, burst.first_s + LONGEST_CLOSE_S)
    inside = (at_s >= burst.first_s - 0.1) & (at_s <= end_s)
    since_s = at_s[inside] - burst.first_s
    axes.plot(since_s, force_N[inside], **MEASURED)
    axes.plot(since_s, model_N[inside], **SIMULATED)
    given_s = pulses_s[(pulses_s >= burst.first_s) & (pulses_s <= end_s)] - burst.first_s
    low, high = axes.get_ylim()
    axes.plot(given_s, np.full(given_s.size, low - 0.05 * (high - low)), "|", color=ink.INK, markersize=5)
    axes.set_xlim(-0.1, end_s - burst.first_s)
    axes.set_xlabel("s from its first pulse", fontsize=ink.SMALL)


def _intervals(axes: Axes, parameters: tuple[Parameter, ...]) -> None:
    """Each told parameter and its 95 % interval over its value; names and numbers stand to the left."""
    axes.axvline(1.0, color=ink.QUIET, linewidth=0.8, linestyle=":")
    widest = 0.02
    for place, one in enumerate(parameters):
        name = one.key.rpartition(".")[2]
        color = ink.INK if one.identifiable else ink.QUIET
        words = (
            f"{name}\n{one.value:.4g} ({one.low:.3g} to {one.high:.3g})" if one.identifiable else f"{name}\nnot told"
        )
        axes.text(
            -0.04,
            place,
            words,
            transform=axes.get_yaxis_transform(),
            ha="right",
            va="center",
            fontsize=6.3,
            color=color,
        )
        if one.identifiable and one.value > 0.0:
            ends = [one.low / one.value, one.high / one.value]
            axes.plot(ends, [place, place], color=ink.FORCE, linewidth=2.2, solid_capstyle="butt")
            axes.plot([1.0], [place], "o", color=ink.FORCE, markersize=3.6)
            widest = max(widest, *(abs(end - 1.0) for end in ends))
    axes.set_xlim(1.0 - 1.1 * widest, 1.0 + 1.1 * widest)
    axes.set_ylim(len(parameters) - 0.5, -0.5)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_title("95 % intervals over the value", fontsize=ink.SMALL, loc="left", pad=4)
    axes.set_xlabel("over the fitted value", fontsize=ink.SMALL)


def _alt_text(title: str, line: str, fit: Fit, shown: list[_Burst]) -> str:
    parts = [f"{title}. {line}. Measured and simulated force over time, what is left over, and close up:"]
    parts.append("; ".join(burst.words() for burst in shown) + ".")
    for one in fit.parameters:
        name = one.key.rpartition(".")[2]
        told = f"{one.value:.4g} {one.unit} ({one.low:.3g} to {one.high:.3g})" if one.identifiable else "not told"
        parts.append(f"{name}: {told}.")
    return " ".join(parts)
