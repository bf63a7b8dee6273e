"""In which order people meet the conditions: balanced Latin squares, randomised blocks, or everyone alike.

Williams ([@williams-1949], from memory): the row 0, 1, n-1, 2, n-2, ... and its n - 1 cyclic shifts
form a Latin square in which, for even n, every ordered pair of neighbours occurs once. For odd n each pair occurs
twice in the square and its mirror image together. So each condition takes each place equally often, and comes just
after each other one equally often.
"""

from __future__ import annotations

from typing import Final

from thenar.shared import noise

SEQUENCE_STREAM: Final = "study-sequences"
BLOCK_STREAM: Final = "study-blocks"

Row = tuple[int, ...]


def williams(conditions: int) -> tuple[Row, ...]:
    """Rows of the design for so many conditions (1 or more), each a permutation of 0 to n - 1: n rows, 2 n for odd n.

    Balanced for place and for what came just before, by exhaustive count for n = 2 to 9. Raises ValueError below 1.
    """
    if conditions < 1:
        raise ValueError("at least one condition")
    first = [(step + 1) // 2 if step % 2 else -step // 2 for step in range(conditions)]
    square = [tuple((start + shift) % conditions for start in first) for shift in range(conditions)]
    if conditions % 2 and conditions > 1:
        square += [row[::-1] for row in square]
    return tuple(square)


def assigned(people: int, sequences: int, seed: int) -> list[int]:
    """The sequence (from 0) of each person: all sequences once, in shuffled order, then all again, and so on.

    No two sequences differ by more than one person. `seed`: the study's; the shuffles have a noise stream of their own.
    """
    found: list[int] = []
    while len(found) < people:
        stream = noise.stream(seed, len(found) // sequences, 0, SEQUENCE_STREAM)
        found += stream.permutation(sequences).tolist()
    return found[:people]


def shuffled_blocks(conditions: int, blocks: int, seed: int, person: int) -> tuple[Row, ...]:
    """`blocks` rows for one person (from 0), each with every condition once in a random order, from an own stream."""
    return tuple(
        tuple(noise.stream(seed, person, block, BLOCK_STREAM).permutation(conditions).tolist())
        for block in range(blocks)
    )
