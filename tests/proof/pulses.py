"""Claims about the gate and the budgets of a train: R03, R11 to R13, R15 to R17, R21, R23 to R26, R34, R37, R40."""

from __future__ import annotations

from typing import Any

from tests.proof.values import chosen, either, equal, every, has, higher, implies, opposite, truth
from tests.proof.worlds import Claim, World
from thenar.safety.budget import Command, budget_of, fired, runs_out
from thenar.safety.ceilings import density_rms_uA, keeps_ceilings
from thenar.safety.gate import command_of, gate
from thenar.safety.intensity import Intensity, intensity_of
from thenar.safety.interlock import Admitted
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.memory import DISARMED, ChannelMemory, Memory, TrainMemory
from thenar.safety.reasons import R13, R15, R23
from thenar.safety.step_limits import is_silent
from thenar.safety.windows import filling_since_us, ramp_room_us


class Pulse:
    """One pulse that `budget_of` let through and `fired` noted, with anything before it."""

    def __init__(self, world: World) -> None:
        self.limits, self.loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
        self.own, self.command = world.any(ChannelMemory, "own"), world.any(Command, "command")
        t_us, gap_us = world.any(int, "t"), world.any(int, "gap")
        world.given(self.command.current_uA >= 0, self.command.width_us >= 0, self.command.period_us >= 0)
        world.given(self.loop.on_gap_us >= 0, t_us >= self.own.train.pulse_us, self.loop.short_window_us >= 1)
        world.given(self.loop.long_window_us >= 1)
        self.budget = world.run(budget_of, self.limits, self.loop, self.own, self.command, t_us)
        self.after: TrainMemory = world.run(fired, self.own, self.command, self.budget, gap_us, t_us)
        self.leaves = opposite(either(truth(self.budget.trip), truth(self.budget.withhold)))
        self.t_us = t_us


def _square_bound(rms_uA: Any, loop: LoopLimits) -> Any:
    return rms_uA * rms_uA * loop.short_window_us


def _r12(world: World) -> None:
    pulse = Pulse(world)
    world.show(
        "the sum", implies(pulse.leaves, pulse.after.window_uA2_us <= _square_bound(pulse.limits.rms_uA, pulse.loop))
    )
    square = 2 * pulse.command.current_uA * pulse.command.current_uA * pulse.command.width_us
    world.show("the pulse is in it", pulse.after.window_uA2_us == pulse.own.train.window_uA2_us + square)


def _r13(world: World) -> None:
    pulse = Pulse(world)
    share, limits = pulse.own.command.contact_per_mille, pulse.limits
    low = world.run(density_rms_uA, limits, limits.density_rms_uA_per_cm2, share)
    high = world.run(density_rms_uA, limits, limits.density_trip_uA_per_cm2, share)
    world.show("the sum", implies(pulse.leaves, pulse.after.window_uA2_us <= _square_bound(low, pulse.loop)))
    over = pulse.own.train.window_uA2_us > _square_bound(high, pulse.loop)
    world.show("far above it trips", has(pulse.budget.trip, R13) == over)


def _r15(world: World) -> None:
    pulse = Pulse(world)
    over = pulse.after.window_uA2_us > _square_bound(pulse.limits.power_rms_uA, pulse.loop)
    world.show("a pulse above it trips, one below does not", has(pulse.budget.trip, R15) == over)


def _r16(world: World) -> None:
    pulse = Pulse(world)
    world.show("the sum", implies(pulse.leaves, pulse.after.window_pC <= pulse.limits.rectified_pC))
    charge_pC = 2 * pulse.command.current_uA * pulse.command.width_us
    world.show("the pulse is in it", pulse.after.window_pC == pulse.own.train.window_pC + charge_pC)


def _r23(world: World) -> None:
    pulse = Pulse(world)
    world.given(pulse.own.train.pulse_us >= 0)
    before, after = pulse.own.train, pulse.after
    world.show("the long window", implies(pulse.leaves, after.on_us - before.gone_us <= pulse.limits.on_us))
    world.show("the run", implies(pulse.leaves, pulse.t_us - after.run_since_us <= pulse.limits.run_us))
    rested = pulse.t_us - before.pulse_us >= pulse.loop.rest_us
    stays = every(after.run == before.run, after.run_since_us == before.run_since_us)
    world.show("without a rest a run goes on", implies(opposite(rested), stays))
    begins = every(after.run == before.run + 1, after.run_since_us == pulse.t_us)
    world.show("a rest begins a new run", implies(rested, begins))


def _runs(world: World) -> None:
    """One step of an induction: what came before a run and the run itself, to the gap after its pulse, are all."""
    pulse = Pulse(world)
    before, after, gap_us = pulse.own.train, pulse.after, pulse.loop.on_gap_us
    past_us = world.any(int, "on-time before the run")
    world.given(before.on_us == past_us + before.pulse_us + gap_us - before.run_since_us)
    world.given(pulse.loop.rest_us >= gap_us)
    rested = pulse.t_us - before.pulse_us >= pulse.loop.rest_us
    now_us = chosen(rested, before.on_us, past_us)
    world.show("they still are", after.on_us == now_us + after.pulse_us + gap_us - after.run_since_us)
    apart = after.run_since_us >= before.pulse_us + gap_us
    world.show("a new run begins after the last one has ended", implies(rested, apart))
    world.show("the on-time never falls", after.on_us >= before.on_us)


def _ramp_fits(world: World) -> None:
    """Ghosts: a pulse at `later`, and what is gone by then of the on-time that is gone when the ramp has ended."""
    limits, loop, own = (
        world.any(ChannelLimits, "limits"),
        world.any(LoopLimits, "loop"),
        world.any(ChannelMemory, "own"),
    )
    command, t_us, later_us, gone_us = (
        world.any(Command, "command"),
        *(world.any(int, n) for n in ("t", "later", "gone")),
    )
    until_us = t_us + world.run(ramp_room_us, limits, loop, own.command.current_uA)
    world.given(loop.on_gap_us >= 0, loop.rest_us >= loop.on_gap_us, limits.run_us >= 0, own.train.pulse_us <= t_us)
    world.given(t_us <= later_us, later_us <= until_us)
    world.given(gone_us <= own.train.gone_us, own.train.gone_us - gone_us <= until_us - later_us)
    out = world.run(runs_out, limits, loop, own, t_us)
    then = own._replace(train=own.train._replace(gone_us=gone_us))
    budget = world.run(budget_of, limits, loop, then, command, later_us)
    room_us, periods_us = until_us - t_us, 3 * loop.control_period_us
    world.given(limits.ramp_us >= 0)
    world.show("the room is that of a ramp", room_us >= limits.ramp_us + periods_us)
    from_zero = own.command.current_uA == 0
    world.show("from zero that of two", implies(from_zero, room_us >= 2 * limits.ramp_us + periods_us))
    world.show("no pulse of the ramp is refused", either(out, opposite(has(budget.withhold, R23))))
    for name in ("run_us", "on_us"):
        tight = limits._replace(**{name: world.any(int, f"tight {name}")})
        world.given(getattr(tight, name) <= getattr(limits, name))
        world.show(f"a lower {name} ends no later", implies(out, world.run(runs_out, tight, loop, own, t_us)))


def _r24(world: World) -> None:
    pulse = Pulse(world)
    world.show("the charge", implies(pulse.leaves, pulse.after.total_pC <= pulse.limits.total_pC))
    world.show("it never falls", pulse.after.total_pC >= pulse.own.train.total_pC)


def _r17(world: World) -> None:
    pulse = Pulse(world)
    world.given(
        pulse.own.train.saturated_pulses >= 0, pulse.own.command.saturated >= 0, pulse.own.command.saturated <= 1
    )
    count = pulse.after.saturated_pulses
    limited = count <= higher(pulse.loop.saturated_pulses, 0)
    world.show("saturated pulses in a row", implies(pulse.leaves, limited))


class Gate:
    """One call of the gate with anything in it."""

    def __init__(self, world: World, channel: int) -> None:
        self.limits, self.memory = world.any(Limits, "limits"), world.any(Memory, "memory")
        self.admitted, self.t_us = world.any(Admitted, "admitted"), world.any(int, "t")
        world.given(self.limits.loop.short_window_us >= 1, self.limits.loop.long_window_us >= 1)
        self.own_limits = (self.limits.agonist, self.limits.antagonist)[channel]
        self.own = (self.memory.agonist, self.memory.antagonist)[channel]
        self.other = (self.memory.antagonist, self.memory.agonist)[channel]
        self.pulse, self.after, self.reasons = world.run(
            gate, self.limits, self.memory, self.admitted, channel, self.t_us
        )
        self.own_after = (self.after.agonist, self.after.antagonist)[channel]
        self.other_after = (self.after.antagonist, self.after.agonist)[channel]
        self.command = world.run(command_of, self.admitted, channel)
        self.leaves = self.pulse.current_uA != 0


def _shut(world: World) -> None:
    for channel in (0, 1):
        at = Gate(world, channel)
        shut = either(at.memory.latch.trip != 0, at.memory.latch.state == DISARMED)
        world.show("no pulse while latched or disarmed", implies(shut, opposite(at.leaves)))
        world.show("nothing changes meanwhile", implies(shut, equal(at.after, at.memory)))


def _obeys(world: World) -> None:
    for channel in (0, 1):
        at = Gate(world, channel)
        silence_us = at.t_us - at.own.train.pulse_us
        same = every(at.pulse.current_uA == at.command.current_uA, at.pulse.width_us == at.command.width_us)
        world.show("a pulse is the command's", implies(at.leaves, same))
        kept = world.run(keeps_ceilings, at.own_limits, at.limits.loop, *at.command)
        world.show("a pulse obeys every fixed bound (R37)", implies(at.leaves, kept))
        budget = world.run(budget_of, at.own_limits, at.limits.loop, at.own, at.command, at.t_us)
        spent = either(truth(budget.trip), truth(budget.withhold))
        world.show("a pulse has room in every budget", implies(spent, opposite(at.leaves)))
        silent = world.run(is_silent, at.limits.loop, at.own.train, at.memory.latch.armed_us, at.t_us)
        rise = world.run(intensity_of, at.own_limits, at.limits.loop, at.own, at.command, silent, at.t_us)
        world.show("a pulse does not rise too fast (R40)", implies(truth(rise.withhold), opposite(at.leaves)))
        risen = equal(at.own_after.intensity, rise.memory)
        world.show("what may come next is noted (R40)", implies(at.leaves, risen))
        noted = world.run(fired, at.own, at.command, budget, at.admitted.gap_us, at.t_us)
        world.show("a pulse is noted", implies(at.leaves, equal(at.own_after.train, noted)))
        alive = every(at.t_us >= at.admitted.admitted_us, at.t_us < at.admitted.expires_us)
        world.show("a pulse leaves while its command lives (R03)", implies(at.leaves, alive))
        spaced = every(silence_us >= at.command.period_us, silence_us >= at.own_limits.period_min_us)
        world.show("pulses are a period apart (R11)", implies(at.leaves, spaced))
        clear = at.t_us - at.other.train.end_us
        gap = at.limits.loop
        apart = either(clear >= gap.pulse_gap_us, clear >= gap.changeover_us)
        world.show("the other channel's pulse has ended (R26)", implies(at.leaves, apart))
        fresh = at.own.train.pulse_us < at.own.command.started_us
        world.show("a changeover waits (R26)", implies(every(at.leaves, fresh), clear >= gap.changeover_us))
        first = either(at.own.train.pulse_us < at.memory.latch.armed_us, silence_us >= gap.rest_us)
        small = at.pulse.current_uA <= at.own_limits.first_step_uA
        world.show("the first pulse is small (R21)", implies(every(at.leaves, first), small))
        held = every(at.t_us < at.own.train.hold_until_us, truth(at.own.train.hold_reasons))
        world.show("a hold is kept (R23)", implies(held, opposite(at.leaves)))
        session = at.t_us - at.memory.latch.session_us < gap.session_us
        world.show("none after the session's end (R24)", implies(at.leaves, session))
        train = at.own.train
        since_us = world.run(filling_since_us, at.limits.loop, train.short_bucket)
        world.show("none before what the windows hold (R04)", implies(at.leaves, at.t_us >= since_us))


def _untouched(world: World) -> None:
    for channel in (0, 1):
        at = Gate(world, channel)
        sums = [
            (
                train.total_pC,
                train.window_pC,
                train.window_uA2_us,
                train.on_us,
                train.run,
                train.run_since_us,
                train.pulse_us,
            )
            for train in (at.own.train, at.own_after.train)
        ]
        world.show("without a pulse the sums stay", implies(opposite(at.leaves), equal(sums[0], sums[1])))
        same = equal(at.own.intensity, at.own_after.intensity)
        world.show("without a pulse the rise stays", implies(opposite(at.leaves), same))
        world.show("the other channel stays", equal(at.other, at.other_after))
        tripped = every(at.after.latch.trip != 0, at.memory.latch.trip == 0)
        world.show("a trip leaves no pulse", implies(tripped, opposite(at.leaves)))
        world.show("a trip disarms", implies(tripped, at.after.latch.state == DISARMED))


SUMS = "one step of an induction: whatever the sums were before; the command is not negative, time goes on"


def _sum(rule: str, says: str, state: Any, *plants: tuple[str, str, str]) -> Claim:
    return Claim(rule, says, ("budget_of", "fired"), state, plants, SUMS)


def _r40(world: World) -> None:
    limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
    own, command = world.any(ChannelMemory, "own"), world.any(Command, "command")
    silent, t_us, line = world.any(bool, "silent"), world.any(int, "t"), world.any(int, "line")
    since_us, top = t_us - own.train.pulse_us, own.intensity.top_pC_per_s
    world.given(since_us >= 1, top >= 0, limits.intensity_slew_pC_per_s2 >= 0, loop.control_period_us >= 0)
    world.given(limits.intensity_width_us >= 0, 1_000_000 * top <= line)
    found: Intensity = world.run(intensity_of, limits, loop, own, command, silent, t_us)
    counted = higher(command.current_uA - limits.first_step_uA, 0) * higher(command.width_us, limits.intensity_width_us)
    leaves = every(opposite(silent), opposite(truth(found.withhold)))
    slew, after = limits.intensity_slew_pC_per_s2, found.memory.top_pC_per_s
    most = top + world.quotient(slew * (since_us + loop.control_period_us), 1_000_000)
    world.show("no pulse above its line", implies(leaves, counted * 1_000_000 <= most * since_us))
    fits = counted * 1_000_000 <= most * since_us
    world.show("one that lies within it leaves", implies(fits, either(silent, leaves)))
    world.show("then at most a tenth more", implies(leaves, 10 * since_us * after <= 11 * counted * 1_000_000))
    world.show("within every earlier pulse's line", implies(leaves, 1_000_000 * after <= line + slew * since_us))
    world.show("a silent channel begins at nothing", implies(silent, after == 0))
    world.show("a pulse held back leaves no trace", implies(truth(found.withhold), after == top))


CLAIMS = [
    Claim(
        "R40",
        "what a pulse delivers lies within the line from every earlier one, and a tenth over the last one's",
        ("intensity_of", "next_top_pC_per_s", "rises_too_fast", "counted_pC"),
        _r40,
        (
            ("rises_too_fast", "loop.control_period_us", "2 * loop.control_period_us"),
            ("counted_pC", "max(command.width_us, limits.intensity_width_us)", "command.width_us"),
            ("counted_pC", "- limits.first_step_uA", "- 2 * limits.first_step_uA"),
            ("next_top_pC_per_s", "min(risen,", "max(risen,"),
            ("intensity_of", "own.intensity, R40, until_us", "own.intensity, 0, until_us"),
            ("intensity_of", "IntensityMemory(0), 0, t_us", "own.intensity, 0, t_us"),
        ),
        "one step of an induction: `line` is that of any earlier pulse in millionths; time goes on, bounds are not "
        "negative; the time named for a pulse held back may be anything",
        unknown=("soonest_us",),
    ),
    _sum(
        "R12",
        "after every pulse the window's squares lie within the RMS bound",
        _r12,
        ("budget_of", "spent > limits.rms_uA", "spent > 1 + limits.rms_uA"),
        ("fired", "train.window_uA2_us + budget.square_uA2_us", "budget.square_uA2_us"),
        ("budget_of", "2 * command.current_uA * command.width_us", "command.current_uA * command.width_us"),
    ),
    _sum(
        "R13",
        "after every pulse the window's squares lie within the density bound; far above it trips",
        _r13,
        ("budget_of", "spent > density_uA", "train.window_uA2_us > density_uA"),
        ("budget_of", "train.window_uA2_us > trip_uA", "train.window_uA2_us >= trip_uA"),
    ),
    _sum(
        "R15",
        "a pulse that takes the window's squares above the power bound trips",
        _r15,
        ("budget_of", "spent > limits.power_rms_uA", "square > limits.power_rms_uA"),
    ),
    _sum(
        "R16",
        "after every pulse the window's charge lies within the rectified bound",
        _r16,
        ("budget_of", "train.window_pC + charge_pC > limits", "train.window_pC > limits"),
        ("budget_of", "withhold |= R16", "withhold |= 0"),
    ),
    _sum(
        "R17",
        "no more saturated pulses in a row than allowed",
        _r17,
        ("fired", "train.saturated_pulses + 1 if", "train.saturated_pulses + 2 if"),
        ("budget_of", "own.command.saturated > loop", "own.command.saturated > 1 + loop"),
    ),
    _sum(
        "R23",
        "after every pulse the on-time lies within the bound of the long window and of one run",
        _r23,
        ("budget_of", "on_us - train.gone_us > limits.on_us", "on_us - train.gone_us > 1 + limits.on_us"),
        ("budget_of", "t_us - run_since_us > limits.run_us", "train.pulse_us - run_since_us > limits.run_us"),
        ("budget_of", "silence >= loop.rest_us", "silence > loop.rest_us"),
    ),
    _sum(
        "R23",
        "the on-time counted is that of runs apart from each other: from a first pulse to the gap after the last",
        _runs,
        ("budget_of", "train.on_us + silence", "train.on_us + min(silence, loop.on_gap_us)"),
        ("budget_of", "train.on_us + loop.on_gap_us", "train.on_us"),
        ("fired", "budget.run_since_us", "train.run_since_us"),
    ),
    Claim(
        "R23",
        "while an on-time has not run out there is room for a ramp to zero: none of its pulses will be refused",
        ("runs_out", "ramp_room_us", "budget_of"),
        _ramp_fits,
        (
            ("runs_out", "> limits.run_us or", "> limits.run_us + 1 or"),
            ("runs_out", "until_us - train.pulse_us", "t_us - train.pulse_us"),
            ("runs_out", "until_us - t_us + loop.on_gap_us", "until_us - t_us"),
            ("ramp_room_us", "ramps * limits.ramp_us", "limits.ramp_us"),
            ("ramp_room_us", "3 * loop", "2 * loop"),
        ),
        "the on-time before an instant grows by at most the time; rests are no shorter than the gap",
    ),
    _sum(
        "R24",
        "after every pulse the session's charge lies within its bound, and it never falls",
        _r24,
        ("budget_of", "train.total_pC + charge_pC > limits", "train.total_pC > limits"),
        ("fired", "train.total_pC + budget.charge_pC", "budget.charge_pC"),
    ),
    Claim(
        "R34",
        "while a trip is latched or the loop is disarmed the gate gives no pulse and changes nothing",
        ("gate", "_shut"),
        _shut,
        (
            ("_shut", "latch.trip != 0", "latch.trip > 0"),
            ("_shut", "latch.state == DISARMED", "latch.state == 9"),
            ("gate", "or shut != 0", ""),
        ),
        unknown=("seal_of", "budget_of", "intensity_of", "filling_since_us"),
        long=True,
    ),
    Claim(
        "R37",
        "a pulse is the command's, inside every fixed bound, in its time and place (R03, R11, R21, R23, R24, R26, R40)",
        ("gate", "_broken", "_too_early", "_clear_of_other_us", "keeps_ceilings", "is_silent"),
        _obeys,
        (
            ("_broken", "not keeps_ceilings", "keeps_ceilings"),
            ("_too_early", "t_us >= admitted.expires_us", "t_us > admitted.expires_us"),
            (
                "_too_early",
                "max(command.period_us, limits.period_min_us)",
                "min(command.period_us, limits.period_min_us)",
            ),
            ("_clear_of_other_us", "loop.changeover_us if first", "loop.pulse_gap_us if first"),
            ("is_silent", "train.pulse_us < armed_us or", "train.pulse_us < armed_us and"),
            ("_broken", ">= loop.session_us", "> loop.session_us"),
            ("_broken", "t_us < covered_us", "t_us < train.pulse_us"),
            ("gate", "if early != 0", "if False"),
            ("gate", "if withhold != 0", "if withhold == R34"),
            ("gate", "budget.withhold | intensity.withhold", "budget.withhold"),
            ("gate", "train, intensity.memory)", "train, own.intensity)"),
        ),
        "the seal, the budgets and the rise may be anything",
        unknown=("seal_of", "budget_of", "intensity_of", "filling_since_us"),
        long=True,
    ),
    Claim(
        "R34",
        "without a pulse no sum changes, the other channel never does, and a trip leaves no pulse",
        ("gate", "held", "_with_train", "_with_trip", "tripped"),
        _untouched,
        (
            ("held", "train.window_pC,", "0,"),
            ("gate", "resting, own.intensity)", "resting, intensity.memory)"),
            ("_with_train", "if channel == 0", "if channel == 1"),
            ("tripped", "Latch(DISARMED, trip", "Latch(latch.state, trip"),
        ),
        "the seal, the budgets and the rise may be anything",
        unknown=("seal_of", "budget_of", "intensity_of", "filling_since_us"),
        long=True,
    ),
]
