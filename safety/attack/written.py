"""What attacks are written with: a train that rises, and values around a bound."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from thenar.safety.attack.ops import Script, push
from thenar.safety.limits import Limits

Written = Callable[[Limits, Script], Limits]


def armed(script: Script, asked: tuple[int, ...], ticks: int = 40, **senses: int) -> None:
    """A tick at rest that arms, then a push that rises."""
    script.ticks(1)
    script.ticks(ticks, asked, **senses)


def around(script: Script, bound: int, step: int, ask: Callable[[int], tuple[int, ...]], ticks: int = 40) -> None:
    """Trains that ask for less than a bound, for it and for more, each from rest."""
    for value in (bound - step, bound - 1, bound, bound + 1, bound + step, 2 * bound):
        armed(script, ask(value), ticks)
        script.ticks(2)


STRONG: Final = push(50_000, 400, 10_000)
"""Far beyond every bound over a second."""
