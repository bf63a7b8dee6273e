"""The picture of a sensitivity study: a bar per key with its interval, the most important key on top."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

from matplotlib.axes import Axes

from thenar.report import ink

MARGINS: Final = ink.Margins(left=3.1, right=0.5, top=1.0, bottom=1.15)
ROW_IN: Final = 0.3
WIDTH_IN: Final = 5.4


class Bar(NamedTuple):
    """One key. `total`, `first`: its indices; `total_half`, `first_half`: half widths of 95 % intervals (NaN: none)."""

    key: str
    total: float
    total_half: float
    first: float
    first_half: float


def sensitivity_picture(
    file: Path,
    bars: Sequence[Bar],
    names: tuple[str, str],
    axis: str,
    title: str,
    line: str,
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the picture as a PNG. `bars`: in the order to show; `names`: what `total` and `first` are.

    `axis` names the axis with its unit; `line` stands under the title, `loosened` in the lower margin.
    """
    with ink.house_style():
        body = ROW_IN * len(bars) + 0.2
        height = MARGINS.top + body + MARGINS.bottom + loosened.height_in()
        figure = ink.new_figure(MARGINS.left + WIDTH_IN + MARGINS.right, height)
        ink.heading(figure, 0.3, title, line)
        ink.footer(figure, 0.3, loosened)
        axes = ink.place(figure, MARGINS.left, MARGINS.top, WIDTH_IN, body)
        _bars(axes, bars, names)
        axes.set_xlabel(axis, fontsize=ink.SMALL)
        axes.legend(loc="lower right", fontsize=ink.SMALL, framealpha=0.9, edgecolor="none")
        told = "; ".join(f"{bar.key} {bar.total:.3f} (interval of {bar.total_half:.3f} either way)" for bar in bars)
        ink.save(figure, file, title, f"{title}. {line}. {names[0]}: {told}.{loosened.words()}")


def _bars(axes: Axes, bars: Sequence[Bar], names: tuple[str, str]) -> None:
    places = range(len(bars))
    axes.barh(places, [bar.total for bar in bars], height=0.62, color=ink.FORCE, alpha=0.35, label=names[0])
    for place, bar in zip(places, bars, strict=True):
        if math.isfinite(bar.total_half):
            ends = [bar.total - bar.total_half, bar.total + bar.total_half]
            axes.plot(ends, [place - 0.14] * 2, color=ink.FORCE, linewidth=1.5)
        if math.isfinite(bar.first_half):
            ends = [bar.first - bar.first_half, bar.first + bar.first_half]
            axes.plot(ends, [place + 0.14] * 2, color=ink.ESTIMATE, linewidth=1.1)
    axes.plot(
        [bar.first for bar in bars], [place + 0.14 for place in places], linestyle="none", marker="D", markersize=4.2,
        color=ink.ESTIMATE, label=names[1],
    )  # fmt: skip
    axes.plot([], [], color=ink.INK, linewidth=1.2, label="lines: 95 % intervals")
    axes.axvline(0.0, color=ink.INK, linewidth=0.8)
    axes.set_yticks(list(places), [bar.key for bar in bars], fontsize=ink.SMALL)
    axes.set_ylim(len(bars) - 0.4, -0.6)
    axes.grid(axis="x", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
