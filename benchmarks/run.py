"""Every benchmark, side by side in one run: `make bench`."""

from __future__ import annotations

from benchmarks import audit_speed, batch_engine, c_twin, event_engine, interlock_cost, law_process, plant_cost

if __name__ == "__main__":
    print(event_engine.measure(), flush=True)
    print(batch_engine.measure(), flush=True)
    print(c_twin.measure(), flush=True)
    print(plant_cost.measure(), flush=True)
    print(interlock_cost.measure(), flush=True)
    print(law_process.measure(), flush=True)
    print(audit_speed.measure(), flush=True)
