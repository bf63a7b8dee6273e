"""What a recording of target and force holds, what it therefore can't tell of a wearer, and what would settle it."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.wearer_known import Known
from thenar.fit.wearer_ticks import TICK_RATE_HZ, Ticks

LEAST_PRODUCTIONS: Final = 5
LEVELS_APART: Final = 1.3
LEAST_SEEN_S: Final = 5.0
FAST_NEEDS_HZ: Final = 25.0
SPARE_SHARE: Final = 0.1
"""Less of the motor units than this left to add while force is held: what adds noise or wander then soon runs short,
which the linear chain doesn't know."""


class Contents(NamedTuple):
    """Levels of the compared holds (N), seconds hidden and shown, and the rate of the recording.

    `memory_levels_N`, `productions`: levels and number of those that were produced without sight of the own force;
    `longest_hidden_s`: the longest single hold without it.
    """

    levels_N: tuple[float, ...]
    memory_levels_N: tuple[float, ...]
    productions: int
    hidden_s: float
    shown_s: float
    longest_hidden_s: float
    rate_Hz: float

    def apart(self) -> float:
        """Highest over lowest level produced from memory; 1 for none."""
        return max(self.memory_levels_N, default=1.0) / min(self.memory_levels_N, default=1.0)


def contents(ticks: Ticks) -> Contents:
    """What is compared of a recording."""
    compared = ticks.steady
    shown = ticks.shown > 0.0
    which = np.unique(ticks.production[compared])
    hidden_s = np.bincount(ticks.production[compared & ~shown], minlength=1) / TICK_RATE_HZ
    levels = [round(float(np.median(ticks.target_N[compared & (ticks.production == one)])), 6) for one in which]
    memory = [level for level, one in zip(levels, which, strict=True) if ticks.from_memory[one]]
    return Contents(
        levels_N=tuple(sorted(set(levels))),
        memory_levels_N=tuple(sorted(set(memory))),
        productions=len(memory),
        hidden_s=float(hidden_s.sum()),
        shown_s=float((compared & shown).sum() / TICK_RATE_HZ),
        longest_hidden_s=float(hidden_s.max()),
        rate_Hz=ticks.rate_Hz,
    )


def unseen(known: Known, found: Contents) -> str:
    """Why the recording holds nothing at all of a number; "" when it holds something."""
    if known.group in ("drift", "wander") and found.hidden_s < LEAST_SEEN_S:
        return "the own force is always shown, and a force that is seen doesn't drift: record holds with it hidden"
    if known.group in ("production", "scatter") and not found.productions:
        return "every target is shown with the own force: produce some from memory, with the own force hidden"
    if known.group == "sight" and found.shown_s < LEAST_SEEN_S:
        return "the own force is never shown: record holds with it shown"
    return ""


def entangled(known: Known, found: Contents) -> str:
    """Why a number can't be told from others in this recording, whatever its interval; "" when it can."""
    if known.group == "production" and found.apart() < LEVELS_APART:
        return (
            "one target level: gain and offset can't be separated; record at least two levels, "
            f"{LEVELS_APART:g} times apart or more"
        )
    if known.group == "scatter" and found.productions < LEAST_PRODUCTIONS:
        return (
            f"{found.productions} productions: scatter from one to the next needs at least {LEAST_PRODUCTIONS}, "
            "better 15 or more new targets"
        )
    if known.key in ("noise.fast_Hz", "noise.fast_share") and found.rate_Hz < FAST_NEEDS_HZ:
        return f"{found.rate_Hz:.3g} values a second: fast noise needs {FAST_NEEDS_HZ:g} or more, better 100"
    return ""


def exhausted(ticks: Ticks, fatigued: NDArray[np.float64], drive: NDArray[np.float64]) -> str:
    """How far the voluntary model runs out of motor units in the compared holds; "" when enough are left.

    `fatigued`, `drive`: shares at each tick, shape (ticks,). Fatigue and recovery are those of the settings.
    """
    short = ticks.steady & (1.0 - fatigued - drive < SPARE_SHARE)
    if not short.any():
        return ""
    return (
        f"by the model of endurance {100.0 * fatigued[ticks.steady].max():.0f} % of the motor units are fatigued at "
        f"worst, and for {short.sum() / TICK_RATE_HZ:.3g} s of held force fewer than {100.0 * SPARE_SHARE:.0f} % are "
        "left to add: intervals may be too narrow; record lower levels, shorter holds or longer rests"
    )


def too_wide(known: Known, found: Contents, max_pinch_N: float) -> str:
    """What would settle a number that the recording only narrows a little."""
    longest = f"the longest hidden hold lasts {found.longest_hidden_s:.3g} s"
    low, high = (100.0 * level / max_pinch_N for level in (found.levels_N[0], found.levels_N[-1]))
    levels = f"levels recorded: {low:.3g} to {high:.3g} % of maximum"
    more = {
        "production.gain": f"few or close levels ({levels}): record more productions at levels further apart",
        "production.offset_N": f"few or close levels ({levels}): record more productions at low and high levels",
        "production.scatter_share": f"{found.productions} productions: record 15 or more new targets",
        "visual_gain_per_s": "little to correct where the own force is shown: record longer holds, or more targets",
        "visual_delay_ms": "little to correct where the own force is shown: record longer holds, or more targets",
        "production.drift_depth": f"{longest}: record hidden holds of three drift time constants (about 45 s)",
        "production.drift_tau_s": f"{longest}: record several hidden holds of 45 s or more",
        "production.drift_neutral_share": f"{levels}: record hidden holds of 45 s below 7 % and above 30 % of maximum",
        "production.wander_share": f"{longest}: record several hidden holds of 45 s or more",
        "production.wander_tau_s": f"{longest}: record several hidden holds of 45 s or more",
        "noise.floor": f"{levels}: the floor shows at 2 to 5 % of maximum",
        "noise.linear": f"{levels}: record holds from 2 to 50 % of maximum",
        "noise.quadratic": f"{levels}: the quadratic part needs high force, 50 % of maximum or more",
    }
    return more.get(known.key, "short or few holds: record a minute or more of held force")
