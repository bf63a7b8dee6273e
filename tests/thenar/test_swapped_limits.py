"""A limit read from the other channel or from the field beside it: the auditor names it, and sees it in the log."""

from __future__ import annotations

import pytest

from tests.safety.interlock_bench import PLAIN
from tests.thenar.swapped_limits import DRIVERS, FIELDS, Swap, broken_when_right, named, seen_in_the_log, swaps

SWAPS = swaps()
IDS = [f"{swap.name} from {swap.source}" for swap in SWAPS]
UNSEEN = {"density_trip_uA_per_cm2"}
NO_CURRENT = {("power_rms_uA", "rectified_pC")}
"""The square of so large a number doesn't fit 64 bits: the interlock trips where it should give more."""
LONG = {"run_us", "on_us", "total_pC"}


@pytest.mark.parametrize("swap", SWAPS, ids=IDS)
def test_a_swap_is_named_by_comparing_what_was_enforced(swap: Swap) -> None:
    assert named(swap) == [f"antagonist.{swap.name}"]


def test_every_bound_but_one_that_cant_bind_is_driven() -> None:
    assert set(FIELDS) - set(DRIVERS) == UNSEEN


@pytest.mark.parametrize("name", [name for name in DRIVERS if not (PLAIN and name in LONG)])
def test_the_run_that_drives_a_bound_passes_when_the_bound_is_right(name: str) -> None:
    assert broken_when_right(name) == ()


LOOSER = [
    swap
    for swap in SWAPS
    if swap.looser and swap.name in DRIVERS and swap[:2] not in NO_CURRENT and not (PLAIN and swap.name in LONG)
]


@pytest.mark.parametrize("swap", LOOSER, ids=[f"{swap.name} from {swap.source}" for swap in LOOSER])
def test_a_loosening_swap_is_seen_in_the_log_without_the_mark(swap: Swap) -> None:
    assert seen_in_the_log(swap)


def table() -> str:
    """Which swap is noticed by what."""
    lines = [f"{'bound of the antagonist':26} {'read from':26} {'is':8} {'numbers':8} rules that fail in the log"]
    for swap in SWAPS:
        way = "looser" if swap.looser else "tighter"
        rules = " ".join(seen_in_the_log(swap)) if swap.name in DRIVERS else "can't bind"
        lines.append(f"{swap.name:26} {swap.source:26} {way:8} {'R35' if named(swap) else 'MISSED':8} {rules or '-'}")
    return "\n".join(lines)


@pytest.mark.campaign
def test_the_table_of_swaps_has_no_gap(capsys: pytest.CaptureFixture[str]) -> None:
    told = table()
    with capsys.disabled():
        print("\n" + told)
    assert "MISSED" not in told


if __name__ == "__main__":
    print(table())
