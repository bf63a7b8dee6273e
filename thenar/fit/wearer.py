"""A wearer's own control of force, from target and measured force without stimulation.

Found is the most probable wearer of the model in `plant_models/wearer.py` under weak assumptions on how far people span
(`wearer_known.py`), by the exact likelihood of the recording's prediction errors (`wearer_search.py`). Intervals hold
95 % of what is probable after the recording. The motor delay, the contact and fatigue stay at their defaults: the
visual delay is what is left of the whole delay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.fit.found import Fit, Parameter, Quality
from thenar.fit.recording import Recording
from thenar.fit.wearer_again import EDGES_HZ, WINDOW_S, AtTask, Held, at_task, held, task_again
from thenar.fit.wearer_close import MOST_TIMES, MOVED, Allowed, at_rest, closest, like, noise_again
from thenar.fit.wearer_drawn import drawn
from thenar.fit.wearer_known import ALL, BY_KEY, CONDITIONAL, TOLD, Known, centres, nested
from thenar.fit.wearer_notes import Contents, contents, entangled, exhausted, too_wide, unseen
from thenar.fit.wearer_search import ROUNDS, Found, search
from thenar.fit.wearer_search import Held as HeldAgainst
from thenar.fit.wearer_steps import DRIVE, ERROR, EXPECTED, FATIGUED
from thenar.fit.wearer_ticks import TICK_RATE_HZ, Ticks, on_ticks, refused
from thenar.plant_models.settings import Wearer

MOST_ROUNDS: Final = 2 * ROUNDS
"""Rounds of the search, at most: all numbers free, and again with the untold ones at their defaults."""
NORMAL_95: Final = 1.959964
NAN: Final = float("nan")
WIDER: Final = {"sight": 1.5, "drift": 1.6, "wander": 1.5}
WIDER_ELSE: Final = 1.25
"""Intervals are so much wider than the linear chain says, by group. It leaves out that noise grows with wander, where
force meets zero, and what few holds tell of a slow thing. A quarter everywhere held 84 to 91 % for sight, drift and
wander (44 drawn wearers), hence these; wearers drawn afresh are what judges them."""
FITTED_TO_MEMORY: Final = 2
OFF_SHARE: Final = 0.15
"""Steadiness or a band's share that comes out further off than this when simulated again is warned of."""
LEAST_BAND: Final = 0.02
NOT_WHITE: Final = 0.15
AT_TASK: Final = {
    "error": "mean distance from the target",
    "unsteady": f"SD of force within {WINDOW_S:g} s",
}
BAND: Final = 1.25
"""So far beyond twenty simulated runs the recorded task may lie (assumption)."""
SHORT_BY: Final = 1.15
AT_TOP: Final = 0.95
TOP_S: Final = 1.0
LOWEST_MAX_N: Final = 5.1
HIGHEST_MAX_N: Final = 250.0


def fit_wearer(
    recording: Recording,
    own_force: str | None = None,
    max_pinch_N: float | None = None,
    seed: int = 0,
    on_round: Callable[[object], None] | None = None,
) -> Fit:
    """Fit a wearer to a recording of kind "wearer".

    `own_force`: "shown" or "hidden" throughout, None where the column `own_force_shown` says it; `max_pinch_N`: the
    measured maximum, N, None when unknown; `seed`: of the noise it is simulated again with; `on_round` is called after
    every round of the search. Raises InputError for a recording that can't be fitted.
    """
    ticks = on_ticks(recording, own_force)
    strength = _strength(recording, ticks, max_pinch_N)
    seen = contents(ticks)
    against = HeldAgainst(ticks, strength.value)
    chosen = tuple(known for known in ALL if not unseen(known, seen))
    found = search(against, chosen, {}, centres(chosen), against.made_at_first(), on_round)
    found = _for_few(chosen, found, seen.productions)
    notes = _notes(chosen, found, seen, strength.value)
    settled = _settled(against, chosen, found, notes, on_round)
    # As a scenario will have it: what isn't told is at its default.
    written = {known.key: known.default() if known.key in notes else settled.values[known.key] for known in ALL}
    if "production.scatter_share" not in notes:
        scatter = BY_KEY["production.scatter_share"]
        written[scatter.key] = scatter.value(float(found.scaled[chosen.index(scatter)]))
    written = closest(written, strength.value, ticks, _may_move(chosen, found, notes), seed)
    parameters = (*(_parameter(known, chosen, found, written, notes) for known in ALL), strength)
    table: dict[str, Any] = {one.key: one.value for one in parameters if one.identifiable}
    if table:
        compared_N = ticks.target_N[ticks.used > 0.0]
        table["known_N"] = [float(compared_N.min()), float(compared_N.max())]
    holds = like(ticks)
    again = noise_again(written, strength.value, holds, seed + 1, MOST_TIMES) if holds.stretches else []
    before = held(ticks.force_N, at_rest(ticks))
    task = task_again(written, strength.value, ticks, seed + 2)
    settings: dict[str, float | str] = {"own_force": own_force or "as recorded", "seed": seed}
    if max_pinch_N is not None:
        settings["max_pinch_N"] = max_pinch_N
    return Fit(
        kind="wearer",
        part_of="wearer",
        table=nested(table),
        parameters=parameters,
        qualities=(*_qualities(ticks, settled, before, again), *_at_task(at_task(ticks.force_N, ticks), task)),
        warnings=tuple(_warnings(ticks, settled, before, again, strength, parameters)),
        misfits=tuple(_misfits(_whiteness(ticks, settled), at_task(ticks.force_N, ticks), task, parameters)),
        settings=settings,
        drawn=drawn(ticks, against, settled, written, before, again),
    )


def _strength(recording: Recording, ticks: Ticks, given_N: float | None) -> Parameter:
    """The maximum: given, seen in the recording, or neither (the default of a scenario then)."""
    key, top_N = "max_pinch_N", float(ticks.force_N[ticks.used > 0.0].max())
    if given_N is not None:
        if not max(top_N, LOWEST_MAX_N) <= given_N <= HIGHEST_MAX_N:
            raise refused(
                recording, key, f"{given_N:g} N, where {top_N:.3g} N are on record",
                f"the strongest pinch, at least what is on record and {LOWEST_MAX_N:g} to {HIGHEST_MAX_N:g} N",
            )  # fmt: skip
        return Parameter(key, given_N, "N", NAN, NAN, True, "given, not fitted")
    default_N = float(Wearer().max_pinch_N)
    trying = (ticks.used > 0.0) & (ticks.shown > 0.0) & (ticks.target_N > SHORT_BY * ticks.force_N)
    trying &= ticks.force_N >= AT_TOP * top_N
    seconds = trying.sum() / max(1.0, ticks.used.sum()) * ticks.steady.sum() / TICK_RATE_HZ
    if seconds >= TOP_S and top_N >= LOWEST_MAX_N:
        tried_N = ticks.force_N[trying]
        value_N = float(min(np.median(tried_N), HIGHEST_MAX_N))
        low, high = (float(edge) for edge in np.quantile(tried_N, (0.025, 0.975)))
        note = "seen: held below a shown target that was out of reach"
        return Parameter(key, value_N, "N", low, high, True, note)
    if top_N > default_N:
        raise refused(recording, key, f"not given, and {top_N:.3g} N are on record", "the wearer's measured maximum, N")
    return Parameter(
        key, default_N, "N", NAN, NAN, False,
        "neither given nor seen: give the measured maximum, or record a shown target that is out of reach",
    )  # fmt: skip


def _for_few(chosen: tuple[Known, ...], found: Found, productions: int) -> Found:
    """Wider intervals, and memory's for few productions: gain and offset use up two of what tells the scatter.

    The most probable SD of n numbers about a fitted line is too small by the root of (n - 2) / n, and its log by half
    of 1 / (n - 2) more (chi-squared, as in any textbook on regression).
    """
    scaled, widths = found.scaled.copy(), np.array([WIDER.get(known.group, WIDER_ELSE) for known in chosen])
    left = productions - FITTED_TO_MEMORY
    if left > 0:
        for place, known in enumerate(chosen):
            if known.group in ("production", "scatter"):
                widths[place] *= math.sqrt(productions / left)
            if known.group == "scatter":
                scaled[place] += 0.5 * math.log(productions / left) + 0.5 / left
    return found._replace(scaled=scaled, covariance=found.covariance * np.outer(widths, widths))


def _notes(chosen: tuple[Known, ...], found: Found, seen: Contents, max_pinch_N: float) -> dict[str, str]:
    """Why each number that can't be told can't be."""
    notes = {known.key: unseen(known, seen) for known in ALL}
    for known, variance in zip(chosen, np.diag(found.covariance), strict=True):
        notes[known.key] = entangled(known, seen)
        # How far a recording narrows a number is judged by the same width for all groups.
        wider = WIDER.get(known.group, WIDER_ELSE) / WIDER_ELSE
        if not notes[known.key] and math.sqrt(variance) > TOLD * known.span * wider:
            notes[known.key] = too_wide(known, seen, max_pinch_N)
    return {key: note for key, note in notes.items() if note}


def _settled(
    against: HeldAgainst, chosen: tuple[Known, ...], found: Found, notes: dict[str, str],
    on_round: Callable[[object], None] | None,
) -> Found:  # fmt: skip
    """The told numbers with the untold ones of their group at the defaults that a scenario will have."""
    untold = {known.key: known.default() for known in chosen if known.group in CONDITIONAL and known.key in notes}
    if not untold:
        return found
    kept = [place for place, known in enumerate(chosen) if known.key not in untold]
    left = tuple(chosen[place] for place in kept)
    return search(against, left, untold, found.scaled[kept], found.made_N, on_round)


def _may_move(chosen: tuple[Known, ...], found: Found, notes: dict[str, str]) -> list[Allowed]:
    """The told numbers of the noise, with their intervals."""
    sds = np.sqrt(np.diag(found.covariance))
    named = zip(chosen, found.scaled, sds, strict=True)
    return [
        Allowed(known.key, float(scaled), float(sd), NORMAL_95 * float(sd))
        for known, scaled, sd in named
        if known.key in MOVED and known.key not in notes
    ]


def _parameter(
    known: Known, chosen: tuple[Known, ...], found: Found, written: Mapping[str, float], notes: Mapping[str, str]
) -> Parameter:
    """One number as it is shown; its interval comes from the search in which all numbers were free."""
    if known.key in notes:
        return Parameter(known.key, known.default(), known.unit, NAN, NAN, False, notes[known.key])
    place = chosen.index(known)
    around = NORMAL_95 * math.sqrt(float(found.covariance[place, place]))
    low, high = (known.value(float(found.scaled[place]) + side * around) for side in (-1.0, 1.0))
    value = written[known.key]
    return Parameter(known.key, value, known.unit, min(low, value), max(high, value))


def _qualities(ticks: Ticks, settled: Found, before: Held, again: Sequence[Held]) -> list[Quality]:
    used = ticks.used > 0.0
    left = ticks.force_N[used] - settled.told.told[used, EXPECTED]
    explained = 1.0 - float(np.var(left) / np.var(ticks.force_N[used]))
    found = [
        Quality("explained", 100.0 * explained, "%", NAN, NAN, "of the held force's variance told by target and sight"),
        Quality("one_step_correlation", _whiteness(ticks, settled), "", NAN, NAN, "of prediction errors; 0 is best"),
        Quality(
            "variation", before.variation_percent, "%", NAN, NAN, "SD over mean of held force within 4 s, recorded"
        ),
        *(
            [_again("variation_again", [one.variation_percent for one in again], "%", "the same, simulated again")]
            if again
            else []
        ),
    ]
    for place, (low, high) in enumerate(pairwise(EDGES_HZ)):
        if math.isfinite(before.bands[place]) and again:
            band = f"{low:g}-{high:g} Hz"
            name = f"power_{low:g}_{high:g}_Hz"
            found.append(
                Quality(name, 100.0 * float(before.bands[place]), "%", NAN, NAN, f"of the power at {band}, recorded")
            )
            shares = [100.0 * float(one.bands[place]) for one in again]
            found.append(_again(f"{name}_again", shares, "%", "the same, simulated again"))
    return found


def _again(name: str, values: Sequence[float], unit: str, words: str) -> Quality:
    low, high = (float(edge) for edge in np.quantile(values, (0.025, 0.975)))
    return Quality(name, float(np.mean(values)), unit, low, high, words)


def _whiteness(ticks: Ticks, settled: Found) -> float:
    errors: NDArray[np.float64] = settled.told.told[ticks.used > 0.0, ERROR]
    return float(np.mean(errors[1:] * errors[:-1]) / np.mean(errors * errors))


def _warnings(
    ticks: Ticks, settled: Found, before: Held, again: Sequence[Held], strength: Parameter, parameters: Any
) -> list[str]:
    told = []
    if not strength.identifiable:
        told.append(f"the maximum is unknown: shares of maximum are of the default of {strength.value:g} N")
    if any(one.key == "visual_delay_ms" and one.identifiable for one in parameters):
        told.append(
            f"the motor delay is taken as {Wearer().motor_delay_ms:g} ms: only its sum with the visual delay shows"
        )
    tired = exhausted(ticks, settled.told.told[:, FATIGUED], settled.told.intended[:, DRIVE])
    told += [tired] if tired else []
    return [*told, *_unlike(before, again)] if again else told


def _at_task(recorded: AtTask, again: Sequence[AtTask]) -> list[Quality]:
    """Recorded and simulated error and unsteadiness at the recorded targets."""
    found = []
    for place, (name, words) in enumerate(AT_TASK.items()):
        if math.isfinite(recorded[place]):
            found.append(Quality(name, recorded[place], "N", NAN, NAN, f"{words}, recorded"))
            found.append(_again(f"{name}_again", [one[place] for one in again], "N", "the same, simulated again"))
    return found


def _misfits(white: float, recorded: AtTask, again: Sequence[AtTask], parameters: Sequence[Parameter]) -> list[str]:
    """Why the fitted wearer isn't the one on record: what it does at the same targets, its errors, and its bounds."""
    told = []
    for place, words in enumerate(AT_TASK.values()):
        simulated = [one[place] for one in again]
        if not min(simulated) / BAND <= recorded[place] <= max(simulated) * BAND and math.isfinite(recorded[place]):
            told.append(
                f"at the recorded targets the fitted wearer's {words} is {np.mean(simulated):.3g} N "
                f"({min(simulated):.3g} to {max(simulated):.3g} N in {len(simulated)} runs), on record "
                f"{recorded[place]:.3g} N: this hand is not the model's"
            )
    if abs(white) > NOT_WHITE:
        told.append("prediction errors follow one another: this person's noise is not of the model's kind")
    stuck = [one.key for one in parameters if one.identifiable and one.key in BY_KEY and _at_end(one)]
    if stuck:
        told.append(f"at the end of what a setting may be: {', '.join(stuck)}; the model can't go where this hand is")
    return told


def _at_end(one: Parameter) -> bool:
    """Whether a value lies at an end of its range; the low end of a share is just none of it."""
    known = BY_KEY[one.key]
    return one.value >= known.high or (bool(known.unit) and known.low > 0.0 and one.value <= known.low)


def _unlike(before: Held, again: Sequence[Held]) -> list[str]:
    """Where held force, simulated again, is unlike the recorded one."""
    told = []
    variation = float(np.mean([one.variation_percent for one in again]))
    if abs(variation / before.variation_percent - 1.0) > OFF_SHARE:
        told.append(
            f"simulated again, held force varies by {variation:.3g} %, on record {before.variation_percent:.3g} %"
        )
    bands = np.mean([one.bands for one in again], axis=0)
    for place, share in enumerate(before.bands):
        if share > LEAST_BAND and abs(bands[place] / share - 1.0) > OFF_SHARE:
            band = f"{EDGES_HZ[place]:g}-{EDGES_HZ[place + 1]:g} Hz"
            told.append(
                f"simulated again, {100 * bands[place]:.3g} % of power lies at {band}, on record {100 * share:.3g} %"
            )
    return told
