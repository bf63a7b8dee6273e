"""thenar against its twin: the same model of one trial written by hand in C (`benchmarks/twin`), as a yardstick.

The twin reads what a desk holds before the trial starts (noise is drawn here, once for both), runs the same next-event
loop and hands back the trace and the pulses. Its interlock is the one that `tests/conformance` wrote anew in C. It
keeps no list of events: in a comparison of speed thenar does that much more. The time is told by the twin itself, for
the loop alone: no reading, no writing, no process.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchmarks.event_engine import demo_trial
from thenar.controller import bang_bang, proportional
from thenar.controller.registry import law_class, law_settings
from thenar.engine.desk import SHORTEST_PULSE_GAP_US, TRACE_FLOATS, TRACE_INTEGERS, Desk, lay_desk
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial
from thenar.plant_models.estimator import DROPPED
from thenar.safety.decision_log import DECISION_SIZE, FIELDS
from thenar.safety.memory import start_memory
from thenar.safety.reasons import RULES
from thenar.scenarios.faults import (
    ControllerStall,
    ElectrodeLift,
    EmergencyStop,
    Fault,
    ReArm,
    UnbalancedPulses,
    length_s,
)
from thenar.shared.compiled import flat_floats
from thenar.shared.signals import CHANNELS
from thenar.shared.ticks import us_from_s

ROOT: Final = Path(__file__).resolve().parents[1]
SOURCES: Final = (ROOT / "benchmarks/twin/twin.c", ROOT / "tests/conformance/interlock.c")
OPTIONS: Final = ("-std=c99", "-O3", "-march=native", "-ffp-contract=off")
AGREES: Final = 1e-9
"""Largest relative difference at which the twin counts as the same model."""
ROUNDS: Final = 60
_NO_LAW, _PROPORTIONAL, _BANG_BANG = range(3)
_LIFT, _MISSING, _STALL, _STOP, _REARM = range(5)
_FLIGHT: Final = 64
_PULSE_FIELDS: Final = ("t_us", "channel", "current_uA", "width_us", "gap_us", "second_width_us")


class TwinRun(NamedTuple):
    """What one call of the twin left behind: shortest time in ms, and the tables as a `TrialResult` has them."""

    ms: float
    trace: dict[str, NDArray[Any]]
    pulses: dict[str, NDArray[Any]]
    decisions: dict[str, NDArray[Any]]
    reason_ticks: dict[str, int]


def compiler() -> str | None:
    """A C compiler of this machine, or None."""
    return shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


def built(folder: Path, *options: str) -> Path:
    """The twin, compiled into `folder`; `options` are added. Raises RuntimeError when that fails."""
    found = compiler()
    if found is None:
        raise RuntimeError("no C compiler (cc, gcc or clang) on this machine")
    program = folder / "twin"
    headers = [f"-I{source.parent}" for source in SOURCES]
    command = [found, *OPTIONS, *options, *headers, *map(str, SOURCES), "-o", str(program), "-lm"]
    finished = subprocess.run(command, check=False, capture_output=True, text=True)  # noqa: S603 - our own sources
    if finished.returncode != 0:
        raise RuntimeError(f"the twin can't be compiled: {finished.stderr}")
    return program


def twin_run(trial: Trial, repeats: int = 1, program: Path | None = None) -> TwinRun:
    """Run `trial` in the twin `repeats` times. `program`: from `built`; one for this process when left out.

    Raises ValueError for a law that isn't built in, RuntimeError when the twin refuses.
    """
    with tempfile.TemporaryDirectory() as folder:
        laid, left = Path(folder) / "trial", Path(folder) / "left"
        laid.write_bytes(_laid_out(trial, lay_desk(trial)))
        command = [str(program or _own_program()), str(laid), str(left), str(repeats)]
        finished = subprocess.run(command, check=False, capture_output=True, text=True)  # noqa: S603 - our own program
        if finished.returncode != 0:
            raise RuntimeError(finished.stderr)
        return _read_back(left.read_bytes(), float(finished.stdout) / 1e6)


def twin_ms(trial: Trial, repeats: int = ROUNDS) -> float:
    """The twin's shortest time of `repeats` for the loop of `trial`, ms."""
    return twin_run(trial, repeats).ms


def compared(trial: Trial, program: Path | None = None) -> float:
    """Worst relative difference between the twin's outputs and thenar's, no unit; inf where integers differ.

    Looks at every column of the trace, the pulses and the decisions, and at how often each requirement acted.
    """
    return difference(twin_run(trial, program=program), run_trial(trial))


def difference(twin: TwinRun, ours: TrialResult) -> float:
    """As `compared`, of two finished runs."""
    worst = 0.0 if twin.reason_ticks == ours.reason_ticks else float("inf")
    pairs = ((twin.trace, ours.trace), (twin.pulses, ours.pulses), (twin.decisions, ours.decisions))
    for theirs, own in pairs:
        if theirs.keys() != own.keys():
            raise AssertionError(f"other columns: {sorted(theirs.keys() ^ own.keys())}")
        worst = max([worst, *(_column_difference(theirs[name], own[name]) for name in own)])
    return worst


def _column_difference(theirs: NDArray[Any], own: NDArray[Any]) -> float:
    if theirs.shape != own.shape or theirs.dtype != own.dtype:
        return float("inf")
    same = (theirs == own) | ((theirs != theirs) & (own != own))  # noqa: PLR0124 - NaN is what differs from itself
    if same.all():
        return 0.0
    apart, size = np.abs(theirs - own)[~same], np.maximum(np.abs(theirs), np.abs(own))[~same]
    if own.dtype.kind != "f" or not np.isfinite(apart).all():
        return float("inf")
    return float((apart / size).max())


@cache
def _own_folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory()


@cache
def _own_program() -> Path:
    return built(Path(_own_folder().name))


def _laid_out(trial: Trial, desk: Desk) -> bytes:
    """The file that the twin reads: sections in the order of `trial_read`, a length in words before each."""
    law, law_params = _law(trial)
    plan, clock = desk.plan, trial.clock
    head = [
        *(trial.duration_us, clock.control_us, clock.wearer_us, clock.trace_us, trial.arm_us, law),
        *(*desk.strike_delay_us, trial.wearer_ticks, len(desk.trace_floats), len(desk.pulses)),
        len(desk.decisions),
    ]
    if max(desk.strike_delay_us) >= (_FLIGHT - 1) * SHORTEST_PULSE_GAP_US:
        raise ValueError(
            f"the twin keeps {_FLIGHT} pulses under way, a delay of {max(desk.strike_delay_us)} us is more"
        )
    arriving = np.argsort(plan.arrives_us, kind="stable")
    sections: list[Any] = [
        np.array(head, dtype=np.int64),
        *(desk.body_params, desk.body_state, desk.channels),
        *(desk.wearer_params, desk.wearer_state, desk.delays, desk.wearer_noise, desk.handling_N, desk.recorded_N),
        *(desk.estimator_params, desk.knots),
        *(plan.sampled_us, plan.arrives_us, plan.mode, plan.offset_N, plan.gain, plan.unit_noise),
        np.flatnonzero((plan.mode != DROPPED) & (plan.sampled_us <= trial.duration_us)),
        arriving[(plan.mode[arriving] != DROPPED) & (plan.arrives_us[arriving] <= trial.duration_us)],
        *(desk.limits, start_memory(), law_params, trial.target_us, trial.target_N),
        _faults(trial),
    ]
    return b"".join(_section(values) for values in sections)


def _section(values: NDArray[Any]) -> bytes:
    if values.dtype not in (np.int64, np.float64):
        raise TypeError(f"words of 8 bytes only, found {values.dtype}")
    return np.int64(values.size).tobytes() + values.tobytes()


def _law(trial: Trial) -> tuple[int, NDArray[np.float64]]:
    """Which law the twin should run, and its parameters."""
    if not trial.stimulated:
        return _NO_LAW, np.empty(0)
    name = trial.law.name or ""
    if name not in ("proportional", "bang-bang"):
        raise ValueError(f"the twin has the built-in laws only, found {name or trial.law.class_name!r}")
    settings = law_settings(law_class(name), trial.law.settings, "law")
    if name == "proportional":
        return _PROPORTIONAL, flat_floats(proportional.params_from(settings, trial.calibration))
    return _BANG_BANG, flat_floats(bang_bang.params_from(settings, trial.calibration))


def _faults(trial: Trial) -> NDArray[np.int64]:
    """Rows of (t_us, kind, place, value) in order of time, ends first; values are floats, kept bit by bit.

    Faults of the estimator are laid into its readings already.
    """
    rows: list[tuple[int, bool, int, int, float]] = []
    for fault in trial.faults:
        start_us, long_us = us_from_s(fault.at_s), us_from_s(length_s(fault))
        begins, ends = _switched(fault)
        rows += [(start_us, True, *begins)] if begins else []
        rows += [(start_us + long_us, False, *ends)] if ends and long_us else []
    rows.sort(key=lambda row: row[:2])
    whole = np.array([(t_us, kind, place, 0) for t_us, _, kind, place, _ in rows], dtype=np.int64).reshape(-1, 4)
    whole[:, 3] = np.array([row[4] for row in rows], dtype=np.float64).view(np.int64)
    return whole


def _switched(fault: Fault) -> tuple[tuple[int, int, float] | None, tuple[int, int, float] | None]:
    """(kind, place, value) where a fault begins and where it ends; None where the loop isn't told."""
    if isinstance(fault, ElectrodeLift):
        place = CHANNELS.index(fault.channel)
        return (_LIFT, place, fault.contact_share), (_LIFT, place, 1.0)
    if isinstance(fault, UnbalancedPulses):
        place = CHANNELS.index(fault.channel)
        return (_MISSING, place, fault.missing_share), (_MISSING, place, 0.0)
    if isinstance(fault, ControllerStall):
        return (_STALL, 1, 0.0), (_STALL, 0, 0.0)
    if isinstance(fault, EmergencyStop):
        return (_STOP, 0, 0.0), None
    return ((_REARM, int(fault.cause[1:]), 0.0) if isinstance(fault, ReArm) else None), None


def _read_back(left: bytes, ms: float) -> TwinRun:
    rows, pulses, decisions = np.frombuffer(left, dtype=np.int64, count=3).tolist()
    sizes = (
        *(3, RULES + 1, rows * len(TRACE_FLOATS), rows * len(TRACE_INTEGERS), pulses * len(_PULSE_FIELDS)),
        decisions * DECISION_SIZE,
    )
    words = np.frombuffer(left, dtype=np.int64)
    if words.size != sum(sizes):
        raise RuntimeError(f"the twin left {words.size} words, not {sum(sizes)}")
    _, counts, floats, integers, shots, made = np.split(words, np.cumsum(sizes)[:-1])
    trace = dict(zip(TRACE_FLOATS, floats.view(np.float64).reshape(rows, -1).T, strict=True))
    trace |= dict(zip(TRACE_INTEGERS, integers.reshape(rows, -1).T, strict=True))
    train = dict(zip(_PULSE_FIELDS, shots.reshape(-1, len(_PULSE_FIELDS)).T, strict=True))
    train["current_mA"] = train.pop("current_uA") / 1e3
    acted = {f"R{number:02d}": count for number, count in enumerate(counts.tolist()) if count}
    decided = dict(zip(FIELDS, made.reshape(-1, DECISION_SIZE).T, strict=True))
    return TwinRun(ms, trace, train, decided, acted)


def measure() -> str:
    """One line: the twin's best time for the demo's assisted trial of 120 s, and how far its outputs are from ours."""
    if compiler() is None:
        return "C twin: not measured, no C compiler (cc, gcc or clang) on this machine"
    trial = demo_trial()
    apart, ms = compared(trial), twin_ms(trial)
    if apart > AGREES:
        raise AssertionError(f"the C twin is another model: worst relative difference {apart:.2g}")
    return (
        f"C twin ({' '.join(OPTIONS[1:])}), one assisted 120 s trial: {ms:.2f} ms, best of {ROUNDS}; "
        f"worst relative difference of trace, pulses and decisions from thenar's: {apart:.2g} (bar: {AGREES:g})"
    )


if __name__ == "__main__":
    print(measure())
