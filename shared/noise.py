"""Noise that is drawn before a trial from counter-based streams.

A stream is named by seed, wearer, trial and purpose. Adding a stream never shifts another, and
two settings of one law meet exactly the same noise.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray


def stream(seed: int, wearer: int, trial: int, name: str) -> np.random.Generator:
    """A Philox generator for one purpose. `seed`, `wearer`, `trial`: integers (no unit), `name`: text."""
    digest = hashlib.sha256(f"{seed}/{wearer}/{trial}/{name}".encode()).digest()
    key = np.frombuffer(digest[:16], dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=key))


def normals(seed: int, wearer: int, trial: int, name: str, count: int) -> NDArray[np.float64]:
    """`count` standard normal numbers (shape (count,), no unit) of the named stream."""
    return stream(seed, wearer, trial, name).standard_normal(count)


def uniforms(seed: int, wearer: int, trial: int, name: str, count: int) -> NDArray[np.float64]:
    """`count` numbers in [0, 1) (shape (count,), no unit) of the named stream."""
    return stream(seed, wearer, trial, name).random(count)
