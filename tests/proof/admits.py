"""Claims about the whole decision and the latch: R05, R07, R14, R20 to R24, R27, R31, R33, R34, R36, R37."""

from __future__ import annotations

from typing import Any

from tests.proof.values import either, equal, every, has, higher, implies, opposite, truth
from tests.proof.worlds import Claim, World
from thenar.safety.arming import Findings, next_latch
from thenar.safety.ceilings import bound_demand
from thenar.safety.inputs import LAW_LATE, Asked, Senses
from thenar.safety.interlock import _asked, admit
from thenar.safety.judgement import judge
from thenar.safety.limits import ChannelLimits, Limits
from thenar.safety.memory import ARMED, DISARMED, NEVER, STOPPING, Latch, Memory, halt
from thenar.safety.reasons import R39
from thenar.safety.step_limits import is_silent
from thenar.safety.validity import usable

UNKNOWN = ("judge", "seal_of", "bound_demand", "runs_out")
JUDGES = (
    "the judges, the seal, the end of an on-time and the bounds without memory may give anything (bounds: no negative "
    "current); a ramp lasts 1 us or more, a control period at most 100 ms"
)


class Decision:
    """One control tick with any demand, any memory, any limits and any verdict of the judges."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.limits, self.memory = world.any(Limits, "limits"), world.any(Memory, "memory")
        self.demand, self.senses, self.t_us = (
            world.any(Asked, "demand"),
            world.any(Senses, "senses"),
            world.any(int, "t"),
        )
        self.judged = world.run(judge, self.limits, self.memory, self.demand, self.senses, self.t_us, self.t_us)
        asked = self.demand.agonist
        self.bounds = world.run(bound_demand, self.limits, asked, asked, self.senses)
        for command in (self.memory.agonist.command, self.memory.antagonist.command):
            world.given(command.current_uA >= 0)
        for bounded in self.bounds:
            world.given(bounded.current_uA >= 0)
        world.given(implies(self.memory.latch.trip != 0, self.memory.latch.state == DISARMED))
        world.given(self.limits.loop.control_period_us <= 100_000)
        world.given(self.limits.agonist.ramp_us >= 1, self.limits.antagonist.ramp_us >= 1)
        self.admitted, self.after, self.reasons = world.run(
            admit, self.limits, self.memory, self.demand, self.senses, self.t_us
        )
        given = self.admitted
        self.agonist = given.agonist_current_uA, given.agonist_width_us, given.agonist_period_us
        self.antagonist = given.antagonist_current_uA, given.antagonist_width_us, given.antagonist_period_us
        self.silent = every(given.agonist_current_uA == 0, given.antagonist_current_uA == 0)

    def channels(self) -> list[tuple[ChannelLimits, Any, Any, Any, Any]]:
        """For each channel: limits, memory before, what was asked, bounds without memory, what was admitted."""
        limits, memory, bounds = self.limits, self.memory, self.bounds
        return [
            (limits.agonist, memory.agonist, self.demand.agonist, bounds.agonist, self.agonist),
            (limits.antagonist, memory.antagonist, self.demand.antagonist, bounds.antagonist, self.antagonist),
        ]


def _never_more(world: World) -> None:
    at = Decision(world)
    heard = world.run(usable, at.demand, at.senses)
    late = at.senses.law_fault == LAW_LATE
    for _, before, demand, bounds, (current, width, period) in at.channels():
        asked = world.run(_asked, demand, before.command, heard, late)
        flows = current > 0
        world.show("never below zero", current >= 0)
        world.show("never more current than asked", implies(flows, current <= asked.current_uA))
        world.show("never more width than asked", implies(flows, width <= asked.width_us))
        world.show("never a shorter period than asked", implies(flows, period >= asked.period_us))
        world.show("never more than the bounds gave", current <= bounds.current_uA)
        world.show("no wider, no faster", implies(flows, every(width <= bounds.width_us, period >= bounds.period_us)))


def _kept(world: World) -> None:
    at = Decision(world)
    for limits, _, _, _, (current, width, period) in at.channels():
        flows = current > 0
        world.show("R06", current <= higher(limits.peak_uA, 0))
        world.show("R07", current <= higher(limits.ceiling_uA, 0))
        world.show("R08", implies(flows, every(width >= limits.width_min_us, width <= limits.width_max_us)))
        world.show("R09", implies(flows, current * width <= limits.charge_pC))
        world.show("R10", implies(flows, current * width <= limits.density_charge_pC))
        world.show("R11", implies(flows, period >= limits.period_min_us))
        world.show("R14", implies(flows, current * current * 1_000 * width <= limits.energy_aJ))


def _steps(world: World) -> None:
    at = Decision(world)
    latch = at.after.latch
    for channel, (limits, before, _, _, (current, width, _)) in enumerate(at.channels()):
        flows, last = current > 0, before.command
        rise = either(current <= limits.first_step_uA, current <= last.current_uA + higher(limits.rise_uA, 0))
        world.show("R20", implies(flows, rise))
        now_us = at.after.loop.tick_us
        silent = world.run(is_silent, at.limits.loop, before.train, latch.armed_us, now_us)
        world.show("R21", implies(every(flows, silent), current <= limits.first_step_uA))
        ending = (at.after.agonist, at.after.antagonist)[channel].command.ending_us != NEVER
        world.show("R23", implies(every(flows, ending), current <= last.current_uA))
        ramping = either(latch.state == STOPPING, truth(at.judged.findings.ramp))
        world.show("R22", implies(every(flows, ramping), current <= last.current_uA))
        if channel == 0:
            soft = at.judged.soft == 1
            world.show("R31", implies(every(flows, soft), every(current <= last.current_uA, width <= last.width_us)))


def _silence(world: World) -> None:
    at = Decision(world)
    latch = at.after.latch
    world.show("disarmed is silent", implies(latch.state == DISARMED, at.silent))
    world.show("latched is disarmed", implies(latch.trip != 0, latch.state == DISARMED))
    world.show("a stop is silent", implies(at.senses.stop != 0, at.silent))
    world.show("a stop latches", implies(at.senses.stop != 0, latch.trip == 33))
    world.show("what withholds is silent", implies(truth(at.judged.findings.withhold), at.silent))
    loop = at.limits.loop
    now_us = at.admitted.admitted_us
    world.show("a command ends in time (R03)", at.admitted.expires_us <= now_us + loop.valid_us)
    world.show("the trains stay", equal(at.after.agonist.train, at.memory.agonist.train))
    beyond = either(at.demand.fault != 0, at.demand.agonist.width_us < 0, at.demand.antagonist.current_uA > 1_000_000)
    unheard = every(either(beyond, at.senses.law_fault != 0), at.senses.law_fault != LAW_LATE)
    world.show("what can't be read is silent (R01)", implies(unheard, at.silent))


class Turn:
    """One turn of the latch with anything in it."""

    def __init__(self, world: World) -> None:
        self.limits, self.latch = world.any(Limits, "limits"), world.any(Latch, "latch")
        self.senses, self.findings = world.any(Senses, "senses"), world.any(Findings, "findings")
        self.at_rest, self.silent = world.any(bool, "at_rest"), world.any(bool, "silent")
        mark, self.t_us = world.any(int, "mark"), world.any(int, "t")
        world.given(implies(self.latch.trip != 0, self.latch.state == DISARMED))
        parts = self.limits, self.latch, self.senses, self.findings, self.at_rest, self.silent, mark, self.t_us
        self.after, self.reasons = world.run(next_latch, *parts)
        found = self.findings
        self.clean = opposite(either(truth(found.withhold), truth(found.ramp), truth(found.trip)))


def _latch_stays(world: World) -> None:
    turn = Turn(world)
    latch, after, senses = turn.latch, turn.after, turn.senses
    named = every(senses.rearm_cause == latch.trip, turn.at_rest, turn.clean, latch.trip != 24)
    calm = every(latch.trip != 0, senses.stop == 0)
    world.show(
        "a trip stays unless named, at rest, clean", implies(every(calm, opposite(named)), after.trip == latch.trip)
    )
    world.show("latched is disarmed", implies(after.trip != 0, after.state == DISARMED))
    since_us = turn.t_us - latch.trip_us
    windowed = every(either(latch.trip == 13, latch.trip == 15), since_us < turn.limits.loop.short_window_us)
    world.show("a window's trip waits a window", implies(every(calm, windowed), after.trip == latch.trip))
    world.show("an ended session never clears", implies(every(latch.trip == 24, senses.stop == 0), after.trip == 24))


def _stop_wins(world: World) -> None:
    turn = Turn(world)
    pressed = turn.senses.stop != 0
    world.show("a stop latches in every state", implies(pressed, turn.after.trip == 33))
    world.show("a stop disarms in every state", implies(pressed, turn.after.state == DISARMED))
    broke = every(has(turn.findings.trip, R39), turn.senses.stop == 0, turn.latch.trip == 0)
    world.show("a call that broke off latches in every state", implies(broke, turn.after.trip != 0))
    live = every(turn.latch.state != DISARMED, turn.latch.trip == 0, turn.senses.stop == 0)
    found = truth(turn.findings.trip)
    world.show("any trip latches while armed", implies(every(live, found), turn.after.trip != 0))


def _arms(world: World) -> None:
    turn = Turn(world)
    limits, after = turn.limits, turn.after
    armed = every(turn.latch.state == DISARMED, after.state != DISARMED)
    world.show("only with the switch held", implies(armed, turn.senses.arm != 0))
    world.show("only on a screening that clears (R27)", implies(armed, limits.loop.screening_clear == 1))
    ceiling = either(limits.agonist.ceiling_uA > 0, limits.antagonist.ceiling_uA > 0)
    world.show("only with a ceiling on file (R07)", implies(armed, ceiling))
    world.show("only with nothing that trips", implies(armed, opposite(truth(turn.findings.trip))))
    world.show("only straight to armed", implies(armed, after.state == ARMED))
    released = every(turn.senses.arm == 0, turn.latch.state == ARMED)
    world.show("released is no longer armed", implies(released, after.state != ARMED))


def _halts(world: World) -> None:
    memory, t_us = world.any(Memory, "memory"), world.any(int, "t")
    world.given(implies(memory.latch.trip != 0, memory.latch.state == DISARMED))
    after = world.run(halt, memory, t_us)
    world.show("latched by the stop", after.latch.trip == 33)
    world.show("disarmed", after.latch.state == DISARMED)


LATCHED = "a latched loop is disarmed before the tick (shown again after it: an induction)"

CLAIMS = [
    Claim(
        "R37",
        "a whole decision never gives more than asked or than the bounds without memory gave, on any axis",
        ("admit", "_asked", "_stepped", "limit_rise", "no_further", "rounded", "cut", "_last_check", "_kept"),
        _never_more,
        (
            ("limit_rise", "Bounded(current, width,", "Bounded(top_uA, width,"),
            ("_kept", "given.width_us <= asked.width_us", "True"),
        ),
        JUDGES,
        UNKNOWN,
        long=True,
    ),
    Claim(
        "R37",
        "a whole decision keeps R06 to R11 and R14 whatever the parts before the last look give",
        ("admit", "_last_check", "_kept", "keeps_ceilings", "energy_trip"),
        _kept,
        (
            ("_last_check", "return trip | R37", "return trip"),
            ("energy_trip", "2 * LOAD_OHM", "LOAD_OHM"),
        ),
        JUDGES,
        UNKNOWN,
        long=True,
    ),
    Claim(
        "R20",
        "a whole decision rises by at most one step, starts small, never rises on a ramp or above the soft bound",
        ("admit", "_stepped", "_ending", "_ramp", "limit_rise", "no_further"),
        _steps,
        (
            ("admit", "judged.soft == 1", "judged.soft == 2"),
            ("_stepped", "min(top_uA, memory.command.current_uA), 0)", "top_uA, 0)"),
            ("_stepped", "min(top_uA, memory.command.current_uA), R23)", "top_uA, R23)"),
            ("limit_rise", "max(limits.first_step_uA, command.current_uA + rise_uA)", "command.current_uA + since_us"),
        ),
        JUDGES,
        UNKNOWN,
        long=True,
    ),
    Claim(
        "R34",
        "a disarmed, latched, stopped, withheld or unread loop admits nothing",
        ("admit", "next_latch", "tripped", "usable"),
        _silence,
        (
            ("admit", "live and findings.withhold == 0", "findings.withhold == 0"),
            ("admit", "live and findings.withhold == 0", "live"),
            ("admit", "now_us + limits.loop.valid_us", "now_us + limits.loop.valid_us + 1"),
            ("usable", "senses.law_fault == LAW_FINE", "senses.law_fault != LAW_LATE"),
        ),
        JUDGES + "; " + LATCHED,
        UNKNOWN,
        long=True,
    ),
    Claim(
        "R34",
        "a trip stays until the operator names it, nothing is asked and nothing is wrong; R24 never clears",
        ("next_latch", "_may_clear", "tripped"),
        _latch_stays,
        (
            ("_may_clear", "or not at_rest", ""),
            ("_may_clear", "senses.rearm_cause != latch.trip", "senses.rearm_cause == 0"),
            ("_may_clear", "or latch.trip == 24", ""),
            ("_may_clear", "latch.trip != 13 and", ""),
        ),
        LATCHED,
    ),
    Claim(
        "R33",
        "a stop wins in every state, and whatever trips latches an armed loop",
        ("next_latch", "tripped", "lowest_rule"),
        _stop_wins,
        (
            ("next_latch", "senses.stop != 0", "senses.stop != 0 and now.state != DISARMED"),
            ("tripped", "trip != 33 or", "trip != 32 or"),
            ("next_latch", "findings.trip & R39 or", ""),
            ("lowest_rule", "range(1, RULES + 1)", "range(2, RULES + 1)"),
        ),
        LATCHED,
    ),
    Claim(
        "R05",
        "only the operator's switch arms, with a ceiling on file, a screening that clears and nothing wrong",
        ("next_latch", "_try_to_arm"),
        _arms,
        (
            ("_try_to_arm", "if senses.arm == 0", "if senses.arm == 9"),
            ("_try_to_arm", "limits.loop.screening_clear != 1", "limits.loop.screening_clear == 0"),
            ("_try_to_arm", "limits.antagonist.ceiling_uA <= 0", "limits.antagonist.ceiling_uA <= -5"),
            ("_try_to_arm", "refused = findings.trip", "refused = 0"),
        ),
        LATCHED,
    ),
    Claim(
        "R33",
        "a stop from outside a tick disarms and latches at once, whatever was latched before",
        ("halt", "tripped"),
        _halts,
        (("tripped", "(trip != 33 or latch.trip == 33)", "True"),),
        LATCHED,
    ),
]
