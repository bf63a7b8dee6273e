"""What a pulse fires, how it feels, and how much of it flows through the pads."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from thenar.plant_models.electrode import ElectrodeParams, delivered_mA, electrode_params, load_ohm
from thenar.plant_models.recruitment import (
    RecruitmentParams,
    felt_share,
    motor_threshold_mA,
    recruited_share,
    recruitment_params,
)
from thenar.plant_models.settings import Electrode, Recruitment

axons = st.builds(
    RecruitmentParams,
    rheobase_mA=st.floats(0.3, 20.0),
    chronaxie_us=st.floats(20.0, 1000.0),
    median_over_motor=st.floats(1.05, 4.0),
    spread=st.floats(0.05, 1.0),
    sensory_over_motor=st.floats(0.1, 0.9),
)
pads = st.builds(
    ElectrodeParams,
    series_ohm=st.floats(10.0, 20_000.0),
    parallel_ohm=st.floats(10.0, 200_000.0),
    skin_tau_us=st.floats(1.0, 5_000.0),
    compliance_V=st.floats(1.0, 500.0),
)
currents = st.floats(0.0, 100.0)
widths = st.floats(1.0, 1000.0)
contacts = st.floats(0.01, 1.0)


@given(axons, currents, currents, widths)
def test_more_current_never_recruits_or_feels_less(
    params: RecruitmentParams, low_mA: float, more_mA: float, width_us: float
) -> None:
    for share in (recruited_share, felt_share):
        less, more = share(params, low_mA, width_us), share(params, low_mA + more_mA, width_us)
        assert 0.0 <= less <= more <= 1.0


@given(axons, currents, widths, widths)
def test_a_wider_pulse_never_recruits_or_feels_less(
    params: RecruitmentParams, current_mA: float, width_us: float, wider_us: float
) -> None:
    for share in (recruited_share, felt_share):
        assert share(params, current_mA, width_us) <= share(params, current_mA, width_us + wider_us)


@given(axons, st.one_of(st.just(0.0), st.floats(-10.0, 0.0)), widths)
def test_without_current_or_width_nothing_fires_and_nothing_is_felt(
    params: RecruitmentParams, nothing: float, width_us: float
) -> None:
    for share in (recruited_share, felt_share):
        assert share(params, nothing, width_us) == 0.0
        assert share(params, 5.0, nothing) == 0.0


@given(axons, widths)
def test_half_is_recruited_at_the_median_and_a_sixth_more_or_less_per_spread(
    params: RecruitmentParams, width_us: float
) -> None:
    median_mA = motor_threshold_mA(params, width_us) * params.median_over_motor
    assert recruited_share(params, median_mA, width_us) == pytest.approx(0.5, abs=1e-9)
    one_up = median_mA * math.exp(params.spread)
    assert recruited_share(params, one_up, width_us) == pytest.approx(0.841344746, abs=1e-6)
    assert recruited_share(params, median_mA * median_mA / one_up, width_us) == pytest.approx(0.158655254, abs=1e-6)


@given(axons, widths)
def test_pulses_are_felt_from_the_sensory_threshold_and_fully_from_the_motor_threshold(
    params: RecruitmentParams, width_us: float
) -> None:
    motor_mA = motor_threshold_mA(params, width_us)
    sensory_mA = params.sensory_over_motor * motor_mA
    assert felt_share(params, 0.999 * sensory_mA, width_us) == 0.0
    assert 0.0 < felt_share(params, 0.5 * (sensory_mA + motor_mA), width_us) < 1.0
    assert felt_share(params, 1.001 * motor_mA, width_us) == 1.0


def test_the_default_motor_threshold_moves_little_and_the_ceiling_almost_everything() -> None:
    # Not from a paper: what the settings' own words promise.
    settings = Recruitment()
    params = recruitment_params(settings)
    motor_mA = motor_threshold_mA(params, 200.0)
    assert motor_mA == 8.0
    assert recruited_share(params, motor_mA, 200.0) < 0.05
    assert recruited_share(params, settings.tolerance_over_motor * motor_mA, 200.0) > 0.95


@given(pads, currents, widths, contacts)
def test_pads_never_pass_more_than_asked_or_than_the_voltage_allows(
    params: ElectrodeParams, current_mA: float, width_us: float, contact: float
) -> None:
    flowing_mA = delivered_mA(params, current_mA, width_us, contact)
    assert 0.0 <= flowing_mA <= current_mA
    voltage_V = 1e-3 * flowing_mA * load_ohm(params, width_us, contact)
    assert voltage_V <= params.compliance_V * (1.0 + 1e-9)
    assert flowing_mA == current_mA or voltage_V == pytest.approx(params.compliance_V, rel=1e-9)


@given(pads, currents, widths, contacts, contacts)
def test_a_lifting_pad_has_more_load_and_passes_less(
    params: ElectrodeParams, current_mA: float, width_us: float, contact: float, other: float
) -> None:
    loose, firm = sorted((contact, other))
    assert load_ohm(params, width_us, loose) >= load_ohm(params, width_us, firm)
    assert load_ohm(params, width_us, loose) * loose == pytest.approx(load_ohm(params, width_us, 1.0), rel=1e-12)
    assert delivered_mA(params, current_mA, width_us, loose) <= delivered_mA(params, current_mA, width_us, firm)


def test_no_contact_is_an_open_circuit() -> None:
    params = electrode_params(Electrode())
    assert load_ohm(params, 200.0, 0.0) == math.inf
    assert delivered_mA(params, 20.0, 200.0, 0.0) == 0.0


@given(pads, widths)
def test_the_load_goes_from_the_series_resistance_to_the_sum_as_the_skin_charges(
    params: ElectrodeParams, width_us: float
) -> None:
    assume(params.parallel_ohm > 1e-3 * params.series_ohm)
    load = load_ohm(params, width_us, 1.0)
    assert params.series_ohm <= load <= params.series_ohm + params.parallel_ohm
    assert load_ohm(params, 1e-9, 1.0) == pytest.approx(params.series_ohm, rel=1e-3)
    assert load_ohm(params, 50.0 * params.skin_tau_us, 1.0) == pytest.approx(params.series_ohm + params.parallel_ohm)
