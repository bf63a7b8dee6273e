"""What each wearer of a finished run was given, reckoned from the pulses that left, beside the limits in force.

For a pulse of current I and width w: charge of a phase Q = I w; rectified charge 2 Q (both phases). Over a sliding
second (pulses that begin in it): average rectified current sum(2 Q) / 1 s, RMS current sqrt(sum(2 w I^2) / 1 s).
Densities are over the pad of the profile, RMS density over the share of it that counts as touching. On-time as R23
counts it. These are plain sums over the tables, not the interlock's own reckoning (one bucket more than a second).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.report.folder import made_sense_of
from thenar.report.manifest import TrialRecord
from thenar.report.tables import column_hashes, read_table
from thenar.safety.bounds import CHANNEL
from thenar.safety.limits import LoopLimits
from thenar.safety.profile import Bound, ChannelBounds, LimitProfile
from thenar.shared.errors import InputError, Problem
from thenar.shared.ticks import US_PER_S
from thenar.study.dossier_run import StudyRun
from thenar.study.exposure import CHANNELS, PHASES, channel_exposure

Columns = dict[str, NDArray[Any]]
PULSES: Final = "pulses.parquet"


class Quantity(NamedTuple):
    """One line of the exposure table. `key`: of the bound in the profile ("" for none); `lowest`: a lower bound.

    `summed`: over a visit's trials rather than the largest of them.
    """

    name: str
    words: str
    unit: str
    rule: str
    key: str
    summed: bool = False
    lowest: bool = False


def _bounded(name: str, words: str, key: str, unit: str = "", *, summed: bool = False) -> Quantity:
    """A quantity that a bound of the profile holds, in the bound's unit where none is given."""
    row = CHANNEL[key]
    return Quantity(name, words, unit or row.unit, row.rule, key, summed, lowest=row.looser == "lower")


QUANTITIES: Final = (
    _bounded("current_mA", "Largest current", "peak_mA"),
    Quantity("of_own_ceiling_percent", "Largest current, share of the own comfort ceiling", "%", "R07", ""),
    _bounded("width_us", "Widest phase", "width_max_us"),
    _bounded("phase_uC", "Largest charge of a phase", "charge_uC"),
    _bounded("density_uC_per_cm2", "Charge density of a phase, whole pad", "charge_density_uC_per_cm2"),
    _bounded("spacing_ms", "Shortest time between pulses", "pulse_spacing_ms"),
    _bounded("rms_mA", "RMS current over a second", "rms_mA"),
    _bounded("rms_density_mA_per_cm2", "RMS current density where the pad touches", "rms_density_mA_per_cm2"),
    _bounded("rectified_mA", "Average rectified current over a second", "rectified_mA"),
    _bounded("run_s", "Longest on-time without a rest", "run_s"),
    _bounded("window_on_s", "Most on-time in the on-window", "on_share", "s"),
    Quantity("on_s", "On-time, whole visit", "s", "", "", summed=True),
    Quantity("pulses", "Pulses, whole visit", "", "", "", summed=True),
    _bounded("rectified_mC", "Rectified charge, whole visit", "session_charge_C", "mC", summed=True),
)


def exposure_by_wearer(run: StudyRun) -> dict[str, list[dict[str, float]]]:
    """By channel, a mapping of quantities for each wearer in the order of the run; NaN where no pulse left.

    Counted trials only: practice is in no table of a run. Raises InputError when the pulses were changed after the run.
    """
    tables = _pulses_by_trial(run)
    loops = {r.control_period_us: run.profile.limits_for(None, r.control_period_us).loop for r in run.manifest.trials}
    found: dict[str, list[dict[str, float]]] = {}
    for number, channel in enumerate(CHANNELS):
        found[channel] = []
        for name in run.names:
            trials = [
                _of_trial(run.profile, loops[record.control_period_us], record, tables[record.trial], number)
                for record in run.manifest.trials
                if record.wearer_name == name
            ]
            found[channel].append(_of_wearer(trials))
    return found


def _pulses_by_trial(run: StudyRun) -> dict[int, Columns]:
    table = run.folder.understood(PULSES, read_table)
    file = run.folder.file(PULSES)
    with made_sense_of(file, run.folder.allowed):
        columns = {name: table.column(name).to_numpy() for name in table.column_names}
        trial = columns.pop("trial")
    by_trial = {}
    for record in run.manifest.trials:
        own = {name: column[trial == record.trial] for name, column in columns.items()}
        hashes = column_hashes(own)
        for name, wanted in record.columns.get("pulses", {}).items():
            if hashes.get(name) != wanted:
                found = f"trial {record.trial}, column {name}: changed after the run"
                raise InputError([Problem(file, name, found, run.folder.allowed)])
        by_trial[record.trial] = own
    return by_trial


def _of_trial(
    profile: LimitProfile, loop: LoopLimits, record: TrialRecord, pulses: Columns, number: int
) -> dict[str, float]:
    own = pulses["channel"] == number
    t_us, current_mA, width_us = (pulses[name][own] for name in ("t_us", "current_mA", "width_us"))
    if not len(t_us):
        return {}
    bounds: ChannelBounds = getattr(profile, CHANNELS[number])
    phase_pC = np.rint(current_mA * 1e3).astype(np.int64) * width_us
    on = channel_exposure(t_us, phase_pC, loop)
    ceiling_mA = getattr(record.calibration, CHANNELS[number]).ceiling_mA
    peak_mA, phase_uC = float(current_mA.max()), on.phase_pC / 1e6
    area_cm2 = bounds.pad_area_cm2.value
    rms_mA = float(np.sqrt(_worst_second(t_us, 2.0 * width_us * current_mA**2) / US_PER_S))
    return {
        "current_mA": peak_mA,
        "of_own_ceiling_percent": 100.0 * peak_mA / ceiling_mA if ceiling_mA > 0 else float("inf"),
        "width_us": float(width_us.max()),
        "phase_uC": phase_uC,
        "density_uC_per_cm2": phase_uC / area_cm2,
        "spacing_ms": float(np.diff(t_us).min()) / 1e3 if len(t_us) > 1 else float("inf"),
        "rms_mA": rms_mA,
        "rms_density_mA_per_cm2": rms_mA / (area_cm2 * bounds.contact_assumed.value),
        "rectified_mA": _worst_second(t_us, PHASES * phase_pC / 1e6) / 1e3,
        "run_s": on.run_us / US_PER_S,
        "window_on_s": on.window_on_us / US_PER_S,
        "on_s": on.on_us / US_PER_S,
        "pulses": float(on.pulses),
        "rectified_mC": on.charge_pC / 1e9,
    }


def _worst_second(t_us: NDArray[np.int64], amounts: NDArray[Any]) -> float:
    """The largest sum of `amounts` (one per pulse) over pulses that begin within one second."""
    total = np.append(0.0, np.cumsum(amounts))
    first = np.searchsorted(t_us, t_us - US_PER_S, side="right")
    return float((total[1:] - total[first]).max())


def _of_wearer(trials: Sequence[dict[str, float]]) -> dict[str, float]:
    given = [trial for trial in trials if trial]
    found = {}
    for quantity in QUANTITIES:
        values = [trial[quantity.name] for trial in given]
        if quantity.summed:
            found[quantity.name] = float(sum(values))
        elif not values:
            found[quantity.name] = float("nan")
        else:
            found[quantity.name] = min(values) if quantity.lowest else max(values)
    return found


def exposure_lines(run: StudyRun) -> Iterator[dict[str, Any]]:
    """A mapping per channel and quantity: median and highest over wearers, the limit in force, its source and tag."""
    by_wearer = exposure_by_wearer(run)
    for channel, wearers in by_wearer.items():
        for quantity in QUANTITIES:
            values = np.array([wearer[quantity.name] for wearer in wearers])
            told = np.isfinite(values)
            line: dict[str, Any] = {"channel": channel} | quantity._asdict()
            line |= {"wearers": int(told.sum()), "median": None, "highest": None, "highest_wearer": ""}
            if told.any():
                kept = np.where(told, values, np.inf if quantity.lowest else -np.inf)
                worst = int(kept.argmin() if quantity.lowest else kept.argmax())
                line |= {"median": float(np.median(values[told])), "highest": float(values[worst])}
                line["highest_wearer"] = run.names[worst]
            yield line | _limit(run.profile, channel, quantity)


def _limit(profile: LimitProfile, channel: str, quantity: Quantity) -> dict[str, Any]:
    if quantity.rule == "R07":
        words = "each person's calibrated comfort ceiling; in this run it was simulated or stated in the file"
        return {"limit": 100.0, "limit_unit": "%", "source": words, "tag": "derived"}
    if not quantity.key:
        return {"limit": None, "limit_unit": "", "source": "", "tag": ""}
    bound: Bound = getattr(getattr(profile, channel), quantity.key)
    value = bound.value
    if quantity.key == "on_share":
        value *= profile.loop.on_window_s.value
    if quantity.key == "session_charge_C":
        value *= 1e3
    return {"limit": value, "limit_unit": quantity.unit, "source": bound.source, "tag": bound.tag}
