"""Laws as one compiled step: the same step runs in every engine. Built-in laws are such laws; a user's law may be.

A class derived from `SteppedLaw` has a static method `step` (see `thenar.shared.by_address`) that uses numbers,
`math` and nothing else; it hands its constants and its first memory to `__init__`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from types import CodeType, FunctionType
from typing import Any, ClassVar, Final, NamedTuple

import numba
import numpy as np
from numba import carray
from numba.core.errors import NumbaError
from numpy.typing import NDArray

from thenar.shared.by_address import ASKED_NUMBERS, LawStep, by_address
from thenar.shared.signals import SEEN_SIZE, Demand, Observation, Stimulus


class NotCompiledError(Exception):
    """Why a law can't run as a compiled step, in words."""


class StepAt(NamedTuple):
    """A law's step, ready for a compiled loop. `step`: its address, or the function itself in plain Python.

    `numbers` and `memory`: 1-d float64. `held`: the compiled object that must live as long as the address is used.
    """

    step: Any
    numbers: NDArray[np.float64]
    memory: NDArray[np.float64]
    held: Any


class SteppedLaw:
    """Base of a law whose tick is one step over numbers."""

    step: ClassVar[Any]
    """A static method `step(numbers, memory, seen, asked)`."""

    def __init__(self, numbers: Iterable[float], memory: Iterable[float] = ()) -> None:
        """`numbers`: the step's constants; `memory`: what it remembers, as it begins (units are the law's own)."""
        self.numbers: NDArray[np.float64] = np.array([*numbers], dtype=np.float64)
        self.memory: NDArray[np.float64] = np.array([*memory], dtype=np.float64)
        self._asked = np.zeros(ASKED_NUMBERS)

    def decide(self, observation: Observation) -> Demand:
        """One control tick. Raises whatever the step raises."""
        t_us, target_N, estimate_N, age_us, stated_sd_N, agonist, antagonist = observation
        seen = np.array([t_us, target_N, estimate_N, age_us, stated_sd_N, *agonist, *antagonist], dtype=np.float64)
        self._asked[:] = math.nan
        plainly_or_compiled(type(self).step)(self.numbers, self.memory, seen, self._asked)
        agonist_mA, agonist_us, agonist_Hz, antagonist_mA, antagonist_us, antagonist_Hz = self._asked.tolist()
        return Demand(
            Stimulus(agonist_mA, agonist_us, agonist_Hz), Stimulus(antagonist_mA, antagonist_us, antagonist_Hz)
        )


_COMPILED: Final[dict[Any, tuple[Any, str]]] = {}
"""By what a step is made of: the compiled step, or None and why it can't be compiled."""
_ADDRESSES: Final[dict[Any, Any]] = {}


def plainly_or_compiled(step: LawStep) -> LawStep:
    """The step compiled where it can be, else as it is: both engines must do the same arithmetic."""
    compiled, _ = _compiled(step)
    found: LawStep = step if compiled is None else compiled
    return found


def step_at(law: object) -> StepAt:
    """The step of a law that is built. Raises NotCompiledError when the law has none or it can't be compiled."""
    if not isinstance(law, SteppedLaw):
        raise NotCompiledError(f"{type(law).__name__} is no SteppedLaw")
    step = type(law).step
    if numba.config.DISABLE_JIT:
        return StepAt(step, law.numbers, law.memory, step)
    key = key_of_step(step)
    if key not in _ADDRESSES:
        known = getattr(type(law), "step_by_address", None)
        _ADDRESSES[key] = _addressed(step) if known is None else known
    held = _ADDRESSES[key]
    return StepAt(held.address, law.numbers, law.memory, held)


def _compiled(step: LawStep) -> tuple[Any, str]:
    """The step compiled for float64 arrays, or None and why not."""
    if numba.config.DISABLE_JIT or hasattr(step, "py_func"):
        return step, ""
    key = key_of_step(step)
    if key not in _COMPILED:
        floats = numba.float64[::1]
        try:
            signature = numba.void(floats, floats, floats, floats)
            _COMPILED[key] = numba.njit(signature, nogil=True, error_model="numpy")(step), ""
        except (NumbaError, TypeError, ValueError) as error:
            _COMPILED[key] = None, str(error).strip().partition("\n")[0]
    return _COMPILED[key]


def _addressed(step: LawStep) -> Any:
    compiled, why = _compiled(step)
    if compiled is None:
        raise NotCompiledError(why)

    def called(numbers: Any, n: int, memory: Any, m: int, seen: Any, asked: Any) -> int:
        try:
            compiled(carray(numbers, (n,)), carray(memory, (m,)), carray(seen, (SEEN_SIZE,)), carray(asked, (6,)))
        except Exception:  # noqa: BLE001 - whatever a law raises is a fault of the law
            return 1
        return 0

    return by_address(called)


def key_of_step(step: Callable[..., Any], above: tuple[Any, ...] = ()) -> Any:
    """What a step is made of: a law file is run anew for each trial, and must not be compiled anew each time.

    A function that it calls by a global name counts by what that is made of. `above`: those being looked at already.
    """
    plain = getattr(step, "py_func", step)
    code = plain.__code__
    if code in above:
        return code
    known = []
    for name in names_in(code):
        value = plain.__globals__.get(name)
        made_of = getattr(value, "py_func", value)
        known.append((name, key_of_step(made_of, (*above, code)) if isinstance(made_of, FunctionType) else repr(value)))
    enclosed = [repr(cell.cell_contents) for cell in plain.__closure__ or ()]
    return code, tuple(known), tuple(enclosed), repr(plain.__defaults__)


def names_in(code: CodeType) -> list[str]:
    """The names that a function's code, or a function inside it, looks up outside itself."""
    inside = [part for part in code.co_consts if isinstance(part, CodeType)]
    return sorted({*code.co_names, *(name for part in inside for name in names_in(part))})
