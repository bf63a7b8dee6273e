"""What campaigns of drawn truths hold intervals to: that they cover the truth in 90 to 99 of 100."""

from __future__ import annotations

from collections.abc import Mapping

from scipy.stats import binom

CHANCE = 0.025
"""A number fails when so few (many) inside would come by chance this seldom were its coverage 90 % (99 %)."""


def outside_90_to_99(told: Mapping[str, int], held: Mapping[str, int]) -> dict[str, str]:
    """The numbers whose coverage can't be 90 to 99 %, in words. `told`: draws with interval, `held`: truth inside."""
    found = {}
    for name, count in told.items():
        if binom.cdf(held[name], count, 0.90) < CHANCE:
            found[name] = f"too seldom, {held[name]} of {count}"
        if binom.sf(held[name] - 1, count, 0.99) < CHANCE:
            found[name] = f"too often, {held[name]} of {count}"
    return found
