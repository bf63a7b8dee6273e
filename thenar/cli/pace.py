"""`thenar pace FILE`: the loop of a live session against the wall clock, and the account of its deadlines.

It is the very process that a live page drives, rows and all, so what is measured here is what a page gets.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any, Final

from thenar.caution import SHORT
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import Table, note_compiling, progress, show_json, show_table
from thenar.engine.paced import LIMITS_MS, REAL_PACE
from thenar.live.session import LiveSession, Options, start
from thenar.lost_worker import LostWorkerError

_LOOK_EVERY_S: Final = 0.05
_LONGEST_START_S: Final = 300.0
_BAR: Final = 40


def command(chosen: argparse.Namespace) -> int:
    """Pace a loop for a while. Returns 0 when it was paced, however late; raises LostWorkerError when it ended."""
    loaded = load_typed(chosen.file, chosen.trust_law)
    note_compiling(quiet=chosen.json)
    with start(loaded, Options(seed=chosen.seed, factor=chosen.factor)) as session:
        about = _first(session)
        drawing = _drawing() if chosen.drawing else None
        state, drawn = _paced(session, chosen, drawing)
    record = {
        "scenario": about["name"],
        "law": about["law"],
        "condition": about["condition"],
        "factor": chosen.factor,
        "seconds": chosen.seconds,
        "control_period_ms": 1e3 / about["control_rate_Hz"],
        "wall_period_ms": 1e3 / about["control_rate_Hz"] / chosen.factor,
        "limits_ms": list(LIMITS_MS),
        "pictures_drawn": drawn,
        "loop_runs": state["preferred"],
        **state["lateness"],
        "caution": SHORT,
    }
    if chosen.json:
        show_json(record)
    else:
        _tell(record)
    return 0


def _first(session: LiveSession) -> dict[str, Any]:
    """What the session says of itself, once its loop has begun."""
    about: dict[str, Any] = {}
    until_s = time.monotonic() + _LONGEST_START_S
    while time.monotonic() < until_s:
        for said in session.poll():
            about = said if said["is"] == "about" else about
            _unless_ended(said)
            if said["is"] == "round":
                return about
        time.sleep(_LOOK_EVERY_S)
    raise LostWorkerError(f"the loop has not begun within {_LONGEST_START_S:g} s")


def _paced(
    session: LiveSession, chosen: argparse.Namespace, drawing: Callable[[list[dict[str, Any]]], None] | None
) -> tuple[dict[str, Any], int]:
    """The last state after so many seconds, and how often it was drawn meanwhile."""
    state: dict[str, Any] = {}
    drawn, begun_s = 0, time.monotonic()
    seconds = max(1, round(chosen.seconds))
    with progress(seconds, f"pacing at {chosen.factor:g}x", quiet=chosen.json) as advance:
        shown = 0
        while (gone_s := time.monotonic() - begun_s) < chosen.seconds:
            rows = []
            for said in session.poll():
                _unless_ended(said)
                state = said if said["is"] == "state" else state
                rows += [said] if said["is"] == "rows" else []
            if drawing is not None and rows:
                drawing(rows)
                drawn += 1
            while shown < min(seconds, int(gone_s)):
                advance(None)
                shown += 1
            if drawing is None or not rows:
                time.sleep(_LOOK_EVERY_S)
    if not state:
        raise LostWorkerError("the loop said nothing of itself")
    return state, drawn


def _drawing() -> Callable[[list[dict[str, Any]]], None]:
    """Draws the last seconds of the force whenever rows come: work for the other core."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 5))
    canvas: Any = FigureCanvasAgg(figure)
    axes = figure.subplots(2, sharex=True)
    kept: dict[str, list[Any]] = {name: [] for name in ("t_us", "target_N", "force_N", "agonist_admitted_mA")}

    def draw(rows: list[dict[str, Any]]) -> None:
        for name, values in kept.items():
            for said in rows:
                values.extend(said["columns"][name])
            del values[:-2000]
        for panel, names in zip(axes, (("target_N", "force_N"), ("agonist_admitted_mA",)), strict=True):
            panel.clear()
            for name in names:
                panel.plot(kept["t_us"], kept[name])
        canvas.draw()

    return draw


def _unless_ended(said: dict[str, Any]) -> None:
    if said["is"] == "ended":
        raise LostWorkerError(said["why"])


def _tell(record: dict[str, Any]) -> None:
    print(f"{record['scenario']}, {record['condition']}, law {record['law']}: {record['seconds']:g} s", end=" ")
    print(f"at {record['factor']:g}x, a control tick every {record['wall_period_ms']:g} ms of wall clock", end="")
    print(f", {record['pictures_drawn']} pictures drawn meanwhile" if record["pictures_drawn"] else "")
    headers = ("after its deadline", "50 %", "99 %", "99.9 %", "worst")
    rows = [
        (name, *(_ms(record[f"{prefix}{key}_ms"]) for key in ("p50", "p99", "p999", "worst")))
        for name, prefix in (("begun, ms", ""), ("answered by the law, ms", "answered_"))
    ]
    show_table(Table("Lateness of the control ticks", headers, rows, frozenset({1, 2, 3, 4})))
    show_table(_histogram(record))
    print()
    print(f"{_fate(record)}\nThe system runs the loop's process: {record['loop_runs']}.")
    print(SHORT)


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _histogram(record: dict[str, Any]) -> Table:
    names = [f"up to {limit:g}" for limit in record["limits_ms"]] + ["more"]
    most = max([1, *record["bins"]])
    rows = [
        (name, str(ticks), "#" * (max(1, round(_BAR * ticks / most)) if ticks else 0))
        for name, ticks in zip(names, record["bins"], strict=True)
    ]
    return Table("Begun after the deadline, ms", ("ms", "ticks", ""), rows, frozenset({1}))


def _fate(record: dict[str, Any]) -> str:
    """What was missed and what became of it, in words."""
    ticks, missed = record["ticks"], record["missed"]
    line = f"{ticks} ticks, {missed} missed (not answered within a period of wall clock after the deadline)"
    if record["factor"] > REAL_PACE:
        line += ". Faster than real a missed tick is counted and run all the same."
    else:
        line += (
            f", {record['passed_over']} passed over: the command admitted before lives on until it expires by itself "
            "(R03), then no pulse leaves."
        )
    if record["slipped_ms"]:
        line += f" The schedule was moved by {record['slipped_ms']:g} ms in all."
    return line
