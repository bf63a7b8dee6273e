"""How the findings of a staircase are told: parameters of a wearer, qualities, and the table to simulate with."""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.fit.found import Parameter, Quality
from thenar.fit.recruitment_findings import Findings, Value, curve_N, half_at
from thenar.fit.recruitment_likelihood import MEDIAN_OVER_MOTOR, Place
from thenar.fit.recruitment_rate import Share, share_of_reach
from thenar.plant_models.settings import Muscle, Recruitment

WIDTHS_TO_TRY_US: Final = (100.0, 200.0, 400.0)
NOT_IN_FORCE: Final = (
    ("sensory_over_motor", "the lowest current that is felt", "the first feeling"),
    ("tolerance_over_motor", "the highest current that is comfortable", "the limit of comfort"),
)


class Told(NamedTuple):
    """What a Fit shows: parameters and qualities in order, and the table."""

    parameters: tuple[Parameter, ...]
    qualities: tuple[Quality, ...]
    table: dict[str, Any]


def told_of(findings: Findings, channel: str) -> Told:
    """Parameters, qualities and table for a channel, "agonist" or "antagonist"."""
    axons = _axons(findings, channel)
    reach = _reach(findings, channel)
    table: dict[str, Any] = {}
    if reach.identifiable:
        table["muscle"] = {"reachable_N": reach.value}
    held = _table(findings)
    if held:
        table["recruitment"] = held
        currents_mA = findings.steps.current_mA
        table["known_mA"] = [float(currents_mA.min()), float(currents_mA.max())]
    return Told((reach, *axons), _qualities(findings), {channel: table} if table else {})


def _axons(findings: Findings, channel: str) -> list[Parameter]:
    values, told = findings.values, []
    notes = {
        "rheobase_mA": _rheobase_note(findings),
        "chronaxie_us": _chronaxie_note(findings),
        "median_over_motor": _split_note(findings),
        "spread": _spread_note(findings),
    }
    units = {"rheobase_mA": "mA", "chronaxie_us": "us"}
    defaults = Recruitment()
    held = _table(findings)
    for name, note in notes.items():
        key, unit = f"{channel}.recruitment.{name}", units.get(name, "")
        value = values.get(name)
        if value is not None and value.told:
            told.append(_parameter(key, value, unit, 1.0 if name == "median_over_motor" else 0.0))
        else:
            kept = f"the file holds {held[name]:.4g}, with which the recorded curve comes out; " if name in held else ""
            told.append(_untold(key, held.get(name, getattr(defaults, name)), unit, kept + note))
    for name, which, what in NOT_IN_FORCE:
        note = f"force doesn't hold {what}: note {which} at each width and write it over the motor threshold by hand"
        told.append(_untold(f"{channel}.recruitment.{name}", getattr(defaults, name), "", note))
    return told


def _parameter(key: str, value: Value, unit: str, floor: float = 0.0) -> Parameter:
    return Parameter(key, value.value, unit, max(floor, value.range.low), value.range.high)


def _untold(key: str, value: float, unit: str, note: str) -> Parameter:
    return Parameter(key, float(value), unit, math.nan, math.nan, identifiable=False, note=note)


def _table(findings: Findings) -> dict[str, float]:
    """Axons to simulate with. What can't be parted is held at the default, so that the recorded curve comes out."""
    values, table = findings.values, {}
    if values["spread"].told:
        table["spread"] = values["spread"].value
    if values["chronaxie_us"].told:
        table["chronaxie_us"] = values["chronaxie_us"].value
    parted = all(name in values and values[name].told for name in ("rheobase_mA", "median_over_motor"))
    if parted:
        table |= {name: values[name].value for name in ("rheobase_mA", "median_over_motor")}
    elif values["half_mA"].told:
        ratio = values.get("median_over_motor")
        median = ratio.value if ratio is not None and ratio.told else MEDIAN_OVER_MOTOR
        table |= _held(findings, median)
    return table


def _held(findings: Findings, median: float) -> dict[str, float]:
    """Rheobase for a given median over motor, at the fitted chronaxie where it is told and at the default elsewhere."""
    staircase, point = findings.staircase, findings.best.copy()
    chronaxie = findings.values["chronaxie_us"]
    chronaxie_us = chronaxie.value if chronaxie.told else float(Recruitment().chronaxie_us)
    point[Place.CHRONAXIE] = math.log(chronaxie_us)
    rheobase_mA = half_at(staircase, point, math.inf) / median
    return {"rheobase_mA": rheobase_mA, "chronaxie_us": chronaxie_us, "median_over_motor": median}


def _reach(findings: Findings, channel: str) -> Parameter:
    key, found = f"{channel}.muscle.reachable_N", findings.values["maximum_N"]
    share = share_of_reach(findings.steps.rate_Hz)
    note = _reach_note(findings, channel, share)
    if note:
        return _untold(key, Muscle().reachable_N, "N", note)
    return Parameter(key, found.value / share.usual, "N", found.range.low / share.high, found.range.high / share.low)


def _reach_note(findings: Findings, channel: str, share: Share) -> str:
    """Why `reachable_N` isn't told, "" when it is."""
    found, rate_Hz = findings.values["maximum_N"], findings.steps.rate_Hz
    if not found.told:
        at_least = f"it is {found.range.low:.1f} N or more" if found.range.low > 0.0 else "no bound can be given"
        return (
            f"the plateau wasn't reached ({at_least} at the recorded rate): go on to a current at which the force "
            "stops growing, within comfort and the limits"
        )
    if channel == "antagonist":
        return (
            f"the force at the fingertip ({found.value:.1f} N) is lever_ratio times reachable_N: measure the lever, "
            "and write reachable_N by hand"
        )
    if math.isfinite(rate_Hz) and share.comparable:
        return ""
    where = f"at {rate_Hz:g} Hz" if rate_Hz > 0.0 else "of single pulses"
    where = where if math.isfinite(rate_Hz) else "at a rate that isn't on record (column rate_Hz)"
    return (
        f"the maximum {where} is {found.value:.1f} N, but reachable_N is the force at 100 Hz, and people's muscles "
        "differ in between: `thenar fit muscle` on trains of several rates settles it"
    )


def _rheobase_note(findings: Findings) -> str:
    values = findings.values
    if not values["half_mA"].told:
        return "half recruitment can't be told: " + _curve_advice(findings)
    if not values["chronaxie_us"].told:
        return _chronaxie_note(findings)
    product = values["product_mA"].value
    return f"rheobase_mA x median_over_motor is {product:.3g} mA; {_split_note(findings)}"


def _chronaxie_note(findings: Findings) -> str:
    widths_us = findings.steps.widths_us
    away = max(WIDTHS_TO_TRY_US, key=lambda one: min(abs(math.log(one / width)) for width in widths_us))
    advice = f"a second staircase at {away:g} us settles it"
    if widths_us.size == 1:
        return f"all pulses were {widths_us[0]:g} us wide, so chronaxie and rheobase can't be parted: {advice}"
    return (
        f"widths from {widths_us[0]:g} to {widths_us[-1]:g} us don't part chronaxie and rheobase within this noise: "
        f"{advice}"
    )


def _split_note(findings: Findings) -> str:
    seen = findings.responses.seen
    advice = (
        "fill the column response (0 or 1: was a contraction seen or felt by the examiner) in small steps from "
        "below to above the motor threshold"
    )
    if seen.size == 0:
        return f"force tells only their product, as the motor threshold itself isn't recorded: {advice}"
    if seen.all() or not seen.any():
        which = "every noted step had a response" if seen.all() else "no noted step had a response"
        return f"{which}, so the motor threshold isn't bracketed: {advice}"
    if not findings.values["half_mA"].told:
        return "half recruitment can't be told: " + _curve_advice(findings)
    return f"the noted responses leave too wide a gap or contradict one another: {advice}"


def _spread_note(findings: Findings) -> str:
    return "the rise of force isn't recorded well enough: " + _curve_advice(findings)


def _curve_advice(findings: Findings) -> str:
    """Which steps of current are missing."""
    if not findings.values["maximum_N"].told:
        return "go on to a current at which the force stops growing, within comfort and the limits"
    steps = findings.steps
    share = curve_N(findings, findings.best, steps.current_mA, steps.width_us) / math.exp(findings.best[Place.MAXIMUM])
    count = int(np.sum((share > 0.1) & (share < 0.9)))
    half_mA, spread = findings.values["half_mA"].value, findings.values["spread"].value
    low, high = half_mA * math.exp(-1.3 * spread), half_mA * math.exp(1.3 * spread)
    return (
        f"{count} steps lie between 10 and 90 % of the maximum; add smaller steps from {low:.2g} to {high:.2g} mA at "
        f"{findings.staircase.reference_us:.0f} us"
    )


def _qualities(findings: Findings) -> tuple[Quality, ...]:
    values, steps = findings.values, findings.steps
    width = f"{findings.staircase.reference_us:.0f} us"
    rate = f" at {steps.rate_Hz:g} Hz" if steps.rate_Hz > 0.0 else ""
    mean_N = curve_N(findings, findings.best, steps.current_mA, steps.width_us)
    miss_N = steps.force_N - mean_N
    rows = [
        ("half recruitment", "half_mA", "mA", f"current that fires half the muscle at {width}"),
        ("half, endless pulses", "product_mA", "mA", "rheobase_mA x median_over_motor"),
        ("motor threshold", "threshold_mA", "mA", f"current at which a contraction is first seen, at {width}"),
        ("maximum evoked force", "maximum_N", "N", f"plateau of the fitted curve{rate}"),
        ("noise at rest", "floor_N", "N", "SD of one step without evoked force"),
        ("growth of noise", "growth", "", "SD that is added for each N of evoked force"),
    ]
    shown = [
        Quality(name, values[key].value, unit, values[key].range.low, values[key].range.high, words)
        for name, key, unit, words in rows
        if key in values and values[key].told
    ]
    explained = 1.0 - float(np.var(miss_N) / np.var(steps.force_N))
    shown.append(Quality("typical miss", float(np.sqrt(np.mean(miss_N * miss_N))), "N", math.nan, math.nan, "RMS"))
    shown.append(Quality("explained", explained, "", math.nan, math.nan, "share of the forces' variance"))
    return tuple(shown)
