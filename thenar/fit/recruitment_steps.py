"""The steps of a staircase, checked: which pulses, which evoked force, and where a contraction was seen."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.recording import Recording
from thenar.shared.errors import InputError, Problem

LEAST_STEPS: Final = 8
NEEDED: Final = ("current_mA", "width_us", "force_N")
Floats = NDArray[np.float64]


class Steps(NamedTuple):
    """Steps with a force, in the order in which they were recorded; shapes (n,).

    `force_N`: evoked, over rest; `row`: place among the file's rows, from 1; `rate_Hz`: of every step, 0 for single
    pulses, NaN when it isn't on record.
    """

    current_mA: Floats
    width_us: Floats
    force_N: Floats
    row: NDArray[np.int64]
    rate_Hz: float

    @property
    def widths_us(self) -> Floats:
        """The pulse widths that occur, rising, us."""
        return np.unique(self.width_us)


class Responses(NamedTuple):
    """Steps at which somebody noted whether the muscle answered: currents, widths and True where it did; (n,)."""

    current_mA: Floats
    width_us: Floats
    seen: NDArray[np.bool_]


def steps_of(recording: Recording) -> Steps:
    """The steps of a staircase. `force_N` is over rest already, whether the file has `baseline_N` or not.

    Raises InputError where there are too few, all alike, without effect on a force, or of several rates.
    """
    missing = [name for name in NEEDED if not recording.has(name)]
    if missing:
        raise InputError(
            Problem(recording.file, name, "no numbers", "one number in each row of a step") for name in missing
        )
    columns = recording.columns
    known = np.all([np.isfinite(columns[name]) for name in NEEDED], axis=0)
    steps = Steps(
        current_mA=np.ascontiguousarray(columns["current_mA"][known], dtype=np.float64),
        width_us=np.ascontiguousarray(columns["width_us"][known], dtype=np.float64),
        force_N=np.ascontiguousarray(columns["force_N"][known], dtype=np.float64),
        row=np.flatnonzero(known) + 1,
        rate_Hz=_rate_Hz(recording, known),
    )
    _check(recording.file, steps)
    return steps


def responses_of(recording: Recording) -> Responses:
    """Where the optional column `response` holds 0 or 1, without its empty cells. Raises InputError for another."""
    if not recording.has("response"):
        return Responses(np.empty(0), np.empty(0), np.empty(0, dtype=bool))
    columns = recording.columns
    known = np.all([np.isfinite(columns[name]) for name in ("current_mA", "width_us", "response")], axis=0)
    seen = columns["response"][known]
    odd = np.flatnonzero((seen != 0.0) & (seen != 1.0))
    if odd.size:
        row = int(np.flatnonzero(known)[odd[0]]) + 1
        allowed = "0 (no contraction seen), 1 (seen) or an empty cell"
        raise InputError([Problem(recording.file, f"response, row {row}", f"{seen[odd[0]]:g}", allowed)])
    return Responses(columns["current_mA"][known], columns["width_us"][known], seen == 1.0)


def _rate_Hz(recording: Recording, known: NDArray[np.bool_]) -> float:
    """The one pulse rate of all steps, NaN where none is on record."""
    if not recording.has("rate_Hz"):
        return float("nan")
    rates = np.unique(recording.columns["rate_Hz"][known])
    rates = rates[np.isfinite(rates)]
    if rates.size > 1:
        found = f"{rates.size} rates from {rates[0]:g} to {rates[-1]:g} Hz"
        allowed = "one rate in a file: force grows with the rate too, so fit each rate on its own"
        raise InputError([Problem(recording.file, "rate_Hz", found, allowed)])
    if rates.size == 0:
        return float("nan")
    if rates[0] < 0.0:
        allowed = "a rate above 0 Hz, or 0 for single pulses"
        raise InputError([Problem(recording.file, "rate_Hz", f"{rates[0]:g}", allowed)])
    return float(rates[0])


def _check(file: str, steps: Steps) -> None:
    problems = []
    for name, values, wrong, allowed in (
        ("current_mA", steps.current_mA, steps.current_mA < 0.0, "a current of 0 mA or above"),
        ("width_us", steps.width_us, steps.width_us <= 0.0, "a width above 0 us"),
    ):
        bad = np.flatnonzero(wrong)
        if bad.size:
            problems.append(Problem(file, f"{name}, row {steps.row[bad[0]]}", f"{values[bad[0]]:g}", allowed))
    if steps.force_N.size < LEAST_STEPS:
        found = f"{steps.force_N.size} steps with current, width and force"
        problems.append(Problem(file, "", found, f"at least {LEAST_STEPS} steps, from below the motor threshold on"))
    elif np.ptp(steps.current_mA) == 0.0 and np.ptp(steps.width_us) == 0.0:
        found = f"every pulse is {steps.current_mA[0]:g} mA, {steps.width_us[0]:g} us"
        problems.append(Problem(file, "current_mA", found, "a staircase: steps of different current or width"))
    elif np.ptp(steps.force_N) == 0.0:
        found = f"{steps.force_N[0]:g} N at every step"
        problems.append(Problem(file, "force_N", found, "a force that grows with the pulses"))
    if problems:
        raise InputError(problems)
