"""The fit of a muscle's force model to force under known pulses.

Equations and steps: `plant_models/muscle.py` [@ding-2000] [@ding-2003]. What is fitted and what is
held, and why: `muscle_model.py`. How: `muscle_search.py`. A parameter counts as told by the recording when its 95 %
interval, with all others free, is no wider than the bounds below.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal, NamedTuple

import numpy as np

from thenar.fit.found import Fit, Parameter, Quality
from thenar.fit.muscle_model import (
    CENTRE,
    DEFAULT,
    HIGHEST,
    LOWEST,
    OFFSET,
    PLACE,
    PRIORS,
    Simulator,
    Vector,
    muscle_of,
    values_of,
)
from thenar.fit.muscle_recording import Observed, observed
from thenar.fit.muscle_search import Found, search, settled
from thenar.fit.recording import Recording
from thenar.plant_models.settings import Recruitment, Wearer

CONTACT_MS: Final = Wearer().contact_ms
TOLD_LOG: Final = 0.45
"""Half a 95 % interval in the logarithm: a factor of 1.57 either way."""
TOLD_DELAY_MS: Final = 5.0
TOLD_FATIGUE: Final = (0.05, 0.45)
"""Half a 95 % interval of `fatigue_share`: this much, or this share of its value."""
POOR: Final = 0.15
"""Left over beyond this share of the evoked force (assumption) nobody would call a fit."""
WORSE: Final = 1.25
ALWAYS: Final = 0.03
ALWAYS_OF_ONE: Final = 0.1
"""What comes again in every repeat beyond these shares of the evoked force is no noise (assumption)."""
APART_MS: Final = 300.0
"""Pulses further apart are of two bursts."""
CURVE_TAKEN: Final = "What each pulse fires is taken from the recruitment curve as if that were exact."
ALL_ALIKE: Final = (
    "All pulses were alike, so the share of the muscle that they fired can't be told from reachable_N: they count as "
    "firing all of it, and reachable_N is the force that these very pulses reach at 100 Hz."
)
RESTING: Final = 0.1
FITTED: Final = tuple(one.key for one in PRIORS if one.key != OFFSET)
FATIGUE: Final = ("fatigue_share", "alpha_Km_per_ms_N", "alpha_tau1_per_N", "tau_fat_s")

_SETTLES: Final = {
    "reachable_N": "trains of one second at 50 Hz or more come near the force that all of the muscle can make",
    "tau_c_ms": "single pulses and slow trains (8 to 12 Hz) of a rested muscle, force at 200 Hz or more",
    "km_rest": "one-second trains of a rested muscle at several rates from 8 to 50 Hz",
    "tau1_rest_ms": "single pulses and trains that are recorded until the force is back at rest",
    "tau2_ms": "trains that are held to their plateau, and their fall",
    "delay_ms": "single pulses with force at 200 Hz or more, pulses and force on one clock",
    "fatigue_share": "a fatigue run, such as a train each second for two minutes",
    "alpha_Km_per_ms_N": "slow trains (8 to 12 Hz) or single pulses between the fast trains of a fatigue run",
    "alpha_tau1_per_N": "a fatigue run that lets the force fall back to rest after each train",
    "tau_fat_s": "rest of a minute or more after a fatigue run, and short trains then",
}


def fit_muscle(
    recording: Recording,
    channel: Literal["agonist", "antagonist"] = "agonist",
    seed: int = 0,
    recruitment: Recruitment | None = None,
    contact_ms: float = CONTACT_MS,
) -> Fit:
    """The calcium force model of one muscle, fitted to `recording`.

    `channel`: whose muscle; `seed`: of the starts; `recruitment`: fitted curve that tells what unlike pulses fire,
    needed when current or width changed; `contact_ms`: time constant of the fingertip contact, ms, taken as known.
    Raises InputError for a recording that can't be used.
    """
    seen = observed(recording, recruitment)
    simulator = Simulator(seen, contact_ms)
    try:
        found = search(seen, simulator, seed)
        told = {key: _is_told(key, found) for key in FITTED}
        held = [PLACE[key] for key in FITTED if not told[key]]
        at = _suited(seen, simulator, found, held)
        model_N = simulator.force_N(at)
        written = at.copy()
        written[held] = CENTRE[held]
        written_N = simulator.force_N(written)
        together = _rms_N(seen.force_N - written_N) > WORSE * _rms_N(seen.force_N - model_N)
        if together:
            at = found.at
            written_N = model_N = simulator.force_N(at)
    finally:
        simulator.close()
    parameters = tuple(_parameter(key, channel, found, at, told[key]) for key in FITTED)
    muscle: dict[str, Any] = {"model": "calcium", "time_scale": DEFAULT.time_scale}
    settings = muscle_of(at)
    muscle |= {key: getattr(settings, key) for key in FITTED if told[key] or together}
    if told["fatigue_share"] or together:
        muscle["alpha_A_per_ms2"] = DEFAULT.alpha_A_per_ms2
    return Fit(
        kind="muscle",
        part_of="wearer",
        table={channel: {"muscle": muscle}},
        parameters=parameters,
        qualities=_qualities(seen, found, at, model_N, written_N),
        warnings=(
            CURVE_TAKEN if recruitment is not None else ALL_ALIKE,
            *_warnings(found, at, model_N, [key for key in FITTED if not told[key]], together, contact_ms),
        ),
        misfits=_misfits(seen, at, model_N),
        settings={"channel": channel, "seed": seed, "contact_ms": contact_ms, "curve_given": recruitment is not None},
        drawn={
            "at_s": seen.begins_s + 1e-3 * seen.at_ms,
            "force_N": seen.force_N,
            "model_N": model_N,
            "pulses_s": seen.begins_s + 1e-3 * seen.pulses_ms,
            "delay_ms": settings.delay_ms,
        },
    )


def _suited(seen: Observed, simulator: Simulator, found: Found, held: list[int]) -> Vector:
    """The values to write: fitted again with the untold at their defaults, if that leaves all in their intervals."""
    if not held:
        return found.at
    again = settled(seen, simulator, found, held)
    free = np.setdiff1d(np.arange(again.size), held)
    near = bool((np.abs(again - found.at)[free] <= found.halves[free]).all())
    return again if near else found.at


def _half_width(key: str, found: Found) -> float:
    return float(found.halves[PLACE[key]])


def _is_told(key: str, found: Found) -> bool:
    half = _half_width(key, found)
    if key == "delay_ms":
        return half <= TOLD_DELAY_MS
    if key == "fatigue_share":
        least, relative = TOLD_FATIGUE
        return half <= max(least, relative * float(found.at[PLACE[key]]))
    return half <= TOLD_LOG


def _parameter(key: str, channel: str, found: Found, at: Vector, told: bool) -> Parameter:
    """`key` with the interval that it has while all others are free."""
    place, name = PLACE[key], f"{channel}.muscle.{key}"
    one, middle, half = PRIORS[place], float(found.at[place]), _half_width(key, found)
    ends = [min(max(end, LOWEST[place]), HIGHEST[place]) for end in (middle - half, middle + half)]
    low, high = (float(np.exp(end)) if one.log else float(end) for end in ends)
    if told:
        return Parameter(name, float(values_of(at)[place]), one.unit, low, high, True, _own_time(key, at))
    note = f"Told only to within {low:.3g} to {high:.3g} {one.unit}. What would tell: {_SETTLES[key]}."
    return Parameter(name, float(getattr(DEFAULT, key)), one.unit, low, high, False, note)


def _own_time(key: str, at: Vector) -> str:
    if key not in ("tau_c_ms", "tau1_rest_ms", "tau2_ms"):
        return ""
    own_ms = DEFAULT.time_scale * float(values_of(at)[PLACE[key]])
    return f"{own_ms:.3g} ms in this muscle: the value times time_scale."


def _qualities(seen: Observed, found: Found, at: Vector, model_N: Vector, written_N: Vector) -> tuple[Quality, ...]:
    nan = float("nan")
    left_N = seen.force_N - model_N
    explained = 1.0 - float(np.var(left_N) / np.var(seen.force_N))
    return (
        Quality("left over", _rms_N(left_N), "N", nan, nan, "RMS of measured minus simulated force"),
        Quality(
            "as written", _rms_N(seen.force_N - written_N), "N", nan, nan,
            "the same with the model's defaults for what isn't told",
        ),
        Quality(
            "left over, relative", _relative(seen, model_N, at), "1", nan, nan, "the same over RMS of the evoked force"
        ),
        Quality("explained", explained, "1", nan, nan, "share of the variance of force that the model makes"),
        Quality("depends for", _depends_ms(seen, left_N), "ms", nan, nan, "until what is left over has lost memory"),
        Quality("offset", float(at[-1]), "N", *_offset_interval(found, at), "force that is there without pulses"),
        Quality(
            "starts agreeing", found.agreeing / found.followed, "1", nan, nan,
            f"of {found.followed} searches from unlike starts, the share that left as little over",
        ),
    )  # fmt: skip


def _rms_N(left_N: Vector) -> float:
    return float(np.sqrt(np.mean(left_N * left_N)))


def _offset_interval(found: Found, at: Vector) -> tuple[float, float]:
    half = _half_width(OFFSET, found)
    return float(at[-1]) - half, float(at[-1]) + half


def _relative(seen: Observed, model_N: Vector, at: Vector) -> float:
    left_N, evoked_N = seen.force_N - model_N, model_N - float(at[-1])
    return float(np.sqrt(np.mean(left_N * left_N) / max(float(np.mean(evoked_N * evoked_N)), 1e-12)))


def _depends_ms(seen: Observed, left_N: Vector) -> float:
    """The lag at which the correlation of what is left over first falls below 1/e, ms."""
    centred = left_N - left_N.mean()
    size = 1 << (2 * centred.size - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    along = np.fft.irfft(np.abs(spectrum) * np.abs(spectrum), size)[: centred.size]
    below = np.flatnonzero(along < along[0] * np.exp(-1.0))
    lag = int(below[0]) if below.size else centred.size
    return lag * float(np.median(np.diff(seen.at_ms)))


def _misfits(seen: Observed, at: Vector, model_N: Vector) -> tuple[str, ...]:
    """Why the model doesn't describe the recording: what is left over is large, or comes again with every repeat."""
    relative, again = _relative(seen, model_N, at), _again(seen, model_N, model_N - float(at[-1]))
    said = []
    if relative > POOR:
        said.append(f"{100 * relative:.0f} % of the evoked force is left over: the model doesn't describe this muscle")
    if again is not None and (again.of_all > ALWAYS or again.of_one > ALWAYS_OF_ONE):
        said.append(
            f"when the same pulses come again, so does what is left over ({100 * again.of_all:.0f} % of the evoked "
            f"force, {100 * again.of_one:.0f} % in bursts of {again.pulses}): it is no noise, the model doesn't "
            "describe this muscle"
        )
    return tuple(said)


class Again(NamedTuple):
    """What of the left-over is the same in every repeat, over the evoked force: of all bursts, and of the worst kind.

    `pulses`: how many a burst of that kind has.
    """

    of_all: float
    of_one: float
    pulses: int


def _again(seen: Observed, model_N: Vector, evoked_N: Vector) -> Again | None:
    """Bursts alike in their gaps are laid over each other; None when none was repeated.

    The mean square of a mean of n repeats is that of the misfit and one nth of the scatter between them, which is
    taken off.
    """
    step_ms = float(np.median(np.diff(seen.at_ms)))
    misfit, evoked, worst = 0.0, 0.0, (0.0, 0)
    for pulses, windows in _alike(seen):
        looks_ms = np.arange(0.0, min(end - start for start, end in windows), step_ms)
        if not looks_ms.size:
            continue
        left, made = (
            np.array([np.interp(start + looks_ms, seen.at_ms, of) for start, _ in windows])
            for of in (seen.force_N - model_N, evoked_N)
        )
        mean, scatter = left.mean(axis=0), left.var(axis=0, ddof=1) / len(windows)
        squares, size = float(np.mean(mean * mean - scatter)), float(np.mean(made * made))
        misfit, evoked = misfit + squares * left.size, evoked + size * left.size
        worst = max(worst, (math.sqrt(max(0.0, squares) / max(size, 1e-12)), pulses))
    return Again(math.sqrt(max(0.0, misfit) / evoked), *worst) if evoked > 0.0 else None


def _alike(seen: Observed) -> list[tuple[int, list[tuple[float, float]]]]:
    """Kinds of burst that were given twice or more: number of pulses; start, and start of the next burst, ms."""
    bursts = np.split(seen.pulses_ms, np.flatnonzero(np.diff(seen.pulses_ms) > APART_MS) + 1)
    ends_ms = [*(float(burst[0]) for burst in bursts[1:]), float(seen.at_ms[-1])]
    kinds: dict[tuple[int, ...], list[tuple[float, float]]] = {}
    for burst, end_ms in zip(bursts, ends_ms, strict=True):
        shape = tuple(np.round(np.diff(burst)).astype(int).tolist())
        kinds.setdefault(shape, []).append((float(burst[0]), end_ms))
    return [(len(shape) + 1, windows) for shape, windows in kinds.items() if len(windows) > 1]


def _warnings(
    found: Found, at: Vector, model_N: Vector, untold: list[str], together: bool, contact_ms: float
) -> tuple[str, ...]:
    said = [
        (
            f"Held, because only products show in a force: time_scale at {DEFAULT.time_scale:g} (the time constants "
            "are fitted) and alpha_A_per_ms2 at its default (fatigue_share is fitted)."
        ),
        (
            f"Taken as known: a fingertip contact of {contact_ms:g} ms, a muscle that rested for long before the first "
            "pulse, no force of the wearer's own."
        ),
    ]
    if untold:
        becomes = (
            "written as they go with the others, for with the model's defaults the file wouldn't make this recording"
            if together
            else "left out of the file, the scenario's own values hold"
        )
        said.append(
            f"Not told by this recording, {becomes}: {', '.join(untold)}. The intervals of the others allow for what "
            "these may be."
        )
    evoked_N = float(np.quantile(model_N, 0.995)) - float(at[-1])
    if abs(at[-1]) > RESTING * evoked_N:
        said.append(
            f"Force without pulses is {at[-1]:.3g} N: an offset of the sensor, or a hand that pinched. Own force "
            "changes what pulses add, and the fit doesn't know of it."
        )
    if found.agreeing < found.followed / 2:
        said.append(
            f"Only {found.agreeing} of {found.followed} searches left as little over: look at the picture, and "
            "try another --seed."
        )
    return tuple(said)
