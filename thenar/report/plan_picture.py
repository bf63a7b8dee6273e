"""The picture of a plan: power over people with its interval beside the what-if, and people over trials."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from thenar.report import ink

MARGINS: Final = ink.Margins(left=0.75, right=0.35, top=1.5, bottom=1.3)
CURVE_IN: Final = 5.4
TRIALS_IN: Final = 3.1
GAP_IN: Final = 0.95
BODY_IN: Final = 3.3
CAVEAT: Final = "Simulated wearers are assumptions; real people usually differ more. A pilot decides."
SPREADS: Final = (("as simulated", ink.FORCE, "-", "o"), ("spread 1.5 times as large", ink.ESTIMATE, "--", "^"))


class PowerPoint(NamedTuple):
    """Power of studies with so many people: share 0 to 1, and the ends of its 95 % interval."""

    people: int
    share: float
    low: float
    high: float


class PlanCurve(NamedTuple):
    """One spread: power over people, and the people that reach the wanted power (None: too many to be found)."""

    points: Sequence[PowerPoint]
    needed: int | None


class PlanView(NamedTuple):
    """All that is drawn. `curves`: as simulated, then with the wider spread.

    `trials`: trials per condition and the people needed for each spread (None: too many); `own_trials`: the
    scenario's own; `looks`: people at most and power of the study with looks, None without; `looks_count`: how many.
    """

    wanted: float
    curves: tuple[PlanCurve, PlanCurve]
    trials: Sequence[tuple[int, int | None, int | None]]
    own_trials: int
    looks: PowerPoint | None
    looks_count: int


def plan_picture(
    file: Path, view: PlanView, title: str, line: str, alt: str, loosened: ink.Loosened = ink.AS_SHIPPED
) -> None:
    """Write the picture as a PNG. `line` stands under the title, `alt` is told to who can't see it."""
    with ink.house_style():
        width = MARGINS.left + CURVE_IN + GAP_IN + TRIALS_IN + MARGINS.right
        figure = ink.new_figure(width, MARGINS.top + BODY_IN + MARGINS.bottom + loosened.height_in())
        ink.heading(figure, 0.3, title, line)
        ink.footer(figure, 0.3, loosened)
        curve = ink.place(figure, MARGINS.left, MARGINS.top, CURVE_IN, BODY_IN)
        _curves(curve, view)
        above = (0.3 / width, 1 - 0.72 / figure.get_size_inches()[1])
        figure.legend(
            *curve.get_legend_handles_labels(), loc="upper left", bbox_to_anchor=above, borderaxespad=0, borderpad=0,
            ncols=4, fontsize=ink.SMALL, frameon=False,
        )  # fmt: skip
        ink.write_at(figure, 0.3, MARGINS.top + BODY_IN + 0.55, CAVEAT, fontsize=ink.SMALL, color=ink.QUIET)
        trials = ink.place(figure, MARGINS.left + CURVE_IN + GAP_IN, MARGINS.top, TRIALS_IN, BODY_IN)
        _trials(trials, view)
        ink.save(figure, file, title, f"{title}. {line}. {alt}{loosened.words()}")


def _curves(axes: Axes, view: PlanView) -> None:
    last = _last_people(view)
    for curve, (words, colour, style, _) in zip(view.curves, SPREADS, strict=True):
        points = [point for point in curve.points if point.people <= last]
        people = [point.people for point in points]
        axes.fill_between(
            people, [100 * point.low for point in points], [100 * point.high for point in points], color=colour,
            alpha=0.25, linewidth=0,
        )  # fmt: skip
        axes.plot(people, [100 * p.share for p in points], color=colour, linestyle=style, linewidth=1.6, label=words)
    axes.axhline(100 * view.wanted, color=ink.INK, linewidth=0.9, linestyle=(0, (1, 1.5)), label="wanted power")
    for curve, (_, colour, style, marker) in zip(view.curves, SPREADS, strict=True):
        _chosen(axes, curve, last, (colour, style, marker))
    if view.looks is not None:
        words = f"{view.looks_count} looks: people at most"
        axes.plot(
            view.looks.people, 100 * view.looks.share, linestyle="none", marker="D", markersize=7,
            markerfacecolor="none", markeredgewidth=1.4, color=ink.AGONIST, label=words,
        )  # fmt: skip
    axes.set_xlim(min(point.people for point in view.curves[0].points) - 0.5, last + 0.5)
    axes.set_ylim(0, 103)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=9, min_n_ticks=2))
    axes.set_xlabel("people", fontsize=ink.SMALL)
    axes.set_ylabel("studies that find the effect, %", fontsize=ink.SMALL)
    per = "trial" if view.own_trials == 1 else "trials"
    axes.set_title(f"Power, {view.own_trials} {per} per condition (bands: 95 %)", fontsize=ink.BODY, loc="left")
    axes.grid(color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)


def _last_people(view: PlanView) -> int:
    """How far the axis goes: beyond what the wider spread needs, but never so far that the curve is a wall."""
    here = max(point.people for point in view.curves[0].points)
    near, far = (curve.needed for curve in view.curves)
    if near is None:
        return here
    wanted = 1.15 * far if far is not None else 3.0 * near
    looks = 0 if view.looks is None else view.looks.people
    most = max(point.people for curve in view.curves for point in curve.points)
    return min(most, max(round(wanted) + 2, looks + 2, near + 3))


def _chosen(axes: Axes, curve: PlanCurve, last: int, look: tuple[str, str, str]) -> None:
    if curve.needed is None or curve.needed > last:
        return
    colour, style, marker = look
    share = next(point.share for point in curve.points if point.people == curve.needed)
    axes.plot([curve.needed] * 2, [0, 100 * share], color=colour, linewidth=0.9, linestyle=style)
    axes.plot(curve.needed, 100 * share, marker=marker, color=colour, markersize=6)
    room = 0.012 * last
    axes.text(curve.needed + room, 4, f"{curve.needed}", color=colour, fontsize=ink.BODY, fontweight="bold")


def _trials(axes: Axes, view: PlanView) -> None:
    for column, (words, colour, style, marker) in enumerate(SPREADS, start=1):
        there = [(row[0], row[column]) for row in view.trials]
        points = [(trials, people) for trials, people in there if people is not None]
        if points:
            at, people = zip(*points, strict=True)
            axes.plot(at, people, color=colour, linestyle=style, marker=marker, linewidth=1.4, label=words)
            for trials, needed in points:
                axes.annotate(
                    str(needed), (trials, needed), xytext=(0, 6), textcoords="offset points", ha="center",
                    fontsize=ink.SMALL, color=colour,
                )  # fmt: skip
    counts = [row[0] for row in view.trials]
    axes.set_xscale("log", base=2)
    axes.set_xticks(counts, [str(count) for count in counts])
    axes.minorticks_off()
    axes.set_xlim(min(counts) / 1.35, max(counts) * 1.35)
    most = max((people for row in view.trials for people in row[1:] if people is not None), default=0)
    axes.set_ylim(0, 1.18 * most if most else 1)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
    if not most:
        axes.text(0.5, 0.5, "no study is large enough", ha="center", transform=axes.transAxes, fontsize=ink.BODY)
    axes.set_xlabel("trials per person and condition", fontsize=ink.SMALL)
    axes.set_ylabel("people needed", fontsize=ink.SMALL)
    axes.set_title(f"People for {100 * view.wanted:g} % power", fontsize=ink.BODY, loc="left")
    axes.grid(color=ink.BAND, linewidth=0.8)
    axes.set_axisbelow(True)
