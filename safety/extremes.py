"""The lowest value of the last while, in bounded memory: eight buckets that together reach back a whole window.

A window of W us is cut into seven buckets of ceil(W / 7); the eighth is the one that is filling. So a value is
forgotten between W and W + W / 7 after it was seen, never earlier: the bound errs on the side of stopping.
"""

from __future__ import annotations

from typing import Final

from thenar.safety.memory import EMPTY, Lowest
from thenar.shared.compiled import step

_BUCKETS: Final = 8


@step
def lowest_after(past: Lowest, value: int, window_us: int, t_us: int) -> Lowest:
    """The buckets with `value` seen at `t_us`. A time within a window before the newest bucket counts as its own."""
    bucket_us = max(1, -(-window_us // (_BUCKETS - 1)))
    elapsed = t_us - past.since_us
    if elapsed >= _BUCKETS * bucket_us or elapsed <= -window_us:
        return Lowest(t_us, value, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)
    kept = past
    while t_us - kept.since_us >= bucket_us:
        kept = Lowest(kept.since_us + bucket_us, EMPTY, kept.b0, kept.b1, kept.b2, kept.b3, kept.b4, kept.b5, kept.b6)
    return Lowest(
        kept.since_us, min(kept.b0, value), kept.b1, kept.b2, kept.b3, kept.b4, kept.b5, kept.b6, kept.b7
    )  # fmt: skip


@step
def lowest_of(kept: Lowest) -> int:
    """The lowest value in all buckets; EMPTY when there is none."""
    return min(kept.b0, kept.b1, kept.b2, kept.b3, kept.b4, kept.b5, kept.b6, kept.b7)
