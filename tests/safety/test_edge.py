"""The edge: any Python object in, whole numbers or a fault out, and never an exception."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.safety.edge import demand_from_numbers_packed, demand_units, estimate_mN, senses_units
from thenar.safety.inputs import ASKED_SIZE, FAULT_NONE, FAULT_SHAPE, FAULT_VALUE, SENSES_SIZE
from thenar.shared.signals import REST, Demand, Stimulus

FINE = Stimulus(12.0, 250.0, 40.0)


class Raises:
    """An object whose every attribute, conversion and comparison raises."""

    def __getattribute__(self, name: str) -> Any:
        raise RuntimeError(name)

    def __float__(self) -> float:
        raise RuntimeError("float")

    def __eq__(self, other: object) -> bool:
        raise RuntimeError("eq")

    def __hash__(self) -> int:
        raise RuntimeError("hash")


class LyingTuple(tuple[Any, ...]):
    """A tuple whose length and entries raise when asked for politely."""

    __slots__ = ()

    def __len__(self) -> int:
        raise RuntimeError("len")

    def __iter__(self) -> Any:
        raise RuntimeError("iter")


class FloatThatRaises(float):
    """A float whose conversion raises."""

    def __float__(self) -> float:
        raise RuntimeError("float")


def test_a_proper_demand_becomes_microamperes_and_microseconds() -> None:
    assert demand_units(Demand(FINE, REST)).tolist() == [FAULT_NONE, 12_000, 250, 25_000, 0, 0, 0]


@pytest.mark.parametrize(
    ("current_mA", "current_uA"),
    [
        (0.0, 0),
        (-0.0, 0),
        (0.0004, 0),
        (0.0005, 1),
        (5.0004, 5_000),
        (5.0005, 5_001),
        (-0.0004, 0),
        (1000.0, 1_000_000),
    ],
)
def test_current_is_rounded_to_the_nearest_microampere(current_mA: float, current_uA: int) -> None:
    assert demand_units(Demand(REST, Stimulus(current_mA, 100.0, 50.0)))[4] == current_uA


@pytest.mark.parametrize(("width_us", "whole_us"), [(0.0, 0), (0.99, 0), (249.99, 249), (-0.5, 0), (10_000.0, 10_000)])
def test_width_is_cut_toward_zero(width_us: float, whole_us: int) -> None:
    assert demand_units(Demand(Stimulus(1.0, width_us, 50.0), REST))[2] == whole_us


@pytest.mark.parametrize(("rate_Hz", "period_us"), [(50.0, 20_000), (30.0, 33_334), (60.0, 16_667), (0.1, 10_000_000)])
def test_a_rate_becomes_the_longer_whole_period(rate_Hz: float, period_us: int) -> None:
    assert demand_units(Demand(Stimulus(1.0, 100.0, rate_Hz), REST))[3] == period_us


NO_NUMBERS: dict[str, object] = {
    "nan": math.nan,
    "infinite": math.inf,
    "minus infinite": -math.inf,
    "none": None,
    "text": "12",
    "bool": True,
    "numpy bool": np.bool_(True),
    "2^31": 2**31,
    "10^400": 10**400,
    "minus one": -1,
    "1e12": 1e12,
    "list": [1.0],
    "complex": 1j,
    "numpy array": np.array(1.0),
    "raising object": Raises(),
    "raising float": FloatThatRaises(1.0),
}
NO_DEMANDS: dict[str, object] = {
    "none": None,
    "text": "rest",
    "number": 3.0,
    "list": [FINE, REST],
    "dict": {"agonist": FINE},
    "empty": (),
    "one channel": (FINE,),
    "no antagonist": (FINE, None),
    "two fields": (FINE, (1.0, 2.0)),
    "raising object": Raises(),
    "raising channels": (Raises(), Raises()),
    "class": object,
    "function": lambda: None,
    "numpy array": np.zeros((2, 3)),
}


@pytest.mark.parametrize("place", range(6))
@pytest.mark.parametrize("name", NO_NUMBERS)
def test_one_unusable_number_anywhere_makes_the_whole_demand_a_fault(place: int, name: str) -> None:
    numbers: list[object] = [12.0, 250.0, 40.0, 3.0, 100.0, 20.0]
    numbers[place] = NO_NUMBERS[name]
    assert demand_units((tuple(numbers[:3]), tuple(numbers[3:]))).tolist() == [FAULT_VALUE, 0, 0, 0, 0, 0, 0]


@pytest.mark.parametrize("name", NO_DEMANDS)
def test_anything_that_is_no_demand_or_lacks_a_field_is_a_value_fault(name: str) -> None:
    assert demand_units(NO_DEMANDS[name]).tolist() == [FAULT_VALUE, 0, 0, 0, 0, 0, 0]


@pytest.mark.parametrize("demand", [(FINE, REST, REST), (FINE, (1.0, 2.0, 3.0, 4.0))])
def test_a_channel_or_field_too_many_is_a_shape_fault(demand: object) -> None:
    assert demand_units(demand).tolist() == [FAULT_SHAPE, 0, 0, 0, 0, 0, 0]


def test_plain_tuples_lying_tuples_and_numpy_scalars_are_read_without_calling_their_methods() -> None:
    plain = ((12, 250, 40), (0, 0, 0))
    expected = demand_units(Demand(FINE, REST)).tolist()
    numpy_scalars = ((np.float32(12.0), np.int64(250), np.float64(40.0)), (np.uint8(0), np.int16(0), np.float16(0)))
    assert demand_units(plain).tolist() == expected
    assert demand_units(numpy_scalars).tolist() == expected
    assert demand_units(LyingTuple(plain)).tolist() == expected


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary() | st.complex_numbers(),
    lambda inner: st.lists(inner, max_size=4) | st.tuples(inner, inner) | st.tuples(inner, inner, inner),
    max_leaves=8,
)


@given(anything)
def test_no_object_makes_the_edge_raise_or_leaves_a_number_beside_a_fault(demand: object) -> None:
    units = demand_units(demand)
    assert units.shape == (ASKED_SIZE,)
    assert units.dtype == np.int64
    assert units[0] == FAULT_NONE or not units[1:].any()
    assert (units >= 0).all()


@given(st.lists(st.floats(), min_size=6, max_size=6))
def test_floats_from_compiled_callers_meet_the_same_edge(values: list[float]) -> None:
    packed = np.zeros(ASKED_SIZE, dtype=np.int64)
    demand_from_numbers_packed(packed, *values)
    assert packed.tolist() == demand_units((tuple(values[:3]), tuple(values[3:]))).tolist()


@pytest.mark.parametrize(
    ("estimate_N", "expected"),
    [(3.2, (3_200, 1)), (-0.0006, (-1, 1)), (math.nan, (0, 0)), (math.inf, (10**9, 1)), (-1e300, (-(10**9), 1))],
)
def test_an_estimate_becomes_millinewton_and_nan_becomes_unknown(estimate_N: float, expected: tuple[int, int]) -> None:
    assert estimate_mN(estimate_N) == expected


def test_senses_are_laid_out_in_order() -> None:
    units = senses_units(3.2, 30_000, 7, 2, 0, True, 30, 1500, 0.75, 900.0, None)
    assert units.tolist() == [3_200, 1, 30_000, 7, 2, 0, 1, 30, 1500, 750, 900, -1, 0, 0, 0, 0]


def test_a_stop_that_cannot_be_read_counts_as_pressed_and_an_arm_as_released() -> None:
    units = senses_units(
        "?", None, "?", Raises(), math.nan, Raises(), 1e300, math.nan, 1.5, -1, math.nan, None, 0, 5.0, "?"
    )
    assert units.tolist() == [0, 0, -1, 0, 1, 1, 0, 0, -1, -1, -1, -1, 0, 1, 5, 1]


@given(st.lists(anything, min_size=15, max_size=15))
def test_no_object_makes_the_senses_raise(values: list[object]) -> None:
    assert senses_units(*values).shape == (SENSES_SIZE,)
