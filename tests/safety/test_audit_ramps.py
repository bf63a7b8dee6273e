"""A ramp to zero that one rule after another calls for is one ramp, and the auditor knows it by its line."""

from __future__ import annotations

import pytest

from tests.safety.interlock_bench import limits_for
from thenar.safety.attack.ops import Script, push
from thenar.safety.attack.player import play
from thenar.study.judged import judged, logs_of

LIMITS = limits_for()


@pytest.mark.parametrize("first_ticks", range(1, 26, 4))
def test_a_planned_stop_right_after_a_stale_estimate_goes_on_along_the_same_line(first_ticks: int) -> None:
    script = Script(20_000)
    script.ticks(1)
    script.ticks(60, push(11_000))
    script.ticks(first_ticks, push(11_000), estimate_age_us=400_000)
    script.ticks(30, push(11_000), arm=0)
    found = judged(LIMITS, *logs_of(play(script.ops(), LIMITS))).audit
    assert found.broken == ()
    assert found.row("R22").exercised > 0
    assert found.row("R30").exercised > 0
