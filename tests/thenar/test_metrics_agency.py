"""Agency measures of a trial against numbers worked out by hand. Definitions: thenar/engine/measures_agency.py."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.thenar.made_trials import made_trial
from thenar.report.metrics import TargetRow, target_rows

NAMES = ("own_impulse_percent", "against_own_percent", "evoked_lead_ms", "over_window_percent", "refusals_per_min")


def the_row(target_N: list[float], force_N: list[float] | None = None, **columns: object) -> TargetRow:
    """The only row of a trial with a trace row every 0.1 s; the force is the target unless given."""
    (row,) = target_rows(made_trial(target_N, force_N or target_N, **columns), moving=False)  # type: ignore[arg-type]
    return row


def stepped(own_N: list[float], agonist_N: list[float], antagonist_N: list[float] | None = None) -> TargetRow:
    """The row of 6 N of a trial that steps from 4 N (5 rows of 10 ms, all forces at their first value) to 6 N."""
    before, after = 5, len(own_N)
    columns = {
        "voluntary_N": own_N,
        "agonist_evoked_N": agonist_N,
        "antagonist_evoked_N": antagonist_N or [0.0] * after,
    }
    held = {name: [values[0]] * before + values for name, values in columns.items()}
    target = [4.0] * before + [6.0] * after
    four, six = target_rows(made_trial(target, target, step_us=10_000, **held), moving=False)
    assert math.isnan(four.value("evoked_lead_ms")), "no step came before the first hold"
    return six


def test_own_impulse_is_the_share_of_the_three_forces_as_sizes() -> None:
    """Own 4 N for 0.3 s (1.2 N s), agonist 2 N for 0.1 s (0.2), antagonist 1 N for 0.2 s (0.2): 1.2 / 1.6."""
    row = the_row(
        [4.0] * 3, voluntary_N=[4.0] * 3, agonist_evoked_N=[2.0, 0.0, 0.0], antagonist_evoked_N=[0.0, 1.0, 1.0]
    )
    assert row.value("own_impulse_percent") == pytest.approx(75.0, rel=1e-12)


def test_own_impulse_is_all_without_stimulation_none_without_a_wearer_and_unknown_without_force() -> None:
    assert the_row([4.0] * 3, voluntary_N=[3.0] * 3).value("own_impulse_percent") == 100.0
    assert the_row([4.0] * 3, agonist_evoked_N=[3.0] * 3).value("own_impulse_percent") == 0.0
    assert math.isnan(the_row([4.0] * 3).value("own_impulse_percent"))


def test_against_own_counts_time_in_which_the_evoked_force_points_the_other_way() -> None:
    """Own force is still up to row 3, grows by 0.125 N a row up to row 9, and is still again; the antagonist holds on.

    Three rows back it was lower by 0.125, 0.25, 0.375 (four times), 0.25 and 0.125 N: at six of 15 rows by 0.2 or more.
    """
    own = [4.0] * 4 + [4.125, 4.25, 4.375, 4.5, 4.625, 4.75] + [4.75] * 5
    row = the_row([4.0] * 15, voluntary_N=own, antagonist_evoked_N=[0.5] * 15)
    assert row.value("against_own_percent") == pytest.approx(100.0 * 6 / 15, rel=1e-12)


@pytest.mark.parametrize(
    ("own_N_per_row", "agonist_N", "antagonist_N", "against"),
    [
        (0.1, 0.0, 0.5, True),
        (0.1, 0.5, 0.0, False),
        (-0.1, 0.5, 0.0, True),
        (-0.1, 0.0, 0.5, False),
        (-0.1, 0.5, 0.6, False),  # what counts is what both do together
        (-0.1, 0.6, 0.5, True),
        (0.06, 0.0, 0.5, False),  # 0.18 N in 0.3 s: too slow to be an intention
        (0.1, 0.0, 0.04, False),  # too little to be a push
        (0.0, 0.5, 0.0, False),
    ],
)
def test_against_own_asks_for_a_push_and_an_opposite_change(
    own_N_per_row: float, agonist_N: float, antagonist_N: float, against: bool
) -> None:
    own = [8.0 + own_N_per_row * row for row in range(13)]
    row = the_row(
        [8.0] * 13, voluntary_N=own, agonist_evoked_N=[agonist_N] * 13, antagonist_evoked_N=[antagonist_N] * 13
    )
    # The first three rows have nothing 0.3 s before them.
    assert row.value("against_own_percent") == pytest.approx(100.0 * 10 / 13 if against else 0.0, rel=1e-12)


def test_the_lead_is_the_own_onset_less_the_evoked_one() -> None:
    """Evoked passes 0.2 N at 50 ms, own at 180 ms after the step: 130 ms, more than the window's 100."""
    row = stepped([3.0] * 18 + [3.2] * 30, [0.0] * 5 + [0.25] * 43)
    assert (row.value("evoked_lead_ms"), row.value("over_window_percent")) == (130.0, 100.0)


@pytest.mark.parametrize(
    ("own_row", "lead_ms", "over_percent"), [(15, 100.0, 0.0), (16, 110.0, 100.0), (2, -30.0, 0.0)]
)
def test_a_lead_of_just_the_window_is_not_over_it(own_row: int, lead_ms: float, over_percent: float) -> None:
    row = stepped([3.0] * own_row + [3.5] * (48 - own_row), [0.0] * 5 + [0.25] * 43)
    assert row.value("evoked_lead_ms") == lead_ms
    assert row.value("over_window_percent") == over_percent


def test_onsets_are_changes_towards_the_new_level() -> None:
    """From 6 down to 4 N an antagonist that comes and an agonist that goes set out; an own force that rises doesn't."""
    target = [6.0] * 5 + [4.0] * 40
    own = [6.0] * 5 + [6.5] * 10 + [5.7] * 30

    def lead_ms(agonist_N: list[float], antagonist_N: list[float]) -> float:
        columns = {"voluntary_N": own, "agonist_evoked_N": agonist_N, "antagonist_evoked_N": antagonist_N}
        four, _ = target_rows(made_trial(target, target, step_us=10_000, **columns), moving=False)
        return four.value("evoked_lead_ms")

    none = [0.0] * 45
    assert lead_ms(none, [0.0] * 9 + [0.3] * 36) == 60.0
    assert lead_ms([1.0] * 11 + [0.7] * 34, none) == 40.0
    assert math.isnan(lead_ms([0.0] * 9 + [0.3] * 36, none)), "evoked force the wrong way only"


def test_an_onset_later_than_a_second_or_none_at_all_gives_no_lead() -> None:
    evoked = [0.0] * 5 + [0.25] * 125
    assert stepped([3.0] * 100 + [3.5] * 30, evoked).value("evoked_lead_ms") == 950.0
    for own in ([3.0] * 101 + [3.5] * 29, [3.0] * 130):
        row = stepped(own, evoked)
        assert math.isnan(row.value("evoked_lead_ms"))
        assert math.isnan(row.value("over_window_percent"))


def test_the_lead_of_a_level_is_the_median_of_its_holds() -> None:
    """Three steps up to 6 N with leads of 20, 50 and 300 ms; over the window is one of three."""
    target, own, agonist = [], [], []
    for lead_rows in (2, 30, 5):
        target += [4.0] * 10 + [6.0] * 40
        own += [3.0] * (15 + lead_rows) + [3.5] * (35 - lead_rows)
        agonist += [0.0] * 15 + [0.4] * 35
    columns = {"voluntary_N": own, "agonist_evoked_N": agonist}
    _, six = target_rows(made_trial(target, target, step_us=10_000, **columns), moving=False)
    assert six.value("evoked_lead_ms") == 50.0
    assert six.value("over_window_percent") == pytest.approx(100.0 / 3.0)


def test_refusals_count_episodes_of_the_wrong_channel_outside_the_band() -> None:
    """Band of 4 N: 0.5 N. Agonist above (one), agonist inside (none), antagonist below (one), agonist below (none)."""
    force = [5.0, 5.0, 4.0, 4.0, 4.4, 3.0, 3.0, 3.0, 3.0, 3.0]
    agonist = [8.0, 8.0, 0.0, 0.0, 8.0, 0.0, 0.0, 0.0, 8.0, 8.0]
    antagonist = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 7.0, 7.0, 0.0, 0.0]
    row = the_row([4.0] * 10, force, agonist_admitted_mA=agonist, antagonist_admitted_mA=antagonist)
    assert row.value("refusals_per_min") == pytest.approx(2 * 60.0 / 1.0)


@pytest.mark.parametrize(("pause_rows", "episodes"), [(1, 1), (2, 1), (3, 2)])
def test_a_pause_of_up_to_200_ms_does_not_end_an_episode(pause_rows: int, episodes: int) -> None:
    wrong = [8.0, 8.0] + [0.0] * pause_rows + [8.0] * (8 - pause_rows)
    row = the_row([4.0] * 10, [6.0] * 10, agonist_admitted_mA=wrong)
    assert row.value("refusals_per_min") == pytest.approx(60.0 * episodes)


def test_an_episode_counts_to_the_hold_in_which_it_began() -> None:
    target = [4.0] * 5 + [5.0] * 5
    trial = made_trial(target, [7.0] * 10, agonist_admitted_mA=[0.0] * 3 + [8.0] * 7)
    four, five = target_rows(trial, moving=False)
    assert four.value("refusals_per_min") == pytest.approx(120.0)
    assert five.value("refusals_per_min") == 0.0


def test_a_moving_target_has_no_lead_but_all_the_rest() -> None:
    own = [4.0 + 0.1 * row for row in range(20)]
    trial = made_trial(own, [9.0] * 20, voluntary_N=own, antagonist_evoked_N=[1.0] * 20, agonist_admitted_mA=[8.0] * 20)
    (row,) = target_rows(trial, moving=True)
    assert math.isnan(row.value("evoked_lead_ms"))
    assert math.isnan(row.value("over_window_percent"))
    assert row.value("against_own_percent") == pytest.approx(100.0 * 17 / 20)
    assert row.value("refusals_per_min") == pytest.approx(30.0)
    assert row.value("own_impulse_percent") == pytest.approx(100.0 * sum(own) / (sum(own) + 20.0))


rows_of_trace = st.tuples(st.sampled_from([3.5, 8.0]), *[st.floats(0.0, 20.0)] * 6)


@given(st.lists(rows_of_trace, min_size=1, max_size=40), st.booleans())
@example([(3.5, 0.0, 13.546833822841425, 0.0, 0.0, 0.0, 0.0)], False)  # 100 times it over itself is more than 100
def test_whatever_happens_shares_lie_between_0_and_100(rows: list[tuple[float, ...]], moving: bool) -> None:
    target, force, own, agonist, antagonist, first_mA, second_mA = (list(column) for column in zip(*rows, strict=True))
    columns = {"voluntary_N": own, "agonist_evoked_N": agonist, "antagonist_evoked_N": antagonist}
    currents = {"agonist_admitted_mA": first_mA, "antagonist_admitted_mA": second_mA}
    for row in target_rows(made_trial(target, force, **columns, **currents), moving=moving):
        for name in ("own_impulse_percent", "against_own_percent", "over_window_percent"):
            assert math.isnan(row.value(name)) or 0.0 <= row.value(name) <= 100.0
        assert 0.0 <= row.value("refusals_per_min") <= 600.0
        assert math.isnan(row.value("evoked_lead_ms")) or abs(row.value("evoked_lead_ms")) <= 1000.0
