"""A recorded session as a loop can be fed with it: targets, estimates, and what the recording says was delivered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.recording import TIME_COLUMN, Recording
from thenar.plant_models.settings import Estimator
from thenar.shared.errors import InputError, Problem
from thenar.shared.signals import CHANNELS
from thenar.shared.ticks import US_PER_MS, US_PER_S

LONGEST_S: Final = 7200.0
"""As long as a trial of a scenario may be: the logs of a loop are laid out before it starts."""
HELD_US: Final = 250_000
"""A delivered value or pulse stands for its channel until the next one, but no longer than this (own choice: pulses
are asked for at 10 Hz or faster, so a longer silence is a stop)."""
SAME_MA: Final = 0.05
"""Recorded and admitted currents that lie closer are taken for the same (own choice: half the last digit of a log)."""


class Readings(NamedTuple):
    """Estimates in the order in which they reached the controller. Shapes (n,).

    `arrives_us`: when, us since the session began, never falling; `sampled_us`: when sampled, strictly rising;
    `estimate_N`, `stated_sd_N`: N, the latter NaN where it is not on record; `arrived`: how many had by then.
    """

    arrives_us: NDArray[np.int64]
    sampled_us: NDArray[np.int64]
    estimate_N: NDArray[np.float64]
    stated_sd_N: NDArray[np.float64]
    arrived: NDArray[np.int64]


class Levels(NamedTuple):
    """What one channel was given: values that hold from their own time on, for HELD_US at most. Shapes (n,).

    `pulse_by_pulse`: no row says that a current ended, so each is taken for one pulse.
    """

    t_us: NDArray[np.int64]
    current_mA: NDArray[np.float64]
    width_us: NDArray[np.float64]
    pulse_by_pulse: bool


class RunRecord(NamedTuple):
    """What only a run folder knows: its own demands, decisions and pulses (column by name), and its trips.

    `trips`: (t_us, cause) each; `control_us`: its control period in us.
    """

    decisions: dict[str, NDArray[np.int64]]
    pulses: dict[str, NDArray[np.float64]]
    trips: tuple[tuple[int, str], ...]
    control_us: int


@dataclass(frozen=True)
class Session:
    """A recorded session. Times are in us since it began.

    `source`: what it was read from, in words; `begins_s`: time on the recording's own clock (s) at which it began;
    `target_us`, `target_N`: change points of the target, shape (n,), the first at 0; `force_us`, `force_N`: measured
    force, shape (m,), empty where none is on record; `levels`: what was delivered, agonist then antagonist, None for a
    channel that the recording says nothing of (a run folder has `run` instead); `same_mA`: currents closer than this
    are the same; `notes`: what was taken for granted, plain sentences.
    """

    source: str
    begins_s: float
    duration_us: int
    target_us: NDArray[np.int64]
    target_N: NDArray[np.float64]
    readings: Readings
    force_us: NDArray[np.int64]
    force_N: NDArray[np.float64]
    levels: tuple[Levels | None, Levels | None]
    same_mA: float
    notes: tuple[str, ...]
    run: RunRecord | None = None

    @property
    def delivery_on_record(self) -> bool:
        """Does the recording say of any channel what was delivered."""
        return self.run is not None or any(levels is not None for levels in self.levels)


def changes_of(t_us: NDArray[np.int64], values: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Those rows of a held quantity, shape (n,), at which it takes another value; the first row is one."""
    kept = np.concatenate([[True], values[1:] != values[:-1]])
    return t_us[kept], values[kept]


def session_of(recording: Recording, estimator: Estimator) -> Session:
    """A recording of kind `session`; `estimator` stands in for what the file doesn't say of its sensor.

    The session begins with the first target. Raises InputError when target or estimate is missing, when time steps
    back, or when the recording is longer than a loop can be run.
    """
    _refuse_unusable(recording)
    t_s = recording.columns[TIME_COLUMN]
    begins_s = float(t_s[np.isfinite(recording.columns["target_N"])][0])
    t_us = np.rint((t_s - begins_s) * US_PER_S).astype(np.int64)
    told = np.isfinite(recording.columns["target_N"])
    target_us, target_N = changes_of(t_us[told], recording.columns["target_N"][told])
    readings, notes = _readings(recording, t_us, estimator)
    last = np.flatnonzero(told | np.isfinite(recording.columns["estimate_N"]))[-1]
    levels = tuple(_levels(recording, t_us, channel) for channel in CHANNELS)
    if not any(levels):
        notes.append("the recording doesn't say what was delivered: there is nothing to compare with")
    notes += [
        f"{channel}: no row says that a current ended, so each row is taken for one pulse, which stands for "
        f"{HELD_US / US_PER_S:g} s at most"
        for channel, one in zip(CHANNELS, levels, strict=True)
        if one is not None and one.pulse_by_pulse
    ]
    force = recording.columns.get("force_N", np.empty(0))
    measured = np.flatnonzero(np.isfinite(force) & (t_us[: force.size] >= 0))
    duration_us = int(t_us[last])
    _refuse_length(recording, duration_us)
    return Session(
        source=recording.file,
        begins_s=begins_s,
        duration_us=duration_us,
        target_us=target_us,
        target_N=target_N,
        readings=readings,
        force_us=t_us[measured],
        force_N=force[measured],
        levels=(levels[0], levels[1]),
        same_mA=SAME_MA,
        notes=(*recording.repairs, *notes),
    )


def _refuse_unusable(recording: Recording) -> None:
    file = recording.file
    if recording.kind != "session":
        raise InputError([Problem(file, "", f"a recording of kind {recording.kind}", "a recording of kind session")])
    missing = [name for name in (TIME_COLUMN, "target_N", "estimate_N") if not recording.has(name)]
    if missing:
        found = "no such column, or no number in it"
        raise InputError([Problem(file, name, found, "this column is needed") for name in missing])
    t_s = recording.columns[TIME_COLUMN]
    if not np.isfinite(t_s).all():
        row = int(np.flatnonzero(~np.isfinite(t_s))[0]) + 1
        raise InputError([Problem(file, f"{TIME_COLUMN}, row {row}", "no number", "a time in s in every row")])
    if (np.diff(t_s) < 0).any():
        row = int(np.flatnonzero(np.diff(t_s) < 0)[0]) + 2
        found = f"{t_s[row - 1]:g} s after {t_s[row - 2]:g} s"
        raise InputError([Problem(file, f"{TIME_COLUMN}, row {row}", found, "times that never step back")])


def _refuse_length(recording: Recording, duration_us: int) -> None:
    if duration_us <= 0:
        found = "no estimate and no second target after the first target"
        raise InputError([Problem(recording.file, "estimate_N", found, "a session that lasts")])
    if duration_us > LONGEST_S * US_PER_S:
        found = f"{duration_us / US_PER_S:g} s"
        raise InputError([Problem(recording.file, TIME_COLUMN, found, f"at most {LONGEST_S:g} s: cut it into parts")])


def _readings(recording: Recording, t_us: NDArray[np.int64], estimator: Estimator) -> tuple[Readings, list[str]]:
    """The estimates of a recording and what had to be taken for granted of them."""
    notes: list[str] = []
    estimate_N = recording.columns["estimate_N"]
    rows = np.flatnonzero(np.isfinite(estimate_N))
    arrives_us = t_us[rows]
    age_ms, without = _filled(recording, "estimate_age_ms", rows, np.full(rows.size, estimator.latency_ms))
    if without:
        notes.append(
            f"{without} of {rows.size} estimates have no estimate_age_ms: taken to be {estimator.latency_ms:g} ms old "
            "in their own row, the latency of the scenario's estimator; R30 judges their age by that"
        )
    _refuse_ages(recording, rows, age_ms)
    age_us = np.rint(age_ms * US_PER_MS).astype(np.int64)
    sampled_us = arrives_us - age_us
    # A row that repeats a sample, or that was overtaken by a newer one, brings nothing new to a controller.
    newest = np.maximum.accumulate(np.concatenate([[np.iinfo(np.int64).min], sampled_us[:-1]]))
    fresh = sampled_us > newest
    rows, arrives_us, sampled_us = rows[fresh], arrives_us[fresh], sampled_us[fresh]
    held = max(0, int((arrives_us <= 0).sum()) - 1)  # of those before the target only the last is still of use
    rows, arrives_us, sampled_us = rows[held:], arrives_us[held:], sampled_us[held:]
    sd_N, without = _filled(recording, "stated_sd_N", rows, np.full(rows.size, np.nan))
    if without:
        notes.append(
            f"{without} of {rows.size} estimates have no stated_sd_N: a law is told what the scenario's estimator "
            "would state"
        )
    count = np.arange(1, rows.size + 1, dtype=np.int64)
    return Readings(np.maximum(arrives_us, 0), sampled_us, estimate_N[rows], sd_N, count), notes


def _filled(
    recording: Recording, column: str, rows: NDArray[np.int64], instead: NDArray[np.float64]
) -> tuple[NDArray[np.float64], int]:
    """A column at `rows`, its empty cells taken from `instead` (shape of `rows`), and how many those are."""
    if not recording.has(column):
        return instead, rows.size
    values = recording.columns[column][rows]
    empty = ~np.isfinite(values)
    return np.where(empty, instead, values), int(empty.sum())


def _refuse_ages(recording: Recording, rows: NDArray[np.int64], age_ms: NDArray[np.float64]) -> None:
    odd = np.flatnonzero(age_ms < 0)
    if odd.size:
        where = f"estimate_age_ms, row {int(rows[odd[0]]) + 1}"
        found = f"{age_ms[odd[0]]:g} ({odd.size} such rows)"
        allowed = "an age of at least 0 ms, or an empty cell"
        raise InputError([Problem(recording.file, where, found, allowed)])


def _levels(recording: Recording, t_us: NDArray[np.int64], channel: str) -> Levels | None:
    """What the recording says of one channel, None when it says nothing. Raises InputError on half a statement."""
    names = (f"{channel}_current_mA", f"{channel}_width_us")
    there = [recording.has(name) for name in names]
    if not any(there):
        return None
    if not all(there):
        name = names[there.index(False)]
        found, allowed = "no such column, or no number in it", f"both {names[0]} and {names[1]}, or neither"
        raise InputError([Problem(recording.file, name, found, allowed)])
    current_mA, width_us = (recording.columns[name] for name in names)
    # A current of zero says all there is to say: its width may be left empty.
    told = np.isfinite(current_mA) & (np.isfinite(width_us) | (current_mA == 0.0))
    half = np.flatnonzero((np.isfinite(current_mA) | np.isfinite(width_us)) & ~told)
    if half.size:
        where = f"{channel}, row {int(half[0]) + 1}"
        found = f"a current without a width, or a width without a current ({half.size} such rows)"
        raise InputError([Problem(recording.file, where, found, "both numbers of a pulse, or neither")])
    if (current_mA[told] < 0).any() or (width_us[told] < 0).any():
        raise InputError([Problem(recording.file, channel, "a negative current or width", "zero or more")])
    given_mA = current_mA[told]
    ends = (given_mA[1:] == 0.0) & (given_mA[:-1] > 0.0)
    return Levels(t_us[told], given_mA, np.nan_to_num(width_us[told]), not ends.any())
