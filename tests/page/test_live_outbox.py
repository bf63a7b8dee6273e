"""What waits for a page is bounded, keeps its order, and tells what was left out."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from thenar.live import outbox
from thenar.live.outbox import Letter, Outbox


def taken(box: Outbox) -> list[str]:
    texts = []
    while (text := box.take()) is not None:
        texts.append(text)
    return texts


def test_letters_leave_in_the_order_they_came() -> None:
    box = Outbox()
    for number in range(5):
        assert box.put(Letter("rows" if number % 2 else "event", str(number), 1))
    assert taken(box) == ["0", "1", "2", "3", "4"]
    assert box.waiting_bytes() == 0


def test_only_the_newest_state_waits() -> None:
    box = Outbox()
    for number in range(1000):
        box.put(Letter("state", f"state {number}"))
        box.put(Letter("event", f"event {number}"))
    assert [text for text in taken(box) if text.startswith("state")] == ["state 999"]


def test_the_oldest_rows_are_left_out_and_told() -> None:
    box = Outbox()
    piece = "r" * (outbox.ROW_BYTES // 10)
    box.put(Letter("event", "trip"))
    for number in range(25):
        assert box.put(Letter("rows", f"{number:02d}" + piece[2:], 3))
    found = taken(box)
    assert found[0] == "trip"
    assert json.loads(found[1]) == {"is": "left-out", "rows": 45}
    assert [text[:2] for text in found[2:]] == [f"{number:02d}" for number in range(15, 25)]
    assert box.rows_left_out == 45


def test_what_may_not_be_left_out_and_is_too_much_is_reported() -> None:
    box = Outbox()
    half = "e" * (outbox.OTHER_BYTES // 2)
    assert box.put(Letter("event", half))
    assert box.put(Letter("event", half))
    assert not box.put(Letter("event", "one more"))


@given(st.lists(st.tuples(st.sampled_from(["rows", "state", "event", ""]), st.integers(0, 900_000)), max_size=60))
def test_the_outbox_never_holds_more_than_its_bounds_and_loses_only_rows(said: list[tuple[str, int]]) -> None:
    box, taken_in = Outbox(), True
    for kind, size in said:
        if kind == "":
            box.take()
        elif taken_in:
            taken_in = box.put(Letter(kind, "x" * size, 1))
        assert box.waiting_bytes() <= outbox.ROW_BYTES + outbox.OTHER_BYTES + 900_000
    rows = [text for text in taken(box) if text and set(text) == {"x"}]
    assert len(rows) <= len(said)
    assert box.waiting_bytes() == 0
