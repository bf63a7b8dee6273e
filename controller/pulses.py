"""How a law turns the effect it wants into a current and a width, never above the calibrated ceiling.

Laws think in *calibrated current*: the current that would have the wanted effect at the width the calibration
was taken at. Three ways make it a stimulus: the same current at that width; another current at a set width;
or a set current with the width that has the same effect.

Same effect, what is assumed. The Weiss-Lapicque law I_th(w) = I_rh (1 + t_chr / w) says that pulses act alike when
I / I_th(w) is alike, that is I w / (w + t_chr). A calibration measures at one width only and can't tell t_chr.
Without `chronaxie_us` equal charge I w is taken as equal effect. That is the law's limit for widths far below the
chronaxie: a pulse shorter than the calibrated one then acts somewhat more than meant and a longer one somewhat
less, by the factor (w0 + t_chr) / (w + t_chr), with w0 the calibrated width. With `chronaxie_us` the law holds exactly.

Bounds in every case: current at most `ceiling_mA`, charge at most `ceiling_mA` times the calibrated width
(to rounding), so that under the same law no stimulus acts more than the calibrated ceiling does.
"""

from __future__ import annotations

from typing import Any, Literal, NamedTuple, Self

from pydantic import Field, model_validator

from thenar.shared.compiled import step, store
from thenar.shared.errors import Strict
from thenar.shared.signals import ChannelCalibration, Demand, Stimulus


class PulseSettings(Strict):
    """Settings that every built-in law has: which pulses it asks for."""

    acts_on: Literal["current", "width"] = Field(
        "current", description="what grows with the wanted effect: current at one width, or width at one current"
    )
    width_us: float | None = Field(
        None, gt=0, description="width of every pulse when acting on current; the calibrated width when left out"
    )
    set_current_mA: float | None = Field(
        None,
        gt=0,
        description="current of every pulse when acting on width; the calibrated ceiling when left out or above",
    )
    rate_Hz: float | None = Field(None, gt=0, description="pulse rate; the calibrated rate when left out")
    chronaxie_us: float | None = Field(
        None,
        gt=0,
        description="chronaxie used to compare pulses of different width; when left out, equal charge counts as equal",
    )

    @model_validator(mode="after")
    def _only_what_is_used(self) -> Self:
        if self.acts_on == "width" and self.width_us is not None:
            raise ValueError('leave out width_us when acts_on = "width": the width is what the law varies')
        if self.acts_on == "current" and self.set_current_mA is not None:
            raise ValueError('set_current_mA only with acts_on = "width"')
        return self


class PulsePlan(NamedTuple):
    """One channel's pulses, as numbers for compiled steps (all floats)."""

    ceiling_mA: float
    calibrated_width_us: float
    per_chronaxie_us: float
    """1 / chronaxie in 1/us; 0 takes equal charge as equal effect."""
    on_width: float
    """1 when the width varies, 0 when the current varies."""
    width_us: float
    """Pulse width when the current varies."""
    set_current_mA: float
    """Current when the width varies."""
    rate_Hz: float


def pulse_plan(settings: PulseSettings, channel: ChannelCalibration) -> PulsePlan:
    """The pulses of one channel under `settings`, with the gaps filled in from its calibration."""
    return PulsePlan(
        ceiling_mA=float(channel.ceiling_mA),
        calibrated_width_us=float(channel.width_us),
        per_chronaxie_us=0.0 if settings.chronaxie_us is None else 1.0 / settings.chronaxie_us,
        on_width=1.0 if settings.acts_on == "width" else 0.0,
        width_us=float(channel.width_us if settings.width_us is None else settings.width_us),
        set_current_mA=float(channel.ceiling_mA if settings.set_current_mA is None else settings.set_current_mA),
        rate_Hz=float(channel.rate_Hz if settings.rate_Hz is None else settings.rate_Hz),
    )


@step
def bounded(plan: PulsePlan, current_mA: float, width_us: float) -> Stimulus:
    """Pulses of `current_mA` and `width_us`, cut to the ceiling in current and in charge; rest when nothing is left."""
    current = min(current_mA, plan.ceiling_mA)
    # Written so that anything unordered (NaN) rests too.
    if not (current > 0.0 and width_us > 0.0 and plan.rate_Hz > 0.0):
        return Stimulus(0.0, 0.0, 0.0)
    charge_nC = plan.ceiling_mA * plan.calibrated_width_us
    if current * width_us > charge_nC:
        if plan.on_width > 0.0:
            return Stimulus(current, charge_nC / current, plan.rate_Hz)
        return Stimulus(charge_nC / width_us, width_us, plan.rate_Hz)
    return Stimulus(current, width_us, plan.rate_Hz)


@step
def current_of_equal_effect(plan: PulsePlan, calibrated_mA: float, width_us: float) -> float:
    """Current in mA that acts at `width_us` as `calibrated_mA` does at the calibrated width.

    From I w / (w + t) = I0 w0 / (w0 + t) with t the chronaxie; divided through by t, so that equal charge is t -> inf.
    """
    own = 1.0 + width_us * plan.per_chronaxie_us
    calibrated = 1.0 + plan.calibrated_width_us * plan.per_chronaxie_us
    return calibrated_mA * (plan.calibrated_width_us / width_us) * (own / calibrated)


@step
def width_of_equal_effect(plan: PulsePlan, calibrated_mA: float, current_mA: float) -> float:
    """Width in us at which `current_mA` acts as `calibrated_mA` does at the calibrated width; inf when no width does.

    The equation of `current_of_equal_effect` solved for w. A `current_mA` at or below the rheobase that
    corresponds to `calibrated_mA` never gets there, however long the pulse.
    """
    charge_nC = calibrated_mA * plan.calibrated_width_us
    left = current_mA + (current_mA - calibrated_mA) * plan.calibrated_width_us * plan.per_chronaxie_us
    if left <= 0.0:
        return float("inf")
    return charge_nC / left


@step
def stimulus_for(plan: PulsePlan, calibrated_mA: float) -> Stimulus:
    """Pulses with the effect of `calibrated_mA` at the calibrated width, the ceiling's at most; rest at or below 0."""
    # Cut first: the ceiling bounds the effect, and an infinite wish must not meet an infinite width.
    wanted = min(calibrated_mA, plan.ceiling_mA)
    if not wanted > 0.0:
        return Stimulus(0.0, 0.0, 0.0)
    if plan.on_width > 0.0:
        current = min(plan.set_current_mA, plan.ceiling_mA)
        return bounded(plan, current, width_of_equal_effect(plan, wanted, current))
    return bounded(plan, current_of_equal_effect(plan, wanted, plan.width_us), plan.width_us)


@step
def answer(asked: Any, demand: Demand) -> None:
    """Fill `asked` (floats, shape (6,)) with a demand."""
    store(asked, demand.agonist)
    store(asked, demand.antagonist, 3)
