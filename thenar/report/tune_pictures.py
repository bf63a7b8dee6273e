"""Pictures of a tuning: the objective over tries, every held-out wearer in three arms, and what no try beats."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path
from typing import Any, Final, NamedTuple

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from thenar.report import ink

MARGINS: Final = ink.Margins(left=0.95, right=2.3, top=1.0, bottom=1.05)
PANEL_IN: Final = (5.6, 2.7)
GAP_IN: Final = 0.75
LOOKS: Final = {
    "unassisted": ink.CONDITION_LOOKS["unassisted"],
    "untuned": (ink.ESTIMATE, "^"),
    "tuned": (ink.FORCE, "D"),
}
TOP_SHARE: Final = 0.12


class DrawnTry(NamedTuple):
    """A try to draw. `objectives`: one number each, empty where it was refused; `meets`: every bound is met."""

    number: int
    objectives: tuple[float, ...]
    meets: bool
    on_front: bool
    chosen: bool


class DrawnObjective(NamedTuple):
    """An objective: its words, its unit, and whether more of it is better."""

    words: str
    unit: str
    larger_better: bool


def tries_picture(
    file: Path,
    tries: Sequence[DrawnTry],
    objectives: Sequence[DrawnObjective],
    title: str,
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the picture of every objective over the tries as a PNG, a panel each, first try left.

    `loosened` stands in the lower margin, as in all pictures here.
    """
    count = len(objectives)
    height = MARGINS.top + count * PANEL_IN[1] + (count - 1) * GAP_IN + MARGINS.bottom + loosened.height_in()
    with ink.house_style():
        figure = ink.new_figure(MARGINS.left + PANEL_IN[0] + MARGINS.right, height)
        met = sum(one.meets for one in tries)
        ink.heading(figure, MARGINS.left, title, f"{len(tries)} tries, {met} of them within every bound")
        ink.footer(figure, MARGINS.left, loosened)
        for place, objective in enumerate(objectives):
            axes = ink.place(figure, MARGINS.left, MARGINS.top + place * (PANEL_IN[1] + GAP_IN), *PANEL_IN)
            _over_tries(axes, tries, place, objective)
            if not place:
                axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1.0), fontsize=ink.SMALL, frameon=False)
        best = [one for one in tries if one.chosen]
        words = ", ".join(f"{best[0].objectives[n]:.3g} {o.unit}" for n, o in enumerate(objectives)) if best else "none"
        ink.save(
            figure, file, title, f"{title}. Objectives over {len(tries)} tries. Chosen try: {words}.{loosened.words()}"
        )


def _over_tries(axes: Axes, tries: Sequence[DrawnTry], place: int, objective: DrawnObjective) -> None:
    ran = [one for one in tries if one.objectives]
    look: dict[str, Any] = {"linestyle": "none", "markersize": 4.4}
    groups: tuple[tuple[bool, str, str, str], ...] = (
        (True, "within every bound", "o", ink.FORCE),
        (False, "beyond a bound", "x", ink.ESTIMATE),
    )
    for meets, name, marker, color in groups:
        shown = [one for one in ran if one.meets is meets]
        axes.plot(
            [o.number for o in shown],
            [o.objectives[place] for o in shown],
            label=name,
            marker=marker,
            color=color,
            **look,
        )
    refused = [one.number for one in tries if not one.objectives]
    if refused:
        low = axes.get_ylim()[0]
        axes.plot(refused, [low] * len(refused), marker="|", color=ink.QUIET, label="refused by the law", **look)
    at, best = _best_so_far(ran, place, objective.larger_better)
    axes.step(at, best, where="post", color=ink.INK, linewidth=1.0, label="best within bounds so far")
    for one in tries:
        if one.chosen:
            axes.plot(
                [one.number], [one.objectives[place]], marker="o", markersize=11, markerfacecolor="none",
                color=ink.INK, linestyle="none", label="chosen",
            )  # fmt: skip
    axes.set_xlim(-0.03 * len(tries) - 0.5, len(tries) * 1.03)
    axes.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    axes.grid(axis="y", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel(f"{objective.words.split(',')[0]}, {objective.unit}", fontsize=ink.SMALL)
    axes.set_xlabel("try", fontsize=ink.SMALL)
    more = ", more is better" if objective.larger_better else ""
    axes.set_title(objective.words + more, loc="left", fontsize=ink.BODY, fontweight="bold", pad=7)


def _best_so_far(ran: Sequence[DrawnTry], place: int, larger: bool) -> tuple[list[int], list[float]]:
    at: list[int] = []
    best: list[float] = []
    for one in ran:
        value = one.objectives[place]
        if one.meets and (not best or (value > best[-1] if larger else value < best[-1])):
            at.append(one.number)
            best.append(value)
    if at:
        at.append(ran[-1].number)
        best.append(best[-1])
    return at, best


def front_picture(
    file: Path,
    tries: Sequence[DrawnTry],
    objectives: Sequence[DrawnObjective],
    title: str,
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the picture of every two objectives against each other as a PNG, with the tries that no other beats."""
    pairs = list(combinations(range(len(objectives)), 2))
    panel_in = (5.6, 3.6)
    height = MARGINS.top + len(pairs) * panel_in[1] + (len(pairs) - 1) * GAP_IN + MARGINS.bottom + 0.2
    height += loosened.height_in()
    with ink.house_style():
        figure = ink.new_figure(MARGINS.left + panel_in[0] + MARGINS.right, height)
        unbeaten = sum(one.on_front for one in tries)
        line = f"{unbeaten} of {len(tries)} tries are beaten by no other in everything at once"
        ink.heading(figure, MARGINS.left, title, line)
        ink.footer(figure, MARGINS.left, loosened)
        for number, pair in enumerate(pairs):
            axes = ink.place(figure, MARGINS.left, MARGINS.top + number * (panel_in[1] + GAP_IN), *panel_in)
            _against(axes, tries, pair, objectives, joined=len(pairs) == 1)
            if not number:
                axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1.0), fontsize=ink.SMALL, frameon=False)
        ink.save(figure, file, title, f"{title}. {line}.{loosened.words()}")


def _against(
    axes: Axes, tries: Sequence[DrawnTry], pair: tuple[int, int], objectives: Sequence[DrawnObjective], joined: bool
) -> None:
    across, up = pair
    groups: tuple[tuple[str, Any, dict[str, Any]], ...] = (
        ("beyond a bound", lambda one: not one.meets, {"marker": "x", "color": ink.ESTIMATE, "markersize": 4.4}),
        ("within bounds, beaten", lambda one: one.meets and not one.on_front, {"marker": "o", "color": ink.QUIET,
         "markersize": 3.6}),
        ("beaten by no other", lambda one: one.on_front, {"marker": "D", "color": ink.FORCE, "markersize": 5.5}),
        ("chosen: the middle", lambda one: one.chosen, {"marker": "o", "color": ink.INK, "markersize": 13,
         "markerfacecolor": "none"}),
    )  # fmt: skip
    for name, belongs, look in groups:
        shown = [one for one in tries if one.objectives and belongs(one)]
        x, y = [one.objectives[across] for one in shown], [one.objectives[up] for one in shown]
        if shown:
            axes.plot(x, y, label=name, linestyle="none", **look)
        if name == "beaten by no other" and joined:
            stairs = sorted(zip(x, y, strict=True))
            axes.plot(*zip(*stairs, strict=True), color=ink.FORCE, linewidth=0.9) if stairs else None
    axes.grid(color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    for place, label in ((across, axes.set_xlabel), (up, axes.set_ylabel)):
        objective = objectives[place]
        better = "more is better" if objective.larger_better else "less is better"
        label(f"{objective.words}\n{objective.unit}, {better}", fontsize=ink.SMALL)


class DrawnArm(NamedTuple):
    """Held-out wearers in one arm: a number each (N, shape (wearers,)), their mean and its 95 % ends (NaN: none)."""

    numbers: Sequence[float]
    mean: tuple[float, float, float]


def wearers_picture(
    file: Path,
    arms: Mapping[str, DrawnArm],
    change: DrawnArm,
    title: str,
    line: str,
    loosened: ink.Loosened = ink.AS_SHIPPED,
) -> None:
    """Write the picture of held-out wearers as a PNG: a dot per wearer and arm, joined, and what tuning changed.

    `arms`: mean absolute error in N by arm; `change`: tuned minus untuned, N; `line` stands under the title.
    """
    arms_in, change_in, gap_in = 5.6, 1.9, 1.0
    with ink.house_style():
        width = MARGINS.left + arms_in + gap_in + change_in + 0.6
        figure = ink.new_figure(width, MARGINS.top + 4.0 + MARGINS.bottom + loosened.height_in())
        ink.heading(figure, MARGINS.left, title, line)
        ink.footer(figure, MARGINS.left, loosened)
        axes = ink.place(figure, MARGINS.left, MARGINS.top + 0.1, arms_in, 3.9)
        _pairs(axes, {arm: drawn.numbers for arm, drawn in arms.items()})
        for column, (arm, drawn) in enumerate(arms.items()):
            _mean_beside(axes, column, drawn.mean, LOOKS[arm][0])
        words = f"{len(change.numbers)} held-out wearers. Bar: mean, whiskers: 95 % interval"
        axes.set_title(words, loc="left", fontsize=ink.SMALL, color=ink.QUIET, pad=6)
        right = ink.place(figure, MARGINS.left + arms_in + gap_in, MARGINS.top + 0.1, change_in, 3.9)
        _changes(right, change)
        told = [
            f"{arm}: mean {d.mean[0]:.3f} N, interval {d.mean[1]:.3f} to {d.mean[2]:.3f}" for arm, d in arms.items()
        ]
        ink.save(figure, file, title, f"{title}. {line}. Mean absolute error, {'; '.join(told)}.{loosened.words()}")


def _pairs(axes: Axes, arms: Mapping[str, Sequence[float]]) -> None:
    columns = list(zip(*arms.values(), strict=True))
    faint = max(0.15, min(0.7, 12 / len(columns)))
    for values in columns:
        axes.plot(range(len(arms)), values, color=ink.QUIET, linewidth=0.7, alpha=faint, zorder=1)
    for column, (arm, numbers) in enumerate(arms.items()):
        _dots(axes, column, numbers, *LOOKS[arm])
    axes.set_xlim(-0.35, len(arms) - 0.4)
    axes.set_ylim(0.0, (1 + TOP_SHARE) * max(max(numbers) for numbers in arms.values()))
    axes.grid(axis="y", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_xticks(range(len(arms)), list(arms), fontsize=ink.BODY)
    axes.set_ylabel("mean absolute error, N", fontsize=ink.SMALL)


def _dots(axes: Axes, column: int, numbers: Sequence[float], color: str, marker: str) -> None:
    axes.plot(
        [column] * len(numbers), numbers, linestyle="none", marker=marker, markersize=4.6, markerfacecolor=color,
        markeredgecolor="white", markeredgewidth=0.5, alpha=max(0.4, min(0.7, 12 / len(numbers))), zorder=2,
    )  # fmt: skip


def _changes(axes: Axes, change: DrawnArm) -> None:
    """Tuned minus untuned, wearer by wearer: below zero the tuned law helps more."""
    axes.axhline(0.0, color=ink.INK, linewidth=0.9, linestyle=(0, (5, 2)))
    _dots(axes, 0, change.numbers, ink.FORCE, "D")
    _mean_beside(axes, 0, change.mean, ink.FORCE, digits=3)
    most = max([1e-3, *(abs(number) for number in change.numbers)])
    axes.set_ylim(-1.15 * most, 1.15 * most)
    axes.set_xlim(-0.25, 0.6)
    axes.set_xticks([0], ["tuned - untuned"], fontsize=ink.BODY)
    axes.grid(axis="y", color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_title("below 0: tuning helped", loc="left", fontsize=ink.SMALL, color=ink.QUIET, pad=6)
    axes.set_ylabel("change of the mean absolute error, N", fontsize=ink.SMALL)


def _mean_beside(axes: Axes, column: int, mean: tuple[float, float, float], color: str, digits: int = 2) -> None:
    value, low, high = mean
    at = column + 0.16
    if math.isfinite(low):
        axes.plot([at, at], [low, high], color=color, linewidth=1.4)
    axes.plot([at - 0.06, at + 0.06], [value, value], color=color, linewidth=2.8, solid_capstyle="butt")
    paper = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}
    axes.annotate(f"{value:.{digits}f}", (at + 0.1, value), va="center", fontsize=ink.SMALL, color=color, bbox=paper)
