"""The one door to numba: how step functions are compiled, cached and handed flat memory.

A step is a pure function over NamedTuples of numbers. `step` compiles one for use inside other
compiled code; `entry` compiles one that Python calls, and keeps it in the disk cache. The cache
folder is named by a hash of all step sources and versions, because numba's own cache does not see
an edited callee. `NUMBA_DISABLE_JIT=1` runs everything as plain Python.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final, TypeVar

import llvmlite
import numba
import numpy as np
from numba.core.errors import RequireLiteralValue
from numba.extending import intrinsic, overload
from numba.np.arrayobj import load_item, store_item
from numpy.typing import NDArray

Step = TypeVar("Step", bound=Callable[..., Any])
types: Final[Any] = numba.types

STEP_FOLDERS: Final = (
    "shared",
    "plant_models",
    "controller",
    "safety",
    "safety/attack",
    "safety/audit",
    "engine",
    "fit",
    "thenar/engine",
    "thenar/fit",
)


def source_fingerprint(root: Path, folders: Iterable[str] = STEP_FOLDERS) -> str:
    """SHA-256 (first 16 hex digits) over every step source below `root` and the compiler versions."""
    digest = hashlib.sha256()
    digest.update(f"{sys.version} {numba.__version__} {llvmlite.__version__} {np.__version__}".encode())
    for folder in folders:
        for file in sorted((root / folder).glob("*.py")):
            digest.update(f"{folder}/{file.name}\0".encode())
            digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def _cache_home() -> Path:
    for name in ("THENAR_CACHE_DIR", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        if os.environ.get(name):
            return Path(os.environ[name]) / "thenar"
    return Path("~/.cache/thenar").expanduser()


def _open_cache() -> bool:
    """Point numba at the fingerprinted folder. False when no folder can be written: no cache then."""
    try:
        folder = _cache_home() / "steps" / source_fingerprint(Path(__file__).resolve().parent.parent)
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except (OSError, RuntimeError):  # RuntimeError: there is no home folder to be found
        return False
    numba.config.CACHE_DIR = str(folder)
    return True


CACHED: Final = _open_cache()


def compiled_before() -> bool:
    """Whether the disk cache holds compiled steps of these very sources, so that a start takes no compiling."""
    return CACHED and any(Path(numba.config.CACHE_DIR).rglob("*.nbi"))


def ready(compiled: Step) -> bool:
    """Whether a call in this process neither compiles nor loads anything. True where there is no compiler."""
    return bool(getattr(compiled, "signatures", True))


# Without numba's runtime (`_nrt`) no references to arrays are counted, which takes more time than the arithmetic.
def step(function: Step) -> Step:
    """Compile a pure step for use inside compiled code (plain Python may call it too). It makes no arrays."""
    compiled: Step = numba.njit(nogil=True, forceinline=True, _nrt=False)(function)
    return compiled


def step_for_all(function: Step) -> Step:
    """As `step`, but compiled once for all callers: numba would compile it anew for every constant passed to it."""
    compiled: Any = numba.njit(nogil=True, _nrt=False)(function)
    if hasattr(compiled, "get_call_template"):  # not when numba runs everything as plain Python
        template = compiled.get_call_template
        compiled.get_call_template = lambda args, kws: template(
            tuple(numba.types.unliteral(arg) for arg in args),
            {name: numba.types.unliteral(arg) for name, arg in kws.items()},
        )
    made: Step = compiled
    return made


@numba.njit(nogil=True, forceinline=True, _nrt=False, error_model="numpy")  # type: ignore[untyped-decorator]
def over(divisor: float) -> float:
    """1 / `divisor` of a float that can't be zero: compiled, it isn't asked, and several divisions may run at once."""
    return 1.0 / divisor


def entry(function: Step) -> Step:
    """Compile a function that Python calls in a loop, and keep it in the disk cache. It makes no arrays.

    Compiled code that calls it takes it in whole: else the speed hangs on which of the two was compiled first.
    """
    compiled: Step = numba.njit(nogil=True, forceinline=True, cache=CACHED, _nrt=False)(function)
    return _without_a_cache_at_worst(compiled)


def entry_that_allocates(function: Step) -> Step:
    """As `entry`, for a function that makes arrays or copies one onto another: numba then counts references."""
    compiled: Step = numba.njit(nogil=True, cache=CACHED)(function)
    return _without_a_cache_at_worst(compiled)


_refused: list[str] = []


def _without_a_cache_at_worst(compiled: Step) -> Step:
    """Let a disk that is full, or a damaged file in the cache, cost time and a note, never the command."""
    cache: Any = getattr(compiled, "_cache", None)
    if not hasattr(cache, "load_overload"):  # without the compiler
        return compiled
    load, save = cache.load_overload, cache.save_overload

    def load_if_whole(*arguments: Any) -> Any:
        try:
            return load(*arguments)
        except (OSError, EOFError, pickle.UnpicklingError, ValueError, AttributeError, IndexError, KeyError) as error:
            _note(error)
            return None

    def save_if_possible(*arguments: Any) -> None:
        try:
            save(*arguments)
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            _note(error)

    cache.load_overload, cache.save_overload = load_if_whole, save_if_possible
    return compiled


def _note(error: Exception) -> None:
    """Say once a process that the cache is of no use here, and where it is."""
    if not _refused:
        why = getattr(error, "strerror", None) or f"damaged, {type(error).__name__}"
        _refused.append(why)
        folder = numba.config.CACHE_DIR
        sys.stderr.write(f"note: compiled models can't be kept in {folder} ({why}): going on without\n")


def fixed(array: NDArray[Any], length: int, start: int = 0) -> tuple[Any, ...]:
    """`length` numbers of a 1-d array from `start` on as a tuple, for building a NamedTuple of one type."""
    return tuple(array[start : start + length].tolist())


def store(array: NDArray[Any], values: Any, start: int = 0) -> None:
    """Write a NamedTuple whose fields all have one type into a 1-d array from `start` on."""
    array[start : start + len(values)] = values


# Compiled, both read and write memory directly: a slice would count a reference, which costs more than the numbers.
@intrinsic(prefer_literal=True)
def _read(typing, array, length, start):  # type: ignore[no-untyped-def]  # noqa: ARG001
    if not isinstance(length, types.IntegerLiteral):
        raise RequireLiteralValue("how many numbers must be a constant")
    count = length.literal_value

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        data = context.make_array(array)(context, builder, arguments[0]).data
        places = [builder.add(arguments[2], context.get_constant(types.intp, index)) for index in range(count)]
        items = [load_item(context, builder, array, builder.gep(data, [place])) for place in places]
        return context.make_tuple(builder, signature.return_type, items)

    return types.UniTuple(array.dtype, count)(array, length, types.intp), build


@intrinsic
def _write(typing, array, values, start):  # type: ignore[no-untyped-def]  # noqa: ARG001
    def build(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        data = context.make_array(array)(context, builder, arguments[0]).data
        for index, kind in enumerate(values.types):
            place = builder.add(arguments[2], context.get_constant(types.intp, index))
            item = context.cast(builder, builder.extract_value(arguments[1], index), kind, array.dtype)
            store_item(context, builder, array, item, builder.gep(data, [place]))
        return context.get_dummy_value()

    return types.none(array, values, types.intp), build


@overload(fixed)  # type: ignore[untyped-decorator]
def _fixed_compiled(array: Any, length: Any, start: Any = 0) -> Any:  # noqa: ARG001 - numba looks at the names
    def build(array: Any, length: Any, start: Any = 0) -> Any:
        return _read(array, length, start)

    return build if array.layout == "C" else None


@overload(store)  # type: ignore[untyped-decorator]
def _store_compiled(array: Any, values: Any, start: Any = 0) -> Any:  # noqa: ARG001
    def build(array: Any, values: Any, start: Any = 0) -> None:
        _write(array, values, start)

    return build if array.layout == "C" else None


def flat(values: Any) -> list[float]:
    """The numbers of nested NamedTuples in field order, for filling an array that steps unpack."""
    numbers: list[float] = []
    for value in values:
        numbers.extend(flat(value) if isinstance(value, tuple) else [value])
    return numbers


def flat_floats(values: Any) -> NDArray[np.float64]:
    """Nested NamedTuples of numbers as a 1-d float64 array."""
    return np.array(flat(values), dtype=np.float64)


def flat_integers(values: Any) -> NDArray[np.int64]:
    """Nested NamedTuples of integers as a 1-d int64 array. Raises TypeError on anything else."""
    numbers = flat(values)
    for number in numbers:
        if type(number) is not int:
            raise TypeError(f"only integers may enter integer memory, found {number!r}")
    return np.array(numbers, dtype=np.int64)
