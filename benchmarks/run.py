"""Every benchmark, side by side in one run: `make bench`."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import event_engine
import plant_cost

if __name__ == "__main__":
    print(event_engine.measure(), flush=True)
    print(plant_cost.measure(), flush=True)
