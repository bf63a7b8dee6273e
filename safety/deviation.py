"""Where a profile is looser than the shipped one it starts from (which way is looser: `safety.bounds`).

A bound that is looser needs a stated reason; a tighter one needs none. Past a hard ceiling no reason helps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from thenar.safety.bounds import Looser, row_of
from thenar.shared.errors import Problem, shown

if TYPE_CHECKING:
    from thenar.safety.profile import LimitProfile


class Deviation(NamedTuple):
    """A bound looser than the default: dotted key, requirement, both values in `unit`, and the reason stated."""

    key: str
    rule: str
    default: float
    value: float
    unit: str
    reason: str

    def __str__(self) -> str:
        return f"{self.key} {amount(self.value, self.unit)} (default {amount(self.default, self.unit)}): {self.reason}"


def amount(value: float, unit: str) -> str:
    """A value with its unit as people read it; shares and counts stand alone."""
    return f"{value:.12g}" if unit == "1" else f"{value:.12g} {unit}"


def deviations_from(profile: LimitProfile, default: LimitProfile) -> tuple[Deviation, ...]:
    """Every bound of `profile` that is looser than in `default`, in file order; `reason` "" where none is stated."""
    return tuple(
        Deviation(key, row.rule, was.value, bound.value, row.unit, bound.reason or "")
        for (key, bound, row), (_, was, _) in zip(profile.bounds(), default.bounds(), strict=True)
        if _is_looser(row.looser, bound.value, was.value)
    )


def _is_looser(way: Looser, value: float, default: float) -> bool:
    if way == "either":
        return value != default
    return value > default if way == "higher" else value < default


def unreasoned(deviations: tuple[Deviation, ...], base: str, file: str) -> list[Problem]:
    """A problem for each bound of `file` that is looser than in the shipped profile `base` without a reason."""
    words = {"higher": "at most", "lower": "at least", "either": "exactly"}
    return [
        Problem(
            file,
            found.key,
            shown(found.value),
            f"{words[row_of(found.key).looser]} {amount(found.default, found.unit)} (the default of {base}), "
            'or reason = "why" beside it',
        )
        for found in deviations
        if not found.reason
    ]
