"""Claims that no intermediate number leaves 64 bits: Python's integers grow, those of compiled code wrap."""

from __future__ import annotations

from typing import Any

from tests.proof.worlds import Claim, World
from thenar.safety.balance import judge_balance
from thenar.safety.bounds import CHANNEL, CONTROL_PERIOD_US, LOOP, SHORT_WINDOW_US, number_of
from thenar.safety.budget import Command, budget_of, fired, runs_out
from thenar.safety.ceilings import Bounded, bound_both, bound_channel, energy_trip
from thenar.safety.inputs import CURRENT_RANGE_UA, PERIOD_RANGE_US, TIME_RANGE_US, WIDTH_RANGE_US, ChannelAsked
from thenar.safety.intensity import counted_pC, next_top_pC_per_s, rises_too_fast
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.memory import NEVER, BalanceMemory, ChannelMemory, CommandMemory, TrainMemory
from thenar.safety.step_limits import limit_rise, ramp_top_uA

MOST = {
    **{row.field: number_of(row, row.high, CONTROL_PERIOD_US[1]) for row in CHANNEL.values() if row.field},
    "ceiling_uA": 100_000,
    "density_charge_pC": 400_000_000,
    "period_min_us": 1_000_000,
    "contact_assumed_per_mille": 1_000,
    "power_rms_uA": 320_000,
    "net_per_mille": 1_000,
    "net_pC": 1_000_000_000,
    "net_trip_pC": 1_000_000_000,
    "rise_uA": 50_000,
    "width_rise_us": 500,
    "on_us": 600_000_000,
}
"""The hard ceilings of `thenar.safety.bounds` in the interlock's integers; derived ones and some others rounded up."""

LOOP_MOST = {
    "control_period_us": CONTROL_PERIOD_US[1],
    "short_window_us": SHORT_WINDOW_US,
    **{
        row.field: number_of(row, row.high, CONTROL_PERIOD_US[1])
        for key, row in LOOP.items()
        if key
        in ("device_step_mA", "on_window_s", "on_gap_ms", "rest_s", "recovery_s", "saturated_pulses", "summed_share")
    },
}
RANGES = (
    "limits from 0 (windows, the shortest period and width, the ramp: from 1) to the hard ceilings; demands in the "
    "type ranges of R01; times within 31 years, a ramp not begun in the future (R04 trips first); sums within the "
    "bounds that they are held to"
)


def _hard(world: World, channel: ChannelLimits) -> None:
    world.given(
        *(getattr(channel, name) >= 0 for name in MOST), *(getattr(channel, name) <= MOST[name] for name in MOST)
    )
    world.given(channel.width_min_us >= 1, channel.period_min_us >= 1, channel.ramp_us >= 1)


def _hard_loop(world: World, loop: LoopLimits) -> None:
    world.given(*(getattr(loop, name) >= 0 for name in LOOP_MOST))
    world.given(*(getattr(loop, name) <= most for name, most in LOOP_MOST.items()))
    world.given(loop.short_window_us >= 1, loop.long_window_us >= 1)


def _within(world: World, value: Any, most: int, least: int = 0) -> None:
    world.given(least <= value, value <= most)


def _in_range(world: World, asked: ChannelAsked) -> None:
    _within(world, asked.current_uA, CURRENT_RANGE_UA)
    _within(world, asked.width_us, WIDTH_RANGE_US)
    _within(world, asked.period_us, PERIOD_RANGE_US[1])


def _channel(world: World) -> None:
    limits, loop, asked = (
        world.any(ChannelLimits, "limits"),
        world.any(LoopLimits, "loop"),
        world.any(ChannelAsked, "asked"),
    )
    ohm, share = world.any(int, "ohm"), world.any(int, "share")
    _hard(world, limits)
    _hard_loop(world, loop)
    _in_range(world, asked)
    _within(world, ohm, 1_000_000_000, -1)
    _within(world, share, 1_000, -1)
    world.run(bound_channel, limits, loop, asked, ohm, share)
    world.fits()


def _both(world: World) -> None:
    limits = world.any(Limits, "limits")
    first, second = world.any(ChannelAsked, "agonist"), world.any(ChannelAsked, "antagonist")
    one, other = world.any(Bounded, "one"), world.any(Bounded, "other")
    for channel, asked, given in ((limits.agonist, first, one), (limits.antagonist, second, other)):
        _hard(world, channel)
        _in_range(world, asked)
        _within(world, given.current_uA, CURRENT_RANGE_UA)
    _hard_loop(world, limits.loop)
    world.run(bound_both, limits, first, second, one, other)
    world.fits()


def _pulse(world: World) -> None:
    limits, given = world.any(ChannelLimits, "limits"), world.any(Bounded, "given")
    _hard(world, limits)
    _within(world, given.current_uA, MOST["peak_uA"])
    _within(world, given.width_us, MOST["width_max_us"])
    world.run(energy_trip, limits, given)
    world.fits()


def _train(world: World, train: TrainMemory) -> None:
    for time_us in (train.pulse_us, train.end_us, train.hold_until_us):
        _within(world, time_us, TIME_RANGE_US, NEVER)
    _within(world, train.run_since_us, TIME_RANGE_US, NEVER)
    for on_us in (train.on_us, train.gone_us):
        _within(world, on_us, TIME_RANGE_US)
    _within(world, train.run, TIME_RANGE_US, -1)
    _within(world, train.total_pC, MOST["total_pC"])
    _within(world, train.window_pC, MOST["rectified_pC"])
    _within(world, train.window_uA2_us, MOST["power_rms_uA"] * MOST["power_rms_uA"] * LOOP_MOST["short_window_us"])
    _within(world, train.saturated_pulses, 21)


def _budget(world: World) -> None:
    limits, loop, own = (
        world.any(ChannelLimits, "limits"),
        world.any(LoopLimits, "loop"),
        world.any(ChannelMemory, "own"),
    )
    command, t_us, gap_us = world.any(Command, "command"), world.any(int, "t"), world.any(int, "gap")
    _hard(world, limits)
    _hard_loop(world, loop)
    _train(world, own.train)
    _within(world, own.command.contact_per_mille, 1_000, -1)
    _within(world, own.command.saturated, 1)
    _within(world, command.current_uA, MOST["peak_uA"])
    _within(world, command.width_us, MOST["width_max_us"])
    _within(world, command.period_us, PERIOD_RANGE_US[1])
    _within(world, t_us, TIME_RANGE_US)
    _within(world, gap_us, 200)
    world.run(fired, own, command, world.run(budget_of, limits, loop, own, command, t_us), gap_us, t_us)
    world.run(runs_out, limits, loop, own, t_us)
    world.fits()


def _intensity(world: World) -> None:
    limits, loop, command = (
        world.any(ChannelLimits, "limits"),
        world.any(LoopLimits, "loop"),
        world.any(Command, "command"),
    )
    top_pC_per_s, since_us = world.any(int, "top"), world.any(int, "since")
    _hard(world, limits)
    _hard_loop(world, loop)
    _within(world, command.current_uA, MOST["peak_uA"])
    _within(world, command.width_us, MOST["width_max_us"])
    # 11/10 of the strongest pulse every 10 ms, the shortest period of any profile; a rest begins anew.
    _within(world, top_pC_per_s, 5_500_000_000)
    _within(world, since_us, LOOP_MOST["rest_us"], 1)
    counted = world.run(counted_pC, limits, command)
    world.run(rises_too_fast, limits, loop, top_pC_per_s, counted, since_us)
    world.run(next_top_pC_per_s, limits, top_pC_per_s, counted, since_us)
    world.fits()


def _rises(world: World) -> None:
    limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
    command, train, given = (
        world.any(CommandMemory, "command"),
        world.any(TrainMemory, "train"),
        world.any(Bounded, "given"),
    )
    armed_us, t_us, us, start_uA = (world.any(int, name) for name in ("armed", "t", "ramping", "from"))
    _hard(world, limits)
    _hard_loop(world, loop)
    _train(world, train)
    for current_uA in (command.current_uA, given.current_uA, start_uA):
        _within(world, current_uA, CURRENT_RANGE_UA)
    for width_us in (command.width_us, given.width_us):
        _within(world, width_us, WIDTH_RANGE_US)
    _within(world, command.risen_us, TIME_RANGE_US, NEVER)
    _within(world, armed_us, TIME_RANGE_US, NEVER)
    _within(world, t_us, TIME_RANGE_US)
    _within(world, us, TIME_RANGE_US)  # a clock that goes back trips (R04) before a ramp is reckoned
    world.run(limit_rise, limits, loop, command, train, armed_us, given, t_us)
    world.run(ramp_top_uA, limits, start_uA, us)
    world.fits()


def _balance(world: World) -> None:
    limits, past = world.any(ChannelLimits, "limits"), world.any(BalanceMemory, "past")
    total_pC, net_pC, cut, window_us, t_us = (world.any(int, name) for name in ("total", "net", "cut", "window", "t"))
    _hard(world, limits)
    _within(world, past.since_us, TIME_RANGE_US, NEVER)
    for held_pC in (past.net_now_pC, past.net_before_pC):
        _within(world, held_pC, 1_000_000_000_000_000)
    for total in (total_pC, past.total_pC):
        _within(world, total, MOST["total_pC"])
    _within(world, net_pC, 1_000_000_000_000, -1_000_000_000_000)
    _within(world, window_us, 1_000_000, 1)
    _within(world, t_us, TIME_RANGE_US)
    world.run(judge_balance, limits, past, total_pC, net_pC, cut, window_us, t_us)
    world.fits()


def _wide(functions: tuple[str, ...], state: Any, *plants: tuple[str, str, str]) -> Claim:
    says = f"no intermediate number of {', '.join(functions)} leaves 64 bits"
    return Claim("R37", says, functions, state, plants, RANGES, small=10**19)


CLAIMS = [
    _wide(
        ("bound_channel", "density_rms_uA", "most_pulses", "_steady_bound_uA"),
        _channel,
        ("_steady_bound_uA", "rms_uA * rms_uA * loop", "rms_uA * rms_uA * 10_000 * loop"),
    ),
    _wide(("bound_both",), _both, ("bound_both", "wished = 1_000", "wished = 1_000_000_000")),
    _wide(("energy_trip",), _pulse, ("energy_trip", "2 * LOAD_OHM", "LOAD_OHM * 10_000")),
    _wide(
        ("budget_of", "fired", "runs_out"),
        _budget,
        ("budget_of", "square = command.current_uA", "square = limits.total_pC"),
    ),
    _wide(("limit_rise", "ramp_top_uA"), _rises, ("limit_rise", ", _LONGEST_US)", ", t_us)")),
    _wide(
        ("counted_pC", "rises_too_fast", "next_top_pC_per_s"),
        _intensity,
        ("rises_too_fast", "counted * _US_PER_S >", "counted * _US_PER_S * _US_PER_S >"),
    ),
    _wide(("judge_balance",), _balance, ("judge_balance", "2_000 * size_pC", "2_000 * size_pC * size_pC")),
]
