"""Which settings of a law are tuned over which ranges, and what they are before."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from thenar.controller.registry import stated
from thenar.scenarios.changes import with_values
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem
from thenar.study.ranges import Range

BELOW: Final = "law.settings."
DEADBAND: Final = Range("law.settings.deadband_N", 0.05, 2.0)
GAIN_BY_SHARE: Final = Range("law.settings.gain_fraction_per_N", 0.002, 0.2, log=True)
GAIN_BY_CURRENT: Final = Range("law.settings.gain_mA_per_N", 0.05, 5.0, log=True)
LEVELS: Final = (Range("law.settings.agonist.share", 0.02, 0.8), Range("law.settings.antagonist.share", 0.02, 0.8))
"""Default ranges (our own choice, no source): about a decade to either side of the gallery's gains; a deadband from
hardly any to one that leaves most errors alone; a bang-bang level from just above the motor threshold to 0.8 of the
way to the ceiling."""


def law_table(loaded: LoadedScenario) -> dict[str, Any]:
    """The settings of the scenario's law, defaults included where the law states them. A user's file is RUN.

    Raises InputError when they don't fit the law.
    """
    return stated(loaded.scenario.law, loaded.base, str(loaded.path), trusted=loaded.trust_law).values


def value_now(table: dict[str, Any], key: str) -> object:
    """What a law's settings hold at a key path below `law.settings.`; None where they say nothing."""
    found: object = table
    for part in key.removeprefix(BELOW).split("."):
        found = found.get(part) if isinstance(found, dict) else None
    return found


def ranges_to_tune(loaded: LoadedScenario, typed: Sequence[Range]) -> tuple[Range, ...]:
    """The ranges to tune over: those typed after --over, or the law's own defaults.

    Raises InputError on a key that is none of the law's settings, on an end of a range that the law refuses, and when
    the law has no default ranges and none was typed.
    """
    table = law_table(loaded)
    chosen = tuple(typed) or _defaults(loaded, table)
    problems: list[Problem] = []
    for one in chosen:
        if not one.key.startswith(BELOW):
            allowed = f"a setting of the law, {BELOW}NAME: bodies and sensors can't be tuned"
            problems.append(Problem("--over", one.key, str(one), allowed))
            continue
        problems += _refused_ends(loaded, one)
    if problems:
        raise InputError(problems)
    return tuple(one._replace(whole=one.whole and type(value_now(table, one.key)) is int) for one in chosen)


def _defaults(loaded: LoadedScenario, table: dict[str, Any]) -> tuple[Range, ...]:
    match loaded.scenario.law.name:
        case "proportional" | "confident" | "yielding":
            by_share = table["gain_fraction_per_N"] is not None
            return (GAIN_BY_SHARE if by_share else GAIN_BY_CURRENT, DEADBAND)
        case "bang-bang":
            # A deadband below half the hysteresis is refused by the law.
            low = max(DEADBAND.low, 0.5 * table["hysteresis_N"])
            return (*(level for level in LEVELS if _by_share(table, level)), DEADBAND._replace(low=low))
        case _:
            known = ", ".join(sorted(table)) or "none that it states"
            allowed = f"KEY=LOW:HIGH; its settings: {known}"
            raise InputError([Problem("--over", "", "nothing, and no default ranges for this law", allowed)])


def _by_share(table: dict[str, Any], level: Range) -> bool:
    """Whether a bang-bang channel's level is a share, not a current or width by hand."""
    channel = value_now(table, level.key.rpartition(".")[0])
    return isinstance(channel, dict) and channel["current_mA"] is None and channel["width_us"] is None


def _refused_ends(loaded: LoadedScenario, one: Range) -> list[Problem]:
    """What the law says against the key itself at either end. A clash of two keys is left to the tries."""
    for end in (one.low, one.high):
        try:
            law_table(with_values(loaded, {one.key: one.plain(end)}))
        except InputError as error:
            own = [problem for problem in error.problems if problem.key == one.key]
            if own:
                return [problem._replace(file="--over") for problem in own]
    return []
