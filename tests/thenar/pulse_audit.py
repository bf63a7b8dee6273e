"""A plain look at what left the loop: the pulses of a finished trial against its limits, with sums over windows.

Written from the requirement table. Limits are read from the profile and the calibration in human units; nothing of
the interlock is used, not even its integers. Sessions here are far shorter than R24's half hour.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial
from thenar.safety.profile import ChannelBounds, LoopBounds
from thenar.shared.signals import CHANNELS, ChannelCalibration

SECOND_US: Final = 1_000_000
LOAD_OHM: Final = 500.0
NEVER_US: Final = -(10**12)
ROUNDING: Final = 1e-9
"""Share by which a sum of floats may pass a bound that was kept in whole numbers."""


def broken_limits(trial: Trial, result: TrialResult) -> list[str]:
    """Every broken limit, one line each; an empty list when all are kept."""
    found: list[str] = []
    for channel, name in enumerate(CHANNELS):
        bounds = (trial.profile.agonist, trial.profile.antagonist)[channel]
        person = (trial.calibration.agonist, trial.calibration.antagonist)[channel]
        own = _of_channel(result, channel)
        found += _each_pulse(own, bounds, person, trial.profile.loop)
        found += _spacing(own, bounds)
        found += _sliding_second(own, bounds)
        found += _on_time(own, bounds, trial.profile.loop)
        found += _rises(own, _armed_us(result), bounds, trial)
        found += _deliveries(own, _armed_us(result), bounds, trial)
        found += _under_the_command(own, name, result, trial.clock.trace_us)
    found += _between_channels(result, trial.profile.loop)
    found += _while_shut(result)
    return found


def _of_channel(result: TrialResult, channel: int) -> dict[str, NDArray[Any]]:
    mine = result.pulses["channel"] == channel
    return {name: values[mine] for name, values in result.pulses.items()}


def _worst(rule: str, values: NDArray[Any], bound: float, t_us: NDArray[np.int64]) -> Iterator[str]:
    """A line on the largest value when it lies above the bound."""
    if values.size and values.max() > bound * (1 + ROUNDING):
        at = int(values.argmax())
        times = int((values > bound * (1 + ROUNDING)).sum())
        yield f"{rule}: {values[at]:g} above {bound:g} at {t_us[at]} us, {times} times"


def _each_pulse(
    own: dict[str, NDArray[Any]], bounds: ChannelBounds, person: ChannelCalibration, loop: LoopBounds
) -> Iterator[str]:
    current, width, t_us = own["current_mA"], own["width_us"], own["t_us"]
    charge_uC = current * width / 1e3
    yield from _worst("R06", current, bounds.peak_mA.value, t_us)
    yield from _worst("R07", current, person.ceiling_mA, t_us)
    yield from _worst("R08", width, bounds.width_max_us.value, t_us)
    yield from _worst("R08", -width, -bounds.width_min_us.value * (1 - 2 * ROUNDING), t_us)
    yield from _worst("R09", charge_uC, bounds.charge_uC.value, t_us)
    yield from _worst("R10", charge_uC / bounds.pad_area_cm2.value, bounds.charge_density_uC_per_cm2.value, t_us)
    yield from _worst("R14", LOAD_OHM * current * current * 2 * width * 1e-9, bounds.energy_mJ.value, t_us)
    yield from _worst("R18", -current, -1e-3, t_us)
    steps = current / loop.device_step_mA.value
    yield from _worst("R36", np.abs(steps - np.round(steps)), 1e-6, t_us)


def _spacing(own: dict[str, NDArray[Any]], bounds: ChannelBounds) -> Iterator[str]:
    t_us = own["t_us"]
    shortest_us = max(SECOND_US / bounds.rate_Hz.value, bounds.pulse_spacing_ms.value * 1e3)
    yield from _worst("R11", -np.diff(t_us), -shortest_us * (1 - 2 * ROUNDING), t_us[1:])


def _sliding_second(own: dict[str, NDArray[Any]], bounds: ChannelBounds) -> Iterator[str]:
    """R12, R13, R15 and R16 over the second that ends with each pulse, both ends included."""
    t_us, current, width = own["t_us"], own["current_mA"], own["width_us"]
    rectified_mA = _window_sums(t_us, 2 * current * width) / SECOND_US
    rms_mA = np.sqrt(_window_sums(t_us, 2 * current * current * width) / SECOND_US)
    area_cm2 = bounds.pad_area_cm2.value
    touching_cm2 = area_cm2 * bounds.contact_assumed.value
    yield from _worst("R12", rms_mA, bounds.rms_mA.value, t_us)
    yield from _worst("R13", rms_mA / touching_cm2, bounds.rms_density_mA_per_cm2.value, t_us)
    yield from _worst("R15", rms_mA * rms_mA * 1e-6 * LOAD_OHM / area_cm2, bounds.power_density_W_per_cm2.value, t_us)
    yield from _worst("R16", rectified_mA, bounds.rectified_mA.value, t_us)


def _window_sums(t_us: NDArray[np.int64], amounts: NDArray[Any]) -> NDArray[np.float64]:
    """Sum of `amounts` over the second up to each time."""
    first = np.searchsorted(t_us, t_us - SECOND_US, side="left")
    so_far = np.concatenate([[0.0], np.cumsum(amounts, dtype=np.float64)])
    sums: NDArray[np.float64] = so_far[1:] - so_far[first]
    return sums


def _on_time(own: dict[str, NDArray[Any]], bounds: ChannelBounds, loop: LoopBounds) -> Iterator[str]:
    """R23: on from each pulse to the next, or for the gap before a rest; the window ends with the gap after a pulse."""
    t_us = own["t_us"]
    if t_us.size == 0:
        return
    silences_us = np.append(np.diff(t_us), 10**12)
    rests = silences_us >= loop.rest_s.value * SECOND_US
    gap_us, window_us = round(loop.on_gap_ms.value * 1e3), round(loop.on_window_s.value * SECOND_US)
    ends_us = t_us + np.where(rests, gap_us, silences_us)
    began_us = [t_us[place] for place in range(t_us.size) if place == 0 or rests[place - 1]]
    run_us = t_us - np.array(began_us)[np.searchsorted(began_us, t_us, side="right") - 1]
    yield from _worst("R23 without a rest", run_us, bounds.run_s.value * SECOND_US, t_us)
    on_us = []
    for closes_us in (t_us + gap_us).tolist():
        shared = np.minimum(ends_us, closes_us) - np.maximum(t_us, closes_us - window_us)
        on_us.append(int(np.maximum(shared, 0).sum()))
    yield from _worst("R23 in the window", np.array(on_us), bounds.on_share.value * window_us, t_us)


def _armed_us(result: TrialResult) -> list[int]:
    return [int(str(event["t_us"])) for event in result.events if event["kind"] == "armed"]


def _rises(own: dict[str, NDArray[Any]], armed_us: list[int], bounds: ChannelBounds, trial: Trial) -> Iterator[str]:
    """R20 from pulse to pulse by the control ticks between them, R21 after arming and after a rest."""
    first_mA = bounds.first_step_mA.value
    period_us = trial.clock.control_us
    rise_mA = bounds.slew_mA_per_s.value * period_us / SECOND_US
    before_us, before_mA = NEVER_US, 0.0
    for t_us, current_mA in zip(own["t_us"].tolist(), own["current_mA"].tolist(), strict=True):
        armed = max((at for at in armed_us if at <= t_us), default=NEVER_US)
        rested = before_us < armed or t_us - before_us >= trial.profile.loop.rest_s.value * SECOND_US
        ticks = t_us // period_us - before_us // period_us
        if rested:
            allowed_mA, rule = first_mA, "R21"
        else:
            allowed_mA = max(
                before_mA + ticks * rise_mA, first_mA + max(0, ticks - 1) * rise_mA if ticks else before_mA
            )
            rule = "R20"
        if current_mA > allowed_mA * (1 + ROUNDING):
            yield f"{rule}: {before_mA:g} to {current_mA:g} mA in {ticks} ticks at {t_us} us, allowed {allowed_mA:g}"
        before_us, before_mA = t_us, current_mA


def _deliveries(
    own: dict[str, NDArray[Any]], armed_us: list[int], bounds: ChannelBounds, trial: Trial
) -> Iterator[str]:
    """R40: charge per second above the first step, against the line of every earlier pulse since arming or a rest."""
    slew_uC = bounds.intensity_slew_uC_per_s2.value / SECOND_US
    line_uC_per_s, before_us = 0.0, NEVER_US
    columns = (own[name].tolist() for name in ("t_us", "current_mA", "width_us"))
    for t_us, current_mA, width_us in zip(*columns, strict=True):
        armed = max((at for at in armed_us if at <= t_us), default=NEVER_US)
        since_us = t_us - before_us
        if before_us < armed or since_us >= trial.profile.loop.rest_s.value * SECOND_US:
            line_uC_per_s = 0.0
        else:
            above_mA = max(current_mA - bounds.first_step_mA.value, 0.0)
            delivered_uC_per_s = 1e3 * above_mA * max(width_us, bounds.intensity_width_us.value) / since_us
            line_uC_per_s += slew_uC * since_us
            allowed = line_uC_per_s + slew_uC * trial.clock.control_us
            if delivered_uC_per_s > allowed * (1 + ROUNDING):
                yield f"R40: {delivered_uC_per_s:g} uC/s at {t_us} us, allowed {allowed:g}"
            line_uC_per_s = min(line_uC_per_s, 1.1 * delivered_uC_per_s)
        before_us = t_us


def _between_channels(result: TrialResult, loop: LoopBounds) -> Iterator[str]:
    """R26: from the end of one channel's pulse to the start of the other's, more when the other one begins."""
    end_us = [NEVER_US, NEVER_US]
    fired_us = [NEVER_US, NEVER_US]
    for t_us, channel, width_us, gap_us in zip(
        *(result.pulses[name].tolist() for name in ("t_us", "channel", "width_us", "gap_us")), strict=True
    ):
        begins = t_us - fired_us[channel] > loop.on_gap_ms.value * 1e3
        needed_us = 1e3 * (loop.changeover_ms.value if begins else loop.pulse_gap_ms.value)
        if t_us - end_us[1 - channel] < needed_us:
            yield f"R26: {t_us - end_us[1 - channel]} us after the other channel at {t_us} us"
        fired_us[channel], end_us[channel] = t_us, t_us + 2 * width_us + gap_us


def _while_shut(result: TrialResult) -> Iterator[str]:
    """R05 and R34: a pulse before arming, or from a trip on until the next arming."""
    changes = [(int(str(e["t_us"])), e["kind"] == "armed") for e in result.events if e["kind"] in ("armed", "trip")]
    is_open = np.array([False, *(opens for _, opens in changes)])
    t_us = result.pulses["t_us"]
    wrong = ~is_open[np.searchsorted([at_us for at_us, _ in changes], t_us, side="right")]
    if wrong.any():
        yield f"R05 or R34: {int(wrong.sum())} pulses, the first at {t_us[wrong][0]} us"


def _under_the_command(own: dict[str, NDArray[Any]], channel: str, result: TrialResult, trace_us: int) -> Iterator[str]:
    """R03 and R37: a pulse is the admitted one, and no more than what was asked for.

    Needs a trace row at every control tick. Where the law gave no usable answer nothing can be compared.
    """
    rows = own["t_us"] // trace_us
    for what, unit in (("current_mA", "mA"), ("width_us", "width_us")):
        wrong = own[what] != result.trace[f"{channel}_admitted_{unit}"][rows]
        if wrong.any():
            first_us = own["t_us"][wrong][0]
            yield f"R03: {int(wrong.sum())} pulses of another {what} than admitted, the first at {first_us} us"
        over = own[what] > result.trace[f"{channel}_demand_{unit}"][rows]
        if over.any():
            yield f"R37: {int(over.sum())} pulses above the asked {what}, the first at {own['t_us'][over][0]} us"
