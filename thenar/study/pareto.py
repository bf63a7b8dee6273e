"""Which tries no other try beats in everything at once, and which of them lies in the middle."""

from __future__ import annotations

import math
from collections.abc import Sequence

Point = Sequence[float]


def dominates(one: Point, other: Point, larger_better: Sequence[bool]) -> bool:
    """Whether `one` is at least as good as `other` in every objective and better in one (no NaN anywhere)."""
    pairs = [(b, a) if larger else (a, b) for a, b, larger in zip(one, other, larger_better, strict=True)]
    return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)


def front(points: Sequence[Point], larger_better: Sequence[bool]) -> list[int]:
    """Places of the points that none dominates, by the first objective, best first."""
    places = [
        place
        for place, point in enumerate(points)
        if not any(dominates(other, point, larger_better) for other in points)
    ]
    sign = -1.0 if larger_better[0] else 1.0
    return sorted(places, key=lambda place: (sign * points[place][0], place))


def middle(points: Sequence[Point], larger_better: Sequence[bool]) -> int:
    """The place of the point closest to the best of everything, each objective scaled to 0..1 over `points`."""
    best, span = [], []
    for numbers, larger in zip(zip(*points, strict=True), larger_better, strict=True):
        best.append(max(numbers) if larger else min(numbers))
        span.append((max(numbers) - min(numbers)) or 1.0)

    def distance(point: Point) -> float:
        return math.hypot(*((number - b) / s for number, b, s in zip(point, best, span, strict=True)))

    return min(range(len(points)), key=lambda place: (distance(points[place]), place))
