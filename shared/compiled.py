"""The one door to numba: how step functions are compiled, cached and handed flat memory.

A step is a pure function over NamedTuples of numbers. `step` compiles one for use inside other
compiled code; `entry` compiles one that Python calls, and keeps it in the disk cache. The cache
folder is named by a hash of all step sources and versions, because numba's own cache does not see
an edited callee. `NUMBA_DISABLE_JIT=1` runs everything as plain Python.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final, TypeVar

import llvmlite
import numba
import numpy as np
from numba.extending import overload
from numba.np.unsafe.ndarray import to_fixed_tuple
from numpy.typing import NDArray

Step = TypeVar("Step", bound=Callable[..., Any])

STEP_FOLDERS: Final = (
    "shared",
    "plant_models",
    "controller",
    "safety",
    "safety/attack",
    "safety/audit",
    "engine",
    "thenar/engine",
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


def step(function: Step) -> Step:
    """Compile a pure step for use inside compiled code (plain Python may call it too)."""
    compiled: Step = numba.njit(nogil=True, forceinline=True)(function)
    return compiled


def step_for_all(function: Step) -> Step:
    """As `step`, but compiled once for all callers: numba would compile it anew for every constant passed to it."""
    compiled: Any = numba.njit(nogil=True)(function)
    if hasattr(compiled, "get_call_template"):  # not when numba runs everything as plain Python
        template = compiled.get_call_template
        compiled.get_call_template = lambda args, kws: template(
            tuple(numba.types.unliteral(arg) for arg in args),
            {name: numba.types.unliteral(arg) for name, arg in kws.items()},
        )
    made: Step = compiled
    return made


def entry(function: Step) -> Step:
    """Compile a function that Python calls in a loop, and keep it in the disk cache."""
    compiled: Step = numba.njit(nogil=True, cache=CACHED)(function)
    return compiled


def fixed(array: NDArray[Any], length: int) -> tuple[Any, ...]:
    """The first `length` numbers of a 1-d array as a tuple, for building a NamedTuple of one type."""
    return tuple(array[:length].tolist())


@overload(fixed)  # type: ignore[untyped-decorator]
def _fixed_compiled(array: Any, length: Any) -> Any:  # noqa: ARG001 - numba looks at the names
    def build(array: Any, length: Any) -> Any:
        return to_fixed_tuple(array, length)

    return build


@step
def store(array: Any, values: Any) -> None:
    """Write a NamedTuple whose fields all have one type into a 1-d array of at least its length."""
    for index in range(len(values)):
        array[index] = values[index]


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
