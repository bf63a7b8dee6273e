"""The picture of break-even errors against force: a panel per kind, a mark with its interval per trust.

An end beyond the largest error tried is an arrow; where no error at all is small enough a cross stands at zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke

from thenar.report import ink

PANEL_IN: Final = (4.3, 2.5)
LEFT_IN: Final = 0.8
TOP_IN: Final = 1.35
GAP_IN: Final = (0.9, 0.85)
FOOT_IN: Final = 1.1
APART: Final = 0.012
"""Distance between the marks of two trusts at one force, as a share of the axis."""
LOOKS: Final = (
    (ink.FORCE, "o", "-"), (ink.ESTIMATE, "s", "--"), (ink.AGONIST, "^", ":"), (ink.ANTAGONIST, "D", "-."),
    (ink.QUIET, "v", (0, (5, 1))),
)  # fmt: skip
ARROW: Final = r"$\uparrow$"


class Mark(NamedTuple):
    """One break-even error: force in N, trust in words, value and ends (infinite: open), the largest tried.

    `note`: what to write beside it, "" for nothing. `sign`: -1 for readings too low.
    """

    level_N: float
    trust: str
    value: float
    low: float
    high: float
    last: float
    note: str
    sign: float


class Panel(NamedTuple):
    """One kind of error: heading, axis with unit, marks."""

    heading: str
    axis: str
    marks: Sequence[Mark]


def breakeven_picture(
    file: Path, panels: Sequence[Panel], title: str, line: str, told: Sequence[str], loosened: ink.Loosened
) -> None:
    """Write a PNG. `panels`: at least one; `line`: under the title; `told`: sentences for the alt text."""
    columns = min(2, len(panels))
    rows = -(-len(panels) // columns)
    with ink.house_style():
        width = LEFT_IN + columns * PANEL_IN[0] + (columns - 1) * GAP_IN[0] + 0.3
        height = TOP_IN + rows * PANEL_IN[1] + (rows - 1) * GAP_IN[1] + FOOT_IN + loosened.height_in()
        figure = ink.new_figure(width, height)
        ink.heading(figure, 0.3, title, line)
        ink.footer(figure, 0.3, loosened)
        trusts = list(dict.fromkeys(mark.trust for panel in panels for mark in panel.marks))
        for place, panel in enumerate(panels):
            left = LEFT_IN + place % columns * (PANEL_IN[0] + GAP_IN[0])
            top = TOP_IN + place // columns * (PANEL_IN[1] + GAP_IN[1])
            _panel(ink.place(figure, left, top, *PANEL_IN), panel, trusts)
        handles = [
            Line2D([], [], color=color, marker=marker, linestyle=style, markersize=5, label=trust)
            for trust, (color, marker, style) in zip(trusts, _looks(len(trusts)), strict=True)
        ]
        handles += _signs([mark for panel in panels for mark in panel.marks])
        figure.legend(
            handles=handles, loc="upper left", ncols=len(handles), fontsize=ink.SMALL, frameon=False,
            bbox_to_anchor=(0.3 / width, 1 - 0.68 / height), borderaxespad=0.0, handlelength=3.0,
        )  # fmt: skip
        ink.save(figure, file, title, " ".join([f"{title}. {line}.", *told]) + loosened.words())


def _signs(marks: Sequence[Mark]) -> list[Line2D]:
    """Keys of the signs that stand in for numbers, as far as they are drawn."""
    signs = (
        (any(mark.value == math.inf for mark in marks), ARROW, "no harm seen"),
        (any(mark.high == math.inf and math.isfinite(mark.value) for mark in marks), "^", "no upper end seen"),
        (any(mark.value == -math.inf for mark in marks), "x", "no help seen"),
    )
    return [
        Line2D(
            [],
            [],
            color=ink.INK,
            marker=sign,
            linestyle="none",
            markersize=10 if sign == ARROW else 7,
            label=words,
            fillstyle="full" if sign == ARROW else "none",
            markeredgewidth=0.2 if sign == ARROW else 1.2,
        )
        for drawn, sign, words in signs
        if drawn
    ]


def _looks(count: int) -> list[tuple[str, str, Any]]:
    return [LOOKS[place % len(LOOKS)] for place in range(count)]


def _panel(axes: Axes, panel: Panel, trusts: Sequence[str]) -> None:
    levels = sorted({mark.level_N for mark in panel.marks})
    span = max(levels) - min(levels) or max(levels)
    tops = {sign: _top([mark for mark in panel.marks if mark.sign == sign]) for sign in (1.0, -1.0)}
    for place, (trust, (color, marker, style)) in enumerate(zip(trusts, _looks(len(trusts)), strict=True)):
        aside = (place - (len(trusts) - 1) / 2.0) * 3.0 * APART * span
        for sign in (1.0, -1.0):
            marks = sorted(mark for mark in panel.marks if mark.trust == trust and mark.sign == sign)
            line = [(mark.level_N + aside, sign * mark.value) for mark in marks if math.isfinite(mark.value)]
            axes.plot(*zip(*line, strict=True), color=color, linestyle=style, linewidth=0.9) if line else None
            for mark in marks:
                _mark(axes, mark, mark.level_N + aside, color, marker, tops[sign])
    axes.axhline(0.0, color=ink.INK, linewidth=0.8)
    axes.set_xlim(min(levels) - 0.22 * span, max(levels) + 0.22 * span)
    axes.set_xticks(levels, [f"{level:g}" for level in levels])
    axes.set_ylim(-1.12 * tops[-1.0] - 0.04 * tops[1.0], 1.12 * tops[1.0])
    axes.grid(axis="y", color=ink.BAND, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.set_title(panel.heading, fontsize=ink.BODY, fontweight="bold", loc="left")
    axes.set_ylabel(panel.axis, fontsize=ink.SMALL)
    axes.set_xlabel("force held, N", fontsize=ink.SMALL)


def _top(marks: Sequence[Mark]) -> float:
    """The end of the axis: all finite numbers fit in it, and open ends have room for an arrow. 0 without marks."""
    if not marks:
        return 0.0
    finite = [number for mark in marks for number in (mark.value, mark.low, mark.high) if math.isfinite(number)]
    most = max(finite, default=max(mark.last for mark in marks))
    open_ended = any(mark.high == math.inf and math.isfinite(mark.value) for mark in marks)
    return (1.25 if open_ended else 1.05) * most if most > 0 else 1.0


def _mark(axes: Axes, mark: Mark, x: float, color: str, marker: str, top: float) -> None:
    sign = mark.sign
    if mark.value == -math.inf:
        axes.plot([x], [0.0], marker="x", color=color, markersize=7, markeredgewidth=1.8, linestyle="none")
        return
    low = max(0.0, mark.low)
    if mark.value == math.inf:
        axes.annotate(
            "", (x, sign * top), (x, sign * min(low if math.isfinite(low) else 0.8 * top, 0.8 * top)),
            arrowprops={"arrowstyle": "->", "color": color, "linewidth": 1.4},
        )  # fmt: skip
        return
    high = min(mark.high, top)
    axes.plot([x, x], [sign * low, sign * high], color=color, linewidth=1.4, solid_capstyle="butt")
    if mark.high == math.inf:
        axes.plot([x], [sign * top], marker="^" if sign > 0 else "v", color=color, markersize=6, fillstyle="none")
    axes.plot([x], [sign * mark.value], marker=marker, color=color, markersize=5.5, markeredgecolor="white")
    if mark.note:
        axes.annotate(
            mark.note, (x, sign * mark.value), (-5, 8), textcoords="offset points", fontsize=ink.SMALL - 1,
            color=ink.INK, ha="right", va="center", path_effects=[withStroke(linewidth=2.4, foreground="white")],
        )  # fmt: skip
