"""Claims about the rings behind R12, R13, R15, R16 and R23, and the loop of `whole_root`: by induction."""

from __future__ import annotations

from typing import Any

from tests.proof.sources import Part
from tests.proof.values import chosen, either, every, implies
from tests.proof.worlds import Claim, World
from thenar.safety.ceilings import whole_root
from thenar.safety.memory import (
    CHANNEL_AT,
    CHANNEL_SIZE,
    MEMORY_SIZE,
    SHORT_SLOTS,
    SLOTS_AT,
    SLOTS_SIZE,
    TRAIN_AT,
    TrainMemory,
)
from thenar.safety.windows import _drop_old, bucket_us, next_bucket_us, note_amounts

_BODY = Part(_drop_old, "body", ("array", "sum_at", "slots_at", "slots", "old", "new", "bucket"))
_RANGE = Part(_drop_old, "range", ("slots", "old", "new"))


def _covers(world: World) -> None:
    """Whatever happened in the window lies in a bucket that the ring keeps."""
    window_us, t_us, then_us = (world.any(int, name) for name in ("window", "t", "then"))
    world.given(window_us >= 1, t_us >= 0, then_us >= 0, then_us <= t_us, then_us > t_us - window_us)
    for slots in (SHORT_SLOTS,):
        length_us = world.run(bucket_us, window_us, slots)
        world.show("a bucket lasts 1 us or more", length_us >= 1)
        world.show("whole buckets span the window", length_us * (slots - 1) >= window_us)
        now, then = world.quotient(t_us, length_us), world.quotient(then_us, length_us)
        world.show("not of the future", then <= now)
        world.show("still kept", then >= now - (slots - 1))
        later_us = world.run(next_bucket_us, window_us, slots, t_us)
        world.show("the sum may fall only later", every(later_us > t_us, later_us <= t_us + length_us))
        world.show("when the next bucket begins", world.quotient(later_us, length_us) == now + 1)


def _sums(values: Any, start: int, count: int) -> Any:
    total = values[start]
    for at in range(start + 1, start + count):
        total = total + values[at]
    return total


def _drops(world: World) -> None:
    """The ring's sum is the sum of its slots: one turn of the loop keeps it so."""
    for slots in (SHORT_SLOTS,):
        array, bucket = world.cells(1 + slots, f"array{slots}"), world.any(int, f"bucket{slots}")
        world.given(bucket >= 0, array[0] == _sums(array, 1, slots))
        world.run(_BODY, array, 0, 1, slots, 0, 0, bucket)
        world.show("the sum is that of the slots", array[0] == _sums(array, 1, slots))


def _forgets(world: World) -> None:
    """Only what has left the ring is dropped, and all of it."""
    old, new, kept, gone, dropped = (world.any(int, name) for name in ("old", "new", "kept", "gone", "dropped"))
    world.given(old >= 0, new > old)
    for slots in (SHORT_SLOTS,):
        first, end = world.run(_RANGE, slots, old, new)
        world.given(first <= dropped, dropped < end)
        inside = every(new - slots < kept, kept <= old, kept >= 0)
        same = dropped - world.quotient(dropped, slots) * slots == kept - world.quotient(kept, slots) * slots
        world.show("what is still in the window stays", implies(every(inside, same), False))
        left = every(old - slots < gone, gone <= old, gone <= new - slots)
        apart = new - gone
        alike = new - (apart - world.quotient(apart, slots) * slots)
        world.show("what left the window is dropped", implies(left, every(first <= alike, alike < end)))


def _notes(world: World) -> None:
    """A pulse's amounts go to the slots that are filling, one slot of each ring, and nowhere else."""
    for channel in (0, 1):
        array = world.cells(MEMORY_SIZE, f"memory{channel}")
        amounts = [world.any(int, f"{name}{channel}") for name in ("charge", "square")]
        at, train = SLOTS_AT + channel * SLOTS_SIZE, CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT
        bucket = array[train + TrainMemory._fields.index("short_bucket")]
        place = world.any(int, f"place{channel}")
        world.given(place >= 0, place < MEMORY_SIZE)
        expected = array[place]
        filling = bucket - world.quotient(bucket, SHORT_SLOTS) * SHORT_SLOTS
        world.show("one slot is filling", every(filling >= 0, filling < SHORT_SLOTS))
        for start, amount in zip((at, at + SHORT_SLOTS), amounts, strict=True):
            expected = expected + chosen(place == start + filling, amount, 0)
        world.run(note_amounts, array, channel, *amounts)
        world.show("the filling slots take the amounts, nothing else changes", array[place] == expected)


def _root(world: World) -> None:
    value, root, nearer = (world.any(int, name) for name in ("value", "root", "nearer"))
    world.given(value >= 1)

    def invariant(root: Any, nearer: Any) -> Any:
        halfway = nearer == world.quotient(root + world.quotient(value, root), 2)
        return every(root >= 1, (root + 1) * (root + 1) > value, halfway)

    start = world.run(Part(whole_root, "before", ("value",), ("root", "nearer")), value)
    world.show("it holds at the start", invariant(*start))
    world.given(invariant(root, nearer))
    turns = world.run(Part(whole_root, "test", ("root", "nearer")), root, nearer)
    after = world.run(Part(whole_root, "body", ("value", "root", "nearer"), ("root", "nearer")), value, root, nearer)
    world.show("the guess stays above 0", implies(turns, after[0] >= 1))
    world.show("each turn is nearer", implies(turns, after[0] < root))
    # (root - value // root)^2 >= 0 in whole numbers: the mean of the two is never below the root.
    share = world.quotient(value, root)
    world.show("a square is not negative", (root - share) * (root - share) >= 0)
    world.show("it stays from above", implies(turns, (after[0] + 1) * (after[0] + 1) > value))
    world.show("it holds after the turn", implies(turns, invariant(*after)))
    done = either(turns, every(root * root <= value, value < (root + 1) * (root + 1)))
    world.show("at the end it is the root", done)


CLAIMS = [
    Claim(
        "R12",
        "whatever a closed sliding window holds lies in buckets that the ring keeps (R12, R13, R15, R16)",
        ("bucket_us", "next_bucket_us"),
        _covers,
        (
            ("bucket_us", "-(-window_us // (slots - 1))", "window_us // (slots - 1)"),
            ("bucket_us", "(slots - 1)", "slots"),
            ("next_bucket_us", "t_us // length + 1", "t_us // length"),
        ),
        "times are not negative; windows from 1 us",
        long=True,
    ),
    Claim(
        "R12",
        "dropping a bucket keeps the ring's sum equal to the sum of its slots",
        ("_drop_old",),
        _drops,
        (("_drop_old", "array[sum_at] -= array[slot]", "array[sum_at] -= 1"),),
        "one turn of the loop; a ring of 51 slots as in memory, the sum's place before them",
    ),
    Claim(
        "R12",
        "a ring forgets all that has left its window and nothing that is inside",
        ("_drop_old",),
        _forgets,
        (
            ("_drop_old", "new - slots + 1", "new - slots + 2"),
            ("_drop_old", "old + 1", "old + 2"),
        ),
        "buckets are numbered from 0 and time goes on",
    ),
    Claim(
        "R16",
        "a pulse's amounts go to the slots that are filling and nowhere else",
        ("note_amounts",),
        _notes,
        (
            ("note_amounts", "array[slots + short] += charge_pC", "array[slots + short] = charge_pC"),
            ("note_amounts", "slots + SHORT_SLOTS + short", "slots + short"),
        ),
        "the sums were raised by `fired` before",
    ),
    Claim(
        "R12",
        "whole_root gives the largest integer whose square is at most its value, by induction over its loop",
        ("whole_root",),
        _root,
        (
            ("whole_root", "(root + value // root) // 2", "(root + value // root) // 3"),
            ("whole_root", "root - root // 2", "root - root // 3"),
            ("whole_root", "while nearer < root", "while nearer < root - 1"),
        ),
        "the value is 1 or more (below, it returns 0 at once); the guess falls and stays above 0, so it ends",
    ),
]
