"""What a person writes about a body, a wearer and a sensor: checked values with units and sources.

Steps run on the NamedTuples of the model files; `body.py`, `wearer.py` and `estimator.py` turn these
settings into them once, before a trial.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from thenar.plant_models.norms import SD_SHARE, NormName
from thenar.shared.errors import Strict

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]


def _rising(values: tuple[float, ...]) -> tuple[float, ...]:
    if any(later <= earlier for earlier, later in pairwise(values)):
        raise ValueError("strictly rising numbers")
    return values


def _never_falling(values: tuple[float, ...]) -> tuple[float, ...]:
    if any(later < earlier for earlier, later in pairwise(values)):
        raise ValueError("numbers that never fall: a bias curve is monotone")
    return values


MOST_KNOTS: Final = 14
"""Those of a fitted curve, twelve, and two below it down to no force."""
Rising = Annotated[
    tuple[NotNegative, ...], Field(min_length=2, max_length=MOST_KNOTS, strict=False), AfterValidator(_rising)
]
NeverFalling = Annotated[
    tuple[NotNegative, ...], Field(min_length=2, max_length=MOST_KNOTS, strict=False), AfterValidator(_never_falling)
]


def _low_high(values: tuple[float, float]) -> tuple[float, float]:
    if values[1] < values[0]:
        raise ValueError("the lowest value, then the highest")
    return values


Known = Annotated[tuple[NotNegative, NotNegative], Field(strict=False), AfterValidator(_low_high)]
"""Lowest and highest value that a recording supports; both the same where it holds one level alone."""
Beyond = Literal["refuse", "slope"]
"""What becomes of a scenario that asks for more than a fitted part is known for."""

FileNames = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=400)], ...], Field(max_length=20, strict=False)
]


class Muscle(Strict):
    """One stimulated muscle. Time and fatigue constants: a quadriceps [@ding-2003]."""

    model: Literal["calcium", "twitch"] = Field("calcium", description="calcium kinetics and fatigue, or fixed twitch")
    reachable_N: float = Field(
        35.0, gt=0, le=200, description="force at 100 Hz (twitch model: 44 Hz), all recruited, N"
    )
    time_scale: float = Field(0.72, ge=0.2, le=3, description="thumb time constants over quadriceps ones (assumption)")
    tau_c_ms: float = Field(20.0, gt=0, le=200, description="calcium rise and decay, quadriceps, ms (from memory)")
    km_rest: float = Field(0.103, gt=0, le=0.5, description="sensitivity to calcium, no unit (read [@ding-2003])")
    tau1_rest_ms: float = Field(50.957, gt=0, le=500, description="decline without bridges, ms (read [@ding-2003])")
    tau2_ms: float = Field(124.4, gt=0, le=500, description="extra decline with bridges, ms (124.4 memory, 100 read)")
    alpha_A_per_ms2: float = Field(-4.0e-7, le=0, ge=-1e-4, description="fatigue of the force scale, 1/ms^2 (read)")
    alpha_Km_per_ms_N: float = Field(1.9e-8, ge=0, le=1e-6, description="fatigue of km, 1/(ms N) (1.9e-5 is absurd)")
    alpha_tau1_per_N: float = Field(2.1e-5, ge=0, le=1e-3, description="fatigue of tau1, 1/N (read)")
    tau_fat_s: float = Field(127.0, gt=0, le=2000, description="recovery from fatigue, s (read)")
    fatigue_share: float = Field(
        0.21, ge=0, le=3, description="fatigue rates over quadriceps ones (0.85 left [@thenar-units-2006])"
    )
    twitch_share: float = Field(0.14, gt=0, le=1, description="twitch over reachable_N, twitch model ([@thomas-1999])")
    contraction_ms: float = Field(60.0, gt=5, le=300, description="contraction time, twitch model, ms")
    delay_ms: float = Field(17.2, ge=0, le=100, description="from pulse to force, ms (17.2 read, knee [@zhou-1995])")


class Recruitment(Strict):
    """How surface pulses reach motor axons: Weiss-Lapicque thresholds [@geddes-2004], lognormal spread."""

    rheobase_mA: float = Field(4.0, gt=0, le=50, description="motor threshold of endless pulses, mA")
    chronaxie_us: float = Field(200.0, ge=20, le=1000, description="width at twice the rheobase, us")
    median_over_motor: float = Field(1.6, gt=1, le=5, description="current of half recruitment over motor threshold")
    spread: float = Field(0.22, gt=0.01, le=2, description="spread of log current, no unit")
    sensory_over_motor: float = Field(
        0.5, gt=0.05, lt=1, description="sensory over motor threshold (memory: 1/2.5-1/1.5)"
    )
    tolerance_over_motor: float = Field(2.6, gt=1, le=10, description="comfort ceiling over motor threshold")


class Electrode(Strict):
    """Skin and pad: series resistance, parallel resistance and capacitance, and what drives them."""

    series_ohm: float = Field(500.0, gt=0, le=20_000, description="series resistance, ohm")
    parallel_ohm: float = Field(1500.0, gt=0, le=200_000, description="skin resistance, ohm")
    parallel_nF: float = Field(200.0, gt=0, le=20_000, description="skin capacitance, nF")
    area_cm2: float = Field(25.0, gt=0, le=400, description="smaller pad of the pair, cm2")
    compliance_V: float = Field(120.0, gt=0, le=500, description="most the stimulator can drive, V")


class Channel(Strict):
    """One stimulation channel of a wearer: pad, axons and muscle."""

    muscle: Muscle = Field(default_factory=Muscle, description="the muscle that the channel drives")
    recruitment: Recruitment = Field(default_factory=Recruitment, description="how pulses reach it")
    electrode: Electrode = Field(default_factory=Electrode, description="the pads")
    known_mA: Known | None = Field(None, description="currents that the recording behind recruitment supports, mA")
    beyond_known: Beyond = Field("refuse", description="ceilings above known_mA: refuse, or slope: go on as fitted")


class Noise(Strict):
    """Signal-dependent force noise: SD = (floor + linear f + quadratic f^2) of maximum at f of maximum."""

    floor: float = Field(0.00095, ge=0, le=0.1, description="share of maximum")
    linear: float = Field(0.0095, ge=0, le=0.5, description="share of force")
    quadratic: float = Field(0.008, ge=0, le=0.5, description="growth with force squared")
    slow_Hz: float = Field(0.55, gt=0.01, le=10, description="corner of the slow part, Hz")
    fast_Hz: float = Field(6.0, gt=0.1, le=40, description="corner of the fast part, Hz")
    fast_share: float = Field(0.2, ge=0, le=1, description="share of the variance that is fast")


class Production(Strict):
    """How a wearer makes a force from memory: bias, scatter from one target to the next, drift."""

    gain: float = Field(1.0, gt=0, le=4, description="produced over intended force")
    offset_N: float = Field(0.0, ge=-20, le=20, description="added to every produced force, N")
    scatter_share: float = Field(0.1, ge=0, le=1, description="SD of each new production over its force")
    wander_share: float = Field(
        0.04, ge=0, le=0.5, description="SD of slow wander over force, own force unseen (assumption)"
    )
    wander_tau_s: float = Field(8.0, ge=0.5, le=200, description="correlation time of that wander, s (assumption)")
    drift_depth: float = Field(0.2, ge=0, le=0.6, description="share of force lost in the end without sight of it")
    drift_tau_s: float = Field(15.0, gt=0.5, le=200, description="time constant of that drift, s (read [@ambike-2015])")
    drift_neutral_share: float = Field(
        0.085, ge=0, le=1, description="share of maximum with no drift (read: 0.07-0.10 [@ambike-2015] [@smith-2018])"
    )


class Cue(Strict):
    """How a wearer takes felt stimulation: trust 1 follows it, 0 ignores it, -1 resists it."""

    trust: float = Field(0.5, ge=-1, le=1, description="share of felt nudges that the wearer follows")
    rate_N_per_s: float = Field(
        3.0, ge=0, le=50, description="change of own force under a full nudge, N/s (assumption)"
    )
    delay_ms: float = Field(160.0, ge=50, le=1000, description="tactile delay, ms (150-160 memory)")
    hold_ms: float = Field(100.0, ge=10, le=1000, description="how long a pulse is felt, ms (assumption)")


class Wearer(Strict):
    """One person: strength, own control, what is seen, how nudges are taken, and two channels."""

    accept_misfit: bool = Field(False, description="stand on fitted files that don't describe their recordings")
    name: str = Field("wearer", min_length=1, max_length=60, description="a label of your own, never a real name")
    max_pinch_N: float = Field(90.0, gt=5, le=250, description="maximum voluntary key pinch, N")
    sees_target: bool = Field(True, description="is the target shown to the wearer")
    unseen_level_N: float = Field(4.0, ge=0, le=200, description="own idea of a force when no target is shown, N")
    sees_own_force: bool = Field(False, description="is the own force shown to the wearer")
    visual_delay_ms: float = Field(
        215.0, ge=100, le=1000, description="from sight to own command, ms (to force 150-300 read)"
    )
    visual_gain_per_s: float = Field(1.5, ge=0, le=10, description="correction per error and second, 1/s")
    motor_delay_ms: float = Field(
        50.0, ge=0, le=500, description="from own command to force onset, ms (39-83 read [@zhou-1995] [@vint-2001])"
    )
    fatigue_per_s: float = Field(
        0.0098, ge=0, le=1, description="three-compartment F, 1/s (hand/grip, read 2nd hand [@frey-law-2012])"
    )
    recovery_per_s: float = Field(
        0.00064, ge=0, le=1, description="three-compartment R, 1/s (hand/grip, read 2nd hand [@frey-law-2012])"
    )
    rest_multiplier: float = Field(
        30.0, ge=1, le=100, description="R at rest over R (30 for hand, memory [@looft-2018])"
    )
    lever_ratio: float = Field(0.8, ge=0, le=3, description="pinch force taken per N of the antagonist")
    contact_ms: float = Field(15.0, ge=1, le=500, description="time constant of the fingertip contact, ms (assumption)")
    known_N: Known | None = Field(None, description="targets that the recording behind own control supports, N")
    beyond_known: Beyond = Field("refuse", description="targets outside known_N: refuse, or slope: go on as fitted")
    recording: str = Field("", description="CSV with t_s and force_N to play back as own force, '' for none")
    files: FileNames = Field((), description="fitted wearer files to stand on; keys beside it come first")
    production: Production = Field(default_factory=Production, description="force from memory")
    noise: Noise = Field(default_factory=Noise, description="force noise")
    cue: Cue = Field(default_factory=Cue, description="felt stimulation as a cue")
    agonist: Channel = Field(default_factory=Channel, description="thumb flexor channel")
    antagonist: Channel = Field(
        default_factory=lambda: Channel(muscle=Muscle(reachable_N=20.0)), description="thumb extensor channel"
    )


class Population(Strict):
    """Wearers drawn around a base wearer: strength around its own or by norms; the rest by stated assumptions."""

    count: int = Field(ge=1, le=100_000, description="how many wearers to draw")
    norms: NormName | None = Field(
        None, description="whose strength to draw; left out: around wearer.max_pinch_N, where stated, or healthy-adults"
    )
    women_share: Share = Field(0.5, description="share drawn from women's norms, no unit")
    strength_sd: float = Field(
        SD_SHARE, ge=0, le=1, description="SD over mean of strength around wearer.max_pinch_N (as healthy adults')"
    )
    production_gain_sd: float = Field(0.30, ge=0, le=1, description="SD of log personal gain (assumption)")
    production_offset_sd_N: float = Field(0.8, ge=0, le=10, description="SD of personal offset, N (assumption)")
    trust_sd: float = Field(0.2, ge=0, le=1, description="SD of trust (assumption)")
    threshold_sd: float = Field(0.25, ge=0, le=1, description="SD of log rheobase (assumption)")
    chronaxie_sd: float = Field(0.25, ge=0, le=1, description="SD of log chronaxie (assumption)")
    reach_sd: float = Field(0.25, ge=0, le=1, description="SD of log reachable force (assumption)")
    delay_sd: float = Field(0.15, ge=0, le=0.5, description="SD of log delays of sight, touch and drive (assumption)")
    accept_misfit: bool = Field(False, description="draw around fits that don't describe their recordings")
    around: Annotated[tuple[FileNames, ...], Field(max_length=1000, strict=False)] = Field(
        (), description="fitted people to draw around, each a list of fitted wearer files; () for the base wearer"
    )


class Estimator(Strict):
    """A learned, noisy, late and biased reading of fingertip force."""

    rate_Hz: float = Field(
        40.0, ge=1, le=1000, description="estimates per second, Hz (20-40 memory [@farrell-weir-2007])"
    )
    jitter_ms: float = Field(2.0, ge=0, le=500, description="largest shift of a sample, ms, uniform")
    latency_ms: float = Field(
        110.0, ge=0, le=2000, description="lag from sample to controller, ms (100-200 memory [@farrell-weir-2007])"
    )
    latency_jitter_ms: float = Field(10.0, ge=0, le=2000, description="largest extra latency, ms, uniform")
    true_N: Rising = Field((0.0, 100.0), description="bias curve: true forces, N, rising; straight on beyond them")
    reads_N: NeverFalling = Field((0.0, 100.0), description="bias curve: what the estimator reads there, N")
    known_N: Known | None = Field(None, description="true forces that the recording behind the curve supports, N")
    beyond_known: Beyond = Field(
        "refuse", description="targets outside known_N: refuse, or slope: go on by end slopes drawn for each wearer"
    )
    beyond_slope: float = Field(1.0, ge=0, le=10, description="slope beyond the curve over that of its last part")
    beyond_slope_sd: float = Field(
        0.3, ge=0, le=2, description="SD of log beyond_slope between wearers, with slope (assumption)"
    )
    noise_floor_N: float = Field(0.25, ge=0, le=50, description="SD at zero force, N")
    noise_share: float = Field(0.06, ge=0, le=2, description="growth of SD with force, no unit")
    noise_tau_ms: float = Field(120.0, ge=1, le=20_000, description="correlation time of the noise, ms")
    drift_N_per_sqrt_min: float = Field(0.0, ge=0, le=50, description="random walk of the offset, N after one minute")
    jumps_per_min: float = Field(0.0, ge=0, le=60, description="re-seating jumps per minute, random times")
    jump_offset_sd_N: float = Field(2.0, ge=0, le=50, description="SD of the offset after a jump, N (assumption)")
    jump_gain_sd: float = Field(0.15, ge=0, le=1, description="SD of the gain error after a jump (10-20 %, assumption)")
    dropouts_per_min: float = Field(0.0, ge=0, le=600, description="dropout bursts per minute, random times")
    dropout_ms: float = Field(150.0, ge=1, le=60_000, description="mean length of a dropout burst, ms")
    stucks_per_min: float = Field(0.0, ge=0, le=60, description="stretches of stuck output per minute")
    stuck_ms: float = Field(1500.0, ge=1, le=60_000, description="mean length of a stuck stretch, ms")
    outlier_share: Share = Field(0.0, description="share of readings that lie far off, each for itself, no unit")
    outlier_sd_N: float = Field(8.0, ge=0, le=200, description="SD of how far such a reading is off, N (assumption)")
    stated_over_true_sd: float = Field(1.0, ge=0, le=20, description="stated over true uncertainty: 1 is honest")
    range_N: float = Field(100.0, gt=0, le=1000, description="readings are cut to 0..range, N")
    accept_misfit: bool = Field(False, description="stand on a fitted file that doesn't describe its recording")
    file: str = Field(
        "", max_length=400, description="fitted estimator file to stand on, '' for none; keys beside it come first"
    )

    @model_validator(mode="after")
    def _curve_pairs(self) -> Self:
        if len(self.true_N) != len(self.reads_N):
            raise ValueError("as many reads_N as true_N")
        return self


class Handling(Strict):
    """Strokes of the held tool: half-sine pushes and pulls on the fingertip at random times."""

    strokes_per_s: float = Field(0.0, ge=0, le=20, description="strokes per second; 0 for none")
    amplitude_N: float = Field(1.0, ge=0, le=50, description="mean size of a stroke, N")
    length_ms: float = Field(300.0, ge=20, le=5000, description="mean length of a stroke, ms")
    release_share: Share = Field(0.5, description="share of strokes that take force away, no unit")
