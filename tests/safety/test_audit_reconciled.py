"""Pulses reconciled with commands: what holds a pulse back, what no longer does, and how a trial ends (R38, R03)."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.safety.interlock_bench import LIFTED, changed, limits_for
from thenar.safety.audit.bounds import by_name
from thenar.safety.audit.edits import AGONIST, ONE_CHANNEL, REST, Case, Script, latched_from, without_pulses
from thenar.safety.audit.judge import Audit, Auditor
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.audit.verdicts import Verdict
from thenar.safety.limits import Limits
from thenar.safety.rehearsal import Rehearsal, played

LIMITS = limits_for()
PERIOD_US = LIMITS.loop.control_period_us
WINDOWS = {"short_window_us": 200_000, "long_window_us": 1_500_000, "on_gap_us": 200_000, "rest_us": 400_000}
FREE = changed(LIFTED, on_us=10**12, run_us=10**12, total_pC=10**12, rectified_pC=10**12, **WINDOWS)
"""Nothing but what a test sets acts, and windows are short."""
TAKEN_UP = {"run_us": 600_000, "recovery_us": 400_000, "ramp_us": 100_000}


def agonist(current_uA: int, period_us: int, width_us: int = 250) -> tuple[int, ...]:
    """A demand on the agonist alone."""
    return (0, current_uA, width_us, period_us, 0, 0, 0)


STEADILY: Script = ((1, REST, 1), (220, AGONIST, 1))
IN_SHORT_TRAINS: Script = ((1, REST, 1), *((9, AGONIST, 1), (6, REST, 1)) * 20)
IN_TURNS: Script = ((1, REST, 1), *((7, agonist(20_000, 25_000), 1), (7, agonist(9_000, 10_000), 1)) * 10)
FASTER: Script = ((1, REST, 1), (20, agonist(2_000, 100_000, 100), 1), (60, agonist(2_000, 10_000, 400), 1))
HELD: dict[str, tuple[Limits, Script]] = {
    "R12, until a fiftieth ends": (changed(FREE, rms_uA=1_500), IN_TURNS),
    "R16, until a fiftieth ends": (changed(FREE, rectified_pC=40_000_000), IN_TURNS),
    "R23, a run": (changed(FREE, **TAKEN_UP), STEADILY),
    "R23, its window": (changed(FREE, **TAKEN_UP | {"run_us": 10**12, "on_us": 700_000}), STEADILY),
    "R23, in short trains": (changed(FREE, **TAKEN_UP | {"run_us": 10**12, "on_us": 900_000}), IN_SHORT_TRAINS),
    "R40, until it is gentle": (changed(FREE, intensity_slew_pC_per_s2=400_000_000), FASTER),
    "R24, a trip": (changed(FREE, session_us=1_000_000), STEADILY),
}
"""What holds pulses back, and a trial in which it does."""


def audited(limits: Limits, logs: tuple[PulseLog, DecisionLog], end_us: int | None = None) -> Audit:
    """The verdicts with pulses reconciled; the trial ends a control period after its last tick unless told."""
    auditor = Auditor(limits, reconciled=True)
    auditor.feed(*logs)
    auditor.end(int(logs[1].t_us[-1]) + PERIOD_US - 1 if end_us is None else end_us)
    return auditor.result()


def without(pulses: PulseLog, place: int) -> PulseLog:
    """The log without one of its pulses."""
    kept = np.arange(len(pulses.t_us)) != place
    return pulses._replace(**{name: of[kept] for name, of in pulses._asdict().items() if of is not None})


@pytest.mark.parametrize("why", HELD)
def test_a_pulse_that_a_rule_holds_back_is_not_missed_and_most_others_are(why: str) -> None:
    limits, script = HELD[why]
    pulses, decisions = played(limits, script)
    free = played(FREE, script)[0]
    assert pulses.t_us.tolist() != free.t_us.tolist(), "something was held back"
    assert audited(limits, (pulses, decisions)).broken == ()
    places = range(0, len(pulses.t_us), max(len(pulses.t_us) // 8, 1))
    missed = ["R38" in audited(limits, (without(pulses, place), decisions)).broken for place in places]
    assert sum(missed) >= len(missed) // 2


@pytest.mark.parametrize("used_up", [{"run_us": 600_000}, {"on_us": 700_000}])
def test_a_pulse_that_would_use_up_the_on_time_is_not_owed_and_the_last_one_before_it_is(
    used_up: dict[str, int],
) -> None:
    """The log of an interlock without that bound: its commands go on (R35: other limits), its pulses end in time."""
    pulses, decisions = played(FREE, STEADILY)
    within = pulses.t_us <= pulses.t_us[0] + min(
        used_up.get("run_us", 10**9), used_up.get("on_us", 10**9) - FREE.loop.on_gap_us
    )
    kept = pulses._replace(**{name: of[within] for name, of in pulses._asdict().items() if of is not None})
    bounds = changed(FREE, **used_up)
    assert audited(bounds, (kept, decisions)).broken == ("R35",)
    assert audited(bounds, (without(kept, len(kept.t_us) - 1), decisions)).broken == ("R35", "R38")


def test_a_tick_after_a_command_has_expired_may_give_far_less_as_the_on_time_ends() -> None:
    bench = Rehearsal(changed(FREE, tick_max_us=100_000, **TAKEN_UP))
    bench.step(REST)
    while not bench.decisions.reasons[-1] & (1 << 22):
        bench.step(AGONIST)
    at_us = int(bench.decisions.expires_us[-1]) + 20_000
    bench.fire_until(at_us)
    bench.tick(AGONIST, at=at_us)
    assert bench.decisions.reasons[-1] == 1 << 22
    assert bench.decisions.agonist_uA[-2:].tolist() == [12_000, 0]
    assert audited(bench.limits, (bench.pulses, bench.decisions)).broken == ()


@cache
def clean() -> tuple[PulseLog, DecisionLog]:
    """One channel, armed to the end."""
    return played(LIMITS, ONE_CHANNEL[:-1])


def test_ticks_and_pulses_go_on_to_the_end_of_a_trial() -> None:
    pulses, decisions = clean()
    last_us = int(decisions.t_us[-1])
    assert audited(LIMITS, clean()).broken == ()
    found = [audited(LIMITS, clean(), last_us + LIMITS.loop.tick_max_us + more).row("R03").verdict for more in (0, 1)]
    assert found == [Verdict.PASS, Verdict.FAIL]
    silent = without_pulses(len(decisions.t_us) - 3, len(decisions.t_us))(Case(LIMITS, *clean()))
    assert len(silent.pulses.t_us) < len(pulses.t_us)
    assert audited(LIMITS, (silent.pulses, decisions)).broken == ("R38",)


def test_nothing_is_owed_at_the_end_by_a_loop_that_has_latched_or_was_never_reconciled() -> None:
    latched = latched_from(100, 30)(Case(LIMITS, *clean()))
    far_us = int(latched.decisions.t_us[-1]) + 10_000_000
    assert audited(LIMITS, (latched.pulses, latched.decisions), far_us).broken == ()
    auditor = Auditor(LIMITS)
    auditor.feed(*clean())
    auditor.end(far_us)
    assert auditor.result().broken == ()


def test_a_pulse_that_was_owed_before_the_gate_latched_is_missed_and_none_after_it() -> None:
    """The gate latches in the midst of a period, as the charge of a session is used up (R24)."""
    bench = Rehearsal(changed(FREE, total_pC=63_000_000))
    bench.step(REST)
    while bench.decisions.trip[-1] == 0:
        bench.step(agonist(15_000, 12_300))
    trip_us = int(bench.decisions.trip_us[-1])
    assert int(bench.decisions.t_us[-2]) < trip_us < int(bench.decisions.t_us[-1])
    assert audited(bench.limits, (bench.pulses, bench.decisions)).broken == ()
    last = without(bench.pulses, len(bench.pulses.t_us) - 1)
    assert audited(bench.limits, (last, bench.decisions)).broken == ("R38",)


def test_a_pulse_after_its_channel_was_silenced_is_for_r37_to_say() -> None:
    bench = Rehearsal(LIMITS)
    for asked in (REST, *[AGONIST] * 60, REST, REST):
        bench.step(asked)
    pulses, decisions = bench.pulses, bench.decisions
    values = {"trial": 0, "t_us": int(decisions.t_us[-1]) + 5_000, "channel": 0, "current_uA": 800, "width_us": 250}
    values |= {"gap_us": 50, "decisions_before": len(decisions.t_us)}
    stray = pulses._replace(**{name: np.append(getattr(pulses, name), value) for name, value in values.items()})
    assert audited(LIMITS, (pulses, decisions)).broken == ()
    assert audited(LIMITS, (stray, decisions)).broken == ("R37",)


def test_limits_that_were_enforced_are_compared_number_for_number() -> None:
    enforced = by_name(LIMITS)
    enforced["antagonist"]["peak_uA"] += 1
    del enforced["loop"]["rest_us"]
    auditor = Auditor(LIMITS, enforced=enforced)
    auditor.feed(*clean())
    row = auditor.result().row("R35")
    told = {offence.what: (offence.found, offence.allowed) for offence in row.offences}
    name = "limit {} as it was enforced".format
    assert told[name("antagonist.peak_uA")] == (LIMITS.antagonist.peak_uA + 1, LIMITS.antagonist.peak_uA)
    assert told[name("loop.rest_us")] == (-1, LIMITS.loop.rest_us)
    assert row.verdict == Verdict.FAIL


def test_limits_that_were_enforced_are_compared_without_a_decision_log_too() -> None:
    auditor = Auditor(LIMITS, decisions=False, enforced=by_name(LIMITS))
    auditor.feed(clean()[0])
    row = auditor.result().row("R35")
    assert (row.verdict, row.failed) == (Verdict.CANT_JUDGE, 0)
    assert row.note == "needs the log of decisions"
