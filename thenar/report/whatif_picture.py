"""The picture of a what-if: target and estimate, what was delivered, what would have been asked for and let through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from thenar.report import ink
from thenar.report.thinning import extremes_kept
from thenar.report.whatif_view import ChannelView, WhatIfView
from thenar.safety.reasons import RULES

WIDTH_IN: Final = 11.2
MARGINS: Final = ink.Margins(left=0.95, right=2.65, top=1.0, bottom=0.95)
FORCE_IN: Final = 1.9
CHANNEL_IN: Final = 1.35
ROW_IN: Final = 0.21
GAP_IN: Final = 0.16
MOST_REASONS: Final = 10
TRIPS_NAMED: Final = 8
KEY_AT: Final = 1.012
KEY_TO: Final = 1.052
WORDS_AT: Final = 1.062
DEMAND_STYLE: Final = (0, (1.2, 1.2))
RECORDED_FILL: Final = "#c9cdd3"
DIFFERENCE_LOOKS: Final[Mapping[str, tuple[str, str]]] = {
    "silent instead": ("white", "////"),
    "stimulates instead": (ink.INK, ""),
    "weaker": ("#dfe3e8", ""),
    "stronger": ("#8b929c", ""),
    "other pulses": ("white", "...."),
}
"""Face and hatch of each kind of difference."""


def whatif_picture(
    file: Path, title: str, line: str, view: WhatIfView, requirements: Mapping[str, str], loosened: ink.Loosened
) -> None:
    """Write a PNG. `line` stands under the title; `requirements`: a requirement's title by identifier ("R06")."""
    with ink.house_style():
        rules = _rules(view)
        height = MARGINS.top + FORCE_IN + (CHANNEL_IN + GAP_IN) * len(view.channels) + GAP_IN
        height += ROW_IN * len(view.channels) + (ROW_IN * len(rules) + GAP_IN if rules else 0.0)
        figure = ink.new_figure(WIDTH_IN, height + MARGINS.bottom + loosened.height_in())
        ink.heading(figure, MARGINS.left, title, line)
        ink.footer(figure, MARGINS.left, loosened)
        panels = _Panels(figure, view)
        drawn = [panels.force()]
        drawn += [panels.channel(channel) for channel in view.channels]
        drawn.append(panels.differences())
        if rules:
            drawn.append(panels.interlock(rules, requirements))
        for upper in drawn[:-1]:
            upper.tick_params(labelbottom=False)
        drawn[-1].set_xlabel("time since the session began, s", fontsize=ink.SMALL, labelpad=1.5)
        ink.save(figure, file, title, alt_text(title, line, view) + loosened.words())


def _rules(view: WhatIfView) -> list[str]:
    """Identifiers that acted here or on record, the most frequent ones when they are too many, in order."""
    both = [view.reasons] if view.recorded_reasons is None else [view.reasons, view.recorded_reasons]
    counts = {
        f"R{number:02d}": sum(int((masks >> (number - 1) & 1).sum()) for masks in both)
        for number in range(1, RULES + 1)
    }
    acted = [identifier for identifier, count in counts.items() if count]
    return sorted(sorted(acted, key=lambda identifier: -counts[identifier])[:MOST_REASONS])


class _Panels:
    """The axes, one below the other."""

    def __init__(self, figure: Any, view: WhatIfView) -> None:
        self.figure, self.view, self.top = figure, view, MARGINS.top

    def force(self) -> Axes:
        """Target, estimate, measured force; where a trip holds the loop silent, shaded."""
        view, axes = self.view, self._axes(FORCE_IN)
        keys: list[tuple[str, str, Any]] = [("target", ink.INK, (0, (5, 2)))]
        if view.force_N.size:
            self._line(axes, view.force_s, view.force_N, color=ink.FORCE, linewidth=1.2)
            keys.append(("force as recorded", ink.FORCE, "-"))
        self._line(axes, view.t_s, view.estimate_N, color=ink.ESTIMATE, linewidth=1.0, linestyle=(0, (1.2, 1.4)))
        keys.append(("estimate", ink.ESTIMATE, (0, (1.2, 1.4))))
        self._line(axes, view.t_s, view.target_N, color=ink.INK, linewidth=1.1, linestyle=(0, (5, 2)))
        axes.set_ylabel("force, N", fontsize=ink.SMALL)
        shown_N = np.concatenate([view.target_N, view.estimate_N, view.force_N])
        low, high = min(0.0, float(np.nanmin(shown_N))), max(1.0, float(np.nanmax(shown_N)))
        axes.set_ylim(low, high + 0.25 * (high - low))
        axes.yaxis.set_major_locator(MaxNLocator(5))
        for place, (words, color, style) in enumerate(keys):
            _key_line(axes, 0.92 - 0.14 * place, words, color, style)
        self._halts(axes)
        if view.halted.any():
            _key_box(axes, 0.92 - 0.14 * len(keys), "halted by a trip, here", ink.HALTED, "////")
        self._trips(axes)
        return axes

    def channel(self, channel: ChannelView) -> Axes:
        """What was delivered (filled), asked for (dotted) and admitted (solid) on one channel."""
        view, axes = self.view, self._axes(CHANNEL_IN)
        color = ink.AGONIST if channel.name == "agonist" else ink.ANTAGONIST
        self._halts(axes)
        if channel.recorded_uC is not None:
            t_s, recorded_uC = extremes_kept(view.t_s, channel.recorded_uC)
            axes.fill_between(t_s, 0.0, recorded_uC, step="post", color=RECORDED_FILL, linewidth=0)
        self._line(axes, view.t_s, channel.demand_uC, color=ink.INK, linewidth=0.9, linestyle=DEMAND_STYLE)
        self._line(axes, view.t_s, channel.admitted_uC, color=color, linewidth=1.2)
        _, high = axes.get_ylim()
        axes.set_ylim(0.0, max(high, 0.1))
        axes.yaxis.set_major_locator(MaxNLocator(4))
        axes.set_ylabel(f"{channel.name}\ncharge per\nphase, uC", fontsize=ink.SMALL)
        recorded = "delivered, as recorded" if channel.recorded_uC is not None else "delivered: not on record"
        _key_box(axes, 0.88, recorded, RECORDED_FILL if channel.recorded_uC is not None else "white", "")
        _key_line(axes, 0.68, "would have been asked for", ink.INK, DEMAND_STYLE)
        _key_line(axes, 0.48, "would have been admitted", color, "-")
        return axes

    def differences(self) -> Axes:
        """Where, and in which way, this loop would have delivered something else: a row for each channel."""
        channels = self.view.channels
        axes = self._axes(ROW_IN * len(channels))
        axes.set_ylim(len(channels) - 0.5, -0.5)
        axes.set_yticks(range(len(channels)), [f"{one.name} differs" for one in channels], fontsize=ink.SMALL - 1.0)
        axes.tick_params(axis="y", length=0)
        for row, channel in enumerate(channels):
            for kind, (face, hatch) in DIFFERENCE_LOOKS.items():
                spans = [(begin, end - begin) for begin, end, found in channel.differences if found == kind]
                axes.broken_barh(
                    spans, (row - 0.36, 0.72), facecolor=face, edgecolor=ink.INK, hatch=hatch, linewidth=0.4
                )
        met = [
            kind for kind in DIFFERENCE_LOOKS if any(kind == found[2] for one in channels for found in one.differences)
        ]
        across = 2 if len(met) > len(channels) else 1
        for place, kind in enumerate(met):
            _kind_key(axes, place // across, (place % across) * 0.17, kind, len(channels))
        if not met:
            words = "nowhere" if any(one.recorded_uC is not None for one in channels) else "nothing to compare with"
            axes.annotate(words, (KEY_AT, 0), xycoords=("axes fraction", "data"), va="center", fontsize=ink.SMALL - 0.5)
        return axes

    def interlock(self, rules: Sequence[str], requirements: Mapping[str, str]) -> Axes:
        """When each rule acted: here in the upper half of its row, filled; on record in the lower half, hollow."""
        axes, view = self._axes(ROW_IN * len(rules)), self.view
        axes.set_ylim(len(rules) - 0.5, -0.5)
        axes.set_yticks(range(len(rules)), rules, fontsize=ink.SMALL - 0.5)
        axes.tick_params(axis="y", length=0)
        for row, identifier in enumerate(rules):
            bit = int(identifier[1:]) - 1
            axes.broken_barh(self._spans((view.reasons >> bit & 1) != 0), (row - 0.38, 0.42), facecolor=ink.INK)
            if view.recorded_reasons is not None:
                spans = self._spans((view.recorded_reasons >> bit & 1) != 0)
                axes.broken_barh(spans, (row + 0.08, 0.28), facecolor="#aab0b8", edgecolor="#aab0b8", linewidth=0.3)
            axes.annotate(
                ink.shortened(requirements.get(identifier, ""), 52), (KEY_AT, row), va="center",
                xycoords=("axes fraction", "data"), fontsize=ink.SMALL - 1.5,
            )  # fmt: skip
        words = "rules that acted" + ("" if view.recorded_reasons is None else ": dark here, light below on record")
        axes.set_title(words, fontsize=ink.SMALL - 0.5, loc="left", pad=2.0, color=ink.QUIET)
        return axes

    def _axes(self, height: float) -> Axes:
        width = WIDTH_IN - MARGINS.left - MARGINS.right
        axes = ink.place(self.figure, MARGINS.left, self.top, width, height)
        axes.set_xlim(self.view.begin_s, self.view.end_s)
        self.top += height + GAP_IN
        return axes

    def _line(self, axes: Axes, t_s: NDArray[np.float64], values: NDArray[np.float64], **look: Any) -> None:
        shown_s, shown = extremes_kept(t_s, values)
        axes.plot(shown_s, shown, drawstyle="steps-post", **look)

    def _halts(self, axes: Axes) -> None:
        for begin, long in self._spans(self.view.halted):
            axes.axvspan(
                begin, begin + long, facecolor=ink.HALTED, edgecolor=ink.QUIET, hatch="////", linewidth=0, alpha=0.55,
                zorder=0,
            )  # fmt: skip

    def _trips(self, axes: Axes) -> None:
        """A mark for each trip: filled here, hollow on record."""
        high = axes.get_ylim()[1]
        view = self.view
        told = [(at_s, cause, True) for at_s, cause in view.recorded_trips[:TRIPS_NAMED]]
        told += [(at_s, cause, False) for at_s, cause in view.trips[:TRIPS_NAMED]]
        for at_s, cause, recorded in told:
            paper = "white" if recorded else ink.INK
            size = 8.0 if recorded else 4.5  # both at one instant: the filled one inside the hollow one
            axes.plot(
                [at_s], [high], "v", color=ink.INK, markerfacecolor=paper, markersize=size, clip_on=False, zorder=5
            )
            late = at_s > view.begin_s + 0.85 * (view.end_s - view.begin_s)
            words = f"{cause} on record" if recorded else f"trip {cause} here"
            aside_s = (-0.008 if late else 0.008) * (view.end_s - view.begin_s)
            place = (at_s + aside_s, high * (0.89 if recorded else 0.985))
            paper_box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6}
            axes.annotate(
                words, place, ha="right" if late else "left", va="top", fontsize=ink.SMALL - 0.5, bbox=paper_box
            )

    def _spans(self, holds: NDArray[np.bool_]) -> list[tuple[float, float]]:
        """(begin, length) in s of each stretch of ticks over which `holds`, shape (ticks,)."""
        edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
        times = np.append(self.view.t_s, self.view.end_s)
        return [(float(times[start]), float(times[stop] - times[start])) for start, stop in edges.reshape(-1, 2)]


def _key_line(axes: Axes, y: float, words: str, color: str, style: Any) -> None:
    axes.plot([KEY_AT, KEY_TO], [y, y], transform=axes.transAxes, clip_on=False, color=color, linestyle=style, lw=1.3)
    axes.annotate(words, (WORDS_AT, y), xycoords="axes fraction", va="center", fontsize=ink.SMALL, color=color)


def _key_box(axes: Axes, y: float, words: str, face: str, hatch: str) -> None:
    box = Rectangle(
        (KEY_AT, y - 0.045), KEY_TO - KEY_AT, 0.09, transform=axes.transAxes, clip_on=False, facecolor=face,
        edgecolor=ink.QUIET, hatch=hatch, linewidth=0.5,
    )  # fmt: skip
    axes.add_patch(box)
    axes.annotate(words, (WORDS_AT, y), xycoords="axes fraction", va="center", fontsize=ink.SMALL)


def _kind_key(axes: Axes, row: int, shift: float, kind: str, rows: int) -> None:
    """A sample of one kind of difference beside row `row` of `rows`, `shift` (share of the axes) to the right."""
    face, hatch = DIFFERENCE_LOOKS[kind]
    y = 1.0 - (row + 0.5) / rows
    box = Rectangle(
        (KEY_AT + shift, y - 0.3 / rows), 0.02, 0.6 / rows, transform=axes.transAxes, clip_on=False, facecolor=face,
        edgecolor=ink.INK, hatch=hatch, linewidth=0.5,
    )  # fmt: skip
    axes.add_patch(box)
    at = (KEY_AT + shift + 0.026, y)
    axes.annotate(kind, at, xycoords="axes fraction", va="center", fontsize=ink.SMALL - 1.0)


def alt_text(title: str, line: str, view: WhatIfView) -> str:
    """What the picture shows, for those who can't see it."""
    parts = [f"{title}. {line}. A recorded session fed to a law and an interlock: force above, one panel per channel."]
    for channel in view.channels:
        count = len(channel.differences)
        recorded = "not on record" if channel.recorded_uC is None else f"differs from this loop in {count} stretches"
        parts.append(f"{channel.name}: what was delivered {recorded}.")
    trips = ", ".join(f"{cause} at {at_s:.2f} s" for at_s, cause in view.trips[:TRIPS_NAMED]) or "none"
    recorded = ", ".join(f"{cause} at {at_s:.2f} s" for at_s, cause in view.recorded_trips[:TRIPS_NAMED]) or "none"
    return " ".join([*parts, f"Trips here: {trips}. Trips on record: {recorded}."])
