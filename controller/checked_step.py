"""A user's compiled law with every index checked: for a law's own process, where a slip harms nobody else.

The step is compiled anew from its Python source with bounds checks, and so is whatever it calls. A negative index is a
slip here too: compiled code without checks would read and write before the array. Canaries lie around the arrays, for
what no check sees. A tick that slipped is repeated in plain Python on arrays that check, which names the index.
"""

from __future__ import annotations

import functools
import math
import traceback
import types
from collections.abc import Callable
from typing import Any, Final

import numba
import numpy as np
from numba.core.dispatcher import Dispatcher
from numba.core.errors import NumbaError
from numba.np import arrayobj
from numpy.typing import NDArray

from thenar.controller.stepped import SteppedLaw, key_of_step, names_in
from thenar.shared.by_address import ASKED_NUMBERS
from thenar.shared.signals import SEEN_SIZE, Demand, Observation, Stimulus

CANARIES: Final = 16
"""Numbers on either side of each array."""
_CANARY: Final = np.frombuffer(b"\xa5\x5a\xc3\x3c\x0f\xf0\x7f\xfb" * CANARIES, dtype=np.float64)
_NAMES: Final = ("numbers", "memory", "seen", "asked")


class SlipError(Exception):
    """A step reached outside one of its arrays. The text names the index."""


class CheckedArray(np.ndarray):
    """A 1-d array whose single numbers can only be reached by an index from 0 to its last place."""

    name = "an array"

    def __array_finalize__(self, source: Any) -> None:
        """A part of an array goes by the name of the whole."""
        self.name = getattr(source, "name", CheckedArray.name)

    def __getitem__(self, place: Any) -> Any:
        """As usual. Raises SlipError outside."""
        self._check(place)
        return super().__getitem__(place)

    def __setitem__(self, place: Any, value: Any) -> None:
        """As usual. Raises SlipError outside."""
        self._check(place)
        super().__setitem__(place, value)

    def _check(self, place: Any) -> None:
        first = place[0] if isinstance(place, tuple) and place else place
        if isinstance(first, (int, np.integer)) and not 0 <= first < len(self):
            raise SlipError(f"index {int(first)} of {self.name}, which has the places 0 to {len(self) - 1}")


class CheckedStep:
    """A stepped law as the loop asks it, with its arrays between canaries."""

    def __init__(self, law: SteppedLaw, file: str) -> None:
        """`law`: built; `file`: whose lines are named. Compiles the step, or keeps it plain where it can't be."""
        self._file = file
        sizes = (law.numbers.size, law.memory.size, SEEN_SIZE, ASKED_NUMBERS)
        self._block = np.empty(sum(sizes) + CANARIES * (len(sizes) + 1))
        self._canaries, arrays, at = [self._block[:CANARIES]], [], CANARIES
        for size in sizes:
            arrays.append(self._block[at : at + size])
            self._canaries.append(self._block[at + size : at + size + CANARIES])
            at += size + CANARIES
        self._arrays: tuple[NDArray[np.float64], ...] = tuple(arrays)
        self._lay_canaries()
        self.numbers, self.memory, self._seen, self._asked = self._arrays
        self.numbers[:], self.memory[:] = law.numbers, law.memory
        step = type(law).step
        self._source = getattr(step, "py_func", step)
        self._compiled = _compiled(self._source)

    def decide(self, observation: Observation) -> Demand:
        """One control tick. Raises SlipError on an index outside, and whatever the step raises."""
        t_us, target_N, estimate_N, age_us, stated_sd_N, agonist, antagonist = observation
        self._seen[:] = (t_us, target_N, estimate_N, age_us, stated_sd_N, *agonist, *antagonist)
        self._asked[:] = math.nan
        if self._compiled is None:
            self._plainly(self._arrays)
        else:
            before = self._block.copy()
            try:
                self._compiled(*self._arrays)
            except IndexError as error:
                self._repeat(before)
                raise SlipError(f"{error}; repeated in plain Python, no index was outside") from None
            if not self._intact():
                self._repeat(before)
                raise SlipError("memory outside the law's arrays was changed; repeated in plain Python, nothing was")
        asked = self._asked.tolist()
        return Demand(Stimulus(*asked[:3]), Stimulus(*asked[3:]))

    def _lay_canaries(self) -> None:
        for band in self._canaries:
            band[:] = _CANARY

    def _intact(self) -> bool:
        """Whether every canary is as it was laid; laid anew where not."""
        if all(band.tobytes() == _CANARY.tobytes() for band in self._canaries):
            return True
        self._lay_canaries()
        return False

    def _repeat(self, before: NDArray[np.float64]) -> None:
        """The same tick in plain Python. Raises SlipError with the index where that slips."""
        at, arrays = CANARIES, []
        for array in self._arrays:
            arrays.append(before[at : at + array.size])
            at += array.size + CANARIES
        self._plainly(tuple(arrays))

    def _plainly(self, arrays: tuple[NDArray[np.float64], ...]) -> None:
        checked = [array.view(CheckedArray) for array in arrays]
        for name, array in zip(_NAMES, checked, strict=True):
            array.name = name
        try:
            plain(self._source)(*checked)
        except SlipError as slip:
            lines = [frame.lineno for frame in traceback.extract_tb(slip.__traceback__) if frame.filename == self._file]
            where = f", in line {lines[-1]}" if lines else ""
            raise SlipError(f"{slip}{where}") from None


def check_all_indices() -> None:
    """From now on whatever this process compiles checks every index, and nothing is taken from a disk cache."""
    numba.config.BOUNDSCHECK = 1
    arrayobj.fix_integer_index = _not_wrapped_round
    dispatcher: Any = Dispatcher
    dispatcher.enable_caching = lambda _self: None


def _not_wrapped_round(context: Any, builder: Any, kind: Any, index: Any, _size: Any) -> Any:
    """In place of numba's own, which counts a negative index from the end: the check then finds it below 0."""
    return context.cast(builder, index, kind, numba.types.intp)


_COMPILED: Final[dict[Any, Any]] = {}
"""By what a step is made of: compiled with checks, or None where it can't be."""


def _compiled(source: Callable[..., None]) -> Any:
    if numba.config.DISABLE_JIT:
        return None
    key = key_of_step(source)
    if key not in _COMPILED:
        floats = numba.float64[::1]
        signature = numba.void(floats, floats, floats, floats)
        try:
            _COMPILED[key] = numba.njit(signature, nogil=True, error_model="numpy", boundscheck=True)(source)
        except (NumbaError, TypeError, ValueError):
            _COMPILED[key] = None
    return _COMPILED[key]


def plain(function: Callable[..., Any], known: dict[int, Any] | None = None) -> Callable[..., Any]:
    """The function as plain Python, and so whatever compiled function it calls by a global name."""
    known = {} if known is None else known
    source: Any = getattr(function, "py_func", function)
    if not isinstance(source, types.FunctionType):
        return function
    if id(source) in known:
        found: Callable[..., Any] = known[id(source)]
        return found
    around = dict(source.__globals__)
    twin = types.FunctionType(source.__code__, around, source.__name__, source.__defaults__, source.__closure__)
    twin.__kwdefaults__ = source.__kwdefaults__
    known[id(source)] = functools.update_wrapper(twin, source)
    for name in names_in(source.__code__):
        if hasattr(around.get(name), "py_func"):
            around[name] = plain(around[name], known)
    return twin
