"""A lane between threads: in order, and bounded whatever is put in and however little is taken out."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from thenar.live.session_lane import Lane


def rows(start: int, count: int) -> dict[str, Any]:
    return {"is": "rows", "from": start, "rows": count, "dropped": 0}


@given(counts=st.lists(st.integers(1, 9), max_size=60), taken_at=st.sets(st.integers(0, 59)))
def test_of_rows_that_nobody_took_the_oldest_go_and_each_is_accounted_for(
    counts: list[int], taken_at: set[int]
) -> None:
    lane, put, seen, dropped = Lane(most_rows=20), 0, 0, 0
    for place, count in enumerate([*counts, 1]):
        lane.put(rows(put, count))
        put += count
        if place in taken_at or place == len(counts):
            taken = lane.take()
            assert sum(said["rows"] for said in taken) <= 20
            for said in taken:
                dropped += said["dropped"]
                assert said["from"] == seen + dropped, "a gap that nobody is told of"
                seen += said["rows"]
    assert seen + dropped == put
    assert lane.lost_rows == dropped


@given(kinds=st.lists(st.sampled_from(["event", "state", "rows", "refused"]), max_size=80))
def test_other_messages_are_bounded_too_and_only_the_last_state_is_kept(kinds: list[str]) -> None:
    lane = Lane(most_rows=20, most_others=10)
    for number, kind in enumerate(kinds):
        lane.put(rows(number, 1) if kind == "rows" else {"is": kind, "number": number})
    taken = lane.take()
    others = [said for said in taken if said["is"] != "rows"]
    assert len(others) <= 10
    assert [said["is"] for said in others].count("state") <= 1
    numbers = [said["number"] for said in others]
    assert numbers == sorted(numbers)
    if others:
        assert numbers[-1] == max(number for number, kind in enumerate(kinds) if kind != "rows")
    assert lane.take() == []
