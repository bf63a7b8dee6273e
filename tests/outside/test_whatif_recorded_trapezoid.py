"""A real recorded force, fed to a law and the interlock: the demand follows the recording, and an auditor agrees.

Source: openhdemg 0.1.2 (PyPI wheel), otb_testfile.mat, one person's voluntary trapezoid (see `recorded_trapezoid`). It
has no target and no estimate: the target is its own trapezoid in straight lines, the estimate is the recorded force
40 times per second, 100 ms late. The percents are taken as newtons. The auditor (`thenar.safety.audit`) shares no
deciding code with the interlock; the law is reckoned again here from its own description.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.outside.conftest import RecordedForce
from tests.scenarios.texts import ON_FILE, loaded
from thenar.fit.recording import Recording
from thenar.safety.audit.judge import Auditor, DecisionLog, PulseLog
from thenar.study.session import session_of
from thenar.study.whatif import WhatIf, whatif

LATE_S = 0.1
DEADBAND_N = 0.3
CORNERS = ([0.0, 2.0, 7.3, 26.6, 31.0, 32.5], [0.0, 0.0, 26.0, 26.0, 0.0, 0.0])
"""The trapezoid in straight lines: times in s, percent of the maximum (by eye)."""


def test_a_real_recording_is_judged_at_every_tick_and_no_pulse_breaks_a_rule(recorded_trapezoid: RecordedForce) -> None:
    force, rate_Hz = recorded_trapezoid
    t_s = np.arange(0.0, force.size / rate_Hz, 0.025)
    sampled_N = np.interp(t_s - LATE_S, np.arange(force.size) / rate_Hz, force)
    columns = {
        "t_s": t_s,
        "target_N": np.interp(t_s, *CORNERS),
        "estimate_N": sampled_N,
        "estimate_age_ms": np.full(t_s.size, 1000.0 * LATE_S),
    }
    study = loaded(
        f"""schema = 1
title = "A recorded trapezoid"
duration_s = 30.0
conditions = ["assisted"]
[wearer]
max_pinch_N = 90.0
[target]
program = "constant"
level_N = 6.0
[law]
name = "proportional"
[law.settings]
deadband_N = {DEADBAND_N}
{ON_FILE}"""
    )
    session = session_of(Recording("session", "trapezoid", "", t_s.size, "", "", columns), study.scenario.estimator)
    found = whatif(session, study)
    tick_s = found.at_ticks("t_us") / 1e6
    row = np.searchsorted(t_s, tick_s + 1e-9, side="right") - 1
    error_N = columns["target_N"][row] - sampled_N[row]
    active = found.at_ticks("trip") == 0
    low, high = active & (error_N > DEADBAND_N), active & (error_N < -DEADBAND_N)
    np.testing.assert_array_equal(found.at_ticks("agonist_asked_uA") > 0, low)
    np.testing.assert_array_equal(found.at_ticks("antagonist_asked_uA") > 0, high)
    assert low.sum() > 50
    assert high.sum() > 50
    pulses = found.pulses
    assert len(pulses["t_us"]) > 50
    assert _broken(found, pulses["width_us"]) == ()
    wider = pulses["width_us"].copy()
    wider[len(wider) // 2] += 1
    assert _broken(found, wider) != ()  # the auditor would have seen a single microsecond too much


def _broken(found: WhatIf, width_us: NDArray[np.int64]) -> tuple[str, ...]:
    """Rules that the auditor finds broken when the pulses have these widths (us)."""
    pulses = found.pulses
    log = PulseLog(
        trial=np.zeros(len(width_us), dtype=np.int64),
        t_us=pulses["t_us"],
        channel=pulses["channel"],
        current_uA=np.rint(1000 * pulses["current_mA"]).astype(np.int64),
        width_us=width_us,
        gap_us=pulses["gap_us"],
    )
    decided = {"trial": np.zeros(len(found.decisions["t_us"]), dtype=np.int64)} | found.decisions
    auditor = Auditor(found.trial.limits())
    auditor.feed(log, DecisionLog(**decided))
    return tuple(auditor.result().broken)
