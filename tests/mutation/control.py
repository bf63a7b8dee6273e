"""What the runner is tested with: planted in the tree that gets mutated, never a part of the program."""

from __future__ import annotations


def settled(value: int) -> int:
    """`value` itself: with the plus turned into a minus it still is, with another number it is not."""
    return value + 0
