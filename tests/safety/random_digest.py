"""One number for everything that random schedules leave behind; printed when run, so that two processes can compare."""

from __future__ import annotations

import hashlib

import numpy as np

from tests.safety.attacks import LIMIT_SETS, attack
from tests.safety.interlock_bench import Bench


def digest() -> str:
    """SHA-256 over every command, reason, pulse and the final memory of four schedules."""
    found = hashlib.sha256()
    for seed, limits in enumerate(LIMIT_SETS.values()):
        bench = Bench(limits)
        attack(bench, np.random.default_rng(seed), 600)
        found.update(repr((bench.history, bench.pulses, bench.memory.tolist())).encode())
    return found.hexdigest()


if __name__ == "__main__":
    print(digest())
