"""Steps of the auditor alone: lines of readings that are full, and clocks that step back."""

from __future__ import annotations

import os

import pytest

from thenar.safety.audit.memory import LOW_FORCE, NET, READINGS, keep_lowest, new_memory, window_net

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

WINDOW_US = 1_000_000


def test_a_full_line_pushes_out_the_oldest_reading_and_nothing_else() -> None:
    lines = new_memory().lines
    lowest = [keep_lowest(lines, LOW_FORCE, at, 5 + at, WINDOW_US) for at in range(READINGS + 2)]
    assert lowest == [5] * READINGS + [6, 7]


def test_a_line_forgets_what_is_a_whole_window_old_or_lies_after_a_clock_that_stepped_back() -> None:
    lines = new_memory().lines
    found = [keep_lowest(lines, LOW_FORCE, at, value, 100) for at, value in ((0, 1), (99, 5), (100, 9), (99, 8))]
    assert found == [1, 1, 5, 8]


@pytest.mark.parametrize("channel", [0, 1])
def test_a_net_charge_holds_a_closed_window_and_begins_anew_when_the_clock_steps_back(channel: int) -> None:
    memory = new_memory()
    own = memory.channels[channel]
    ticks = ((0, 7), (60, -2), (100, 30), (101, 0), (50, 4), (60, 1))
    found = [window_net(memory.lines, own, channel, at, net_pC, 100) for at, net_pC in ticks]
    assert found == [7, 5, 35, 28, 4, 5]
    assert memory.lines.ends[NET + 1 - channel].tolist() == [0, 0]


def test_a_full_line_of_net_charges_drops_the_oldest() -> None:
    memory = new_memory()
    own = memory.channels[0]
    found = [window_net(memory.lines, own, 0, at, at + 1, WINDOW_US) for at in range(READINGS + 1)]
    assert found[READINGS - 1] == READINGS * (READINGS + 1) // 2
    assert found[READINGS] == found[READINGS - 1] + READINGS + 1 - 1
