"""The picture of loop margins: the opened loop of every wearer, the spread of margins, and the proof by simulation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from thenar.controller.margins import Margins
from thenar.report import ink

WIDTH_IN: Final = 15.0
HEIGHT_IN: Final = 7.9
LEFT_IN: Final = 0.85
LEFT_WIDE_IN: Final = 5.3
RIGHT_AT_IN: Final = 7.05
RIGHT_WIDE_IN: Final = 3.65
TOP_IN: Final = 1.0
PANEL_IN: Final = 2.6
SPREAD_IN: Final = 2.05
SECOND_AT_IN: Final = 3.95
NYQUIST_AT_IN: Final = 11.35
NYQUIST_IN: Final = 3.3
NYQUIST_REACH: Final = 2.0
FAINT_SHOWN: Final = 120
MARKS_SHOWN: Final = 60
LOWEST_HZ: Final = 0.05
LEAST_GAIN: Final = 0.01
HALF_TURN_DEG: Final = -180.0
WORST_LOOK: Final = (ink.ESTIMATE, "-")
MEDIAN_LOOK: Final = (ink.FORCE, "--")


class Bode(NamedTuple):
    """One wearer's opened loop: frequencies in Hz and L at each, shape (n,), and its margins."""

    name: str
    frequency_Hz: NDArray[np.float64]
    response: NDArray[np.complex128]
    margins: Margins


class Swing(NamedTuple):
    """One simulated run: what it is, times in s from the closing of the loop, force in N, both of shape (n,)."""

    words: str
    time_s: NDArray[np.float64]
    force_N: NDArray[np.float64]


def margins_picture(
    file: Path, title: str, line: str, ranked: Sequence[Bode], swings: Sequence[Swing], checked: str
) -> None:
    """Write a PNG. `ranked`: wearers with a loop, the worst first (at least one); `swings`: runs below and above.

    `line`: under the title; `checked`: whose runs these are.
    """
    worst, median = ranked[0], ranked[(len(ranked) - 1) // 2]
    with ink.house_style():
        figure = ink.new_figure(WIDTH_IN, HEIGHT_IN)
        ink.heading(figure, LEFT_IN, title, line)
        ink.footer(figure, LEFT_IN, ink.AS_SHIPPED)
        size = ink.place(figure, LEFT_IN, TOP_IN, LEFT_WIDE_IN, PANEL_IN)
        phase = ink.place(figure, LEFT_IN, SECOND_AT_IN, LEFT_WIDE_IN, PANEL_IN, sharex=size)
        some = ranked[:: math.ceil(len(ranked) / FAINT_SHOWN)]
        for one in some:
            _curve(size, phase, one, ink.QUIET, "-", 0.5, max(0.1, min(0.5, 8 / len(some))))
        shown = [(worst, WORST_LOOK, "worst")] if worst is median else []
        shown = shown or [(median, MEDIAN_LOOK, "median"), (worst, WORST_LOOK, "worst")]
        for one, (color, style), _ in shown:
            _curve(size, phase, one, color, style, 1.8, 1.0)
        for place, (one, (color, style), which) in enumerate(shown):
            _marks(size, phase, one, color, 1.0 - 0.04 * (len(shown) - 1 - place))
            _key(size, place, one, color, style, which if len(ranked) > 1 else "wearer")
        _frame(size, phase, ranked)
        _spread(ink.place(figure, RIGHT_AT_IN, TOP_IN, RIGHT_WIDE_IN, SPREAD_IN), ranked)
        _swings(figure, swings, checked)
        _nyquist(ink.place(figure, NYQUIST_AT_IN, TOP_IN, NYQUIST_IN, NYQUIST_IN), some, shown)
        ink.save(figure, file, title, _alt_text(title, line, worst, median, swings))


def _curve(size: Axes, phase: Axes, one: Bode, color: str, style: str, width: float, alpha: float) -> None:
    look: dict[str, Any] = {"color": color, "linestyle": style, "linewidth": width, "alpha": alpha}
    size.plot(one.frequency_Hz, np.maximum(np.abs(one.response), 1e-9), **look)
    phase.plot(one.frequency_Hz, np.degrees(np.unwrap(np.angle(one.response))), **look)


def _marks(size: Axes, phase: Axes, one: Bode, color: str, aside: float) -> None:
    """The two crossings: from |L| up to 1 at a phase of -180 degrees, and the phase left at |L| = 1.

    `aside`: factor on the frequency of the bar, so that two wearers' bars don't hide each other.
    """
    found = one.margins
    if math.isfinite(found.gain):
        at_Hz = 1.0 / found.ultimate_period_s
        size.plot([aside * at_Hz] * 2, [1.0 / found.gain, 1.0], color=color, linewidth=2.6, solid_capstyle="butt")
        phase.plot([at_Hz], [HALF_TURN_DEG], marker="o", color=color, markersize=5)
    if math.isfinite(found.crossover_Hz):
        at_Hz = found.crossover_Hz
        phase.plot(
            [at_Hz, at_Hz], [HALF_TURN_DEG, found.phase_deg + HALF_TURN_DEG], color=color, linewidth=2.6,
            solid_capstyle="butt",
        )  # fmt: skip
        size.plot([at_Hz], [1.0], marker="o", color=color, markersize=5)


def _key(size: Axes, place: int, one: Bode, color: str, style: str, which: str) -> None:
    margins = one.margins
    gain = f"gain x {margins.gain:.2f}" if math.isfinite(margins.gain) else "no gain margin needed"
    rest = "|L| never reaches 1"
    if math.isfinite(margins.crossover_Hz):
        rest = f"phase {margins.phase_deg:.0f} deg, delay {1e3 * margins.delay_s:.0f} ms"
    at = 0.14 - 0.10 * place
    size.plot([0.02, 0.09], [at + 0.022, at + 0.022], color=color, linestyle=style, transform=size.transAxes)
    size.text(
        0.105, at, f"{which} ({ink.shortened(one.name, 24)}): {gain}; {rest}", transform=size.transAxes,
        fontsize=ink.SMALL, color=color,
    )  # fmt: skip


def _frame(size: Axes, phase: Axes, ranked: Sequence[Bode]) -> None:
    highest = max(float(np.abs(one.response).max()) for one in ranked)
    size.set_xscale("log")
    size.set_yscale("log")
    for axis in (size.xaxis, size.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    size.set_xlim(LOWEST_HZ, float(ranked[0].frequency_Hz[-1]))
    size.set_ylim(LEAST_GAIN, max(3.0, 3.0 * highest))
    size.axhline(1.0, color=ink.INK, linewidth=0.8, linestyle=":")
    size.tick_params(labelbottom=False)
    size.set_ylabel("loop gain |L|", fontsize=ink.SMALL)
    phase.axhline(HALF_TURN_DEG, color=ink.INK, linewidth=0.8, linestyle=":")
    phase.set_ylim(-540.0, 20.0)
    phase.set_yticks([0, -90, -180, -270, -360, -450, -540])
    phase.set_ylabel("phase of L, degrees", fontsize=ink.SMALL)
    phase.set_xlabel("frequency, Hz. Bars: gain margin above, phase margin below", fontsize=ink.SMALL)
    for axes in (size, phase):
        axes.grid(color=ink.BAND, linewidth=0.7)
        axes.set_axisbelow(True)


def _spread(axes: Axes, ranked: Sequence[Bode]) -> None:
    """Share of wearers with at most a gain margin: one mark a wearer while they are few."""
    gains = np.array([one.margins.gain for one in ranked])
    gains = gains[np.isfinite(gains)]
    shares = (np.arange(gains.size) + 1) * 100.0 / len(ranked)
    axes.set_xscale("log")
    axes.step(np.concatenate([gains[:1], gains]), np.concatenate([[0.0], shares]), where="post", color=ink.FORCE)
    if gains.size <= MARKS_SHOWN:
        axes.plot(gains, shares, linestyle="none", marker="o", markersize=4.2, color=ink.FORCE, markeredgecolor="white")
    axes.axvline(1.0, color=ink.INK, linewidth=0.8, linestyle=":")
    axes.axvspan(1e-3, 1.0, color=ink.HALTED, zorder=0)
    axes.set_ylim(0.0, 104.0)
    if gains.size:
        axes.set_xlim(min(0.7, 0.8 * float(gains[0])), max(2.0, 1.3 * float(gains[-1])))
    axes.set_xlabel("gain margin, times (shaded: unstable)", fontsize=ink.SMALL)
    axes.set_ylabel("wearers at or below, %", fontsize=ink.SMALL)
    ticks = [tick for tick in (0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0) if _within(tick, axes.get_xlim())]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_title("Spread over wearers", fontsize=ink.BODY, fontweight="bold", loc="left")


def _nyquist(axes: Axes, some: Sequence[Bode], shown: Sequence[tuple[Bode, tuple[str, str], str]]) -> None:
    """The opened loop in the complex plane: it must pass -1 on the right."""
    around = np.exp(1j * np.linspace(0.0, 2.0 * math.pi, 200))
    axes.plot(around.real, around.imag, color=ink.INK, linewidth=0.8, linestyle=":")
    for one in some:
        axes.plot(one.response.real, one.response.imag, color=ink.QUIET, linewidth=0.5, alpha=0.3)
    for one, (color, style), _ in shown:
        axes.plot(one.response.real, one.response.imag, color=color, linestyle=style, linewidth=1.8)
    axes.plot([-1.0], [0.0], marker="x", color=ink.INK, markersize=8, markeredgewidth=2.0)
    axes.set_xlim(-NYQUIST_REACH, NYQUIST_REACH)
    axes.set_ylim(-NYQUIST_REACH, NYQUIST_REACH)
    axes.set_xlabel("real part of L (cross: -1; dotted: |L| = 1)", fontsize=ink.SMALL)
    axes.set_ylabel("imaginary part of L", fontsize=ink.SMALL)
    axes.set_title("Nyquist", fontsize=ink.BODY, fontweight="bold", loc="left")
    axes.grid(color=ink.BAND, linewidth=0.7)
    axes.set_axisbelow(True)


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]


def _swings(figure: Figure, swings: Sequence[Swing], checked: str) -> None:
    if not swings:
        ink.write_at(figure, RIGHT_AT_IN, SECOND_AT_IN, "No simulated proof in this picture", color=ink.QUIET)
        return
    high = (PANEL_IN - 0.55) / len(swings)
    for place, swing in enumerate(swings):
        top = SECOND_AT_IN + place * (high + 0.5)
        axes = ink.place(figure, RIGHT_AT_IN, top, RIGHT_WIDE_IN, high)
        axes.plot(swing.time_s, swing.force_N, color=(ink.FORCE, ink.ESTIMATE)[place % 2], linewidth=1.0)
        axes.axvline(0.0, color=ink.INK, linewidth=0.8, linestyle=":")
        axes.set_xlim(float(swing.time_s[0]), float(swing.time_s[-1]))
        axes.set_ylabel("force, N", fontsize=ink.SMALL)
        axes.set_title(swing.words, fontsize=ink.SMALL, fontweight="bold", loc="left", pad=3)
        if place == len(swings) - 1:
            axes.set_xlabel(f"s from closing the loop; {checked}", fontsize=ink.SMALL)


def _alt_text(title: str, line: str, worst: Bode, median: Bode, swings: Sequence[Swing]) -> str:
    parts = [f"{title}. {line}. Bode and Nyquist pictures of the opened loop."]
    for which, one in (("worst", worst), ("median", median)):
        found = one.margins
        parts.append(
            f"{which} of the wearers ({one.name}): gain margin {found.gain:.3g}, "
            f"phase margin {found.phase_deg:.3g} degrees, delay margin {1e3 * found.delay_s:.3g} ms."
        )
    return " ".join([*parts, *(f"Simulated: {swing.words}." for swing in swings)])
