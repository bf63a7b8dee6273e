"""What the plant costs by itself: compiled, called per event from Python."""

from __future__ import annotations

import time

from benchmarks.event_engine import demo_trial, recorded_schedule
from thenar.engine.desk import lay_desk
from thenar.engine.instants import advance, strike


def measure() -> str:
    """One line: ms of plant per simulated 120 s, over the demo's own schedule of events."""
    trial = demo_trial()
    schedule = recorded_schedule(trial)
    calls = [(t_us, -1, 0.0) for times in schedule.times_us.values() for t_us in times]
    calls = sorted(calls + schedule.strikes)
    desk = lay_desk(trial)
    begun = time.process_time()
    for t_us, channel, share in calls:
        if channel < 0:
            advance(desk.live, desk.body_params, desk.body_state, t_us)
        else:
            strike(t_us, channel, share, desk.live, desk.body_params, desk.body_state)
    took_s = time.process_time() - begun
    return f"plant alone over {len(calls)} calls of that trial: {1e3 * took_s:.1f} ms"
