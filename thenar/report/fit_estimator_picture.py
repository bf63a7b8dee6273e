"""The picture of a fitted estimator: the recording, the bias curve, what is left, and the error by force level."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes

from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.report import ink

WIDTH_IN: Final = 11.0
HEIGHT_IN: Final = 8.85
LEFT_IN: Final = 0.85
RIGHT_AT_IN: Final = 6.35
PANEL_WIDE_IN: Final = 4.35
WHOLE_WIDE_IN: Final = 9.85
TOPS_IN: Final = (1.05, 3.5, 6.05)
PANEL_IN: Final = 1.75
DOTS: Final = 4000
SHOWN_S: Final = 40.0
Z: Final = 1.959964
LONGEST_TAU: Final = 5.0
BINS: Final = 12


def fit_estimator_picture(file: Path, recording: Recording, fit: Fit) -> None:
    """Write a PNG of `fit`, made from `recording`."""
    drawn = fit.drawn
    title = f"Estimator fitted to {Path(recording.file).name}"
    line = (
        f"{float(np.ptp(drawn['force_s'])) / 60:.1f} min, mean lag {1e3 * drawn['lag_s']:.1f} ms, "
        f"{_counted(drawn['jumps_s'].size)} found; curve and noise were fitted without the held-out stretches"
    )
    with ink.house_style():
        figure = ink.new_figure(WIDTH_IN, HEIGHT_IN)
        ink.heading(figure, LEFT_IN, title, ink.unless_doubted(line, fit.misfits))
        ink.footer(figure, LEFT_IN, ink.AS_SHIPPED)
        _course(ink.place(figure, LEFT_IN, TOPS_IN[0], WHOLE_WIDE_IN, PANEL_IN), drawn)
        _curve(ink.place(figure, LEFT_IN, TOPS_IN[1], PANEL_WIDE_IN, PANEL_IN), drawn)
        _left(ink.place(figure, RIGHT_AT_IN, TOPS_IN[1], PANEL_WIDE_IN, PANEL_IN), drawn)
        _levels(ink.place(figure, LEFT_IN, TOPS_IN[2], PANEL_WIDE_IN, PANEL_IN), drawn)
        _memory(ink.place(figure, RIGHT_AT_IN, TOPS_IN[2], PANEL_WIDE_IN, PANEL_IN), drawn)
        ink.save(figure, file, title, _alt_text(title, line, fit))


def _counted(jumps: int) -> str:
    return "1 jump" if jumps == 1 else f"{jumps or 'no'} jumps"


def _headed(axes: Axes, title: str, across: str, up: str) -> None:
    axes.set_title(title, fontsize=ink.SMALL, fontweight="bold", loc="left", pad=4)
    axes.set_xlabel(across, fontsize=ink.SMALL, labelpad=2)
    axes.set_ylabel(up, fontsize=ink.SMALL)


def _course(axes: Axes, drawn: Any) -> None:
    """Forty seconds about the middle, or about the first jump: force, readings at their sampling, what is foretold."""
    middle = float(drawn["jumps_s"][0]) if drawn["jumps_s"].size else float(np.mean(drawn["force_s"]))
    low = max(float(drawn["force_s"][0]), middle - 0.5 * SHOWN_S)
    force, told = drawn["force_s"], drawn["estimate_s"] - drawn["lag_s"]
    inside, read = (force >= low) & (force <= low + SHOWN_S), (told >= low) & (told <= low + SHOWN_S)
    axes.plot(force[inside], drawn["force_N"][inside], color=ink.FORCE, linewidth=1.4, label="measured force")
    axes.plot(
        told[read], drawn["estimate_N"][read], ".", color=ink.ESTIMATE, markersize=2, label="estimate, lag taken off"
    )
    axes.plot(told[read], drawn["predicted_N"][read], "--", color=ink.INK, linewidth=0.9, label="curve and jumps")
    held = read & drawn["held"]
    if held.any():
        low_N = axes.get_ylim()[0]
        axes.plot(
            told[held], np.full(np.count_nonzero(held), low_N), "|", color=ink.QUIET, markersize=5, label="held out"
        )
    for at_s in drawn["jumps_s"] - drawn["lag_s"]:
        if low <= at_s <= low + SHOWN_S:
            axes.axvline(at_s, color=ink.INK, linewidth=0.8, linestyle=":")
    axes.set_xlim(low, low + SHOWN_S)
    axes.legend(fontsize=ink.SMALL, frameon=False, ncols=4, loc="lower right", bbox_to_anchor=(1.0, 1.0), borderpad=0.1)
    _headed(axes, f"{SHOWN_S:g} s of the recording (dotted: a jump)", "time on record, s", "force, N")


def _thinned(size: int) -> slice:
    return slice(None, None, max(1, size // DOTS))


def _curve(axes: Axes, drawn: Any) -> None:
    """Readings against force, the curve with intervals at its knots, and where estimate equals force."""
    some = _thinned(drawn["sampled_N"].size)
    axes.plot(drawn["sampled_N"][some], drawn["estimate_N"][some], ".", color=ink.QUIET, markersize=1.2, alpha=0.35)
    top = float(drawn["true_N"][-1])
    axes.plot([0, top], [0, top], ":", color=ink.INK, linewidth=0.9, label="estimate = force")
    axes.errorbar(
        drawn["true_N"], drawn["reads_N"], yerr=Z * drawn["reads_se_N"], color=ink.ESTIMATE, marker="o", markersize=3.5,
        linewidth=1.4, capsize=3, elinewidth=0.9, label="bias curve, 95 %",
    )  # fmt: skip
    axes.legend(fontsize=ink.SMALL, frameon=False, loc="upper left", borderpad=0.1)
    _headed(axes, "Bias curve (as at the start, before any jump)", "measured force, N", "estimate, N")


def _left(axes: Axes, drawn: Any) -> None:
    """What curve and jumps leave, against force, with the fitted SD and the SD found in bins."""
    use = drawn["counts"]
    force, rest = drawn["sampled_N"][use], drawn["residual_N"][use]
    some = _thinned(force.size)
    axes.plot(force[some], rest[some], ".", color=ink.QUIET, markersize=1.2, alpha=0.35)
    floor, share, _ = drawn["noise"]
    at = np.linspace(0.0, max(float(force.max()), 1e-3), 50)
    for sign in (-1.0, 1.0):
        axes.plot(
            at,
            sign * (floor + share * at),
            "-",
            color=ink.ESTIMATE,
            linewidth=1.4,
            label="fitted SD" if sign > 0 else None,
        )
    edges = np.quantile(force, np.linspace(0.0, 1.0, BINS + 1))
    place = np.clip(np.searchsorted(edges, force, side="right") - 1, 0, BINS - 1)
    found = [(force[place == k].mean(), rest[place == k].std()) for k in range(BINS) if np.any(place == k)]
    axes.plot(
        *np.array(found).T,
        "D",
        color=ink.FORCE,
        markersize=4,
        markerfacecolor="white",
        label="SD in bins, drift included",
    )
    axes.legend(fontsize=ink.SMALL, frameon=False, loc="upper left", borderpad=0.1)
    most = 4.5 * (floor + share * float(at[-1]))
    axes.set_ylim(-most, most)
    _headed(axes, "What is left, against force", "measured force, N", "left over, N")


def _levels(axes: Axes, drawn: Any) -> None:
    """Mean absolute error by force level with its interval."""
    levels = drawn["levels"]
    at = np.arange(len(levels))
    values = np.array([[one.error_N, one.error_N - one.least_N, one.most_N - one.error_N] for one in levels]).reshape(
        -1, 3
    )
    axes.bar(at, values[:, 0], 0.6, color=ink.BAND, edgecolor=ink.QUIET, linewidth=0.8)
    axes.errorbar(
        at, values[:, 0], yerr=np.maximum(0.0, values[:, 1:].T), fmt="none", color=ink.INK, capsize=3, elinewidth=1.0
    )
    axes.set_xticks(at, [f"{one.low_N:g}-{one.high_N:g}" for one in levels])
    _headed(axes, "Mean absolute error, lag taken off, 95 %", "measured force, N", "error, N")


def _memory(axes: Axes, drawn: Any) -> None:
    """The autocorrelation of what is left over its SD, beside the fitted exponential."""
    floor, share, tau_s = drawn["noise"]
    sd = floor + share * np.maximum(0.0, drawn["sampled_N"])
    use = drawn["counts"]
    values = np.where(use, drawn["residual_N"] / np.maximum(sd, 1e-9), 0.0)
    values = np.where(use, values - values[use].mean(), 0.0)
    lags = np.arange(0, max(3, min(use.size // 4, math.ceil(LONGEST_TAU * tau_s / drawn["gap_s"]))))
    step = max(1, lags.size // 60)
    square = float(np.mean(values[use] ** 2))
    found = []
    for lag in lags[::step]:
        both = use[lag:] & use[: use.size - lag]
        found.append(
            float(np.sum((values[lag:] * values[: use.size - lag])[both]) / max(1, np.count_nonzero(both)) / square)
        )
    time_s = lags[::step] * drawn["gap_s"]
    axes.plot(time_s, found, "D", color=ink.FORCE, markersize=3, markerfacecolor="white", label="found, drift included")
    axes.plot(
        time_s, np.exp(-time_s / tau_s), "-", color=ink.ESTIMATE, linewidth=1.4, label=f"fitted, {1e3 * tau_s:.0f} ms"
    )
    axes.axhline(0.0, color=ink.QUIET, linewidth=0.6)
    axes.legend(fontsize=ink.SMALL, frameon=False, loc="upper right", borderpad=0.1)
    _headed(axes, "Autocorrelation of what is left", "lag, s", "correlation")


def _alt_text(title: str, line: str, fit: Fit) -> str:
    told = [
        f"{one.key} {one.value:.3g} {one.unit}".strip()
        for one in fit.parameters
        if one.identifiable and "[" not in one.key
    ]
    by_level = [f"{one.low_N:g} to {one.high_N:g} N: {one.error_N:.2f} N" for one in fit.drawn["levels"]]
    return (
        f"{title}. {line}. Five panels: 40 s of force and estimate; bias curve with intervals; what is left against "
        f"force; mean absolute error by force level ({'; '.join(by_level)}); autocorrelation. Found: {', '.join(told)}."
    )
