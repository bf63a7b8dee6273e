"""The picture of one wearer: force against target for each condition, with stimulation and interlock below."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from thenar.engine.result import TrialLabel
from thenar.report import ink
from thenar.report.metrics import TargetRow, band_N, reason_counts
from thenar.report.thinning import extremes_kept, tallest
from thenar.shared.signals import AGONIST, ANTAGONIST
from thenar.shared.ticks import US_PER_S

WIDTH_IN: Final = 11.2
MARGINS: Final = ink.Margins(left=0.85, right=2.45, top=1.0, bottom=0.95)
FORCE_IN: Final = 2.1
STIMULATION_IN: Final = 0.95
REASON_IN: Final = 0.17
GAP_IN: Final = 0.14
BETWEEN_IN: Final = 0.8
MOST_REASONS: Final = 8
EVENT_ROWS: Final = 3
CLOSE_SHARE: Final = 0.01
NOT_MARKED: Final = ("target",)


class Panel(NamedTuple):
    """One trial to draw: its tables (shape (rows,) per column), events and rows of measures."""

    label: TrialLabel
    duration_us: int
    trace: Mapping[str, NDArray[Any]]
    pulses: Mapping[str, NDArray[Any]]
    events: Sequence[Mapping[str, object]]
    rows: Sequence[TargetRow]


def force_picture(
    file: Path,
    panels: Sequence[Panel],
    title: str,
    line: str,
    requirements: Mapping[str, str],
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the picture of `panels`, one below the other, as a PNG.

    `line` stands under the title; `requirements` gives a requirement's title by identifier ("R06"); `loosened`
    stands in the lower margin.
    """
    with ink.house_style():
        reasons = [_reasons(panel) for panel in panels]
        body = sum(_height(panel, acted) for panel, acted in zip(panels, reasons, strict=True))
        height = MARGINS.top + body + BETWEEN_IN * (len(panels) - 1) + MARGINS.bottom + loosened.height_in()
        figure = ink.new_figure(WIDTH_IN, height)
        ink.heading(figure, MARGINS.left, title, line)
        ink.footer(figure, MARGINS.left, loosened)
        scale = _scale(panels)
        top = MARGINS.top
        for panel, acted in zip(panels, reasons, strict=True):
            drawn = _Block(figure, top, panel, acted, scale, requirements)
            drawn.draw()
            top += _height(panel, acted) + BETWEEN_IN
        ink.save(figure, file, title, alt_text(panels, title) + loosened.words())


class _Scale(NamedTuple):
    """Upper ends of the shared axes: force in N, charge per phase in uC on either side."""

    force_N: float
    agonist_uC: float
    antagonist_uC: float


def _scale(panels: Sequence[Panel]) -> _Scale:
    force = [np.nanmax([_top(panel.trace["force_N"]), _top(panel.trace["target_N"])]) for panel in panels]
    charges = [[_top(_charge_uC(panel, channel)) for panel in panels] for channel in (AGONIST, ANTAGONIST)]
    return _Scale(1.32 * max(1.0, *force), max(0.0, *charges[AGONIST]), max(0.0, *charges[ANTAGONIST]))


def _top(numbers: NDArray[Any]) -> float:
    finite = numbers[np.isfinite(numbers)]
    return float(finite.max()) if len(finite) else 0.0


def _charge_uC(panel: Panel, channel: int) -> NDArray[np.float64]:
    """Charge per phase of the pulses of one channel, uC (mA x us = nC)."""
    mine = panel.pulses["channel"] == channel
    charge: NDArray[np.float64] = panel.pulses["current_mA"][mine] * panel.pulses["width_us"][mine] / 1000.0
    return charge


def _reasons(panel: Panel) -> list[str]:
    """Identifiers that acted, the most frequent first when there are too many to draw, then in order."""
    counts = reason_counts(panel.trace["reasons"])
    chosen = sorted(counts, key=lambda identifier: -counts[identifier])[:MOST_REASONS]
    return sorted(chosen)


def _height(panel: Panel, reasons: Sequence[str]) -> float:
    stimulation = STIMULATION_IN + GAP_IN if len(panel.pulses["t_us"]) else 0.0
    strip = REASON_IN * len(reasons) + GAP_IN if reasons else 0.0
    return FORCE_IN + stimulation + strip


class _Block:
    """The axes of one trial, `top` inches below the figure's upper edge."""

    def __init__(
        self, figure: Any, top: float, panel: Panel, reasons: list[str], scale: _Scale, requirements: Mapping[str, str]
    ) -> None:
        self.figure, self.top, self.panel, self.reasons = figure, top, panel, reasons
        self.scale, self.requirements = scale, requirements
        self.time_s = panel.trace["t_us"] / US_PER_S
        self.end_s = panel.duration_us / US_PER_S

    def draw(self) -> None:
        """Draw force, stimulation (when there are pulses) and interlock (when a rule acted)."""
        axes = [self._axes(FORCE_IN)]
        self._force(axes[0])
        if len(self.panel.pulses["t_us"]):
            axes.append(self._axes(STIMULATION_IN))
            self._stimulation(axes[-1])
        for halted in axes:
            self._halts(halted)
        if self.reasons:
            axes.append(self._axes(REASON_IN * len(self.reasons)))
            self._interlock(axes[-1])
        for upper in axes[:-1]:
            upper.tick_params(labelbottom=False)
        axes[-1].set_xlabel("time, s", fontsize=ink.SMALL, labelpad=1.5)

    def _axes(self, height: float) -> Axes:
        width = WIDTH_IN - MARGINS.left - MARGINS.right
        axes = ink.place(self.figure, MARGINS.left, self.top, width, height)
        axes.set_xlim(0.0, self.end_s)
        self.top += height + GAP_IN
        return axes

    def _force(self, axes: Axes) -> None:
        target = self.panel.trace["target_N"]
        half = band_N(target)
        axes.fill_between(self.time_s, target - half, target + half, step="post", color=ink.BAND, linewidth=0)
        self._line(axes, "estimate_N", color=ink.ESTIMATE, linewidth=0.8, linestyle=(0, (1.2, 1.4)))
        self._line(axes, "force_N", color=ink.FORCE, linewidth=1.3)
        axes.step(self.time_s, target, where="post", color=ink.INK, linewidth=1.1, linestyle=(0, (5, 2)))
        axes.set_ylim(0.0, self.scale.force_N)
        axes.set_ylabel("force, N", fontsize=ink.SMALL)
        axes.yaxis.set_major_locator(MaxNLocator(5))
        axes.set_title(_panel_line(self.panel), loc="left", fontsize=ink.BODY, fontweight="bold", pad=9)
        estimated = bool(np.isfinite(self.panel.trace["estimate_N"]).any())
        keys: list[tuple[str, str, Any, float]] = [
            ("true force", ink.FORCE, "-", 1.6),
            ("target (band shaded)", ink.INK, (0, (5, 2)), 1.2),
        ]
        if estimated:
            keys.append(("estimate", ink.ESTIMATE, (0, (1.2, 1.4)), 1.2))
        for number, (name, color, style, width) in enumerate(keys):
            y = 0.93 - 0.13 * number
            _sample(axes, y, color, style, width)
            axes.annotate(name, (1.062, y), xycoords="axes fraction", va="center", fontsize=ink.SMALL, color=color)
        self._events(axes)

    def _line(self, axes: Axes, column: str, **look: Any) -> None:
        time_s, values = extremes_kept(self.time_s, self.panel.trace[column])
        axes.plot(time_s, values, solid_joinstyle="round", **look)

    def _events(self, axes: Axes) -> None:
        """A mark and a word for what happened, in rows so that neighbours stay legible.

        What repeats within a hundredth of the trial is marked once; the end of a fault is a mark without a word.
        """
        free_from_s = [-math.inf] * EVENT_ROWS
        marked_s: dict[str, float] = {}
        for event in self.panel.events:
            at_s = int(str(event["t_us"])) / US_PER_S
            words = event_words(event)
            if event["kind"] in NOT_MARKED or (event["kind"] == "armed" and at_s == 0.0):
                continue
            if at_s - marked_s.get(words, -math.inf) < CLOSE_SHARE * self.end_s:
                continue
            marked_s[words] = at_s
            ends = event["kind"] == "fault-ends"
            self._mark(axes, at_s, hollow=ends)
            row = next((number for number in range(EVENT_ROWS) if at_s >= free_from_s[number]), None)
            if event["kind"] == "trip":
                self._word(axes, at_s, words, 0.03, "bottom")
            elif row is not None and not ends:
                free_from_s[row] = at_s + (0.015 + 0.007 * len(words)) * self.end_s
                self._word(axes, at_s, words, 0.985 - 0.08 * row, "top")

    def _mark(self, axes: Axes, at_s: float, hollow: bool) -> None:
        paper = "white" if hollow else ink.INK
        axes.plot(
            [at_s],
            [self.scale.force_N],
            marker="v",
            markersize=4.5,
            color=ink.INK,
            markerfacecolor=paper,
            clip_on=False,
        )
        axes.axvline(at_s, color=ink.INK, linewidth=0.6, linestyle=(0, (1, 2)))

    def _word(self, axes: Axes, at_s: float, words: str, height: float, upright: Literal["top", "bottom"]) -> None:
        """Words beside a time, at a `height` from 0 (bottom) to 1 (top) of the panel."""
        late = at_s > 0.85 * self.end_s
        place = (at_s + (-0.004 if late else 0.004) * self.end_s, self.scale.force_N * height)
        side: Literal["left", "right"] = "right" if late else "left"
        paper = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6}
        axes.annotate(words, place, ha=side, va=upright, fontsize=ink.SMALL - 0.5, color=ink.INK, bbox=paper)

    def _halts(self, axes: Axes) -> None:
        """Shade the stretches over which a trip had latched."""
        for start_s, stop_s in self._stretches(self.panel.trace["trip"] != 0):
            axes.axvspan(
                start_s,
                stop_s,
                facecolor=ink.HALTED,
                edgecolor=ink.QUIET,
                hatch="////",
                linewidth=0,
                alpha=0.55,
                zorder=0,
            )

    def _stimulation(self, axes: Axes) -> None:
        for channel, color, sign in ((AGONIST, ink.AGONIST, 1.0), (ANTAGONIST, ink.ANTAGONIST, -1.0)):
            mine = self.panel.pulses["channel"] == channel
            time_s, charge = tallest(
                self.panel.pulses["t_us"][mine] / US_PER_S, _charge_uC(self.panel, channel), self.end_s
            )
            strokes = [((t, 0.0), (t, sign * q)) for t, q in zip(time_s.tolist(), charge.tolist(), strict=True)]
            axes.add_collection(LineCollection(strokes, colors=color, linewidths=0.6))
        axes.axhline(0.0, color=ink.QUIET, linewidth=0.6)
        upper, lower = self.scale.agonist_uC, self.scale.antagonist_uC
        axes.set_ylim(-max(1.15 * lower, 0.45 * upper), 1.15 * upper + 0.04 * lower)
        axes.yaxis.set_major_locator(MaxNLocator(4))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{abs(value):g}"))
        axes.set_ylabel("charge\nper phase, uC", fontsize=ink.SMALL)
        fired = [bool((self.panel.pulses["channel"] == channel).any()) for channel in (AGONIST, ANTAGONIST)]
        _beside(axes, upper / 2, "agonist, a line per pulse" if fired[AGONIST] else "agonist: no pulse", ink.AGONIST)
        words = "antagonist, downward" if fired[ANTAGONIST] else "antagonist: no pulse"
        _beside(axes, -lower / 2 if lower else -0.2 * upper, words, ink.ANTAGONIST)

    def _interlock(self, axes: Axes) -> None:
        axes.set_ylim(len(self.reasons) - 0.5, -0.5)
        axes.set_yticks(range(len(self.reasons)), self.reasons, fontsize=ink.SMALL - 0.5)
        axes.tick_params(axis="y", length=0)
        for number, identifier in enumerate(self.reasons):
            acted = (self.panel.trace["reasons"] >> (int(identifier[1:]) - 1) & 1) != 0
            spans = [(start, stop - start) for start, stop in self._stretches(acted)]
            axes.broken_barh(spans, (number - 0.36, 0.72), facecolors=ink.INK, edgecolors=ink.INK, linewidth=0.4)
            words = ink.shortened(self.requirements.get(identifier, ""), 46)
            axes.annotate(
                words,
                (1.012, number),
                xycoords=("axes fraction", "data"),
                va="center",
                fontsize=ink.SMALL - 1.5,
                color=ink.INK,
            )

    def _stretches(self, rows: NDArray[Any]) -> list[tuple[float, float]]:
        """Stretches of time in s over which `rows` (shape (rows,), true or false) holds."""
        edges = np.flatnonzero(np.diff(np.concatenate([[False], rows, [False]]).astype(np.int8)))
        times = np.append(self.time_s, self.end_s)
        return [(float(times[start]), float(times[stop])) for start, stop in edges.reshape(-1, 2)]


def _sample(axes: Axes, y: float, color: str, style: Any, width: float) -> None:
    """A short piece of line right of the axes, at height `y` (share of the axes)."""
    axes.plot(
        [1.012, 1.052], [y, y], transform=axes.transAxes, clip_on=False, color=color, linestyle=style, linewidth=width
    )


def _beside(axes: Axes, value: float, words: str, color: str) -> None:
    axes.annotate(
        words, (1.012, value), xycoords=("axes fraction", "data"), va="center", fontsize=ink.SMALL, color=color
    )


def _panel_line(panel: Panel) -> str:
    time_s = [row.time_s for row in panel.rows]
    error_N = float(np.average([row.value("mean_abs_error_N") for row in panel.rows], weights=time_s))
    inside = float(np.average([row.value("in_band_percent") for row in panel.rows], weights=time_s))
    return f"{panel.label.condition}: mean absolute error {error_N:.2f} N, in the band {inside:.0f} % of the time"


def event_words(event: Mapping[str, object]) -> str:
    """An event in a few words: its kind, or which fault, and the requirement or channel that it names."""
    kind = str(event["kind"])
    first = str(event.get("fault", kind)) if kind == "fault" else kind
    named = next((event[key] for key in ("cause", "what", "channel") if key in event), "")
    return ink.shortened(f"{first} {named}", 34)


def alt_text(panels: Sequence[Panel], title: str) -> str:
    """What the picture shows, for those who can't see it."""
    parts = [f"{title}. Force at the fingertip against its target over time, one panel per condition."]
    for panel in panels:
        acted = ", ".join(_reasons(panel)) or "none"
        trips = sum(1 for event in panel.events if event["kind"] == "trip")
        pulses = len(panel.pulses["t_us"])
        parts.append(f"{_panel_line(panel)}; {pulses} pulses; interlock rules that acted: {acted}; trips: {trips}.")
    return " ".join(parts)
