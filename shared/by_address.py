"""Laws as addresses: a compiled loop calls a law's step through a pointer, so that no law makes it compile anew.

A law's step is `step(numbers, memory, seen, asked) -> None` over 1-d float64 arrays: its constants, what it remembers
(changed in place), an observation (SEEN_SIZE numbers), and the demand to be filled in (ASKED_NUMBERS numbers:
current in mA, width in us and rate in Hz of the agonist, then of the antagonist; NaN when it begins).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numba
from llvmlite import ir
from numba.extending import intrinsic, overload
from numpy.typing import NDArray

from thenar.shared.compiled import CACHED

ASKED_NUMBERS: Final = 6
LawStep = Callable[[NDArray[Any], NDArray[Any], NDArray[Any], NDArray[Any]], None]

types: Final[Any] = numba.types
_FLOATS: Final = types.CPointer(types.float64)
_SIGNATURE: Final = types.int64(_FLOATS, types.int64, _FLOATS, types.int64, _FLOATS, _FLOATS)
_PLACES: Final = types.int64(*[types.int64] * 7)


def by_address(function: Callable[..., int]) -> Any:
    """Compile `function(numbers, n, memory, m, seen, asked) -> int` (pointers and lengths) to be called by address."""
    if numba.config.DISABLE_JIT:
        return function
    return numba.cfunc(_SIGNATURE, cache=CACHED)(function)


def call_step(step: Any, numbers: NDArray[Any], memory: NDArray[Any], seen: NDArray[Any], asked: NDArray[Any]) -> int:
    """Run a law's step: by address in compiled code, as a function in plain Python. 0, or 1 when it raised."""
    try:
        step(numbers, memory, seen, asked)
    except Exception:  # noqa: BLE001 - whatever a law raises is a fault of the law
        return 1
    return 0


@intrinsic
def _call_at(typing, address, numbers, n, memory, m, seen, asked):  # type: ignore[no-untyped-def]  # noqa: ARG001
    def build(_context: Any, builder: Any, _signature: Any, values: Any) -> Any:
        integer, floats = ir.IntType(64), ir.DoubleType().as_pointer()
        kinds = [floats, integer, floats, integer, floats, floats]
        function = builder.inttoptr(values[0], ir.FunctionType(integer, kinds).as_pointer())
        handed = [
            value if kind is integer else builder.inttoptr(value, kind)
            for kind, value in zip(kinds, values[1:], strict=True)
        ]
        return builder.call(function, handed)

    return _PLACES, build


@overload(call_step)  # type: ignore[untyped-decorator]
def _call_step_compiled(step: Any, numbers: Any, memory: Any, seen: Any, asked: Any) -> Any:  # noqa: ARG001
    def call(step: Any, numbers: Any, memory: Any, seen: Any, asked: Any) -> int:
        code: int = _call_at(
            step, numbers.ctypes.data, numbers.size, memory.ctypes.data, memory.size, seen.ctypes.data,
            asked.ctypes.data,
        )  # fmt: skip
        return code

    return call
