"""A limit read from the other channel or from the field beside it: the auditor names it, and sees it in the log."""

from __future__ import annotations

import pytest

from tests.safety.interlock_bench import PLAIN
from tests.thenar.swapped_limits import DRIVERS, FIELDS, Swap, broken_when_right, named, seen_in_the_log, swaps
from tests.thenar.swapped_runs import HEAD, UNREACHED, Found, audited, line_of, noticed

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


IN_A_RUN = [swap for swap in LOOSER if swap.name not in UNREACHED]
QUICK = {("charge_pC", "agonist"), ("period_min_us", "rms_uA"), ("ohm_min", "agonist")}
"""A bound of a pulse, one of time and one of what is sensed: the campaign audits all."""


def test_every_bound_but_those_that_no_run_can_reach_is_driven_in_one() -> None:
    assert set(UNREACHED) <= set(FIELDS)
    assert set(FIELDS) - set(UNREACHED) <= set(DRIVERS)


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(name for name, _ in QUICK))
def test_the_finished_run_that_drives_a_bound_passes_when_the_bound_is_right(name: str) -> None:
    assert audited(name) == Found((), by_number=False)


@pytest.mark.slow
@pytest.mark.parametrize("swap", [swap for swap in IN_A_RUN if swap[:2] in QUICK], ids=lambda swap: swap.name)
def test_a_loosening_swap_is_seen_in_a_finished_run_s_pulses_without_the_mark(swap: Swap) -> None:
    found = audited(swap.name, swap)
    assert found.by_number
    assert found.in_the_log


@pytest.mark.campaign
def test_the_table_of_swaps_has_no_gap(capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print(f"\n{HEAD}")
        for swap in SWAPS:
            found = noticed(swap)
            print(line_of(swap, found))
            assert not found.missed
            assert swap not in IN_A_RUN or (found.by_audit is not None and found.by_audit.in_the_log)


@pytest.mark.campaign
@pytest.mark.parametrize("name", [name for name in DRIVERS if name not in UNREACHED])
def test_every_finished_run_that_drives_a_bound_passes_when_the_bound_is_right(name: str) -> None:
    assert audited(name) == Found((), by_number=False)
