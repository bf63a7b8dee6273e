"""The body as a whole: shares that overlap, the antagonist, handling, the contact, and time that may be cut up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plant_models.body_runs import (
    AGONIST_PULSE,
    ANTAGONIST_PULSE,
    LOOK,
    PUSH,
    Events,
    events,
    in_order,
    last_of,
    ran,
    train_us,
)
from thenar.plant_models.body import (
    BODY_STATE_SIZE,
    HandParams,
    Push,
    body_params,
    pressed_N,
    rested_body,
    store_body_state,
    unpack_body_params,
    unpack_body_state,
)
from thenar.plant_models.settings import Channel, Muscle, Wearer
from thenar.plant_models.voluntary import VoluntaryParams, VoluntaryState, shares_after
from thenar.shared.compiled import flat_floats

WEARER = Wearer()
BODY = body_params(WEARER)
LOOKS = events(LOOK, np.arange(0, 2_000_000, 10_000))

shares = st.floats(0.0, 1.0)
hands = st.builds(
    lambda max_pinch_N, lever_ratio: HandParams(max_pinch_N, lever_ratio, 1.0 / max_pinch_N, 1.0 / 15.0),
    st.floats(5.0, 250.0),
    st.floats(0.0, 3.0),
)


@st.composite
def schedules(draw: st.DrawFn) -> Events:
    """Two seconds of drawn trains on both channels and a drawn push every 50 ms."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    pulses = [
        events(channel, train_us(rng.uniform(5, 90), 2.0, int(rng.integers(0, 100_000))), rng.uniform(0, 1))
        for channel in (AGONIST_PULSE, ANTAGONIST_PULSE)
    ]
    drive, noise, handling_N = rng.uniform(-0.2, 1.2, 40), rng.normal(0, 0.3, 40), rng.normal(0, 40.0, 40)
    return in_order(events(PUSH, np.arange(40) * 50_000, drive, noise, handling_N), *pulses, LOOKS)


@given(schedules())
def test_pinch_is_never_negative_and_never_above_maximum_and_handling(schedule: Events) -> None:
    force = ran(BODY, schedule).force_N
    pushed_N = schedule.values[schedule.what == PUSH, 2].max()
    assert np.all(np.isfinite(force))
    assert np.all(force >= 0.0)
    assert force.max() <= WEARER.max_pinch_N + max(0.0, pushed_N) + 1e-9


@given(schedules())
def test_the_same_events_always_make_the_same_body(schedule: Events) -> None:
    first, second = ran(BODY, schedule), ran(BODY, schedule)
    assert np.array_equal(first.force_N, second.force_N)
    assert np.array_equal(first.voluntary.active, second.voluntary.active)


@given(hands, shares, shares)
def test_own_and_evoked_shares_overlap_and_never_pass_the_maximum(hand: HandParams, own: float, evoked: float) -> None:
    together_N = pressed_N(hand, own, Push(0.0, 0.0, 0.0), evoked * hand.max_pinch_N, 0.0)
    assert together_N == pytest.approx(hand.max_pinch_N * (own + evoked - own * evoked), rel=1e-9, abs=1e-9)
    assert max(own, evoked) * hand.max_pinch_N - 1e-9 <= together_N <= hand.max_pinch_N * (1.0 + 1e-12)


@given(hands, shares, st.floats(0.0, 300.0), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_the_antagonist_only_takes_force_away_through_its_lever(
    hand: HandParams, own: float, agonist_N: float, antagonist_N: float, more_N: float
) -> None:
    still = Push(0.0, 0.0, 0.0)
    without, some, more = (
        pressed_N(hand, own, still, agonist_N, pull_N) for pull_N in (0.0, antagonist_N, antagonist_N + more_N)
    )
    assert without >= some >= more >= 0.0
    assert some == pytest.approx(max(0.0, without - hand.lever_ratio * antagonist_N), rel=1e-9, abs=1e-9)


def test_stimulating_the_antagonist_lowers_a_held_force() -> None:
    hold = events(PUSH, 0, 0.2)
    alone = ran(BODY, in_order(hold, LOOKS)).force_N[1:]
    schedule = in_order(hold, events(ANTAGONIST_PULSE, train_us(40.0, 1.0, 1_000_000), 0.5), LOOKS)
    opposed = ran(BODY, schedule).force_N[schedule.what == LOOK]
    np.testing.assert_allclose(opposed[:101], alone[:101], rtol=1e-4, atol=1e-6)
    assert np.all(opposed[110:] < alone[110:])
    assert alone[-1] - opposed[-1] > 5.0


def test_without_a_lever_the_antagonist_does_nothing() -> None:
    stiff = body_params(WEARER.model_copy(update={"lever_ratio": 0.0}))
    schedule = in_order(events(PUSH, 0, 0.2), events(ANTAGONIST_PULSE, train_us(40.0, 2.0)), LOOKS)
    alone = ran(stiff, in_order(events(PUSH, 0, 0.2), LOOKS)).force_N[1:]
    np.testing.assert_allclose(ran(stiff, schedule).force_N[schedule.what == LOOK], alone, rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("contact_ms", [1.0, 15.0, 200.0])
def test_the_contact_is_a_first_order_lag(contact_ms: float) -> None:
    body = body_params(WEARER.model_copy(update={"contact_ms": contact_ms}))
    look_us = np.array([500, 5_000, 20_000, 300_000])
    force = ran(body, in_order(events(PUSH, 0, 0.0, 0.0, 4.0), events(LOOK, look_us))).force_N[1:]
    np.testing.assert_allclose(force, 4.0 * (1.0 - np.exp(-look_us / 1e3 / contact_ms)), rtol=1e-9)


def test_handling_adds_to_the_force_and_can_lift_the_fingertip_but_not_below_zero() -> None:
    plain, pushed, lifted = (
        ran(BODY, in_order(events(PUSH, 0, 0.1, 0.0, handling_N), LOOKS)).force_N[-1]
        for handling_N in (0.0, 3.0, -50.0)
    )
    assert pushed - plain == pytest.approx(3.0, rel=1e-9)
    assert lifted == 0.0


def test_force_noise_moves_force_at_once_and_by_its_share_of_maximum() -> None:
    quiet, noisy = (ran(BODY, in_order(events(PUSH, 0, 0.3, noise), LOOKS)).force_N[-1] for noise in (0.0, 0.01))
    assert noisy - quiet == pytest.approx(0.01 * WEARER.max_pinch_N, rel=1e-9)


def test_no_time_changes_nothing() -> None:
    before = ran(BODY, in_order(events(AGONIST_PULSE, [0, 20_000], 0.4), events(LOOK, 50_000)))
    again = ran(BODY, events(LOOK, 0), start=last_of(before))
    assert last_of(again) == last_of(before)


@given(schedules())
@settings(max_examples=30)
def test_cutting_time_into_pieces_changes_force_by_less_than_the_integration_error(schedule: Events) -> None:
    # Measured over 380,000 such schedules: median 3.4e-5, one in a thousand 2.8e-4, at most 4.3e-4 of peak force.
    pieces = in_order(schedule, events(LOOK, np.arange(0, 2_000_000, 1_700)))
    whole = ran(BODY, schedule).force_N
    cut = ran(BODY, pieces).force_N
    same = np.searchsorted(pieces.t_us, LOOKS.t_us, side="right") - 1
    here = np.searchsorted(schedule.t_us, LOOKS.t_us, side="right") - 1
    assert np.max(np.abs(cut[same] - whole[here])) < 1e-3 * whole.max()


def test_flat_memory_gives_back_every_number_in_its_place() -> None:
    muscles = Channel(muscle=Muscle(reachable_N=11.0)), Channel(muscle=Muscle(reachable_N=7.0, time_scale=0.9))
    body = body_params(WEARER.model_copy(update={"agonist": muscles[0], "antagonist": muscles[1]}))
    assert unpack_body_params(flat_floats(body)) == body
    memory = np.arange(1.0, BODY_STATE_SIZE + 1.0)
    state = unpack_body_state(memory)
    assert flat_floats(state).tolist() == memory.tolist()
    copy = np.zeros(BODY_STATE_SIZE)
    store_body_state(copy, state)
    assert copy.tolist() == memory.tolist()
    assert unpack_body_state(flat_floats(rested_body(body))) == rested_body(body)


@given(shares, st.lists(st.tuples(st.floats(-0.5, 1.5), st.floats(1e-4, 5e-3)), min_size=1, max_size=60))
def test_active_resting_and_fatigued_shares_always_make_one(start: float, tasks: list[tuple[float, float]]) -> None:
    params = VoluntaryParams(0.5, 0.05, 30.0, 0.0)
    state = VoluntaryState(start, 1.0 - start, 0.0)
    for wanted, h_s in tasks:
        state, middle = shares_after(params, state, min(1.0, max(0.0, wanted)), h_s)
        assert state.active + state.resting + state.fatigued == pytest.approx(1.0, abs=1e-12)
        assert all(-1e-9 <= share <= 1.0 + 1e-9 for share in (*state, middle))


def test_own_force_rises_and_falls_with_a_time_constant_of_a_tenth_of_a_second() -> None:
    # LD = LR = 10 /s: [@xia-frey-law-2008], from memory.
    params = VoluntaryParams(0.0, 0.0, 1.0, 0.0)
    up = VoluntaryState(0.0, 1.0, 0.0)
    for _ in range(100):
        up, _ = shares_after(params, up, 0.4, 0.002)
    assert up.active == pytest.approx(0.4 * (1.0 - np.exp(-2.0)), rel=1e-6)
    down = VoluntaryState(0.4, 0.6, 0.0)
    for _ in range(100):
        down, _ = shares_after(params, down, 0.0, 0.002)
    assert down.active == pytest.approx(0.4 * np.exp(-2.0), rel=1e-6)


def test_rest_restores_fatigued_units_faster_than_work() -> None:
    params = VoluntaryParams(0.0098, 0.00064, 30.0, 0.0)
    spent = VoluntaryState(0.0, 0.5, 0.5)
    at_rest, at_work = (shares_after(params, spent, wanted, 0.005)[0] for wanted in (0.0, 0.01))
    gained = [0.5 - state.fatigued for state in (at_rest, at_work)]
    assert gained[0] == pytest.approx(30.0 * 0.00064 * 0.5 * 0.005, rel=0.01)
    assert gained[0] > 20.0 * gained[1]


def test_a_played_back_wearer_follows_the_drive_at_once_and_never_tires() -> None:
    body = body_params(WEARER, played_back=True)
    schedule = in_order(events(PUSH, [0, 60_000_000], [0.9, 0.2]), events(LOOK, [1, 59_999_999, 60_000_001]))
    active = ran(body, schedule).voluntary.active[schedule.what == LOOK]
    assert active.tolist() == [0.9, 0.9, 0.2]
