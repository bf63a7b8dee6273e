"""From what `thenar breakeven` found to its two pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from thenar.report.breakeven_map_picture import Along, Drawn, map_picture
from thenar.report.breakeven_picture import Mark, Panel, breakeven_picture
from thenar.report.ink import Loosened
from thenar.study.breakeven import Found
from thenar.study.breakeven_map import Cell, OwnCurve
from thenar.study.breakeven_record import curve_sentences, sentence, trust_text
from thenar.study.resampled import Interval

_PANELS: Final = (
    (("noise",), "Noise alone", "SD of the noise, N"),
    (("bias-over", "bias-under"), "Bias alone", "reads too low | too high, N"),
    (("lag",), "Lag alone", "lag, ms"),
    (("together",), "The scenario's own errors, together", "times the scenario's errors"),
)


def draw_breakeven(file: Path, title: str, found: Sequence[Found], limits: Loosened) -> None:
    """The picture of break-even errors. `found`: at least one; `limits`: profile and what is looser than it."""
    wearers = found[0].crossing.wearers
    line = f"Largest error of the estimate at which assistance still helps; bars: 95 % intervals over {wearers} wearers"
    line += "; N beside marks: mean absolute error of that estimate"
    panels = []
    for kinds, heading, axis in _PANELS:
        marks = [_mark(one) for one in found if one.kind in kinds]
        if marks:
            panels.append(Panel(heading, axis, marks))
    told = [sentence(one) for one in found]
    breakeven_picture(file, panels, title, line, told, limits)


def _mark(found: Found) -> Mark:
    crossed = found.crossing
    notes = []
    if math.isnan(found.trust) and found.kind in ("noise", "together") and math.isfinite(found.errors_N[0]):
        notes.append(f"{found.errors_N[0]:.1f} N")
    if math.isnan(found.trust) and found.withheld:
        notes.append("interlock")
    note = "\n".join(notes)
    sign = -1.0 if found.kind == "bias-under" else 1.0
    return Mark(
        found.level_N, trust_text(found.trust), crossed.value, crossed.low, crossed.high, crossed.last, note, sign
    )


def draw_map(
    file: Path, title: str, maps: Sequence[Sequence[Cell]], curves: Sequence[OwnCurve], limits: Loosened
) -> None:
    """The maps, one for each sensor and its curve. `limits`: as above."""
    wearers = curves[0].harms_from.wearers
    line = f"Where assistance helps and where it harms, {wearers} wearers, 95 % intervals; each sensor's errors scaled"
    told = [line for curve in curves for line in curve_sentences(curve)]
    panels = [_drawn(cells, curve) for cells, curve in zip(maps, curves, strict=True)]
    map_picture(file, panels, title, line, told, limits)


def _drawn(cells: Sequence[Cell], curve: OwnCurve) -> Drawn:
    forces = list(dict.fromkeys(cell.force_N for cell in cells))
    errors = list(dict.fromkeys(cell.error_N for cell in cells))
    grid: NDArray[np.float64] = np.full((3, len(errors), len(forces)), math.nan)
    nothing = Interval(math.nan, math.nan, math.nan)
    for cell in cells:
        grid[:, errors.index(cell.error_N), forces.index(cell.force_N)] = cell.difference_N or nothing
    return Drawn(np.array(forces), np.array(errors), grid[0], grid[1], grid[2], _along(curve))


def _along(curve: OwnCurve) -> Along:
    crossed = curve.harms_from
    first, last = float(curve.forces_N[0]), float(curve.forces_N[-1])
    low, high = max(first, min(crossed.low, last)), max(first, min(crossed.high, last))
    at = crossed.value if crossed.finite else math.nan
    return Along(curve.name, curve.forces_N, curve.errors_N, at, low, high)
