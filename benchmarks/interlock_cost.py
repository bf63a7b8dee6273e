"""What one decision of the interlock costs: compiled inside a loop as the engines run it, and as plain Python."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import numba

from tests.safety.interlock_bench import Bench, ask, changed, limits_for
from thenar.safety.doors import admit_packed, gate_packed
from thenar.safety.edge import demand_units, senses_units
from thenar.safety.inputs import unpack_asked, unpack_senses
from thenar.safety.interlock import admit
from thenar.safety.memory import unpack_memory

ROUNDS = 3
COMPILED, PLAIN = 1_000_000, 5_000


def running() -> Bench:
    """An armed bench in the middle of a train, in a session that does not end."""
    bench = Bench(changed(limits_for(), session_us=10**14)).armed()
    bench.run(1.0, ask(15.0))
    return bench


@numba.njit
def _decisions(limits, memory, admitted, demand, senses, t_us, count):  # type: ignore[no-untyped-def]
    for index in range(count):
        t_us += 20_000
        senses[3] += 1
        senses[0] = 3_000 + index % 7
        admit_packed(limits, memory, admitted, demand, senses, t_us)
    return t_us


@numba.njit
def _gates(limits, memory, admitted, out, t_us, count):  # type: ignore[no-untyped-def]
    seen = 0
    for _ in range(count):
        seen |= gate_packed(limits, memory, admitted, 0, t_us, out)
    return seen


def _compiled() -> str:
    bench = running()
    demand, senses = demand_units(ask(15.0)), senses_units(3.0, 30_000, 60, 0, 0, 1)
    arrays = bench.limits_array, bench.memory, bench.admitted
    t_us = _decisions(*arrays, demand, senses, bench.t_us, 1)
    _gates(*arrays, bench.out, t_us, 1)
    admits, gates = [], []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        t_us = _decisions(*arrays, demand, senses, t_us, COMPILED)
        admits.append((time.perf_counter() - begun) / COMPILED)
        begun = time.perf_counter()
        _gates(*arrays, bench.out, t_us, COMPILED)
        gates.append((time.perf_counter() - begun) / COMPILED)
    if not bench.is_armed or bench.level()[0] == 0:
        raise RuntimeError("the bench fell silent: that would measure nothing")
    return f"interlock, compiled: admit {1e6 * min(admits):.2f} us, gate {1e6 * min(gates):.2f} us"


def _plain() -> str:
    bench = running()
    demand, senses = unpack_asked(demand_units(ask(15.0))), unpack_senses(senses_units(3.0, 30_000, 60, 0, 0, 1))
    memory, t_us = unpack_memory(bench.memory), bench.t_us + 20_000
    spent = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        for _ in range(PLAIN):
            admit(bench.limits, memory, demand, senses, t_us)
        spent.append((time.perf_counter() - begun) / PLAIN)
    return f"interlock, plain Python: admit {1e6 * min(spent):.1f} us"


def measure() -> str:
    """Two lines: us per decision compiled and as plain Python (a process of its own without the compiler)."""
    plain = subprocess.run(
        [sys.executable, "-m", "benchmarks.interlock_cost"],
        env=os.environ | {"NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    return f"{_compiled()}\n{plain.stdout.strip()}"


if __name__ == "__main__":
    print(_plain())
